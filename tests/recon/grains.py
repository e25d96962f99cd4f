"""Grains of a surface in closed form: waves of many directions, so that a patch can be drawn at any place, turn and size."""

from __future__ import annotations

import numpy as np

from elbowroom.recon.keypoints import PATCH
from elbowroom.shared.arrays import Floats, Image


def grain_patch(
    seed: int, middle: Floats, shape: Floats, pixel: Floats, *, gain: float = 1.0, offset: float = 0.0
) -> Image:
    """Return the patch round the pixel nearest to `pixel` (2,) of grains whose middle is seen at `middle` (2,) px.

    `shape` (2, 2) says how the surface's plane lies in the photo.
    """
    rng = np.random.default_rng(seed)
    waves, phases = rng.normal(0, 0.28, (24, 2)), rng.uniform(0, 2 * np.pi, 24)
    around = np.arange(PATCH) - PATCH // 2
    x, y = np.meshgrid(np.round(pixel[0]) + around - middle[0], np.round(pixel[1]) + around - middle[1])
    place = np.stack([x, y], axis=-1) @ np.linalg.inv(shape).T
    grey = 128 + 18 * np.cos(place @ waves.T + phases).sum(axis=-1)
    return np.asarray(np.clip(np.round(offset + gain * grey), 0, 255), dtype=np.uint8)
