"""The coded target's pattern: AprilTag 36h11 modules, and every black/white boundary in it.

Source: E. Olson, AprilTag: A robust and flexible visual fiducial system, ICRA 2011 (family 36h11); bits as in OpenCV's
DICT_APRILTAG_36h11. A target is 8 x 8 modules: a black ring round 6 x 6 bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np

from elbowroom.shared.arrays import Floats

MODULES = 8
"""Modules along a target's side, black ring included."""

SAMPLES_PER_MODULE = 3
"""Edge samples along each module's boundary; they stay clear of the module's corners, where blur rounds the edge."""

CORNERS = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])
"""Corners of a target of side 1 in its own frame (x right, y up): top left, top right, bottom right, bottom left."""


@lru_cache(maxsize=1)
def dictionary() -> Any:
    """Return OpenCV's dictionary of the 36h11 family."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


@lru_cache(maxsize=600)
def modules(target: int) -> Floats:
    """Return the target's modules (8, 8), 1 white and 0 black, row 0 at the top as printed."""
    image = dictionary().generateImageMarker(target, MODULES)
    return (np.asarray(image) > 127).astype(np.float64)


@dataclass(frozen=True, eq=False)
class EdgeSamples:
    """Samples on the black/white boundaries of one target of side 1.

    `points` (n, 2) on the boundaries, `normals` (n, 2) unit, pointing from black to white; target frame.
    """

    points: Floats
    normals: Floats


@lru_cache(maxsize=600)
def edge_samples(target: int) -> EdgeSamples:
    """Return samples on every black/white boundary of a target: outer border and bits."""
    cells = np.pad(modules(target), 1, constant_values=1.0)  # white paper all round
    along = (np.arange(SAMPLES_PER_MODULE) + 1) / (SAMPLES_PER_MODULE + 1)
    points, normals = [], []
    for row in range(MODULES + 2):
        for column in range(MODULES + 1):  # boundary between column and column + 1: a vertical line
            step = cells[row, column + 1] - cells[row, column]
            if step:
                x = np.full(SAMPLES_PER_MODULE, column / MODULES - 0.5)
                y = 0.5 - (row - 1 + along) / MODULES
                points.append(np.column_stack([x, y]))
                normals.append(np.tile([step, 0.0], (SAMPLES_PER_MODULE, 1)))
    for row in range(MODULES + 1):  # boundary between row and row + 1: a horizontal line
        for column in range(MODULES + 2):
            step = cells[row + 1, column] - cells[row, column]
            if step:
                x = (column - 1 + along) / MODULES - 0.5
                y = np.full(SAMPLES_PER_MODULE, 0.5 - row / MODULES)
                points.append(np.column_stack([x, y]))
                normals.append(np.tile([0.0, -step], (SAMPLES_PER_MODULE, 1)))
    return EdgeSamples(np.concatenate(points), np.concatenate(normals))
