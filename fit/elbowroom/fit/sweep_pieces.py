"""Convex hulls as meshes, and meshes cut into pieces that are convex to a tolerance."""

from __future__ import annotations

from typing import TypeAlias

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


def convex_pieces(meshes: list[Mesh], tolerance_mm: float) -> list[Points3]:
    """Return the corner points of pieces that together fill closed meshes, each convex to about `tolerance_mm`.

    A piece is halved across its longest side until none of its corners lies deeper than the tolerance under its
    hull, at most MOST_PIECES times a mesh.

    Raises
    ------
    InputError
        When a mesh isn't closed.
    """
    out: list[Points3] = []
    for vertices, faces in meshes:
        out += _pieces_of(vertices, faces, tolerance_mm)
    return out


def _pieces_of(vertices: Points3, faces: Faces, tolerance: float) -> list[Points3]:
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
        corners = np.asarray(piece.to_mesh64().vert_properties)[:, :3]
        if len(done) + len(waiting) >= MOST_PIECES or _convex_to(corners, tolerance):
            done += [np.array(corners)] if _has_depth(corners) else []
            continue
        axis = int(np.argmax(np.ptp(corners, axis=0)))
        normal = np.eye(3)[axis]
        middle = float((corners[:, axis].min() + corners[:, axis].max()) / 2)
        waiting += [
            s for s in piece.split_by_plane(normal.tolist(), middle) if not s.is_empty() and s.volume() > 0
        ]
    return done


def _convex_to(corners: Points3, tolerance: float) -> bool:
    """Whether no corner lies deeper than the tolerance under the hull."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(corners)
    except QhullError:  # a sliver of a cut, flat to rounding
        return True
    depths = -(corners @ hull.equations[:, :3].T + hull.equations[:, 3]).max(axis=1)
    return float(depths.max()) <= tolerance


def _has_depth(corners: Points3) -> bool:
    """Whether corners span a volume; slivers left by a cut lie within rounding of their neighbours and are dropped."""
    size = np.linalg.svd(corners - corners.mean(axis=0), compute_uv=False)
    return len(corners) > 3 and float(size[2]) > 1e-9
