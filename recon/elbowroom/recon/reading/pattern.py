"""The coded target's pattern: its modules, and every black/white boundary between them.

A target is 8 x 8 modules: a black ring round 6 x 6 bits. The family printed here is AprilTag 36h11; any other family of
6 x 6 bits that OpenCV knows can be read too.

Source: E. Olson, AprilTag: A robust and flexible visual fiducial system, ICRA 2011 (family 36h11); bits as in OpenCV's
DICT_APRILTAG_36h11.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, TypeAlias

import cv2
import numpy as np

from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError

Family: TypeAlias = Any
"""An OpenCV dictionary of targets (`cv2.aruco.Dictionary`), predefined or read from a file."""

MODULES = 8
"""Modules along a target's side, black ring included."""

SAMPLES_PER_MODULE = 3
"""Edge samples along each module's boundary; they stay clear of the module's corners, where blur rounds the edge."""

CORNERS = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])
"""Corners of a target of side 1 in its own frame (x right, y up): top left, top right, bottom right, bottom left."""


@lru_cache(maxsize=8)
def predefined_family(code: int = cv2.aruco.DICT_APRILTAG_36h11) -> Family:
    """Return one of OpenCV's predefined families; without a code, the one that is printed.

    Raises
    ------
    InputError
        When its targets are not 8 x 8 modules.
    """
    return check_family(cv2.aruco.getPredefinedDictionary(code))


def check_family(family: Family) -> Family:
    """Return a family whose targets are 8 x 8 modules; raise InputError for any other."""
    if family.markerSize + 2 != MODULES:
        raise InputError(
            "targets of this family can't be measured",
            where="target family",
            value=f"{family.markerSize + 2} modules a side",
            limit=f"{MODULES} modules a side, black ring included",
            todo="use AprilTag 36h11",
        )
    return family


@lru_cache(maxsize=1200)
def modules(target: int, family: Family | None = None) -> Floats:
    """Return the target's modules (8, 8), 1 white and 0 black, row 0 at the top as printed."""
    image = (family or predefined_family()).generateImageMarker(target, MODULES)
    return (np.asarray(image) > 127).astype(np.float64)


@dataclass(frozen=True, eq=False)
class EdgeSamples:
    """Samples on the black/white boundaries of one target of side 1.

    `points` (n, 2) on the boundaries, `normals` (n, 2) unit, pointing from black to white; target frame.
    """

    points: Floats
    normals: Floats

    def every(self, step: int) -> EdgeSamples:
        """Return every `step`-th sample, from the middle of the first `step`."""
        return EdgeSamples(self.points[step // 2 :: step], self.normals[step // 2 :: step])


@lru_cache(maxsize=1200)
def edge_samples(target: int, family: Family | None = None) -> EdgeSamples:
    """Return samples on every black/white boundary of a target: outer border and bits."""
    cells = np.pad(modules(target, family), 1, constant_values=1.0)  # white paper all round
    across = _upright_edges(cells)
    level = _upright_edges(cells.T)  # a level boundary is an upright one of the pattern laid on its side
    return EdgeSamples(
        np.concatenate([across.points, -level.points[:, ::-1]]),
        np.concatenate([across.normals, -level.normals[:, ::-1]]),
    )


def _upright_edges(cells: Floats) -> EdgeSamples:
    """Return samples on the boundaries between neighbours in the rows of padded modules (10, 10)."""
    steps = np.diff(cells, axis=1)
    rows, columns = np.nonzero(steps)
    along = (np.arange(SAMPLES_PER_MODULE) + 1) / (SAMPLES_PER_MODULE + 1)
    x = np.repeat(columns / MODULES - 0.5, SAMPLES_PER_MODULE)
    y = 0.5 - ((rows[:, None] - 1 + along) / MODULES).ravel()
    normal = np.repeat(steps[rows, columns], SAMPLES_PER_MODULE)
    return EdgeSamples(np.column_stack([x, y]), np.column_stack([normal, np.zeros(len(normal))]))
