"""Convex polyhedra that contain round things: prisms round cylinders, hulls round capsules, boxes."""

from __future__ import annotations

import numpy as np

from elbowroom.shared.arrays import Faces, Floats, Mat3, Points3

SIDES = 48
"""Sides of the prism round a cylinder: its corners stand out by 0.2 % of the radius."""

MeshArrays = tuple[Points3, Faces]


def axes_along(direction: Floats) -> Mat3:
    """Return a proper rotation (3, 3) whose third column is `direction` (3,), of any length above 0."""
    z = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
    helper = np.eye(3)[int(np.abs(z).argmin())]
    x = np.cross(helper, z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])


def prism_round(start: Floats, end: Floats, radius_mm: float) -> MeshArrays:
    """Return a closed prism that contains the cylinder between two points (3,) mm; its flats touch the cylinder."""
    axes = axes_along(end - start)
    angles = 2 * np.pi * np.arange(SIDES) / SIDES
    reach = radius_mm / np.cos(np.pi / SIDES)
    ring = reach * (np.cos(angles)[:, None] * axes[:, 0] + np.sin(angles)[:, None] * axes[:, 1])
    vertices = np.vstack([start + ring, end + ring, start[None], end[None]])
    i = np.arange(SIDES)
    j = (i + 1) % SIDES
    low, high = np.full(SIDES, 2 * SIDES), np.full(SIDES, 2 * SIDES + 1)
    faces = [(i, j, SIDES + j), (i, SIDES + j, SIDES + i), (low, j, i), (high, SIDES + i, SIDES + j)]
    return vertices, np.vstack([np.column_stack(f) for f in faces]).astype(np.int64)


def ball_round(centre: Floats, radius_mm: float) -> MeshArrays:
    """Return a closed convex polyhedron that contains the ball: an icosphere blown up until its flats touch it."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=2, radius=1.0)
    inside = float(np.einsum("ij,ij->i", ball.triangles_center, ball.face_normals).min())  # i: flat, j: xyz
    vertices = np.asarray(ball.vertices, dtype=np.float64) * (radius_mm / inside) + centre
    return vertices, np.asarray(ball.faces, dtype=np.int64)


def box_between(corner: Floats, edges: Mat3) -> MeshArrays:
    """Return a closed box from a corner (3,) mm and its three edges, the columns of (3, 3) mm, either-handed."""
    places = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=np.float64)
    faces = np.array(
        [
            [0, 2, 3], [0, 3, 1], [4, 5, 7], [4, 7, 6], [0, 1, 5], [0, 5, 4],
            [2, 6, 7], [2, 7, 3], [0, 4, 6], [0, 6, 2], [1, 3, 7], [1, 7, 5],
        ],
        dtype=np.int64,
    )  # fmt: skip
    return corner + places @ edges.T, faces if np.linalg.det(edges) > 0 else faces[:, ::-1].copy()
