"""Boundaries of small targets, placed by what the whole pattern should look like there.

Where modules are only a few pixels wide, each boundary's profile feels the next ones: where it crosses half way is no
longer where the boundary is. So the pattern is drawn where it is believed to be, blurred as the photo is, given the
photo's greys, and each profile is moved along its normal until it fits the drawn one best.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import cv2
import numpy as np

from elbowroom.recon.edges import Edges, homographies
from elbowroom.recon.pattern import MODULES, Family, modules
from elbowroom.shared.arrays import Bools, Floats

FINE_MODULE_PX, FINEST = 9.0, 3
"""Width of a module in the drawing, at least, in its pixels; and most of those to a pixel of the photo."""

GRAIN = 12
"""Pixels of the flat pattern to a module."""

BLURS_PX = (0.45, 0.65, 0.9, 1.25, 1.6, 2.1)
"""Blurs (sigma, px) that are tried, the pixel's own width included."""

BLUR_REACH = 3.0
"""Sigmas to which a blur is drawn."""

HALO_PX = 1.8
"""Further blur of what sharpening takes away from a photo."""

FURTHEST_PX = 1.5
"""A profile that fits best further away than this has found something else."""

ODD_SHARE = 0.3
"""Rms of what is left of a profile, as a share of black to white, beyond which something covers the pattern there."""


@lru_cache(maxsize=1200)
def _flat(target: int, family: Family | None) -> Floats:
    """Return the pattern with one and a half modules of paper round it, GRAIN pixels a module, 1 white."""
    cells = np.kron(modules(target, family), np.ones((GRAIN, GRAIN)))
    return np.pad(cells, 3 * GRAIN // 2, constant_values=1.0).astype(np.float32)


def _grown(flat: Floats, pixels: float) -> Floats:
    """Return a flat pattern whose black has grown by some pixels on all sides, or shrunk."""
    pixels = float(np.clip(pixels, -GRAIN / 3, GRAIN / 3))
    change = cv2.erode if pixels > 0 else cv2.dilate
    whole, part = divmod(abs(pixels), 1.0)
    one, two = (change(flat, np.ones((2 * k + 1, 2 * k + 1), np.uint8)) for k in (int(whole), int(whole) + 1))
    return np.asarray((1 - part) * one + part * two, dtype=np.float32)


class Drawing:
    """A target's pattern drawn where its corners (4, 2) px are believed to be, its black grown by `ink_px`."""

    def __init__(self, target: int, corners_px: Floats, ink_px: float, family: Family | None) -> None:
        flat = _flat(target, family)
        self.ink_px = ink_px
        if ink_px:
            sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1)
            flat = _grown(flat, ink_px * GRAIN * MODULES / float(sides.mean()))
        middle, spread = corners_px.mean(axis=0), np.ptp(corners_px, axis=0)
        size = np.ceil(spread * (1 + 1.6 / MODULES) + 12).astype(int)  # what profiles and their blur reach
        self._low = np.floor(middle - size / 2)
        shortest = float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).min())
        fine = self._fine = int(np.clip(np.ceil(FINE_MODULE_PX * MODULES / shortest), 1, FINEST))
        side = MODULES * GRAIN
        unit_from_flat = np.array([[1 / side, 0, 0], [0, -1 / side, 0], [0, 0, 1.0]]) @ np.array(
            [[1, 0, 0.5 - len(flat) / 2], [0, 1, 0.5 - len(flat) / 2], [0, 0, 1.0]]
        )
        shift = fine * (0.5 - self._low) - 0.5
        fine_from_px = np.array([[fine, 0, shift[0]], [0, fine, shift[1]], [0, 0, 1.0]])
        fine_from_flat = fine_from_px @ homographies(corners_px[None])[0] @ unit_from_flat
        self._sharp = cv2.warpPerspective(
            flat,
            fine_from_flat,
            (int(size[0]) * fine, int(size[1]) * fine),
            flags=cv2.INTER_LINEAR,
            borderValue=1.0,
        )

    def at(self, grid_px: Floats, blur_px: float) -> Floats:
        """Return the drawing's values at positions (n, taps, 2) px when blurred by a sigma."""
        sigma = blur_px * self._fine
        window = 2 * int(np.ceil(BLUR_REACH * sigma)) + 1
        soft = cv2.GaussianBlur(self._sharp, (window, window), sigma)
        where = ((grid_px - self._low + 0.5) * self._fine - 0.5).astype(np.float32)
        out = cv2.remap(soft, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(out, dtype=np.float64)


def in_greys(
    drawn: Floats, halo: Floats, grey: Floats, points_target: Floats, use: Bools
) -> tuple[Floats, float]:
    """Return a drawing (n, taps) in the photo's greys, and the rms of what is left, by least squares.

    A curve of third order stands for the photo's tones, the halo for its sharpening, and slopes over the target for
    uneven light.
    """
    count, taps = drawn.shape
    rows = np.empty((9, count, taps))
    x, y = points_target.T[:, :, None]
    rows[0], rows[1], rows[2], rows[4], rows[5], rows[6] = 1.0, drawn, drawn * drawn, halo, x, y
    rows[3], rows[7], rows[8] = rows[2] * drawn, x * drawn, y * drawn
    flat = rows.reshape(9, -1)
    chosen = flat if use.all() else rows[:, use].reshape(9, -1)
    solved = np.linalg.solve(chosen @ chosen.T + 1e-6 * np.eye(9), chosen @ grey[use].ravel())
    out = (solved @ flat).reshape(count, taps)
    return out, float(np.sqrt(((grey - out)[use] ** 2).mean()))


def moved(grey: Floats, wanted: Floats, offsets: Floats) -> tuple[Floats, Floats]:
    """Return how far (n,) px each profile lies beyond the one wanted, by least squares, and what is left (n,) rms."""
    slope = np.gradient(wanted, axis=1) / np.gradient(offsets, axis=1)
    strength = (slope**2).sum(axis=1) + 1e-9
    shift = ((wanted - grey) * slope).sum(axis=1) / strength
    left = grey - wanted + shift[:, None] * slope
    return shift, np.sqrt((left**2).mean(axis=1))


def place_by_drawing(
    drawing: Drawing, grey: Floats, grid_px: Floats, offsets: Floats, edges: Edges, blur_px: float | None
) -> tuple[Edges, float] | None:
    """Return boundary points moved to where the drawing fits, and the blur (sigma, px) that fits best.

    `grey` and `offsets` are (n, taps), `grid_px` (n, taps, 2); `edges` are the places and normals they were read at.
    Without a blur, one is found.
    """
    contrast = float(np.ptp(np.percentile(grey, (5, 95))))
    use = np.ones(len(grey), dtype=bool)
    if blur_px is None:
        halo = drawing.at(grid_px, HALO_PX)
        blur_px = _least(lambda b: in_greys(drawing.at(grid_px, b), halo, grey, edges.points_target, use)[1])
    drawn, halo = drawing.at(grid_px, blur_px), drawing.at(grid_px, np.hypot(HALO_PX, blur_px))
    for _ in range(2):
        wanted, _rms = in_greys(drawn, halo, grey, edges.points_target, use)
        shift, left = moved(grey, wanted, offsets)
        use = (np.abs(shift) < FURTHEST_PX) & (left < ODD_SHARE * contrast)
        if use.sum() < 8:
            return None
    points = edges.points_px + (shift + drawing.ink_px)[:, None] * edges.normals_px
    return Edges(points[use], edges.normals_px[use], edges.points_target[use]), blur_px


def _least(rms: Callable[[float], float]) -> float:
    """Return the blur of least rms: downhill among those tried, then by a parabola between neighbours."""
    seen: dict[int, float] = {}
    best, middle = -1, len(BLURS_PX) // 2 - 1
    while best != middle:
        best = middle
        for i in (best - 1, best, best + 1):
            if i not in seen:
                seen[i] = rms(BLURS_PX[i])
        middle = int(np.clip(min(seen, key=lambda i: seen[i]), 1, len(BLURS_PX) - 2))
    near = [best - 1, best, best + 1]
    log_blur = np.log(BLURS_PX)
    a, b, _ = np.polyfit(log_blur[near], [seen[i] for i in near], 2)
    found = -b / (2 * a) if a > 0 else log_blur[min(seen, key=lambda i: seen[i])]
    return float(np.exp(np.clip(found, log_blur[0], log_blur[-1])))
