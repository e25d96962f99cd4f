"""Paper templates at exactly 1:1: the part to tape together from tiles, lay on the steel and prick through.

All lines are vectors; arcs are Bezier curves of 45 degrees at most. Three frames: plate, drawing (the plate turned or
seen from below, see `tiles`), and page. Black is what is cut, pricked or measured; all else is grey.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from elbowroom.export import page
from elbowroom.export.dxf import check_choice, check_openings
from elbowroom.export.files import write_whole
from elbowroom.export.page import GREY, PALE, POINTS_PER_MM, Sheet
from elbowroom.export.tiles import MAP_CHORD_MM, OVERLAP_MM, Tile, Tiling, tile_drawing
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.outline import Outline, Piece
from elbowroom.shared.scene import BendLine, Plate, PlateHole, PrintBatch, Vec2

Paper = Literal["A4", "Letter"]
Side = Literal["top", "bottom"]

CURVE_RAD = math.pi / 4
"""Greatest sweep of one Bezier curve: off the arc by 4e-6 of its radius, 0.004 mm at one metre."""

CUT_LINE_MM, THIN_LINE_MM = 0.2, 0.12
"""The edge is the centre of its line; thin lines are crosses and bends."""

PAST_MM = 4.0
"""Centre lines run this far past the rim of their hole, so that they are seen once it is drilled."""

LEAST_END_RAD = math.radians(170.0)
"""An arc of a slot that turns this far is its round end, and gets a centre to drill."""

MARK_RING_MM, MARK_ARM_MM = 2.0, 4.0
"""Radius of a match mark's ring and reach of its cross: both inside the strip of OVERLAP_MM."""

WORDS_STRIP_MM = 13.5
"""Room above the window for words on the part, the caution and how to join the tiles."""

MAP_MM = (38.0, 17.5)
"""Room for the map of the tiles in the right corner of the foot."""

BAR_RANGE_MM = (80.0, 120.0)
"""A 100 mm bar outside this was not measured, but mistyped."""

SEEN = {
    "top": "seen from the side its z points to",
    "bottom": "seen from BELOW (mirrored): the side its z points away from",
}

CAUTION = (
    "A fit check, not an approval: a person checks the part before it is cut and before it is loaded.",
    "Structural, lifting, brake, steering and vehicle parts fall under local codes and licensed practice.",
)


def write_template(
    plate: Plate,
    path: Path | str,
    *,
    paper: Paper = "A4",
    batch: PrintBatch | None = None,
    side: Side = "top",
) -> list[Finding]:
    """Write a PDF of the flat part at 1:1, in as many overlapping tiles as it takes.

    Every page carries two 100 mm check bars, the tile's row and column, a map, and numbered crosses that lie on one
    another once the tiles are joined. The part is turned by 90 degrees where that saves paper.

    Parameters
    ----------
    plate : Plate
        What to draw; bends are dashed lines of the flat pattern.
    path : Path
        The PDF; replaced whole.
    paper : {"A4", "Letter"}
        What it is printed on.
    batch : PrintBatch, optional
        Its measured bars correct the drawing: all is drawn 100/bar larger, and the pages say so. For the printer
        that printed the batch, and no other.
    side : {"top", "bottom"}
        The side of the plate that is seen; "bottom" is mirrored.

    Returns
    -------
    list of Finding
        What to check after printing, and what was or wasn't corrected.

    Raises
    ------
    InputError
        An unknown paper or side, a check bar that can't be, outlines that cross, a part too large.
    ExportError
        When the file can't be written.
    """
    check_choice("side", side, tuple(SEEN))
    check_openings(plate)
    scale = _correction(batch)
    width, height = (size / s for size, s in zip(page.paper_size(paper), scale, strict=True))
    turn, tiling = _least_paper(plate, side, _window(width, height))
    buffer = io.BytesIO()
    canvas = _canvas(buffer, paper, f"Paper template, {plate.name}")
    for number, tile in enumerate(tiling.tiles, 1):
        canvas.scale(*scale)
        sheet = Sheet(canvas=canvas, width_mm=width, height_mm=height)
        _draw_words(sheet, plate, tile, (number, len(tiling.tiles)), side, batch)
        _draw_tile(sheet, plate, turn, tiling, tile)
        if len(tiling.tiles) > 1:
            _draw_map(sheet, Outline.of_loop(plate.outer).moved(turn, (0.0, 0.0)), tiling, tile)
        canvas.showPage()
    canvas.save()
    write_whole(path, buffer.getvalue())
    return _findings(plate, batch)


def _correction(batch: PrintBatch | None) -> tuple[float, float]:
    """Return how much larger to draw, x and y, for a printer to print it true."""
    if batch is None or not batch.measured:
        return 1.0, 1.0
    low, high = BAR_RANGE_MM
    for axis, bar in (("x", batch.bar_x_mm), ("y", batch.bar_y_mm)):
        if not low <= bar <= high:
            raise InputError(
                f"the {axis} check bar can't have that length",
                where=f"batch {batch.name}",
                value=f"{bar:g} mm",
                limit=f"{low:g} to {high:g} mm",
                todo="measure the 100 mm bar again, end mark to end mark",
            )
    return 100.0 / batch.bar_x_mm, 100.0 / batch.bar_y_mm


def _window(width_mm: float, height_mm: float) -> tuple[float, float, float, float]:
    """Return left, bottom, right, top, mm on the page, of the window on the drawing."""
    left, bottom, right, top = Sheet(canvas=None, width_mm=width_mm, height_mm=height_mm).room
    return left, bottom, right, top - WORDS_STRIP_MM


def _least_paper(plate: Plate, side: Side, window: Sequence[float]) -> tuple[Floats, Tiling]:
    """Return drawing_from_plate (2, 2), turned if that saves pages, and the tiles."""
    width, height = window[2] - window[0], window[3] - window[1]
    flip = np.diag([-1.0 if side == "bottom" else 1.0, 1.0])
    turns = [flip, np.array([[0.0, -1.0], [1.0, 0.0]]) @ flip]
    outline = Outline.of_loop(plate.outer)
    ways = []
    for turn in turns:
        try:
            part = outline.moved(turn, (0.0, 0.0))
            ways.append((turn, tile_drawing(part, width, height, where=f"plate {plate.name}")))
        except InputError:
            if turn is turns[-1] and not ways:
                raise
    return min(ways, key=lambda way: len(way[1].tiles))


# --- the part ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pen:
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


def _draw_tile(sheet: Sheet, plate: Plate, turn: Floats, tiling: Tiling, tile: Tile) -> None:
    """Draw the part within the tile's window, then the tile's match marks and trimming edges."""
    left, bottom, right, top = _window(sheet.width_mm, sheet.height_mm)
    shift = np.array([left - tile.left_mm, bottom - tile.bottom_mm])
    canvas = sheet.canvas
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(*(v * POINTS_PER_MM for v in (left, bottom, right - left, top - bottom)))
    canvas.clipPath(clip, stroke=0, fill=0)
    pen = _Pen(sheet=sheet, turn=turn, shift=shift)
    pen.outline(Outline.of_loop(plate.outer).simplified())
    for hole in plate.holes:
        _draw_hole(pen, hole)
    for number, bend in enumerate(plate.bends, 1):
        _draw_bend(pen, number, bend)
    canvas.restoreState()
    if len(tiling.tiles) > 1:
        for a, b in (
            ((left, bottom), (right, bottom)),
            ((left, top), (right, top)),
            ((left, bottom), (left, top)),
            ((right, bottom), (right, top)),
        ):
            sheet.line(a, b, width=0.12, grey=PALE, dash=(1.2, 1.2))
    for mark in tile.marks:
        _draw_mark(sheet, (mark.place_mm[0] + shift[0], mark.place_mm[1] + shift[1]), mark.number)


def _draw_bend(pen: _Pen, number: int, bend: BendLine) -> None:
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


def _draw_hole(pen: _Pen, hole: PlateHole) -> None:
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


def _draw_mark(sheet: Sheet, place: Vec2, number: int) -> None:
    x, y = place
    ring = Outline.circle(place, MARK_RING_MM)
    runs: list[list[tuple[float, float]]] = [[(x + MARK_RING_MM, y)]]
    sheet.path(
        runs + [run for piece in ring.pieces() for run in curves(piece)], width=THIN_LINE_MM, grey=GREY
    )
    for dx, dy in ((MARK_ARM_MM, 0.0), (0.0, MARK_ARM_MM)):
        sheet.line((x - dx, y - dy), (x + dx, y + dy), width=THIN_LINE_MM, grey=GREY)
    sheet.text(x + 1.7, y + 1.7, str(number), size=2.6, bold=True, grey=GREY)


# --- words and map -------------------------------------------------------------------------------------------


def _draw_words(
    sheet: Sheet, plate: Plate, tile: Tile, number: tuple[int, int], side: Side, batch: PrintBatch | None
) -> None:
    words = (
        "Print at 100 % (actual size, never fit to page). Check both bars with a rule before you use it.",
        _bar_words(batch),
    )
    about = f"row {tile.row}, column {tile.column}"
    title = f"Paper template: {plate.name}"
    page.draw_frame(sheet, title=title, about=about, page=number[0], pages=number[1], words=words)
    left, _, right, top = sheet.room
    thick = f"{plate.thickness_mm:.2f} mm / {plate.thickness_mm / 25.4:.3f} in thick"
    sheet.text(
        left,
        top - 0.5,
        f"{plate.material}, {thick}; full size, {SEEN[side]}. Line centre = finished edge, no kerf.",
        size=2.6,
        within=right - left,
    )
    sheet.text(left, top - 3.9, CAUTION[0], size=2.4, within=right - left)
    sheet.text(left, top - 7.0, CAUTION[1], size=2.4, within=right - left)
    if number[1] > 1:
        join = "Trim at the pale dashed edges as needed, lay crosses of one number on one another, then tape."
        sheet.text(left, top - 10.4, join, size=2.4, grey=GREY, within=right - left)


def _bar_words(batch: PrintBatch | None) -> str:
    if batch is None or not batch.measured:
        return page.TARGET_WORDS[1] + " No printer correction."
    x, y = _correction(batch)
    return (
        f"Drawn {100 * x:.2f} % wide, {100 * y:.2f} % high for the printer of batch {batch.name} only: "
        "there each bar comes out 100 mm."
    )


def _draw_map(sheet: Sheet, part: Outline, tiling: Tiling, shown: Tile) -> None:
    """Draw all tiles small, the page's own shaded, each with its page number, and the part over them."""
    cells = [
        (
            t.left_mm + OVERLAP_MM / 2,
            t.bottom_mm + OVERLAP_MM / 2,
            t.left_mm + tiling.width_mm - OVERLAP_MM / 2,
            t.bottom_mm + tiling.height_mm - OVERLAP_MM / 2,
        )
        for t in tiling.tiles
    ]
    x0, y0 = min(c[0] for c in cells), min(c[1] for c in cells)
    wide, high = max(c[2] for c in cells) - x0, max(c[3] for c in cells) - y0
    s = min(MAP_MM[0] / wide, MAP_MM[1] / high)
    origin = (sheet.width_mm - page.MARGIN_MM - wide * s, page.MARGIN_MM + 1.0)

    def at(x: float, y: float) -> tuple[float, float]:
        return origin[0] + (x - x0) * s, origin[1] + (y - y0) * s

    for number, (tile, cell) in enumerate(zip(tiling.tiles, cells, strict=True), 1):
        (a, b), (c, d) = at(*cell[:2]), at(*cell[2:])
        if tile is shown:
            sheet.box(a, b, c - a, d - b, grey=0.85)
        sheet.path([[(a, b)], [(c, b)], [(c, d)], [(a, d)]], width=0.1, grey=GREY)
        size = min(2.2, 0.4 * (c - a), 0.4 * (d - b))
        sheet.text(a + 0.5, b + 0.6, str(number), size=size, bold=True)
    corners = [at(float(x), float(y)) for x, y in part.flatten(MAP_CHORD_MM)]
    sheet.path([[corner] for corner in corners], width=0.12, grey=GREY)


def _canvas(buffer: io.BytesIO, paper: str, title: str) -> Any:
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas(
        buffer,
        pagesize=tuple(v * POINTS_PER_MM for v in page.paper_size(paper)),
        invariant=1,
        pageCompression=1,
    )
    canvas.setTitle(page.printable(title))
    canvas.setCreator("Elbowroom")
    canvas.setViewerPreference("PrintScaling", "None")  # asks the print dialog for actual size
    return canvas


def _findings(plate: Plate, batch: PrintBatch | None) -> list[Finding]:
    words = "Measure both 100 mm bars on every page before the template is used; a printer that scales shows there."
    out = [Finding(code="template-bars", severity="note", subject=plate.name, message=words)]
    if batch is not None and not batch.measured:
        words = (
            f"The check bars of batch {batch.name} are not measured: the template is drawn 1:1, uncorrected."
        )
        out.append(Finding(code="bars-not-measured", severity="warning", subject=batch.name, message=words))
    elif batch is not None:
        x, y = _correction(batch)
        words = (
            f"The template is drawn {100 * x:.2f} % wide and {100 * y:.2f} % high for the printer of batch "
            f"{batch.name}; on another printer it comes out wrong."
        )
        numbers = {"bar_x_mm": batch.bar_x_mm, "bar_y_mm": batch.bar_y_mm}
        out.append(
            Finding(
                code="template-corrected", severity="note", subject=batch.name, message=words, numbers=numbers
            )
        )
    if page.printable(plate.name) != plate.name:
        words = "Letters of the plate's name the PDF's fonts can't show are printed as question marks."
        out.append(Finding(code="name-not-printable", severity="note", subject=plate.name, message=words))
    return out
