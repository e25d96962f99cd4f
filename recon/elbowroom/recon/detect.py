"""Coded targets in a photo: found on a reduced copy, measured on the original pixels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from elbowroom.recon.edges import Corners, Edges
from elbowroom.recon.pattern import Family, predefined_family
from elbowroom.recon.profiles import find_edges
from elbowroom.shared.arrays import Image, Points2
from elbowroom.shared.errors import InputError

FIND_WIDTH_PX = 2000
"""Longest side of the reduced copy on which targets are found: a 36 px target of a 12 MP photo keeps 2 px a module."""

FEW_TARGETS = 4
"""With fewer targets than this a photo hangs on them: worth a second, slower look."""

QUICK = {
    "adaptiveThreshWinSizeMin": 11,
    "adaptiveThreshWinSizeMax": 11,
    "adaptiveThreshConstant": 10,
    "minMarkerPerimeterRate": 0.03,
}
"""One threshold for lit, sharp targets 30 px wide or more in a 12 MP photo: 10 grey levels below the surroundings."""

THOROUGH = {
    "adaptiveThreshWinSizeMin": 9,
    "adaptiveThreshWinSizeMax": 29,
    "adaptiveThreshWinSizeStep": 20,
    "minMarkerPerimeterRate": 0.02,
}
"""Two thresholds, for small, dim or blurred targets; four times as slow on a photo full of texture."""

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

    On a large photo a quick look comes first; where it finds too few to join the photo, a thorough one follows.
    """
    factor = max(1.0, max(image.shape[:2]) / FIND_WIDTH_PX)
    small = image
    if factor > 1:
        size = (round(image.shape[1] / factor), round(image.shape[0] / factor))
        small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    scale = np.array([image.shape[1] / small.shape[1], image.shape[0] / small.shape[0]])
    found = _look(small, family, QUICK) if factor > 1 else []
    if len(found) < FEW_TARGETS:
        found = _look(small, family, THOROUGH)
    return [(t, (c + 0.5) * scale - 0.5) for t, c in found]


def _look(image: Image, family: Family | None, settings: Mapping[str, float]) -> list[tuple[int, Points2]]:
    parameters = cv2.aruco.DetectorParameters()
    for name, value in settings.items():
        setattr(parameters, name, value)
    detector = cv2.aruco.ArucoDetector(family or predefined_family(), parameters)
    corners, ids, _ = detector.detectMarkers(image)
    if ids is None:
        return []
    return [
        (int(t), np.asarray(c, dtype=np.float64).reshape(4, 2))
        for t, c in zip(np.asarray(ids).ravel(), corners, strict=True)
    ]


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
