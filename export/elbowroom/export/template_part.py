"""The part on a page of a paper template: cut lines, hole centres, bends.

All lines are vectors; arcs are Bezier curves of 45 degrees at most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from elbowroom.export.page import GREY, Sheet
from elbowroom.shared.arrays import Floats
from elbowroom.shared.outline import Outline, Piece
from elbowroom.shared.scene import BendLine, Plate, PlateHole, Vec2

CURVE_RAD = math.pi / 4
"""Greatest sweep of one Bezier curve: off the arc by 4e-6 of its radius, 0.004 mm at one metre."""

CUT_LINE_MM, THIN_LINE_MM = 0.2, 0.12
"""The edge is the centre of its line; thin lines are crosses and bends."""

PAST_MM = 4.0
"""Centre lines run this far past the rim of their hole, so that they are seen once it is drilled."""

LEAST_END_RAD = math.radians(170.0)
"""An arc of a slot that turns this far is its round end, and gets a centre to drill."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """Draws plate coordinates, mm, onto a page."""

    sheet: Sheet
    turn: Floats
    shift: Floats

    def at(self, point: Any) -> tuple[float, float]:
        """Return a plate point as a page point, mm."""
        x, y = self.turn @ np.asarray(point, dtype=np.float64) + self.shift
        return float(x), float(y)

    def outline(self, outline: Outline) -> None:
        """Draw a closed outline as a cut line."""
        runs = [[self.at(outline.vertices[0])]]
        for piece in outline.pieces():
            runs += [[self.at(p) for p in run] for run in curves(piece)]
        self.sheet.path(runs, width=CUT_LINE_MM)

    def cross(self, centre: Vec2, reach_x: float, reach_y: float) -> None:
        """Draw a centre cross; the reaches are along plate x and y."""
        x, y = centre
        for dx, dy in ((reach_x, 0.0), (0.0, reach_y)):
            self.sheet.line(self.at((x - dx, y - dy)), self.at((x + dx, y + dy)), width=THIN_LINE_MM)


def curves(piece: Piece) -> list[list[tuple[float, float]]]:
    """Return a piece as runs: its end if it is a line, else Bezier curves of two controls and an end each, mm.

    Source: the usual cubic for an arc of sweep t, controls on the end tangents at 4/3 tan(t/4) radii (closed form;
    from memory).
    """
    if piece.is_line:
        return [[piece.end]]
    count = math.ceil(abs(piece.sweep) / CURVE_RAD - 1e-9)
    step, (x, y), r = piece.sweep / count, piece.centre, piece.radius
    k = 4 / 3 * math.tan(step / 4)
    out = []
    for n in range(count):
        a, b = piece.from_rad + n * step, piece.from_rad + (n + 1) * step
        one = (x + r * (math.cos(a) - k * math.sin(a)), y + r * (math.sin(a) + k * math.cos(a)))
        two = (x + r * (math.cos(b) + k * math.sin(b)), y + r * (math.sin(b) - k * math.cos(b)))
        end = piece.end if n == count - 1 else (x + r * math.cos(b), y + r * math.sin(b))
        out.append([one, two, end])
    return out


def draw_part(pen: Pen, plate: Plate) -> None:
    """Draw a plate's outlines, hole centres and bends."""
    pen.outline(Outline.of_loop(plate.outer).simplified())
    for hole in plate.holes:
        _draw_hole(pen, hole)
    for number, bend in enumerate(plate.bends, 1):
        _draw_bend(pen, number, bend)


def _draw_bend(pen: Pen, number: int, bend: BendLine) -> None:
    """Draw a bend's dashed line with its words along it, upwards where it is steep."""
    start, end = pen.at(bend.from_mm), pen.at(bend.to_mm)
    pen.sheet.line(start, end, width=THIN_LINE_MM, dash=(4.0, 2.0))
    steep = abs(end[1] - start[1]) > abs(end[0] - start[0])
    place = (
        (start[0] + end[0]) / 2 - (1.0 if steep else 0.0),
        (start[1] + end[1]) / 2 + (0.0 if steep else 1.0),
    )
    words = f"bend {number}: {bend.angle_deg:g} deg, inside radius {bend.inside_radius_mm:g} mm"
    room = 0.9 * math.dist(start, end)
    pen.sheet.text(*place, words, size=2.6, grey=GREY, align="centre", turned=steep, within=room)


def _draw_hole(pen: Pen, hole: PlateHole) -> None:
    outline = Outline.of_loop(hole.loop).simplified()
    pen.outline(outline)
    x0, y0, x1, y1 = outline.bounds()
    cx, cy = hole.centre_mm
    pen.cross(hole.centre_mm, max(x1 - cx, cx - x0) + PAST_MM, max(y1 - cy, cy - y0) + PAST_MM)
    ends = [p for p in outline.pieces() if abs(p.sweep) > LEAST_END_RAD]
    if hole.kind == "slot":
        for end in ends:
            pen.cross(end.centre, min(2.0, 0.6 * end.radius), min(2.0, 0.6 * end.radius))
    corners = [pen.at(c) for c in ((x0, y0), (x1, y1))]
    middle, below = pen.at(hole.centre_mm)[0], min(c[1] for c in corners)
    size = f" {hole.diameter_mm:.2f} mm" if hole.diameter_mm else ""
    pen.sheet.text(middle + 1.0, below - 3.2, f"{hole.name}{size}", size=2.6, grey=GREY)
