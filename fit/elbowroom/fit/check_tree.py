"""A tree of boxes and balls over a triangle mesh, built once and asked in many poses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Faces, Floats, Points3

Rows = npt.NDArray[np.intp]

FANOUT = 8
"""Children of a node: one split in each axis."""


@dataclass(frozen=True, slots=True, eq=False)
class TreeLevel:
    """Nodes of one level: box centres (k, 3), box half sizes (k, 3), radii (k,) of balls about the centres, mm."""

    centres: Points3
    halves: Points3
    radii: Floats


@dataclass(frozen=True, slots=True, eq=False)
class MeshTree:
    """Triangles (m, 3, 3) mm in walking order, and the levels from single triangles up to the root.

    Node i of a level has the nodes FANOUT i to FANOUT i + FANOUT - 1 of the level below, as far as they exist.
    `parts` numbers the closed mesh each triangle came from.
    """

    triangles: Floats
    parts: Rows
    levels: tuple[TreeLevel, ...]

    def children(self, nodes: Rows, level: int) -> Rows:
        """Return the nodes of level - 1 below `nodes` of `level`."""
        below = (nodes[:, None] * FANOUT + np.arange(FANOUT)).ravel()
        return below[below < len(self.levels[level - 1].radii)]


def mesh_tree(meshes: list[tuple[Points3, Faces]]) -> MeshTree:
    """Return the tree over all triangles of meshes (vertices (n, 3) mm, faces (m, 3)).

    Triangles are sorted along a Morton curve through their middles, so that neighbours share a node.
    """
    triangles = np.concatenate([vertices[faces] for vertices, faces in meshes])
    parts = np.concatenate([np.full(len(faces), i, dtype=np.intp) for i, (_, faces) in enumerate(meshes)])
    order = np.argsort(_morton(triangles.mean(axis=1)), kind="stable")
    triangles, parts = np.ascontiguousarray(triangles[order]), parts[order]
    low, high = triangles.min(axis=1), triangles.max(axis=1)
    centres = (low + high) / 2
    reach = np.sqrt(((triangles - centres[:, None]) ** 2).sum(axis=2)).max(axis=1)
    levels = [TreeLevel(centres, (high - low) / 2, reach)]
    while len(levels[-1].radii) > 1:
        levels.append(_level_above(levels[-1]))
    return MeshTree(triangles, parts, tuple(levels))


def _level_above(level: TreeLevel) -> TreeLevel:
    firsts = np.arange(0, len(level.radii), FANOUT)
    low = np.minimum.reduceat(level.centres - level.halves, firsts, axis=0)
    high = np.maximum.reduceat(level.centres + level.halves, firsts, axis=0)
    centres = (low + high) / 2
    owner = np.arange(len(level.radii)) // FANOUT
    reach = np.sqrt(((level.centres - centres[owner]) ** 2).sum(axis=1)) + level.radii
    radii = np.minimum(np.maximum.reduceat(reach, firsts), np.sqrt((((high - low) / 2) ** 2).sum(axis=1)))
    return TreeLevel(centres, (high - low) / 2, radii)


def _morton(points: Points3) -> npt.NDArray[np.uint64]:
    """Return the Morton code of each point: the bits of its three 21-bit grid coordinates interleaved."""
    low = points.min(axis=0)
    size = max(float((points.max(axis=0) - low).max()), 1e-12)
    grid = np.clip((points - low) / size * (2**21 - 1), 0, 2**21 - 1).astype(np.uint64)
    code = np.zeros(len(points), dtype=np.uint64)
    for axis in range(3):
        code |= _spread(grid[:, axis]) << np.uint64(axis)
    return code


def _spread(values: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Return the 21 low bits of each value with two zero bits between neighbours."""
    x = values
    for shift, mask in (
        (32, 0x1F00000000FFFF),
        (16, 0x1F0000FF0000FF),
        (8, 0x100F00F00F00F00F),
        (4, 0x10C30C30C30C30C3),
        (2, 0x1249249249249249),
    ):
        x = (x | (x << np.uint64(shift))) & np.uint64(mask)
    return x
