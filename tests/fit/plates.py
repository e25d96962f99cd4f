"""Shapes of our own invention for the strength tests, and the ways they are held and pulled."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from elbowroom.fit.finite import EdgeLoad, PlateElements, Sheet, Solution
from elbowroom.fit.refinement import Refined, refine
from elbowroom.shared.arrays import Bools, Floats
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Loop, Plate, PlateHole, Pose, Vec2, WeldEdgeIntent

LEVEL = Pose(rotation_rad=(0.0, 0.0, 0.0), shift_mm=(0.0, 0.0, 0.0))


def box(x0: float, y0: float, x1: float, y1: float) -> Outline:
    return Outline.polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def at_x(x: float) -> Callable[[Floats], Bools]:
    """Boundary edges, both ends (k, 2, 2), on a line x = constant."""
    return lambda ends: np.abs(ends[:, :, 0] - x).max(axis=1) < 1e-7


def at_radius(r: float) -> Callable[[Floats], Bools]:
    return lambda ends: np.abs(np.hypot(ends[:, :, 0], ends[:, :, 1]) - r).max(axis=1) < 1e-7


def even(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Callable[[Floats], Floats]:
    """The same N per mm everywhere."""
    return lambda places: np.stack([np.full(places.shape[1:], v) for v in (x, y, z)])


def everywhere(places: Floats) -> Bools:
    return np.ones(len(places), dtype=bool)


def solved(
    outlines: Sequence[Outline],
    sheet: Sheet,
    *,
    held: Callable[[Floats], Bools],
    pulled: Callable[[Floats], Bools],
    traction: Callable[[Floats], Floats],
    size: float,
    counted: Callable[[Floats], Bools] = everywhere,
    limit: Callable[[Floats], Floats] = lambda places: np.full(len(places), np.inf),
) -> Refined:
    def solve(elements: PlateElements) -> Solution:
        ends = elements.ends
        load = EdgeLoad(np.flatnonzero(pulled(ends)), traction)
        return elements.solve(sheet, np.flatnonzero(held(ends)), [load])

    return refine([o.pieces() for o in outlines], size, solve, counted=counted, limit_mm=limit)


def round_hole(name: str, centre: Vec2, diameter: float) -> PlateHole:
    loop = Outline.circle(centre, diameter / 2).loop()
    return PlateHole(name=name, kind="round", loop=loop, centre_mm=centre, diameter_mm=diameter)


def tongue(
    length: float = 200.0, width: float = 40.0, thickness: float = 8.0, *, material: str = "A36"
) -> Plate:
    """A strip welded along x = 0, with a 17 mm hole 30 mm from its far end."""
    loop = Loop(vertices_mm=((0, 0), (length, 0), (length, width), (0, width)), bulges=(0, 0, 0, 0))
    weld = WeldEdgeIntent(name="root", face="rail", from_mm=(0, 0), to_mm=(0, width))
    hole = round_hole("eye", (length - 30, width / 2), 17.0)
    return Plate(
        name="tongue", world_from_plate=LEVEL, thickness_mm=thickness, material=material, outer=loop,
        holes=(hole,), weld_edges=(weld,),
    )  # fmt: skip
