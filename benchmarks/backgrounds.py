"""Grounds without targets, for pictures in which targets are looked for: texture, clutter, checks, writing, and light."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ground = Callable[[tuple[int, int], np.random.Generator], Floats]


def texture(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return noise of every grain from 2 px to a quarter of the picture, like rust, concrete or gravel."""
    out = np.zeros(shape, np.float32)
    grain = 2
    while grain < min(shape) // 4:
        small = rng.normal(0, 1, (shape[0] // grain + 2, shape[1] // grain + 2)).astype(np.float32)
        out += rng.uniform(0.3, 1.0) * cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
        grain *= 3
    return np.clip(rng.uniform(0.2, 0.5) + rng.uniform(0.04, 0.15) * out.astype(np.float64), 0.02, 0.95)


def clutter(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return boxes, discs, bars and four-sided plates of every grey over one another."""
    out = np.full(shape, rng.uniform(0.1, 0.6), np.float32)
    for _ in range(500):
        middle, size = rng.uniform(0, 1, 2) * shape[::-1], float(np.exp(rng.uniform(2.5, 6)))
        grey = float(rng.uniform(0.03, 0.85))
        if rng.random() < 0.3:
            axes = (int(size / 2), int(size * rng.uniform(0.2, 0.5)))
            cv2.ellipse(
                out,
                (int(middle[0]), int(middle[1])),
                axes,
                rng.uniform(0, 180),
                0,
                360,
                grey,
                -1,
                cv2.LINE_AA,
            )
        else:
            angle = np.cumsum(rng.uniform(0.7, 1.6, 4)) + rng.uniform(0, 6)
            ring = middle + size * rng.uniform(0.5, 0.8, (4, 1)) * np.column_stack(
                [np.cos(angle), np.sin(angle)]
            )
            cv2.fillPoly(out, [np.rint(ring).astype(np.int32)], grey, cv2.LINE_AA)
    return out.astype(np.float64)


def checks(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return a leaning checkerboard, and black squares with random 4 to 9 modules a side in them: near-targets."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    angle, pitch = rng.uniform(0, 1.5), rng.uniform(12, 90)
    u, v = (np.cos(angle) * x + np.sin(angle) * y) / pitch, (np.cos(angle) * y - np.sin(angle) * x) / pitch
    out = np.where((np.floor(u) + np.floor(v)) % 2 > 0, 0.75, 0.06)
    for _ in range(60):
        side, modules = int(np.exp(rng.uniform(3.4, 5.3))), int(rng.integers(4, 10))
        bits = np.full((modules + 4, modules + 4), 0.8, np.float32)
        bits[1:-1, 1:-1] = 0.05
        bits[2:-2, 2:-2] = np.where(rng.random((modules, modules)) < 0.5, 0.8, 0.05)
        row, column = (int(rng.integers(0, n - side)) for n in shape)
        out[row : row + side, column : column + side] = cv2.resize(
            bits, (side, side), interpolation=cv2.INTER_NEAREST
        )
    return out.astype(np.float64)


def writing(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return lines of letters and figures of several sizes, black on white and white on black."""
    out = np.full(shape, 204, np.uint8)
    out[:, : shape[1] // 3] = 18
    letters = list("ABDEHKMNOPRSXZ0123456789#%@&=+")
    row = 0.0
    while row < shape[0]:
        size = float(rng.uniform(0.4, 4))
        row += 30 * size
        line = "".join(rng.choice(letters, int(shape[1] / (18 * size))))
        grey, place = (13 if rng.random() < 0.5 else 204), (int(rng.integers(-40, 40)), int(row))
        cv2.putText(
            out, line, place, cv2.FONT_HERSHEY_SIMPLEX, size, grey, max(1, int(3 * size)), cv2.LINE_AA
        )
    return out.astype(np.float64) / 255


def plain(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return one grey."""
    return np.full(shape, rng.uniform(0.05, 0.7))


GROUNDS: dict[str, Ground] = {
    "plain": plain,
    "texture": texture,
    "clutter": clutter,
    "checks": checks,
    "writing": writing,
}


def light(shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return light that falls off across the picture and breaks at the edges of two or three shadows."""
    rows, columns = (
        shape[0] // 4,
        shape[1] // 4,
    )  # worked out coarsely: the sharpest shadow's edge is 8 px wide
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    fall = rng.uniform(-1, 1, 2)
    out = np.exp(0.6 * (fall[0] * (x / columns - 0.5) + fall[1] * (y / rows - 0.5)))
    for _ in range(int(rng.integers(2, 4))):
        angle, wide = rng.uniform(0, np.pi), float(np.exp(rng.uniform(0, 3)))
        away = np.cos(angle) * (x - rng.uniform(0, columns)) + np.sin(angle) * (y - rng.uniform(0, rows))
        out *= 1 - rng.uniform(0.3, 0.75) / (1 + np.exp(np.clip(-away / wide, -30, 30)))
    whole = cv2.resize(out.astype(np.float32), shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(whole, dtype=np.float64)
