"""Spots in a photo that other photos show too: found on a reduced copy, spread over it, never on a target.

Source: D. G. Lowe, Distinctive Image Features from Scale-Invariant Keypoints, 2004 (spots, their description, and the
ratio of the best likeness to the second best).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Image, Ints, Points2

FIND_WIDTH_PX = 2000
"""Longest side of the reduced copy on which spots are looked for."""

MOST, CELLS = 2000, 12
"""Spots described in a photo, and cells along its longer side over which they are spread."""

CONTRAST = 0.02
"""Least contrast of a spot, half of what is usual: rust, castings and concrete are dull."""

GROWN = 1.4
"""How much larger than its black square a target is taken to be: the printed pattern ends well within."""

BEST_RATIO = 0.8
"""The best likeness must be nearer than this share of the second best."""

FARTHEST = 0.7
"""Unit descriptions further apart than this are of different things."""

COMPARED = 31
"""Side of the patch that is laid on the other photo, px."""

LEAST_LIKENESS, MOST_MOVED = 0.9, 0.5
"""Least correlation of two patches of one thing, and how far it may lie from the spot, in the spot's size."""

STOP = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 1e-5)
"""Steps at most, and the change of the correlation that is small enough."""

PATCH = 61
"""Side of the patch kept round a spot, px at full size: twice what is compared, for the views stretch it."""

Descriptions = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Keypoints:
    """Spots (n, 2) px of the photo at full size, their unit descriptions (n, 128), and how each would look upright.

    `sizes` (n,) px and `turns` (n,) rad are those of the spot, `patches` (n, PATCH, PATCH) the grey pixels round the pixel
    nearest to it.
    """

    pixels: Points2
    descriptions: Descriptions
    sizes: Floats
    turns: Floats
    patches: npt.NDArray[np.uint8]

    @classmethod
    def none(cls) -> Keypoints:
        """Return no spots."""
        no = np.zeros(0)
        described = np.zeros((0, 128), dtype=np.float32)
        return cls(np.zeros((0, 2)), described, no, no, np.zeros((0, PATCH, PATCH), dtype=np.uint8))

    def __len__(self) -> int:
        return len(self.pixels)


def keypoints(image: Image, quads_px: Sequence[Points2]) -> Keypoints:
    """Return the spots of a grey photo outside the targets whose corners (4, 2) px are given."""
    factor = max(1, round(max(image.shape[:2]) / FIND_WIDTH_PX))
    size = (image.shape[1] // factor, image.shape[0] // factor)
    whole = image[: size[1] * factor, : size[0] * factor]
    small = cv2.resize(whole, size, interpolation=cv2.INTER_AREA) if factor > 1 else whole
    mask = np.full(small.shape, 255, dtype=np.uint8)
    for quad in quads_px:
        grown = quad.mean(axis=0) + GROWN * (quad - quad.mean(axis=0))
        cv2.fillConvexPoly(mask, np.round((grown + 0.5) / factor - 0.5).astype(np.int32), 0)
    # precise upscaling: without it every spot lies a quarter of a pixel off
    finder = cv2.SIFT_create(contrastThreshold=CONTRAST, enable_precise_upscale=True)  # type: ignore[attr-defined]
    found = _spread(list(finder.detect(small, mask)), max(size))
    if not found:
        return Keypoints.none()
    found, described = finder.compute(small, found)
    rows = np.asarray(described, dtype=np.float32)
    rows /= np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-6)
    pixels = (np.array([k.pt for k in found], dtype=np.float64) + 0.5) * factor - 0.5
    sizes, turns = np.array([k.size * factor for k in found]), np.deg2rad([k.angle for k in found])
    within = ((pixels > PATCH // 2 + 1) & (pixels < np.array(image.shape[::-1]) - PATCH // 2 - 2)).all(axis=1)
    patches = _patches(image, pixels[within])
    return Keypoints(pixels[within], rows[within], sizes[within], turns[within], patches)


def _patches(image: Image, pixels: Points2) -> npt.NDArray[np.uint8]:
    """Return the patches (n, PATCH, PATCH) round the pixels nearest to spots (n, 2) px."""
    around = np.arange(PATCH) - PATCH // 2
    x, y = np.round(pixels).astype(np.int64).T
    return np.asarray(image[y[:, None, None] + around[:, None], x[:, None, None] + around])


def _spread(found: list[cv2.KeyPoint], size: int) -> list[cv2.KeyPoint]:
    """Return the strongest spots of each cell, one round of cells after the other, until there are enough."""
    if not found:
        return []
    places = np.array([k.pt for k in found])
    cell = (places * CELLS / size).astype(np.int64)
    strength = np.array([k.response for k in found])
    order = np.lexsort((-strength, cell[:, 1], cell[:, 0]))
    rank = np.zeros(len(found), dtype=np.int64)
    code = (cell[:, 0] * CELLS + cell[:, 1])[order]
    first = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    rank[order] = np.arange(len(found)) - np.repeat(first, np.diff(np.r_[first, len(found)]))
    kept = np.lexsort((-strength, rank))[:MOST]
    return [found[i] for i in kept]


def alike(one: Keypoints, other: Keypoints, off_px: Floats, reach_px: float) -> Ints:
    """Return pairs (k, 2) of spots each of which is the other's best likeness, by far, within reach of its epipolar line.

    `off_px` (n, m) says how far each pair is from fitting the two stations.
    """
    apart = 2 - 2 * (one.descriptions @ other.descriptions.T)
    apart[off_px > reach_px] = 4.0
    if min(apart.shape) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    two = np.partition(apart, 1, axis=1)[:, :2]
    mate = apart.argmin(axis=1)
    mutual = apart.argmin(axis=0)[mate] == np.arange(len(mate))
    sure = (two[:, 0] < BEST_RATIO**2 * two[:, 1]) & (two[:, 0] < FARTHEST**2)
    mine = np.flatnonzero(mutual & sure)
    return np.column_stack([mine, mate[mine]])


def refined(one: Keypoints, i: int, other: Keypoints, j: int) -> Points2 | None:
    """Return where (2,) px the middle of spot `i` lies in the other photo, None where the two don't look alike.

    An affine map is found that lays the first's grey pixels on the other's, whatever their brightness and contrast.

    Source: G. D. Evangelidis, E. Z. Psarakis, Parametric image alignment using enhanced correlation coefficient
    maximization, 2008.
    """
    middle, half = PATCH // 2, COMPARED // 2
    template = one.patches[i][middle - half : middle + half + 1, middle - half : middle + half + 1]
    spot = one.pixels[i] - np.round(one.pixels[i]) + half
    there = np.round(other.pixels[j])
    turn, grown = other.turns[j] - one.turns[i], other.sizes[j] / one.sizes[i]
    first = grown * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = other.pixels[j] - there + middle - first @ spot
    warp = np.column_stack([first, shift]).astype(np.float32)
    try:
        likeness, warp = cv2.findTransformECC(
            template, other.patches[j], warp, cv2.MOTION_AFFINE, STOP, np.empty(0, dtype=np.uint8), 3
        )
    except cv2.error:  # it runs off the patch: not the same thing
        return None
    found = np.asarray(warp, dtype=np.float64) @ np.append(spot, 1.0) - middle + there
    moved = float(np.linalg.norm(found - other.pixels[j]))
    return found if likeness > LEAST_LIKENESS and moved < MOST_MOVED * other.sizes[j] else None
