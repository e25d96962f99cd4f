"""Sheets of coded targets and scale cards, printed at exactly 1:1."""

from __future__ import annotations

import io
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from elbowroom.export import page
from elbowroom.export.files import write_whole
from elbowroom.export.page import MODULES, Sheet
from elbowroom.shared.arrays import check_positive
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import CardTarget, PrintBatch, ScaleCard

Paper = Literal["A4", "Letter"]

LAST_ID = 586
"""AprilTag 36h11 has 587 code words, 0 to 586."""

TOP_STRIP_MM, WORD_STRIP_MM = 4.0, 6.0
"""Room above a target's quiet zone for the up mark, and below it for id and size."""

CARD_HEAD_MM, CARD_FOOT_MM, CARD_SIDE_MM = 10.0, 16.0, 9.0
"""Room on a card outside the quiet zones: title, distances, and the upright row of distances."""

DRAWN_TRUE_MM = 0.1
"""A 100 mm bar that measures further off than this is worth a word: about what a steel rule shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cell:
    """One target to cut out: id, side, and the lower left corner of its cell on the page."""

    id: int
    side_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0

    @property
    def width_mm(self) -> float:
        return self.side_mm * (1 + 2 / MODULES)

    @property
    def height_mm(self) -> float:
        return self.width_mm + TOP_STRIP_MM + WORD_STRIP_MM


def write_targets(
    path: Path | str,
    *,
    ids: Sequence[int],
    side_mm: float | Sequence[float],
    paper: Paper = "A4",
    batch: PrintBatch,
    cards: Sequence[ScaleCard] = (),
    compensate: bool = False,
) -> list[Finding]:
    """Write a PDF of coded targets to cut out, and scale cards, with check bars on every page.

    Parameters
    ----------
    path : Path
        The PDF to write; replaced whole.
    ids : sequence of int
        Ids of the single targets, 0 to 586, each once (cards included).
    side_mm : float or sequence of float
        Side of the black square, mm: one for all, or one for each id.
    paper : {"A4", "Letter"}
        What it is printed on.
    batch : PrintBatch
        Its name is printed on every page. Its measured bars correct what is measured from the photos, not this
        drawing, unless `compensate` is set.
    cards : sequence of ScaleCard
        Each gets a page.
    compensate : bool
        Draw everything 100/bar larger, so that this printer prints it true. Print it as a batch of its own.

    Returns
    -------
    list of Finding
        What to do after printing, and what is doubtful.

    Raises
    ------
    InputError
        An id outside 0 to 586 or used twice, a side or card too large for the paper, targets of a card too close.
    ExportError
        When the file can't be written.
    """
    sides = _sides(ids, side_mm)
    _check_ids([*ids, *(t.id for card in cards for t in card.targets)])
    scale = (100 / batch.bar_x_mm, 100 / batch.bar_y_mm) if compensate else (1.0, 1.0)
    width, height = (size / s for size, s in zip(page.paper_size(paper), scale, strict=True))
    pages = _lay_out([_Cell(id=i, side_mm=s) for i, s in zip(ids, sides, strict=True)], width, height)
    for card in cards:
        _check_card(card, width, height)
    count = len(pages) + len(cards)
    if not count:
        raise InputError("nothing to print", where=str(path), todo="give at least one id or card")
    buffer = io.BytesIO()
    canvas = page.open_canvas(buffer, paper, f"Coded targets, batch {batch.name}")
    sheet = Sheet(canvas=canvas, width_mm=width, height_mm=height)
    for number in range(count):
        canvas.scale(*scale)
        title = "Coded targets" if number < len(pages) else "Scale card"
        page.draw_frame(sheet, title=title, about=f"batch {batch.name}", page=number + 1, pages=count)
        if number < len(pages):
            _draw_cells(sheet, pages[number])
        else:
            _draw_card(sheet, cards[number - len(pages)], batch.name)
        canvas.showPage()
    canvas.save()
    write_whole(path, buffer.getvalue())
    return _findings(batch, [*sides, *(c.side_mm for c in cards)], compensate)


def default_card(paper: Paper, ids: Sequence[int], *, name: str = "card", side_mm: float = 40.0) -> ScaleCard:
    """Return a scale card that fills the paper: targets in one or two columns at a pitch in whole 5 mm.

    Raises
    ------
    InputError
        With fewer than two ids, or more than fit.
    """
    if len(ids) < 2:
        raise InputError("a scale card needs two or more targets", where=name, value=len(ids), limit=2)
    _check_ids(ids)
    room_x, room_y = _card_room(*page.paper_size(paper))
    quiet = side_mm * (1 + 2 / MODULES)
    columns = 1 if len(ids) < 4 else 2
    rows = math.ceil(len(ids) / columns)
    pitch_x = _whole((room_x - quiet) / max(columns - 1, 1))
    pitch_y = _whole((room_y - quiet) / (rows - 1)) if rows > 1 else 0.0
    targets = [
        CardTarget(id=i, x_mm=(n % columns) * pitch_x, y_mm=(rows - 1 - n // columns) * pitch_y)
        for n, i in enumerate(ids)
    ]
    card = ScaleCard(name=name, side_mm=side_mm, targets=tuple(targets))
    _check_card(card, *page.paper_size(paper))
    return card


def _whole(length_mm: float) -> float:
    return math.floor(length_mm / 5.0) * 5.0


def _sides(ids: Sequence[int], side_mm: float | Sequence[float]) -> list[float]:
    """Return one checked side for each id."""
    sides = [float(side_mm)] * len(ids) if isinstance(side_mm, (int, float)) else [float(s) for s in side_mm]
    if len(sides) != len(ids):
        raise InputError(
            "give one side for all targets or one each", where="side_mm", value=len(sides), limit=len(ids)
        )
    return [check_positive(side, where=f"target {i}, side_mm") for i, side in zip(ids, sides, strict=True)]


def _check_ids(ids: Sequence[int]) -> None:
    seen: set[int] = set()
    for i in ids:
        if not 0 <= i <= LAST_ID:
            raise InputError(
                "no such coded target",
                where="ids",
                value=i,
                limit=f"0 to {LAST_ID}",
                todo="choose another id",
            )
        if i in seen:
            raise InputError(
                "the same id twice would put one target in two places",
                where="ids",
                value=i,
                todo="give every target and every place on a card an id of its own",
            )
        seen.add(i)


def _lay_out(cells: Sequence[_Cell], width_mm: float, height_mm: float) -> list[list[_Cell]]:
    """Place cells in rows, large first, on as many pages as it takes."""
    left, bottom, right, top = Sheet(canvas=None, width_mm=width_mm, height_mm=height_mm).room
    pages: list[list[_Cell]] = []
    x, y, row = left, top, math.inf
    for cell in sorted(cells, key=lambda c: -c.side_mm):
        _check_fits(cell, right - left, top - bottom)
        if not pages or x + cell.width_mm > right + 1e-9:
            x, y, row = left, (y - row if pages else top), cell.height_mm
        if not pages or y - row < bottom - 1e-9:
            pages.append([])
            x, y, row = left, top, cell.height_mm
        pages[-1].append(_Cell(id=cell.id, side_mm=cell.side_mm, x_mm=x, y_mm=y - cell.height_mm))
        x += cell.width_mm
    return [_centred(cells_of_page, right) for cells_of_page in pages]


def _centred(cells: list[_Cell], right_mm: float) -> list[_Cell]:
    """Shift a page's cells to the middle of the room."""
    shift = (right_mm - max(c.x_mm + c.width_mm for c in cells)) / 2
    return [_Cell(id=c.id, side_mm=c.side_mm, x_mm=c.x_mm + shift, y_mm=c.y_mm) for c in cells]


def _check_fits(cell: _Cell, width_mm: float, height_mm: float) -> None:
    largest = min(width_mm, height_mm - TOP_STRIP_MM - WORD_STRIP_MM) / (1 + 2 / MODULES)
    if cell.side_mm > largest + 1e-9:
        raise InputError(
            "the target with its quiet zone is too large for the paper",
            where=f"target {cell.id}",
            value=f"{cell.side_mm:g} mm",
            limit=f"{math.floor(largest * 10) / 10:g} mm",
            todo="print it smaller",
        )


def _draw_cells(sheet: Sheet, cells: Sequence[_Cell]) -> None:
    for cell in cells:
        _draw_cut_frame(sheet, cell.x_mm, cell.y_mm, cell.width_mm, cell.height_mm)
    for cell in cells:
        middle = cell.x_mm + cell.width_mm / 2
        quiet = cell.side_mm / MODULES
        centre = (middle, cell.y_mm + WORD_STRIP_MM + quiet + cell.side_mm / 2)
        page.draw_target(sheet, cell.id, centre, cell.side_mm)
        _draw_up(sheet, middle, cell.y_mm + cell.height_mm - TOP_STRIP_MM + 0.7)
        _draw_words(sheet, cell)


def _draw_words(sheet: Sheet, cell: _Cell) -> None:
    left, right = cell.x_mm + 1.5, cell.x_mm + cell.width_mm - 1.5
    size = min(3.2, max(1.6, cell.width_mm / 14))
    sheet.text(left, cell.y_mm + 2.0, f"id {cell.id}", size=size, bold=True)
    words = f"{cell.side_mm:g} mm / {cell.side_mm / 25.4:.3f} in"
    sheet.text(right, cell.y_mm + 2.0, words, size=size * 0.82, align="right")


def _draw_up(sheet: Sheet, x: float, y: float) -> None:
    page.draw_up_mark(sheet, x, y)
    sheet.text(x + 2.0, y + 0.1, "up", size=2.0)


def _draw_cut_frame(sheet: Sheet, x: float, y: float, width: float, height: float) -> None:
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
    for start, end in itertools.pairwise([*corners, corners[0]]):
        first, last = sorted(
            (start, end)
        )  # neighbours share edges: same direction, so the dashes fall together
        sheet.line(first, last, width=0.12, grey=page.PALE, dash=(1.2, 1.2))


# --- scale cards ---------------------------------------------------------------------------------------------


def _card_room(width_mm: float, height_mm: float) -> tuple[float, float]:
    """Return the greatest width and height, mm, of a card's targets with their quiet zones."""
    left, bottom, right, top = Sheet(canvas=None, width_mm=width_mm, height_mm=height_mm).room
    return (right - left - 2 * CARD_SIDE_MM, top - bottom - CARD_HEAD_MM - CARD_FOOT_MM)


def _card_box(card: ScaleCard) -> tuple[float, float, float, float]:
    """Return left, bottom, right, top, mm on the card, of all its targets with their quiet zones."""
    reach = card.side_mm * (0.5 + 1 / MODULES)
    xs, ys = [t.x_mm for t in card.targets], [t.y_mm for t in card.targets]
    return (min(xs) - reach, min(ys) - reach, max(xs) + reach, max(ys) + reach)


def _check_card(card: ScaleCard, width_mm: float, height_mm: float) -> None:
    box, room = _card_box(card), _card_room(width_mm, height_mm)
    need = (box[2] - box[0], box[3] - box[1])
    if need[0] > room[0] + 1e-9 or need[1] > room[1] + 1e-9:
        raise InputError(
            "the card with its quiet zones is larger than the paper has room for",
            where=f"scale card {card.name}",
            value=f"{need[0]:.1f} x {need[1]:.1f} mm",
            limit=f"{room[0]:.1f} x {room[1]:.1f} mm",
            todo="bring its targets closer or make them smaller",
        )
    least = 2 * card.side_mm / MODULES
    for a, b in itertools.combinations(card.targets, 2):
        gap = max(abs(a.x_mm - b.x_mm), abs(a.y_mm - b.y_mm)) - card.side_mm
        if gap < least - 1e-9:
            raise InputError(
                f"targets {a.id} and {b.id} stand in each other's quiet zone",
                where=f"scale card {card.name}",
                value=f"{gap:.1f} mm apart",
                limit=f"{least:.1f} mm",
                todo="move them apart or make them smaller",
            )


def _draw_card(sheet: Sheet, card: ScaleCard, batch: str) -> None:
    """Draw a card centred in the page's room, with its cut frame, ids and centre-to-centre distances."""
    left, _, right, top = sheet.room
    box = _card_box(card)
    width, height = box[2] - box[0] + 2 * CARD_SIDE_MM, box[3] - box[1] + CARD_HEAD_MM + CARD_FOOT_MM
    x0, y0 = left + (right - left - width) / 2, top - height
    shift = (x0 + CARD_SIDE_MM - box[0], y0 + CARD_FOOT_MM - box[1])
    _draw_cut_frame(sheet, x0, y0, width, height)
    for target in card.targets:
        centre = (target.x_mm + shift[0], target.y_mm + shift[1])
        page.draw_target(sheet, target.id, centre, card.side_mm)
        below = centre[1] - card.side_mm * (0.5 + 1 / MODULES)
        sheet.text(centre[0], below - 2.6, f"id {target.id}", size=2.6, bold=True, align="centre")
    sheet.text(x0 + 3, y0 + height - 6.0, card.name, size=3.4, bold=True, within=width / 2 - 12)
    words = f"side {card.side_mm:g} mm / {card.side_mm / 25.4:.3f} in   batch {batch}"
    sheet.text(x0 + width - 3, y0 + height - 6.0, words, size=2.4, align="right", within=width / 2 - 12)
    _draw_up(sheet, x0 + width / 2, y0 + height - 6.0)
    xs, ys = (
        sorted({t.x_mm + shift[0] for t in card.targets}),
        sorted({t.y_mm + shift[1] for t in card.targets}),
    )
    _draw_steps(sheet, xs, y0 + 9.5, upright=False)
    _draw_steps(sheet, ys, x0 + CARD_SIDE_MM - 2.2, upright=True)
    sheet.text(x0 + 3, y0 + 2.2, _distance_words(card), size=2.3, within=width - 6)


def _draw_steps(sheet: Sheet, places: Sequence[float], across: float, *, upright: bool) -> None:
    """Draw a row of dimensions between centres lying on one axis."""
    for start, end in itertools.pairwise(places):
        ends = [(across, v) if upright else (v, across) for v in (start, end)]
        sheet.line(ends[0], ends[1], width=0.12, grey=page.GREY)
        for x, y in ends:
            dx, dy = (1.3, 0.0) if upright else (0.0, 1.3)
            sheet.line((x - dx, y - dy), (x + dx, y + dy), width=0.15)
        words = f"{end - start:.2f} mm / {(end - start) / 25.4:.4f} in"
        if end - start < 22:
            continue
        middle = (start + end) / 2
        place = (across - 1.0, middle) if upright else (middle, across + 1.0)
        sheet.text(*place, words, size=2.3, align="centre", turned=upright)


def _distance_words(card: ScaleCard) -> str:
    """Return the card's longest centre-to-centre distance in words: the one worth checking with calipers or rule."""
    a, b = max(
        itertools.combinations(card.targets, 2),
        key=lambda p: math.hypot(p[0].x_mm - p[1].x_mm, p[0].y_mm - p[1].y_mm),
    )
    far = math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm)
    return (
        f"Centre of {a.id} to centre of {b.id}: {far:.2f} mm / {far / 25.4:.4f} in as drawn. "
        "Glue the card to something flat and stiff."
    )


def _findings(batch: PrintBatch, sides: Sequence[float], compensate: bool) -> list[Finding]:
    off = {"bar_x_mm": batch.bar_x_mm, "bar_y_mm": batch.bar_y_mm}
    out = []
    if not batch.measured or compensate:
        words = "Measure both 100 mm bars on the print and type their lengths in; until then its scale is trusted blindly."
        out.append(Finding(code="bars-not-measured", severity="note", subject=batch.name, message=words))
    elif max(abs(v - 100) for v in off.values()) > DRAWN_TRUE_MM:
        words = (
            f"This printer's 100 mm bars measured {batch.bar_x_mm:g} and {batch.bar_y_mm:g} mm. The drawing stays "
            "1:1; lengths measured with this batch are corrected."
        )
        out.append(
            Finding(code="printer-scales", severity="warning", subject=batch.name, message=words, numbers=off)
        )
    if page.printable(batch.name) != batch.name:
        words = "Letters of the batch name the PDF's fonts can't show are printed as question marks."
        out.append(Finding(code="name-not-printable", severity="note", subject=batch.name, message=words))
    small = [s for s in sides if s < 15.0]
    if small:
        words = "Targets under 15 mm are read only from close by (common practice, no source)."
        numbers = {"least_side_mm": min(small)}
        out.append(
            Finding(code="small-target", severity="note", subject=batch.name, message=words, numbers=numbers)
        )
    return out
