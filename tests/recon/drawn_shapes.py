"""Small pictures of shapes whose edges are known: light painted six times finer, blurred, coded, with noise, 8 bit."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats

FINE = 6
"""Fine pixels a pixel: places are true to 1/12 px before blur, and blur averages that away."""

Coding = Callable[[Floats], Floats]
Inside = Callable[[Floats, Floats], npt.NDArray[np.bool_]]


def srgb(light: Floats) -> Floats:
    """IEC 61966-2-1, written independently of the code under test."""
    return np.where(light < 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def power(light: Floats) -> Floats:
    """A plain gamma of 2.2, as some cameras code."""
    return np.maximum(light, 0) ** (1 / 2.2)


def picture(
    shapes: list[tuple[Inside, float]], size: tuple[int, int] = (96, 96), *, blur: float = 1.0, noise: float = 2.0,
    ground: float = 0.4, seed: int = 0, coding: Coding = srgb,
) -> npt.NDArray[np.uint8]:  # fmt: skip
    """Paint shapes (inside, light) one over the other on light ground; pixel centres at whole numbers."""
    width, height = size
    x = (np.arange(width * FINE) + 0.5) / FINE - 0.5
    y = (np.arange(height * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(x, y)
    light = np.full(x.shape, ground, dtype=np.float32)
    for inside, level in shapes:
        light[inside(x, y)] = level
    light = cv2.GaussianBlur(light, (0, 0), blur * FINE, borderType=cv2.BORDER_REPLICATE)
    light = light.reshape(height, FINE, width, FINE).mean(axis=(1, 3))
    coded = 255 * coding(light.astype(np.float64)) + np.random.default_rng(seed).normal(0, noise, light.shape)
    return np.clip(np.round(coded), 0, 255).astype(np.uint8)


def half_plane(point: Floats, angle: float) -> Inside:
    """All that lies on the left (as x towards y turns) of a line through `point` at `angle`."""
    c, s = np.cos(angle), np.sin(angle)
    return lambda x, y: (y - point[1]) * c - (x - point[0]) * s > 0


def wedge(corner: Floats, from_angle: float, opening: float) -> Inside:
    """What lies between two rays from a corner; opening below pi."""
    one, other = half_plane(corner, from_angle), half_plane(corner, from_angle + opening)
    return lambda x, y: one(x, y) & ~other(x, y)


def ellipse(centre: Floats, axes: tuple[float, float], angle: float) -> Inside:
    """What lies within an ellipse."""
    c, s = np.cos(angle), np.sin(angle)

    def inside(x: Floats, y: Floats) -> npt.NDArray[np.bool_]:
        u, v = c * (x - centre[0]) + s * (y - centre[1]), -s * (x - centre[0]) + c * (y - centre[1])
        return np.asarray((u / axes[0]) ** 2 + (v / axes[1]) ** 2 < 1)

    return inside
