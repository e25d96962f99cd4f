"""Made-up scans for tests: a bent surface with a step and a pipe, seen from one side, in a frame of its own."""

from __future__ import annotations

import io

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

from elbowroom.shared.arrays import Faces, Floats, Points3

TURN = Rotation.from_euler("xyz", [0.4, -0.7, 1.1])
SHIFT = np.array([310.0, -120.0, 75.0])


def in_scan(points_world: Floats) -> Points3:
    """Return where world points (n, 3) mm lie in the scan's frame."""
    return TURN.apply(np.atleast_2d(points_world) - SHIFT, inverse=True)


def surface(n: int, noise: float = 0.0, seed: int = 0) -> tuple[Points3, Faces]:
    """Return an open height field, n by n points over 400 mm, world: a flat, a step 40 high, a pipe, a dome."""
    x, y = np.meshgrid(np.linspace(-200, 200, n), np.linspace(-200, 200, n), indexing="ij")
    z = 30 * np.maximum(0, 1 - (x**2 + (y + 60) ** 2) / 80**2) + 40 * (y > 100)
    z += np.sqrt(np.maximum(0.0, 400 - (x - 150) ** 2))
    z += np.random.default_rng(seed).normal(0, noise, z.shape) if noise else 0
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    faces = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces


def file_of(points: Floats, faces: Faces | None = None, ending: str = "ply") -> bytes:
    """Return a file's bytes by trimesh's exporters."""
    thing = trimesh.PointCloud(points) if faces is None else trimesh.Trimesh(points, faces, process=False)
    out = io.BytesIO()
    thing.export(out, file_type=ending)
    return out.getvalue()
