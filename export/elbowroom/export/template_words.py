"""What a page of a paper template says: the part, the caution, the bars, and a map of the tiles."""

from __future__ import annotations

from elbowroom.export import page
from elbowroom.export.page import GREY, Sheet
from elbowroom.export.tiles import MAP_CHORD_MM, OVERLAP_MM, Tile, Tiling
from elbowroom.shared.errors import InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, PrintBatch

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


def correction(batch: PrintBatch | None) -> tuple[float, float]:
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


def draw_words(
    sheet: Sheet,
    plate: Plate,
    tile: Tile,
    number: tuple[int, int],
    seen: str,
    batch: PrintBatch | None,
    verdict: str,
) -> None:
    """Draw what a page carries outside its window; `number` is the page's and how many there are."""
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
        f"{plate.material}, {thick}; full size, {seen}. Line centre = finished edge, no kerf.",
        size=2.6,
        within=right - left,
    )
    check = f"Clearance check: {verdict}. {CAUTION[0]}"
    sheet.text(left, top - 3.9, check, size=2.4, bold=True, within=right - left)
    sheet.text(left, top - 7.0, CAUTION[1], size=2.4, within=right - left)
    if number[1] > 1:
        join = "Trim at the pale dashed edges as needed, lay crosses of one number on one another, then tape."
        sheet.text(left, top - 10.4, join, size=2.4, grey=GREY, within=right - left)


def _bar_words(batch: PrintBatch | None) -> str:
    if batch is None or not batch.measured:
        return page.TARGET_WORDS[1] + " No printer correction."
    x, y = correction(batch)
    return (
        f"Drawn {100 * x:.2f} % wide, {100 * y:.2f} % high for the printer of batch {batch.name} only: "
        "there each bar comes out 100 mm."
    )


def draw_map(sheet: Sheet, part: Outline, tiling: Tiling, shown: Tile) -> None:
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
