"""Bending sheet: how much flat length a bend takes, and what is taken off the flat for it."""

from __future__ import annotations

import math

from elbowroom.shared.arrays import check_positive
from elbowroom.shared.errors import InputError

SOFT_STEEL_K = 0.64 / 1.57
"""K-factor of the handbook's soft-steel rule L = (0.64 T + 1.57 R) a / 90: 0.408 (Machinery's Handbook 31 p. 1421)."""

K_RANGE = (0.0, 0.5)
"""The neutral line lies between the inside face and the middle."""


def bend_allowance_mm(
    angle_deg: float, *, inside_radius_mm: float, thickness_mm: float, k_factor: float
) -> float:
    """Return the flat length, mm, that a bend takes: the arc at K thicknesses from the inside face.

    Raises
    ------
    InputError
        When the angle is not in 0 to 180 degrees, the thickness not above zero, the radius below, K not in 0 to 0.5.

    Source: closed form, angle (R + K T).
    """
    _check(angle_deg, inside_radius_mm, thickness_mm)
    low, high = K_RANGE
    if not low <= k_factor <= high:
        raise InputError("no such K-factor", where="bend", value=k_factor, limit=f"{low:g} to {high:g}")
    return math.radians(angle_deg) * (inside_radius_mm + k_factor * thickness_mm)


def soft_steel_allowance_mm(angle_deg: float, *, inside_radius_mm: float, thickness_mm: float) -> float:
    """Return the flat length, mm, of a bend in soft steel by the handbook's rule; raises as `bend_allowance_mm`.

    Source: Machinery's Handbook 31 p. 1421, (0.64 T + 1.57 R) a / 90.
    """
    _check(angle_deg, inside_radius_mm, thickness_mm)
    return (0.64 * thickness_mm + 1.57 * inside_radius_mm) * angle_deg / 90


def setback_mm(angle_deg: float, *, inside_radius_mm: float, thickness_mm: float) -> float:
    """Return the outside setback, mm: from the bend's tangent line to where the outer faces would meet.

    Raises
    ------
    InputError
        As `bend_allowance_mm`, and at 180 degrees, where the faces don't meet.

    Source: closed form, tan(angle / 2) (R + T).
    """
    _check(angle_deg, inside_radius_mm, thickness_mm)
    if angle_deg >= 180:
        raise InputError(
            "the faces of a fold don't meet", where="bend", value=f"{angle_deg:g} deg", limit="180"
        )
    return math.tan(math.radians(angle_deg) / 2) * (inside_radius_mm + thickness_mm)


def k_factor_of(
    allowance_mm: float, angle_deg: float, *, inside_radius_mm: float, thickness_mm: float
) -> float:
    """Return the K-factor a bent test strip shows: the inverse of `bend_allowance_mm`."""
    _check(angle_deg, inside_radius_mm, thickness_mm)
    return (allowance_mm / math.radians(angle_deg) - inside_radius_mm) / thickness_mm


def bend_deduction_mm(allowance_mm: float, setback: float) -> float:
    """Return what to take off the sum of both outside lengths to get the flat. Source: closed form."""
    return 2 * setback - allowance_mm


def _check(angle_deg: float, radius: float, thickness: float) -> None:
    check_positive(thickness, where="bend, thickness")
    if not (math.isfinite(radius) and radius >= 0):
        raise InputError(
            "a bend's inside radius can't be that", where="bend", value=radius, limit="0 mm or more"
        )
    if not 0 < angle_deg <= 180:
        raise InputError(
            "a bend's angle can't be that",
            where="bend",
            value=f"{angle_deg:g} deg",
            limit="above 0 to 180 deg",
        )
