"""Paper templates at exactly 1:1: the part to tape together from tiles, lay on the steel and prick through.

Three frames: plate, drawing (the plate turned or seen from below, see `tiles`), and page. In the window black is
what is cut or pricked; all else there is grey.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np

from elbowroom.export import page
from elbowroom.export.dxf import check_choice
from elbowroom.export.files import write_whole
from elbowroom.export.page import GREY, PALE, POINTS_PER_MM, Sheet
from elbowroom.export.soundness import check_openings
from elbowroom.export.template_part import THIN_LINE_MM, Pen, curves, draw_part
from elbowroom.export.template_words import SEEN, correction, draw_map, draw_words
from elbowroom.export.tiles import Tile, Tiling, tile_drawing
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, PrintBatch, Vec2

Paper = Literal["A4", "Letter"]
Side = Literal["top", "bottom"]

MARK_RING_MM, MARK_ARM_MM = 2.0, 4.0
"""Radius of a match mark's ring and reach of its cross: both inside the strip of OVERLAP_MM."""

WORDS_STRIP_MM = 13.5
"""Room above the window for words on the part, the caution and how to join the tiles."""


def write_template(
    plate: Plate,
    path: Path | str,
    *,
    paper: Paper = "A4",
    batch: PrintBatch | None = None,
    side: Side = "top",
    verdict: str = "NOT CHECKED",
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
    verdict : str
        What the clearance check said of the plate; written on every page.

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
    scale = correction(batch)
    width, height = (size / s for size, s in zip(page.paper_size(paper), scale, strict=True))
    turn, tiling = _least_paper(plate, side, _window(width, height))
    buffer = io.BytesIO()
    canvas = page.open_canvas(buffer, paper, f"Paper template, {plate.name}")
    for number, tile in enumerate(tiling.tiles, 1):
        canvas.scale(*scale)
        sheet = Sheet(canvas=canvas, width_mm=width, height_mm=height)
        draw_words(sheet, plate, tile, (number, len(tiling.tiles)), SEEN[side], batch, verdict)
        _draw_tile(sheet, plate, turn, tiling, tile)
        if len(tiling.tiles) > 1:
            draw_map(sheet, Outline.of_loop(plate.outer).moved(turn, (0.0, 0.0)), tiling, tile)
        canvas.showPage()
    canvas.save()
    write_whole(path, buffer.getvalue())
    return _findings(plate, batch)


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


def _draw_tile(sheet: Sheet, plate: Plate, turn: Floats, tiling: Tiling, tile: Tile) -> None:
    """Draw the part within the tile's window, then the tile's match marks and trimming edges."""
    left, bottom, right, top = _window(sheet.width_mm, sheet.height_mm)
    shift = np.array([left - tile.left_mm, bottom - tile.bottom_mm])
    canvas = sheet.canvas
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(*(v * POINTS_PER_MM for v in (left, bottom, right - left, top - bottom)))
    canvas.clipPath(clip, stroke=0, fill=0)
    pen = Pen(sheet=sheet, turn=turn, shift=shift)
    draw_part(pen, plate)
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


def _findings(plate: Plate, batch: PrintBatch | None) -> list[Finding]:
    words = "Measure both 100 mm bars on every page before the template is used; a printer that scales shows there."
    out = [Finding(code="template-bars", severity="note", subject=plate.name, message=words)]
    if batch is not None and not batch.measured:
        words = (
            f"The check bars of batch {batch.name} are not measured: the template is drawn 1:1, uncorrected."
        )
        out.append(Finding(code="bars-not-measured", severity="warning", subject=batch.name, message=words))
    elif batch is not None:
        x, y = correction(batch)
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
