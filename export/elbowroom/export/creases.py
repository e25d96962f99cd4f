"""The lines that draw a mesh: its silhouette from where the camera stands, and its sharp edges."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.media import read_mesh

SHARP_RAD = math.radians(32.0)
"""An edge whose faces turn more than this is drawn: a hexagon's 60 degrees is, a 16-sided tube's 22.5 is not."""

ROUND_SHARP_RAD = math.radians(75.0)
"""...of a tube or outline volume: its facets are how it was measured, only its ends and true corners say something."""

SEAM_MM = 0.05
"""Slivers a union leaves along its seams are merged up to this: a sixth of a pixel at arm's length."""

SLIVER = 1e-9
"""A face with less area than this share of its longest edge squared has no direction to speak of."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Creased:
    """A mesh with its edges sorted out: the faces beside each edge, and which edges are sharp."""

    vertices: Points3
    faces: Faces
    normals: Floats
    edges: Faces
    beside: Faces
    sharp: npt.NDArray[np.bool_]

    def lines_seen_from(self, centre: Floats) -> Floats:
        """Return the edges (k, 2, 3) mm that draw the mesh from `centre` (3,), hidden ones among them."""
        away = self.vertices[self.faces[:, 0]] - centre
        facing = np.einsum("ij,ij->i", self.normals, away) < 0  # i: face, j: axis
        one, other = facing[self.beside[:, 0]], facing[self.beside[:, 1]]
        drawn = (one != other) | (self.sharp & (one | other))
        return self.vertices[self.edges[drawn]]


@lru_cache(maxsize=128)
def creased_union(pieces: tuple[bytes, ...], sharp_rad: float = SHARP_RAD) -> Creased:
    """Return the union of a scene's meshes with its edges sorted out; kept, since every photo asks for it.

    The seams between the pieces of one tube or bolt are inside it and draw nothing.
    """
    meshes = [read_mesh(data) for data in pieces]
    if len(meshes) == 1:
        return sort_edges(*meshes[0], sharp_rad)
    import manifold3d

    solids = [
        manifold3d.Manifold(manifold3d.Mesh64(np.array(v, dtype=np.float64), np.array(f, dtype=np.uint64)))
        for v, f in meshes
    ]
    union = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    joined = union.simplify(SEAM_MM).to_mesh64()
    vertices = np.array(joined.vert_properties, dtype=np.float64)[:, :3]
    return sort_edges(vertices, np.array(joined.tri_verts, dtype=np.int64), sharp_rad)


def sort_edges(vertices: Points3, faces: Faces, sharp_rad: float = SHARP_RAD) -> Creased:
    """Return a mesh with equal vertices joined, slivers dropped, and its edges sorted out."""
    _, first, joined = np.unique(np.round(vertices, 6), axis=0, return_index=True, return_inverse=True)
    points, corners = vertices[first], joined.reshape(-1)[faces]
    a, b, c = (points[corners[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    area = np.linalg.norm(cross, axis=1)
    longest = np.max([((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0, initial=0.0)
    good = area > SLIVER * np.maximum(longest, 1e-12)
    corners, normals = corners[good], cross[good] / area[good, None]
    edges, beside = _neighbours(corners)
    dots = np.einsum("ij,ij->i", normals[beside[:, 0]], normals[beside[:, 1]])  # i: edge, j: axis
    return Creased(
        vertices=points,
        faces=corners,
        normals=normals,
        edges=edges,
        beside=beside,
        sharp=dots < math.cos(sharp_rad),
    )


def _neighbours(faces: Faces) -> tuple[Faces, Faces]:
    """Return the edges (e, 2) that two faces share and those two faces (e, 2)."""
    pairs = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    pairs, owner = pairs[order], owner[order]
    same = (pairs[1:] == pairs[:-1]).all(axis=1)
    at = np.flatnonzero(same)
    return pairs[at], np.column_stack([owner[at], owner[at + 1]])
