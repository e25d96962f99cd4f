"""Convex hulls as meshes, and meshes cut into pieces that are convex to a tolerance."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np

from elbowroom.shared.arrays import Faces, Points3
from elbowroom.shared.errors import InputError

Mesh: TypeAlias = tuple[Points3, Faces]

MOST_PIECES = 200
"""Pieces one mesh is cut into at most; each is swept step by step, so time grows with it."""


def hull_mesh(points: Points3) -> Mesh:
    """Return the convex hull of points (n, 3) mm: its corners, unchanged, and faces counter-clockwise from outside.

    Raises
    ------
    InputError
        When the points lie in one plane.
    """
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(points)
    except (QhullError, ValueError) as error:
        raise InputError(
            "no hull with a volume round these points", where="hull", value=len(points)
        ) from error
    faces = hull.simplices.astype(np.int64)
    a, b, c = (points[faces[:, k]] for k in range(3))
    inward = (np.cross(b - a, c - a) * hull.equations[:, :3]).sum(axis=1) < 0
    faces[inward] = faces[inward][:, ::-1]
    used, renamed = np.unique(faces, return_inverse=True)
    return points[used], renamed.reshape(faces.shape).astype(np.int64)


def convex_pieces(meshes: list[Mesh], tolerance_mm: float, most: int = MOST_PIECES) -> list[Points3]:
    """Return the corner points of pieces that together fill closed meshes, each convex to about `tolerance_mm`.

    A piece is cut through the bottom of its deepest pit until no pit between it and its hull is deeper than the
    tolerance, or a mesh has come to `most` pieces.

    Raises
    ------
    InputError
        When a mesh isn't closed.
    """
    out: list[Points3] = []
    for vertices, faces in meshes:
        out += _pieces_of(vertices, faces, tolerance_mm, most)
    return out


def _pieces_of(vertices: Points3, faces: Faces, tolerance: float, most: int) -> list[Points3]:
    import manifold3d

    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(vertices, dtype=np.float64), np.array(faces, dtype=np.uint64))
    )
    if solid.is_empty() or solid.volume() <= 0:
        raise InputError("a mesh that moves must be closed", where="sweep", todo="repair the mesh")
    waiting = list(solid.decompose())
    done: list[Points3] = []
    while waiting:
        piece = waiting.pop(0)
        corners = np.array(piece.to_mesh64().vert_properties)[:, :3]
        if not _has_depth(corners):
            continue
        depth, pit = _deepest_pit(piece, corners)
        if depth <= tolerance or len(done) + len(waiting) + 1 >= most:
            done.append(corners)
            continue
        normal, level = _cut_at(corners, pit)
        waiting += [s for s in piece.split_by_plane(normal, level) if not s.is_empty() and s.volume() > 0]
    return done


def _deepest_pit(piece: Any, corners: Points3) -> tuple[float, Points3]:
    """Return how deep the deepest pit between a piece and its hull is, mm, and the pit's bottom (3,).

    A pit is no deeper than its thickness across any one face of the hull; the least of these counts.
    """
    from scipy.spatial import ConvexHull

    worst, bottom = 0.0, corners[0]
    equations = ConvexHull(corners).equations
    for pit in (piece.hull() - piece).decompose():
        points = np.array(pit.to_mesh64().vert_properties)[:, :3]
        under = -(points @ equations[:, :3].T + equations[:, 3])
        face = int(np.argmin(under.max(axis=0)))
        if under[:, face].max() > worst:
            worst, bottom = float(under[:, face].max()), points[int(np.argmax(under[:, face]))]
    return worst, bottom


def _cut_at(corners: Points3, pit: Points3) -> tuple[list[float], float]:
    """Return the axis plane (normal, level) through a pit's bottom that halves the piece best; else through its middle."""
    low, size = corners.min(axis=0), np.maximum(np.ptp(corners, axis=0), 1e-9)
    share = (pit - low) / size
    balance = np.minimum(share, 1 - share)
    axis = int(np.argmax(balance))
    if balance[axis] < 0.02:
        axis = int(np.argmax(size))
        return np.eye(3)[axis].tolist(), float(low[axis] + size[axis] / 2)
    return np.eye(3)[axis].tolist(), float(pit[axis])


def _has_depth(corners: Points3) -> bool:
    """Whether corners span a volume; slivers left by a cut lie within rounding of their neighbours and are dropped."""
    size = np.linalg.svd(corners - corners.mean(axis=0), compute_uv=False)
    return len(corners) > 3 and float(size[2]) > 1e-9
