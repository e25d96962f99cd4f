"""Names beside what they name: boxes with leaders, kept apart from each other and off what matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Image

Colour = tuple[int, int, int]
"""Red, green, blue, 0 to 255."""

TEXT_SHARE = 1 / 46
"""Letter height over picture width: about 2.5 mm on a phone held in the hand."""

PAPER: Colour = (16, 26, 38)

DIRECTIONS = 24
REACHES = (1.2, 1.9, 2.8, 4.0, 5.6, 7.6, 10.0)
"""Leader lengths tried, in letter heights."""

BUSY_PRICE, CROSSING_PRICE = 9.0, 7.0
"""What covering busy ground wholly, or one crossing of a leader, is worth in letter heights of leader."""

BUSY_CELL = 4
"""Picture pixels to a cell of the map of busy ground."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A name, the picture point it belongs to (x, y px), and its colour."""

    words: str
    at: tuple[float, float]
    colour: Colour


def draw_labels(image: Image, labels: Sequence[Label], busy: npt.NDArray[np.uint8]) -> Image:
    """Return the picture (rows, columns, 3, RGB) with labels; see `place_labels` for where they go."""
    from PIL import Image as Pictures
    from PIL import ImageDraw

    height = max(12.0, image.shape[1] * TEXT_SHARE)
    font = _font(height)
    placed = place_labels(labels, [_box_size(font, label.words, height) for label in labels], busy, height)
    picture = Pictures.fromarray(image)
    draw = ImageDraw.Draw(picture, "RGBA")
    for _, line, label in placed:
        _draw_leader(draw, line, label, height)
    for box, _, label in placed:
        _draw_box(draw, box, label, font, height)
    return np.asarray(picture)


def place_labels(
    labels: Sequence[Label],
    sizes: Sequence[tuple[float, float]],
    busy: npt.NDArray[np.uint8],
    height: float,
) -> list[tuple[Floats, Floats, Label]]:
    """Return box (left, top, right, bottom) and leader (x, y, x, y) px of each label that finds a place.

    Boxes keep apart from each other and off `busy` ground (rows, columns; 0 free to 255 keep off). Labels are placed
    in the order given; one that finds no free place is left out rather than laid over another. `height` is that of
    the letters, px.
    """
    small = cv2.resize(busy, None, fx=1 / BUSY_CELL, fy=1 / BUSY_CELL, interpolation=cv2.INTER_AREA)
    ground = cv2.integral(small).astype(np.float64) / 255
    anchors = np.array([label.at for label in labels]).reshape(-1, 2)
    boxes, leaders = np.zeros((0, 4)), np.zeros((0, 4))
    placed: list[tuple[Floats, Floats, Label]] = []
    for label, size in zip(labels, sizes, strict=True):
        tried = _candidates(label.at, size, height)
        tried = _free(tried, boxes, anchors, (busy.shape[1], busy.shape[0]), height)
        if not len(tried):
            continue
        lines = _leaders(label.at, tried)
        best = int(np.argmin(_prices(tried, lines, boxes, leaders, ground, height)))
        boxes, leaders = np.vstack([boxes, tried[best]]), np.vstack([leaders, lines[best]])
        placed.append((tried[best], lines[best], label))
    return placed


def _font(height: float) -> Any:
    from PIL import ImageFont

    return ImageFont.load_default(size=height)


def _box_size(font: Any, words: str, height: float) -> tuple[float, float]:
    return float(font.getlength(words)) + 0.9 * height, 1.55 * height


def _candidates(at: tuple[float, float], size: tuple[float, float], height: float) -> Floats:
    """Return boxes (k, 4) left, top, right, bottom all round a point, near ones first."""
    angles = 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    reach = np.repeat(REACHES, DIRECTIONS) * height
    turn = np.tile(np.column_stack([np.cos(angles), np.sin(angles)]), (len(REACHES), 1))
    half = np.array(size) / 2
    middle = np.array(at) + turn * (reach[:, None] + half)
    return np.hstack([middle - half, middle + half])


def _free(boxes: Floats, taken: Floats, anchors: Floats, picture: tuple[int, int], height: float) -> Floats:
    """Return the boxes that lie in the picture, clear of those taken, and hide nobody's anchor."""
    inside = (boxes[:, :2] >= 2).all(axis=1) & (boxes[:, 2:] <= np.array(picture) - 2).all(axis=1)
    gap = 0.25 * height
    meets = (boxes[:, None, :2] < taken[None, :, 2:] + gap) & (taken[None, :, :2] - gap < boxes[:, None, 2:])
    hides = (boxes[:, None, :2] - 2 * gap < anchors[None]) & (anchors[None] < boxes[:, None, 2:] + 2 * gap)
    met = np.any(np.all(meets, axis=2), axis=1)
    hidden = np.any(np.all(hides, axis=2), axis=1)
    return boxes[inside & ~met & ~hidden]


def _leaders(at: tuple[float, float], boxes: Floats) -> Floats:
    """Return for each box the leader (x, y, x, y) from the point to the box's nearest point."""
    point = np.broadcast_to(np.array(at), (len(boxes), 2))
    return np.hstack([point, np.clip(point, boxes[:, :2], boxes[:, 2:])])


def _prices(
    boxes: Floats, lines: Floats, taken: Floats, leaders: Floats, ground: Floats, height: float
) -> Floats:
    """Return what each box (k, 4) with its leader costs: length, busy ground, crossings."""
    length = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1]) / height
    x0, y0, x1, y1 = np.clip(boxes / BUSY_CELL, 0, np.array(ground.shape * 2)[[1, 0, 3, 2]] - 1).astype(int).T
    total = ground[y1, x1] - ground[y0, x1] - ground[y1, x0] + ground[y0, x0]
    share = total / np.maximum((x1 - x0) * (y1 - y0), 1)
    crossings = _through(lines, taken).sum(axis=1) + _through(leaders, boxes).sum(axis=0)
    crossings = crossings + _cross(lines, leaders).sum(axis=1)
    return length + BUSY_PRICE * share + CROSSING_PRICE * crossings


def _through(lines: Floats, boxes: Floats) -> npt.NDArray[np.bool_]:
    """Say which lines (k, 4) run through which boxes (m, 4), by points along them: (k, m)."""
    share = np.linspace(0.0, 1.0, 16)[None, :, None]
    points = lines[:, None, :2] * (1 - share) + lines[:, None, 2:] * share
    within = (points[:, :, None] > boxes[None, None, :, :2]) & (points[:, :, None] < boxes[None, None, :, 2:])
    through: npt.NDArray[np.bool_] = np.any(np.all(within, axis=3), axis=1)
    return through


def _cross(lines: Floats, others: Floats) -> npt.NDArray[np.bool_]:
    """Say which lines (k, 4) cross which others (m, 4): (k, m)."""
    a, b, c, d = lines[:, None, :2], lines[:, None, 2:], others[None, :, :2], others[None, :, 2:]
    return (_side(a, b, c) * _side(a, b, d) < 0) & (_side(c, d, a) * _side(c, d, b) < 0)


def _side(a: Floats, b: Floats, point: Floats) -> Floats:
    """Return on which side of the line a to b points lie, by sign."""
    u, v = b - a, point - a
    return u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]


def _draw_leader(draw: Any, line: Floats, label: Label, height: float) -> None:
    x, y, near_x, near_y = line
    width = max(2, round(height / 16))
    draw.line([(x, y), (near_x, near_y)], fill=(*PAPER, 255), width=width + 3)
    draw.line([(x, y), (near_x, near_y)], fill=(*label.colour, 255), width=width)
    r = height / 7
    draw.ellipse([x - r, y - r, x + r, y + r], fill=(*label.colour, 255), outline=(*PAPER, 255), width=2)


def _draw_box(draw: Any, box: Floats, label: Label, font: Any, height: float) -> None:
    draw.rounded_rectangle(
        list(box),
        radius=height * 0.3,
        fill=(*PAPER, 225),
        outline=(*label.colour, 255),
        width=max(2, round(height / 16)),
    )
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    draw.text(middle, label.words, font=font, fill=(244, 248, 255, 255), anchor="mm")
