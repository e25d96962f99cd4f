"""What a bolt or pin can do to the steel round its hole: crush it, tear out of it, or pull the rest in two.

Source: AISC 360 J3.10 (bearing 2.4 d t Fu, tear-out 1.2 lc t Fu, where the hole's growth at service load counts), D2
and D5 (rupture of the net section, Fu An), safety factor 2.00 for each; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from elbowroom.shared.arrays import Floats
from elbowroom.shared.hardware import Material
from elbowroom.shared.loads import FACTOR_SHOWN, StrengthRow

RUPTURE_ASKED = 2.00
"""Safety factor asked of what breaks (AISC 360 J3.10, D2)."""

YIELD_ASKED = 1.67
"""Safety factor asked of yield (AISC 360 D2); the scale on which a case's own least factor stands."""

CRUSH, TEAR = 2.4, 1.2

RAYS = 9
"""Lines across the hole along which the steel in front of it is measured; the shortest counts."""


def bearing_n(diameter_mm: float, thickness_mm: float, ultimate_mpa: float) -> float:
    """Return the force, N, at which a bolt crushes the hole's wall. Source: AISC 360 J3.10."""
    return CRUSH * diameter_mm * thickness_mm * ultimate_mpa


def tear_out_n(clear_mm: float, thickness_mm: float, ultimate_mpa: float) -> float:
    """Return the force, N, at which a bolt tears out the steel in front of it. Source: AISC 360 J3.10."""
    return TEAR * clear_mm * thickness_mm * ultimate_mpa


def net_section_n(width_mm: float, thickness_mm: float, ultimate_mpa: float) -> float:
    """Return the pull, N, at which steel of this net width breaks. Source: AISC 360 D2."""
    return width_mm * thickness_mm * ultimate_mpa


def clear_mm(steel: Polygon, centre_mm: Floats, radius_mm: float, direction: Floats) -> float:
    """Return how much steel, mm, stands between a hole's edge and the next edge in a direction (2,), shortest ray.

    Parameters
    ----------
    steel : Polygon
        The plate with its openings cut out, mm.
    centre_mm, direction : Floats
        (2,) mm; direction of unit length.
    """
    side = np.array([-direction[1], direction[0]])
    x0, y0, x1, y1 = steel.bounds
    reach = math.hypot(x1 - x0, y1 - y0)
    edges = steel.boundary
    best = math.inf
    for share in np.linspace(-0.95, 0.95, RAYS):
        start = centre_mm + radius_mm * (share * side + math.sqrt(1 - share**2) * direction)
        outer = start + SKIN_MM * direction
        ray = LineString([outer, outer + reach * direction])
        hits = shapely.get_coordinates(shapely.intersection(edges, ray))
        if not shapely.contains_xy(steel, *outer) or not len(hits):
            return 0.0
        best = min(best, float(((hits - start) @ direction).min()))
    return best


SKIN_MM = 0.05
"""Rays start this far off the hole's edge: the polygon's chords stand up to 0.01 mm off the true circle."""


def hole_rows(
    name: str, steel: Polygon, *, centre_mm: Floats, hole_mm: float, pin_mm: float, force_n: Floats,
    thickness_mm: float, material: Material, least_factor: float,
) -> Sequence[StrengthRow]:  # fmt: skip
    """Return bearing, tear-out and net section of one hole under an in-plane force (2,) N that its bolt exerts."""
    pull = float(np.hypot(*force_n))
    if pull == 0.0:
        return ()
    along = np.asarray(force_n, dtype=np.float64) / pull
    across = np.array([-along[1], along[0]])
    radius = hole_mm / 2
    front = clear_mm(steel, centre_mm, radius, along)
    width = sum(clear_mm(steel, centre_mm, radius, s * across) for s in (1.0, -1.0))
    strength = (
        ("bearing", bearing_n(pin_mm, thickness_mm, material.ultimate_mpa), "AISC 360 J3.10, 2.4 d t Fu"),
        ("tear-out", tear_out_n(front, thickness_mm, material.ultimate_mpa), "AISC 360 J3.10, 1.2 lc t Fu"),
        ("net section", net_section_n(width, thickness_mm, material.ultimate_mpa), "AISC 360 D2, Fu An"),
    )
    return tuple(
        StrengthRow(
            what=what, where=name, demand=pull, capacity=capacity, unit="N", factor=min(capacity / pull, FACTOR_SHOWN),
            asked=RUPTURE_ASKED / YIELD_ASKED * least_factor, source=source,
        )
        for what, capacity, source in strength
    )  # fmt: skip
