"""A printed page in millimetres: what every sheet carries, and how a coded target is drawn.

All is vector work at 1:1. Page frame: origin at the paper's lower left corner, x right, y up, millimetres.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from elbowroom.shared.errors import InputError

POINTS_PER_MM = 72.0 / 25.4

PAPERS: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Paper width and height, mm. Source: ISO 216; ANSI/ASME Y14.1 (8.5 x 11 in)."""

MARGIN_MM = 10.0
"""Kept free along every paper edge: office printers leave 4 to 6 mm blank (common practice, no source)."""

LEFT_MM, FOOT_MM, HEAD_MM = 12.0, 21.0, 10.0
"""Strips inside the margins for the upright bar, the level bar with its words, and the title."""

WORDS_MM = 134.0
"""Room for the words above the level bar: what a page keeps in the right corner of its foot begins behind them."""

BAR_MM = 100.0
TICK_MM = 0.15
"""Width of a bar's ticks: a fine line, so that its centre is plain under a ruler."""

INK, GREY, PALE = 0.0, 0.45, 0.72

MODULES = 8
"""Modules across a coded target's black square: 6 of code and a border of one on each side (AprilTag 36h11)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A page being drawn: reportlab's canvas, the paper's size as laid out, mm, and what its foot says."""

    canvas: Any
    width_mm: float
    height_mm: float

    @property
    def room(self) -> tuple[float, float, float, float]:
        """Left, bottom, right and top, mm, of the room left for content."""
        return (
            MARGIN_MM + LEFT_MM,
            MARGIN_MM + FOOT_MM,
            self.width_mm - MARGIN_MM,
            self.height_mm - MARGIN_MM - HEAD_MM,
        )

    def box(self, x: float, y: float, width: float, height: float, *, grey: float = INK) -> None:
        """Fill a rectangle given by its lower left corner and size."""
        self.canvas.setFillGray(grey)
        self.canvas.rect(*(v * POINTS_PER_MM for v in (x, y, width, height)), stroke=0, fill=1)

    def line(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        *,
        width: float = 0.15,
        grey: float = INK,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw a straight line; `dash` in mm."""
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(width * POINTS_PER_MM)
        self.canvas.setDash(*([[d * POINTS_PER_MM for d in dash]] if dash else []))
        self.canvas.line(*(v * POINTS_PER_MM for v in (*start, *end)))

    def path(
        self, runs: Sequence[Sequence[tuple[float, float]]], *, width: float = 0.15, grey: float = INK
    ) -> None:
        """Draw a closed path from the first run's start: a run is its end (a line) or two controls and its end.

        The first run holds the start alone.
        """
        path = self.canvas.beginPath()
        path.moveTo(*(v * POINTS_PER_MM for v in runs[0][0]))
        for run in runs[1:]:
            numbers = [v * POINTS_PER_MM for point in run for v in point]
            (path.curveTo if len(run) == 3 else path.lineTo)(*numbers)
        path.close()
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(width * POINTS_PER_MM)
        self.canvas.setDash()
        self.canvas.drawPath(path, stroke=1, fill=0)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 2.6,
        bold: bool = False,
        align: str = "left",
        grey: float = INK,
        turned: bool = False,
        within: float = math.inf,
    ) -> None:
        """Write one line of text, `size` in mm, smaller if `within` mm ask for it; `turned` writes it upwards."""
        canvas = self.canvas
        font = "Helvetica-Bold" if bold else "Helvetica"
        wide = canvas.stringWidth(printable(words), font, size)
        size *= min(1.0, within / max(wide, 1e-9))
        canvas.saveState()
        canvas.setFillGray(grey)
        canvas.setFont(font, size * POINTS_PER_MM)
        canvas.translate(x * POINTS_PER_MM, y * POINTS_PER_MM)
        if turned:
            canvas.rotate(90)
        draw = {
            "left": canvas.drawString,
            "centre": canvas.drawCentredString,
            "right": canvas.drawRightString,
        }[align]
        draw(0, 0, printable(words))
        canvas.restoreState()


def printable(words: str) -> str:
    """Return `words` with what the PDF's built-in fonts can't show as question marks."""
    return words.encode("cp1252", errors="replace").decode("cp1252")


def paper_size(paper: str) -> tuple[float, float]:
    """Return width and height, mm, of a paper by name.

    Raises
    ------
    InputError
        When the name isn't one of PAPERS.
    """
    if paper not in PAPERS:
        raise InputError("no such paper", where="paper", value=paper, limit=", ".join(PAPERS))
    return PAPERS[paper]


TARGET_WORDS = (
    "Print at 100 %, measure both bars, type the measured lengths in.",
    "Each bar is 100 mm from the centre of one end tick to the centre of the other.",
)
"""What the foot of a target sheet says of the bars."""


def open_canvas(buffer: io.BytesIO, paper: str, title: str) -> Any:
    """Return reportlab's canvas for a PDF of this paper, which asks print dialogs for actual size."""
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas(
        buffer,
        pagesize=tuple(v * POINTS_PER_MM for v in paper_size(paper)),
        invariant=1,
        pageCompression=1,
    )
    canvas.setTitle(printable(title))
    canvas.setCreator("Elbowroom")
    canvas.setViewerPreference("PrintScaling", "None")  # asks the print dialog for actual size
    return canvas


def draw_frame(
    sheet: Sheet, *, title: str, about: str, page: int, pages: int, words: tuple[str, str] = TARGET_WORDS
) -> None:
    """Draw what every page carries: title, what it is about, page number, both check bars and words on them."""
    left, right, top = MARGIN_MM, sheet.width_mm - MARGIN_MM, sheet.height_mm - MARGIN_MM
    sheet.text(left, top - 4, title, size=4.2, bold=True, within=right - left - 80)
    sheet.text(right, top - 4, f"{about}   page {page} of {pages}", size=2.8, align="right", within=75)
    sheet.line((left, top - 6.5), (right, top - 6.5), width=0.25)
    _level_bar(sheet, MARGIN_MM + LEFT_MM, MARGIN_MM + 4.0)
    _upright_bar(sheet, MARGIN_MM + 4.0, MARGIN_MM + FOOT_MM)
    x = MARGIN_MM + LEFT_MM
    sheet.text(x, MARGIN_MM + 14.0, words[0], bold=True, within=WORDS_MM)
    sheet.text(x, MARGIN_MM + 10.4, words[1], grey=GREY, within=WORDS_MM)


def _level_bar(sheet: Sheet, x: float, y: float) -> None:
    sheet.box(x, y - 0.1, BAR_MM, 0.2)
    for step in range(11):
        tall = 4.0 if step in (0, 10) else (2.2 if step == 5 else 1.4)
        sheet.box(x + step * BAR_MM / 10 - TICK_MM / 2, y - tall / 2, TICK_MM, tall)
    sheet.text(x + BAR_MM + 2.5, y - 0.9, "x bar: 100 mm (3.937 in)")


def _upright_bar(sheet: Sheet, x: float, y: float) -> None:
    sheet.box(x - 0.1, y, 0.2, BAR_MM)
    for step in range(11):
        wide = 4.0 if step in (0, 10) else (2.2 if step == 5 else 1.4)
        sheet.box(x - wide / 2, y + step * BAR_MM / 10 - TICK_MM / 2, wide, TICK_MM)
    sheet.text(x + 0.9, y + BAR_MM + 3.5, "y bar: 100 mm (3.937 in)", turned=True)


@cache
def black_rings(target_id: int) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Return the outlines of a target's black area, in modules from its lower left, to be filled even-odd.

    One path without seams: neighbouring black modules drawn one by one show hairlines in some viewers.

    Source: the AprilTag 36h11 code words as published with OpenCV's ArUco module.
    """
    import cv2
    import shapely

    codes = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    image = cv2.aruco.generateImageMarker(codes, target_id, MODULES)
    cells = [
        shapely.box(column, MODULES - 1 - row, column + 1, MODULES - row)
        for row in range(MODULES)
        for column in range(MODULES)
        if image[row, column] < 128
    ]
    area = shapely.unary_union(cells)
    parts = list(getattr(area, "geoms", [area]))
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    return tuple(tuple((float(x), float(y)) for x, y in ring.simplify(0).coords[:-1]) for ring in rings)


def draw_target(sheet: Sheet, target_id: int, centre_mm: tuple[float, float], side_mm: float) -> None:
    """Draw a coded target, the right way up, with the centre of its black square at `centre_mm`."""
    module = side_mm / MODULES * POINTS_PER_MM
    x0, y0 = ((c - side_mm / 2) * POINTS_PER_MM for c in centre_mm)
    path = sheet.canvas.beginPath()
    for ring in black_rings(target_id):
        path.moveTo(x0 + ring[0][0] * module, y0 + ring[0][1] * module)
        for x, y in ring[1:]:
            path.lineTo(x0 + x * module, y0 + y * module)
        path.close()
    sheet.canvas.setFillGray(INK)
    sheet.canvas.drawPath(path, stroke=0, fill=1, fillMode=0)


def draw_up_mark(sheet: Sheet, x: float, y: float, size: float = 2.2) -> None:
    """Draw an arrow head pointing to the top of the target, its foot centred on (x, y)."""
    path = sheet.canvas.beginPath()
    corners = ((x - size / 2, y), (x + size / 2, y), (x, y + size * 0.9))
    path.moveTo(*(v * POINTS_PER_MM for v in corners[0]))
    for corner in corners[1:]:
        path.lineTo(*(v * POINTS_PER_MM for v in corner))
    path.close()
    sheet.canvas.setFillGray(INK)
    sheet.canvas.drawPath(path, stroke=0, fill=1)
