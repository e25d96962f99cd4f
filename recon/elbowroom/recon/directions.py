"""Directions of the world spread evenly enough to look round with."""

from __future__ import annotations

import numpy as np

from elbowroom.shared.arrays import Points3


def _grid() -> Points3:
    steps = np.tan(np.pi / 8 * np.arange(-2, 3))  # equal angles on a cube's faces, from edge to edge
    cells = np.array([(i, j, k) for i in steps for j in steps for k in steps])
    cells = cells[np.abs(cells).max(axis=1) > 0.99]
    return np.asarray(cells / np.linalg.norm(cells, axis=1, keepdims=True), dtype=np.float64)


DIRECTIONS: Points3 = _grid()
"""Directions (98, 3), unit, world, that looseness is told for: axes, diagonals and between, no direction further than
18 degrees from the nearest."""
