"""Plates of our own invention that the export tests draw: a bracket with arcs, holes and a slot, and a bent tab."""

from __future__ import annotations

import math

from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import BendLine, Loop, Plate, PlateHole, Pose, Vec2

LEVEL = Pose(rotation_rad=(0.0, 0.0, 0.0), shift_mm=(0.0, 0.0, 0.0))
TILTED = Pose(rotation_rad=(0.3, -0.2, 0.5), shift_mm=(120.0, -40.0, 60.0))

QUARTER = math.tan(math.pi / 8)  # bulge of a quarter turn


def round_hole(name: str, centre: Vec2, diameter: float) -> PlateHole:
    loop = Outline.circle(centre, diameter / 2).loop()
    return PlateHole(name=name, kind="round", loop=loop, centre_mm=centre, diameter_mm=diameter)


def slot(name: str, centre: Vec2, length: float, width: float) -> PlateHole:
    """An obround, counter-clockwise, `length` over all."""
    x, y, r, h = *centre, width / 2, (length - width) / 2
    loop = Loop(
        vertices_mm=((x - h, y - r), (x + h, y - r), (x + h, y + r), (x - h, y + r)), bulges=(0, 1, 0, 1)
    )
    return PlateHole(name=name, kind="slot", loop=loop, centre_mm=centre)


def bracket(pose: Pose = LEVEL, name: str = "ram mount") -> Plate:
    """A 160 x 90 plate, corners of radius 12, one hollow of radius 20 in its top edge, two holes and a slot.

    Area and length are closed forms, see `bracket_area` and `bracket_length`.
    """
    w, h, r, n = 160.0, 90.0, 12.0, 20.0
    loop = Loop(
        vertices_mm=(
            (r, 0), (w - r, 0), (w, r), (w, h - r), (w - r, h),
            (w / 2 + n, h), (w / 2 - n, h), (r, h), (0, h - r), (0, r),
        ),
        bulges=(0, QUARTER, 0, QUARTER, 0, -1, 0, QUARTER, 0, QUARTER),
    )  # fmt: skip
    holes = (round_hole("A", (25, 25), 13.5), round_hole("B", (135, 25), 17.5), slot("tab", (80, 30), 50, 10))
    return Plate(
        name=name, world_from_plate=pose, thickness_mm=9.525, material="A36", outer=loop, holes=holes
    )


def bracket_area() -> tuple[float, float]:
    """Outer area and net area, mm², in closed form."""
    outer = 160 * 90 - (4 - math.pi) * 12**2 - math.pi * 20**2 / 2
    openings = math.pi / 4 * (13.5**2 + 17.5**2) + 40 * 10 + math.pi / 4 * 10**2
    return outer, outer - openings


def bracket_length() -> float:
    """Length of the outer outline, mm, in closed form."""
    return 2 * (160 + 90) - 8 * 12 + 2 * math.pi * 12 - 2 * 20 + math.pi * 20


def bent_tab() -> Plate:
    loop = Loop(vertices_mm=((0, 0), (60, 0), (60, 40), (0, 40)), bulges=(0, 0, 0, 0))
    bend = BendLine(from_mm=(30, 0), to_mm=(30, 40), angle_deg=90, inside_radius_mm=6)
    hole = round_hole("pin", (15, 20), 5.0)
    return Plate(
        name="tab",
        world_from_plate=LEVEL,
        thickness_mm=4.763,
        material="A36",
        outer=loop,
        holes=(hole,),
        bends=(bend,),
    )
