"""A drawing larger than the paper, cut into tiles that overlap and share numbered marks.

Drawing frame: the part as it is drawn, mm, x right, y up. Rows count from the top, columns from the left, from 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from elbowroom.shared.errors import InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Vec2

OVERLAP_MM = 10.0
"""Neighbouring tiles share a strip this wide: room for tape and for a mark in its middle."""

BORDER_MM = 6.0
"""Kept free round the part, so that its edge never lies on the edge of a tile's window."""

MOST_TILES = 120
"""More sheets than this are no template any more: about two metres square."""

MARK_SHARES = (0.25, 0.75)
"""Where along a seam its two marks stand, as shares of the window: far apart, and clear of the crossing seams."""

MAP_CHORD_MM = 0.5
"""Chords are this near the outline when asking which tiles it meets, and in the small map."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A numbered cross in the strip that two tiles share."""

    number: int
    place_mm: Vec2


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One page's window on the drawing, and the marks it shares with its neighbours."""

    row: int
    column: int
    left_mm: float
    bottom_mm: float
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiling:
    """All tiles in the order of their pages (row by row, from the top), and the size of their windows."""

    tiles: tuple[Tile, ...]
    width_mm: float
    height_mm: float


def tile_drawing(outline: Outline, width_mm: float, height_mm: float, *, where: str) -> Tiling:
    """Return the tiles of `width_mm` by `height_mm` that show all of a part, the part in their middle.

    Tiles the part doesn't meet are left out. What is left hangs together side by side: where four windows cross
    they share one square, so a part can't pass between two of them across a corner without meeting the others.

    Raises
    ------
    InputError
        When it would take more than MOST_TILES.
    """
    import shapely

    x0, y0, x1, y1 = outline.bounds()
    columns, rows = _count(x1 - x0, width_mm), _count(y1 - y0, height_mm)
    if columns * rows > MOST_TILES:
        raise InputError(
            "the part is too large for a paper template",
            where=where,
            value=f"{x1 - x0:.0f} x {y1 - y0:.0f} mm, {columns * rows} sheets",
            limit=f"{MOST_TILES} sheets",
            todo="cut it from the DXF or SVG instead",
        )
    pitch_x, pitch_y = width_mm - OVERLAP_MM, height_mm - OVERLAP_MM
    left = (x0 + x1 - columns * pitch_x - OVERLAP_MM) / 2
    bottom = (y0 + y1 - rows * pitch_y - OVERLAP_MM) / 2
    part = shapely.Polygon(outline.flatten(MAP_CHORD_MM))
    tiles = {}
    for row in range(1, rows + 1):
        for column in range(1, columns + 1):
            x, y = left + (column - 1) * pitch_x, bottom + (rows - row) * pitch_y
            if part.intersects(shapely.box(x, y, x + width_mm, y + height_mm)):
                tiles[row, column] = Tile(row=row, column=column, left_mm=x, bottom_mm=y)
    return _with_marks(tiles, width_mm, height_mm)


def _count(length_mm: float, window_mm: float) -> int:
    """Return how many windows it takes to show a length and its border."""
    need = length_mm + 2 * BORDER_MM - OVERLAP_MM
    return max(1, math.ceil(need / (window_mm - OVERLAP_MM) - 1e-9))


def _with_marks(tiles: dict[tuple[int, int], Tile], width_mm: float, height_mm: float) -> Tiling:
    """Return the tiles with two marks in each strip that two of them share, numbered along the pages."""
    marks: dict[tuple[int, int], list[Mark]] = {key: [] for key in tiles}
    number = 0
    for (row, column), tile in tiles.items():
        for other in ((row, column + 1), (row + 1, column)):
            if other not in tiles:
                continue
            for share in MARK_SHARES:
                number += 1
                if other[0] == row:
                    place = (tiles[other].left_mm + OVERLAP_MM / 2, tile.bottom_mm + share * height_mm)
                else:
                    place = (tile.left_mm + share * width_mm, tile.bottom_mm + OVERLAP_MM / 2)
                for key in ((row, column), other):
                    marks[key].append(Mark(number=number, place_mm=place))
    made = (
        Tile(row=t.row, column=t.column, left_mm=t.left_mm, bottom_mm=t.bottom_mm, marks=tuple(marks[key]))
        for key, t in tiles.items()
    )
    return Tiling(tiles=tuple(made), width_mm=width_mm, height_mm=height_mm)
