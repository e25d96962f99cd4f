"""The code in a four-sided patch: is it a target, which one, and which way up.

The patch's 8 x 8 modules and the paper round them are sampled on the original pixels. Ring and paper give black, white
and the light's slope; what lies between is held against every code of the family in all four turns at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from elbowroom.recon.edges import homographies
from elbowroom.recon.pattern import MODULES, Family, modules, predefined_family
from elbowroom.shared.arrays import Floats, Image, Ints

SPOTS = np.array([[0.0, 0.0], [0.2, 0.2], [0.2, -0.2], [-0.2, 0.2], [-0.2, -0.2]])
"""Places in a module, in modules from its middle, whose grey is averaged."""

LEAST_CONTRAST = 12.0
"""Grey levels between paper and ring of a target that is read."""

RING_BLACK, PAPER_WHITE = 24, 24
"""Of the ring's 28 modules and of the 36 just outside it, how many must be black and white: a thumb or a bolt may cover
a corner."""

SHARPENING = 0.35
"""Share of a module's difference from its four neighbours added to it: what blur took from modules 2 px wide."""

MOST_WRONG = 3
"""Modules that may be read wrong: half of a random pattern's nearest code is further off, 999 times in 1000."""

LEAST_LIKENESS = 0.85
"""Correlation of the modules' greys with the code's. A random pattern's best is 0.65; a square of 8 x 8 modules that is no
target but three modules off one, all clear, reaches 0.83; drawn targets, the smallest and softest too, have 0.865 and more."""


@dataclass(frozen=True, eq=False)
class _Book:
    """A family's codes in four turns: `codes` (n, 36) of -1 and 1; `target` and `turn` (n,) say whose each is."""

    codes: Floats
    target: Ints
    turn: Ints
    most_wrong: int


@lru_cache(maxsize=8)
def _book(family: Family | None) -> _Book:
    chosen = family or predefined_family()
    count = len(chosen.bytesList)
    inner = np.array([modules(t, family)[1:-1, 1:-1] for t in range(count)])
    turned = [np.rot90(inner, k, axes=(1, 2)).reshape(count, -1) for k in range(4)]
    return _Book(
        2 * np.concatenate(turned) - 1,
        np.tile(np.arange(count), 4),
        np.repeat(np.arange(4), count),
        min(MOST_WRONG, int(chosen.maxCorrectionBits)),
    )


def read_codes(
    image: Image, quads_px: Floats, family: Family | None = None
) -> list[tuple[int, Floats, float]]:
    """Return ids, corners (4, 2) px in printed order, and likeness (0 to 1) of the targets among four-sided patches.

    Parameters
    ----------
    image : Image
        (rows, columns) 8-bit grey.
    quads_px : Floats
        (n, 4, 2) px, clockwise as seen, up to a third of a module off.
    family : Family, optional
        Of the targets, unless they are of the one that is printed.
    """
    if not len(quads_px):
        return []
    soft, good = _modules(image, quads_px)
    quads_px, soft = quads_px[good], _sharpened(soft[good])
    if not len(soft):
        return []
    book = _book(family)
    seen = np.where(soft > 0, 1.0, -1.0)
    wrong = (soft.shape[1] - seen @ book.codes.T) / 2
    best = wrong.argmin(axis=1)
    likeness = _correlation(soft, book.codes[best])
    rows = np.arange(len(best))
    sure = (wrong[rows, best] <= book.most_wrong) & (likeness >= LEAST_LIKENESS)
    return [
        (int(book.target[b]), np.roll(quads_px[i], int(book.turn[b]), axis=0), float(likeness[i]))
        for i, b in zip(rows[sure], best[sure], strict=True)
    ]


def _modules(image: Image, quads_px: Floats) -> tuple[Floats, np.ndarray]:
    """Return greys (n, 10, 10) of modules and paper about them as -1 (black) to 1 (white), and which have a ring."""
    grey = _sampled(image, quads_px)
    ring, paper = _frame(1), _frame(0)
    light = _fitted_light(grey, ring, paper)
    black, white = light[..., 0], light[..., 1]
    contrast = white - black
    with np.errstate(divide="ignore", invalid="ignore"):
        soft = (2 * grey - white - black) / contrast
    good = contrast[:, 0, 0] >= LEAST_CONTRAST
    good &= (soft[:, ring] < 0).sum(axis=1) >= RING_BLACK
    good &= (soft[:, paper] > 0).sum(axis=1) >= PAPER_WHITE
    return soft, good


def _frame(inset: int) -> np.ndarray:
    """Return which of 10 x 10 cells lie in the square frame `inset` cells from the edge."""
    out = np.zeros((MODULES + 2, MODULES + 2), dtype=bool)
    out[inset : MODULES + 2 - inset, inset : MODULES + 2 - inset] = True
    out[inset + 1 : MODULES + 1 - inset, inset + 1 : MODULES + 1 - inset] = False
    return out


def _fitted_light(grey: Floats, ring: np.ndarray, paper: np.ndarray) -> Floats:
    """Return the black and white levels (n, 10, 10, 2): two levels and one slope of light, by least squares."""
    y, x = np.mgrid[0 : MODULES + 2, 0 : MODULES + 2] - (MODULES + 1) / 2
    level = np.stack([ring.astype(float), paper.astype(float), x, y], axis=-1)
    frame = ring | paper
    solved = grey[:, frame] @ np.linalg.pinv(level[frame]).T
    slope = solved[:, 2, None, None] * x + solved[:, 3, None, None] * y
    return np.stack([solved[:, k, None, None] + slope for k in (0, 1)], axis=-1)


def _sampled(image: Image, quads_px: Floats) -> Floats:
    """Return the mean greys (n, 10, 10) of the modules of patches and of the paper one module round them."""
    cell = (np.arange(MODULES + 2) - (MODULES + 1) / 2) / MODULES
    x, y = np.meshgrid(cell, -cell)
    spots = np.stack([x, y], axis=-1)[..., None, :] + SPOTS / MODULES
    spots[[0, -1], ..., 1] *= (MODULES + 1 - 0.4) / (
        MODULES + 1
    )  # paper is read near the ring: margins may be narrow
    spots[:, [0, -1], ..., 0] *= (MODULES + 1 - 0.4) / (MODULES + 1)
    flat = np.column_stack([spots.reshape(-1, 2), np.ones(spots[..., 0].size)])
    mapped = flat @ homographies(quads_px).transpose(0, 2, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        where = np.nan_to_num(mapped[..., :2] / mapped[..., 2:], nan=-9.0, posinf=-9.0, neginf=-9.0)
    grey = sample(image, where.reshape(-1, 2))
    return grey.reshape(-1, MODULES + 2, MODULES + 2, len(SPOTS)).mean(axis=-1)


def sample(image: Image, points_px: Floats) -> Floats:
    """Return bilinear greys (n,) of an 8-bit photo at points (n, 2) px; outside it, those of its edge.

    A few thousand scattered points: gathered directly, which for so few is ten times as quick as OpenCV's remap.
    """
    limit = np.array([image.shape[1] - 1.001, image.shape[0] - 1.001])
    spot = np.clip(points_px, 0, limit)
    low = spot.astype(np.int64)
    x, y = (spot - low).T
    first = low[:, 1] * image.shape[1] + low[:, 0]
    flat = image.reshape(-1)
    top = flat[first] * (1 - x) + flat[first + 1] * x
    bottom = flat[first + image.shape[1]] * (1 - x) + flat[first + image.shape[1] + 1] * x
    return np.asarray(top * (1 - y) + bottom * y, dtype=np.float64)


def _sharpened(soft: Floats) -> Floats:
    """Return the 36 inner modules (n, 36), each pushed away from the mean of its four neighbours, -1.5 to 1.5."""
    inner = soft[:, 2:-2, 2:-2]
    around = (soft[:, 1:-3, 2:-2] + soft[:, 3:-1, 2:-2] + soft[:, 2:-2, 1:-3] + soft[:, 2:-2, 3:-1]) / 4
    return np.clip(inner + SHARPENING * (inner - around), -1.5, 1.5).reshape(len(soft), (MODULES - 2) ** 2)


def _correlation(a: Floats, b: Floats) -> Floats:
    """Return the correlation of each row of a with that of b."""
    a, b = (v - v.mean(axis=1, keepdims=True) for v in (a, b))
    return np.asarray((a * b).sum(axis=1) / (np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1)) + 1e-12))
