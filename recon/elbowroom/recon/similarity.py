"""What is left of points' errors once shift, turn and scale of them all are taken off."""

from __future__ import annotations

import numpy as np

from elbowroom.shared.arrays import Floats, Points3


def shape_alone(points_world: Points3) -> Floats:
    """Return the projection (3n, 3n) of points' errors onto what shift, turn and scale of all can't make up."""
    n, arms = len(points_world), points_world - points_world.mean(axis=0)
    shift = np.tile(np.eye(3), (n, 1))
    turn = np.cross(np.eye(3)[None], arms[:, None]).transpose(0, 2, 1).reshape(3 * n, 3)
    basis, size, _ = np.linalg.svd(np.column_stack([shift, turn, arms.ravel()]), full_matrices=False)
    moves = basis[:, size > 1e-9 * size[0]]
    return np.asarray(np.eye(3 * n) - moves @ moves.T)
