"""The rigid motion that lays one set of points on another: how every benchmark here compares a frame with truth."""

from __future__ import annotations

import numpy as np

from elbowroom.shared.arrays import Floats, Mat3, Points3


def rigid_fit(points: Points3, onto: Points3) -> tuple[Mat3, Floats]:
    """Return the turn (3, 3) and shift (3,) that take points (n, 3) nearest `onto` (n, 3), by least squares.

    Source: W. Kabsch 1976 and S. Umeyama 1991, closed form.
    """
    a, b = points.mean(axis=0), onto.mean(axis=0)
    left, _, right = np.linalg.svd((onto - b).T @ (points - a))
    turn = left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right
    return turn, b - turn @ a
