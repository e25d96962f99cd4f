"""Coded targets in a photo: found on a reduced copy, measured on the original pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from elbowroom.recon.codes import read_codes
from elbowroom.recon.edges import Corners, Edges
from elbowroom.recon.pattern import Family
from elbowroom.recon.profiles import find_edges
from elbowroom.recon.quads import FAINT, find_quads
from elbowroom.shared.arrays import Floats, Image, Points2
from elbowroom.shared.errors import InputError

FIND_WIDTH_PX = 2000
"""Longest side of the reduced copy on which targets are looked for; their codes are read on the original pixels."""

FEW_TARGETS = 4
"""A photo that shows fewer targets than this hangs on them: it is worth further, slower looks."""

MIN_SIDE_PX = 16.0
"""Shortest side of a target that is used: below it boundaries are under 2 px apart and blur into one another."""


@dataclass(frozen=True, eq=False)
class Sighting:
    """One target seen in one photo: its id, boundary points and corners."""

    target: int
    edges: Edges
    corners: Corners


def read_grey(data: bytes, *, where: str) -> Image:
    """Return a photo's grey pixels (rows, columns) as its sensor stored them (EXIF rotation ignored).

    Raises
    ------
    InputError
        When the bytes can't be decoded.
    """
    buffer = np.frombuffer(data, dtype=np.uint8)
    image = (
        cv2.imdecode(buffer, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION) if len(buffer) else None
    )
    if image is None:
        raise InputError("the photo can't be decoded", where=where, todo="copy it from the phone again")
    return np.asarray(image, dtype=np.uint8)


def detect(image: Image, family: Family | None = None) -> tuple[list[Sighting], list[int]]:
    """Return the targets seen in a grey photo, and the ids seen more than once (left out of the first list)."""
    found = find_targets(image, family)
    ids = [t for t, _ in found]
    twice = sorted({t for t in ids if ids.count(t) > 1})
    once = sorted(((t, c) for t, c in found if t not in twice), key=lambda pair: pair[0])
    return measure_targets(image, [t for t, _ in once], [c for _, c in once], family), twice


def find_targets(image: Image, family: Family | None = None) -> list[tuple[int, Points2]]:
    """Return ids and approximate corners (4, 2) px, printed order, of the targets in a grey photo.

    A look on a reduced copy comes first; where it shows few, another for faint ones, and one at another size.
    """
    factor = max(1, round(max(image.shape[:2]) / FIND_WIDTH_PX))
    small = _reduced(image, factor)
    found = _read(image, find_quads(small), factor, family)
    if len(found) < FEW_TARGETS:
        other = 1 if factor > 1 else 2
        found += _read(image, find_quads(small, FAINT), factor, family)
        found += _read(image, find_quads(_reduced(image, other)), other, family)
        found = _apart(found)
    return [(t, c) for t, c, _ in found]


def _reduced(image: Image, factor: int) -> Image:
    """Return a photo a whole number of times smaller."""
    if factor == 1:
        return image
    size = (image.shape[1] // factor, image.shape[0] // factor)
    whole = image[: size[1] * factor, : size[0] * factor]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _read(
    image: Image, quads_px: Floats, factor: int, family: Family | None
) -> list[tuple[int, Points2, float]]:
    """Return targets among patches found on a copy `factor` times smaller."""
    return _apart(read_codes(image, (quads_px + 0.5) * factor - 0.5, family))


def _apart(found: Sequence[tuple[int, Points2, float]]) -> list[tuple[int, Points2, float]]:
    """Return targets without those that lie on one like it more, as outlines within one another do."""
    ordered = sorted(found, key=lambda f: -f[2])
    if not ordered:
        return []
    corners = np.array([c for _, c, _ in ordered])
    middle = corners.mean(axis=1)
    near = 0.5 * np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).min(axis=1)
    close = np.linalg.norm(middle[:, None] - middle, axis=2) <= near[:, None]
    kept: list[int] = []
    for i, row in enumerate(close):
        if not row[kept].any():
            kept.append(i)
    return [ordered[i] for i in kept]


def measure_targets(
    image: Image, targets: Sequence[int], corners_px: Sequence[Points2], family: Family | None = None
) -> list[Sighting]:
    """Return the targets measured on the original pixels, without those whose boundaries can't be followed."""
    large = [(t, c) for t, c in zip(targets, corners_px, strict=True) if _shortest_side(c) >= MIN_SIDE_PX]
    if not large:
        return []
    found = find_edges(image, [t for t, _ in large], np.array([c for _, c in large]), family)
    return [Sighting(t, *pair) for (t, _), pair in zip(large, found, strict=True) if pair is not None]


def _shortest_side(corners_px: Points2) -> float:
    return float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).min())
