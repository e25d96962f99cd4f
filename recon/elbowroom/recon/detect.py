"""Coded targets in a photo: found on a reduced copy, measured on the original pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from elbowroom.recon.edges import Corners, Edges, find_edges, fit_corners
from elbowroom.recon.pattern import dictionary
from elbowroom.shared.arrays import Image, Points2
from elbowroom.shared.errors import InputError

FIND_WIDTH_PX = 2000
"""Longest side of the reduced copy on which targets are found: a 36 px target of a 12 MP photo keeps 2 px a module."""

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


def detect(image: Image) -> tuple[list[Sighting], list[int]]:
    """Return the targets seen in a grey photo, and the ids seen more than once (left out of the first list)."""
    found = find_targets(image)
    counts: dict[int, int] = {}
    for target, _ in found:
        counts[target] = counts.get(target, 0) + 1
    twice = sorted(t for t, n in counts.items() if n > 1)
    sightings = []
    for target, corners in found:
        if counts[target] == 1:
            seen = measure_target(image, target, corners)
            if seen is not None:
                sightings.append(seen)
    return sorted(sightings, key=lambda s: s.target), twice


def find_targets(image: Image) -> list[tuple[int, Points2]]:
    """Return ids and approximate corners (4, 2) px, printed order, of the targets in a grey photo."""
    factor = max(1.0, max(image.shape[:2]) / FIND_WIDTH_PX)
    small = image
    if factor > 1:
        size = (round(image.shape[1] / factor), round(image.shape[0] / factor))
        small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    scale = np.array([image.shape[1] / small.shape[1], image.shape[0] / small.shape[0]])
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary(), _parameters()).detectMarkers(small)
    if ids is None:
        return []
    return [
        (int(t), (np.asarray(c, dtype=np.float64).reshape(4, 2) + 0.5) * scale - 0.5)
        for t, c in zip(np.asarray(ids).ravel(), corners, strict=True)
    ]


def _parameters() -> cv2.aruco.DetectorParameters:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 9
    parameters.adaptiveThreshWinSizeMax = 29
    parameters.adaptiveThreshWinSizeStep = 20
    parameters.minMarkerPerimeterRate = 0.02
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return parameters


def measure_target(image: Image, target: int, corners_px: Points2) -> Sighting | None:
    """Return the target measured on the original pixels, or None when its boundaries can't be followed."""
    sides = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1)
    if sides.min() < MIN_SIDE_PX:
        return None
    edges = find_edges(image, target, corners_px)
    fitted = fit_corners(edges, corners_px) if edges is not None else None
    return None if edges is None or fitted is None else Sighting(target, edges, fitted)
