"""A scan's triangles made few: vertices joined where the surface is flat, and how far the scan lies from the result.

Vertices are joined in cells of a grid, only those that triangles connect inside the cell, so that the two sides of a
sheet stay apart. Eight cells become one where one vertex for all of them stays near all their triangles' planes, and so
on upward: large cells on flats, small ones on bends. How far the scan lies from the thinned surface is then measured,
from above: for each of its triangles the farthest of its corners from one triangle of the result bounds all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.arrays import Bools, Faces, Floats, Ints, Points3

CELLS_PER_TRIANGLE = 8.0
"""Finest cells for each triangle asked for: bends get them, flats give them back."""

DOUBLINGS = 6
"""Times cells may be joined by eight: the largest are 64 times the finest."""

TRIALS = 14
"""Halvings of the tolerance's logarithm in the search for the count asked for."""

LEAST_SHARE = 1e-3
"""Directions in which the planes hold a vertex this much less than in the best one leave it at the mean."""

RIM_WEIGHT = 4.0
"""How much an open rim holds a vertex beside the surface: a rim pulled in is scan lost."""

SLIVER_MM = 0.05
"""Width of the triangle that stands for a speck or hair of the scan that would vanish."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Groups of joined vertices: grid cell (k, 3), quadrics (k, 11), vertex sums (k, 4), still joinable (k,)."""

    cells: Ints
    quadrics: Floats
    sums: Floats
    live: Bools


def thin(mesh: MeshArrays, most: int) -> MeshArrays:
    """Return a surface of some `most` triangles at most near a mesh (vertices (n, 3) mm, triangles (m, 3)).

    Nothing of the mesh is lost: what would shrink to a line or point stays as a sliver. A closed mesh stays closed in
    the sense that every turn round a point keeps its count. `distance_bound` says how near it is.
    """
    vertices, faces = mesh
    if len(faces) <= most:
        return mesh
    middle = vertices.mean(axis=0)
    joined, of_vertex = _finest(vertices - middle, faces, most)
    fine = distinct(np.sort(of_vertex[faces], axis=1), len(joined.cells))[0]
    edges = _edges(fine, len(joined.cells))
    low, high = -12.0, np.log2(float(np.ptp(vertices, axis=0).max()))
    best = None
    for _ in range(TRIALS):
        trial = (low + high) / 2
        places, of_cell = _coarser(joined, edges, 2.0**trial)
        if _count(of_cell[fine]) <= most:
            high, best = trial, (places, of_cell)
        else:
            low = trial
    if best is None:
        best = _coarser(joined, edges, np.inf)
    places, of_cell = best
    return _collapsed(places + middle, of_cell[of_vertex][faces])


def _count(faces: Faces) -> int:
    low, mid, high = np.sort(faces, axis=1).T
    whole = (low != mid) & (mid != high)
    return len(distinct(np.column_stack([low, mid, high])[whole], int(faces.max()) + 1)[0])


def distinct(rows: Faces, count: int) -> tuple[Faces, Ints, Ints]:
    """Return the distinct rows (k, 2 or 3) of indices below `count`, where each first stands, and which each row is."""
    key = rows[:, 0] * np.int64(count) + rows[:, 1]
    if rows.shape[1] == 3:
        key = np.unique(key, return_inverse=True)[1].reshape(-1) * np.int64(count) + rows[:, 2]
    _, first, of = np.unique(key, return_index=True, return_inverse=True)
    return rows[first], first, of.reshape(-1)


def _edges(faces: Faces, count: int) -> Faces:
    """Return the distinct edges (e, 2) of triangles whose indices rise along each row."""
    edges = faces[:, [[0, 1], [1, 2], [0, 2]]].reshape(-1, 2)
    return distinct(edges[edges[:, 0] != edges[:, 1]], count)[0]


def _finest(vertices: Points3, faces: Faces, most: int) -> tuple[Cells, Ints]:
    """Return the finest groups and each vertex's group."""
    corners = vertices[faces]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    size = float(np.sqrt(area.sum() / (CELLS_PER_TRIANGLE * most)))
    cell = np.floor((vertices - vertices.min(axis=0)) / max(size, 1e-9)).astype(np.int64)
    edges = faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    near = edges[(cell[edges[:, 0]] == cell[edges[:, 1]]).all(axis=1)]
    count, group = _components(near, len(vertices))
    group = group.astype(np.int64)
    cells = np.zeros((count, 3), dtype=np.int64)
    cells[group] = cell
    sums = np.column_stack(
        [np.bincount(group, minlength=count)]
        + [np.bincount(group, weights=vertices[:, k], minlength=count) for k in range(3)]
    )
    quadrics = _face_quadrics(corners, area, group[faces], count)
    quadrics += _rim_quadrics(vertices, faces, group, count, size)
    return Cells(cells, quadrics, sums.astype(np.float64), np.ones(count, dtype=bool)), group


def _components(edges: Faces, count: int) -> tuple[int, Ints]:
    ones = np.ones(len(edges), dtype=np.int8)
    found: tuple[int, Ints] = connected_components(
        coo_array((ones, (edges[:, 0], edges[:, 1])), shape=(count, count)), directed=False
    )
    return found


def _plane_rows(normals: Points3, levels: Floats, weights: Floats) -> Floats:
    """Return quadrics (n, 11) of planes: six of n n', three of n d, d², weight; all times the weight."""
    x, y, z = normals.T
    return (
        np.column_stack(
            [
                x * x,
                x * y,
                x * z,
                y * y,
                y * z,
                z * z,
                x * levels,
                y * levels,
                z * levels,
                levels**2,
                x * 0 + 1,
            ]
        )
        * weights[:, None]
    )


def _summed(rows: Floats, group: Ints, count: int) -> Floats:
    return np.column_stack(
        [np.bincount(group, weights=rows[:, k], minlength=count) for k in range(rows.shape[1])]
    )


def _face_quadrics(corners: Floats, area: Floats, groups: Faces, count: int) -> Floats:
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(2 * area, 1e-300)[:, None]
    rows = _plane_rows(normals, (normals * corners[:, 0]).sum(axis=1), area / 3)
    return sum((_summed(rows, groups[:, k], count) for k in range(3)), np.zeros((count, 11)))


def _rim_quadrics(vertices: Points3, faces: Faces, group: Ints, count: int, size: float) -> Floats:
    """Return the quadrics of the upright planes through the edges that only one triangle has."""
    edges, owner, _ = rim_edges(faces, len(vertices))
    if not len(edges):
        return np.zeros((count, 11))
    a, b = vertices[edges[:, 0]], vertices[edges[:, 1]]
    corners = vertices[faces[owner]]
    up = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    out = np.cross(b - a, up)
    out /= np.maximum(np.linalg.norm(out, axis=1), 1e-300)[:, None]
    weights = RIM_WEIGHT * size * np.linalg.norm(b - a, axis=1)
    rows = _plane_rows(out, (out * a).sum(axis=1), weights / 2)
    return _summed(rows, group[edges[:, 0]], count) + _summed(rows, group[edges[:, 1]], count)


def rim_edges(faces: Faces, count: int) -> tuple[Faces, Ints, Ints]:
    """Return the directed edges (e, 2) not met once by their opposite, their triangles (e,) and sides (e,)."""
    a, b = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.minimum(a, b) * np.int64(count) + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    first = np.flatnonzero(np.r_[True, np.diff(key[order]) != 0])
    size = np.diff(np.r_[first, len(key)])
    mate = order[np.minimum(first + 1, len(key) - 1)]
    good = (size == 2) & (a[order[first]] == b[mate])
    at = np.sort(order[np.repeat(~good, size)])
    return np.column_stack([a[at], b[at]]), at // 3, at % 3


def _coarser(fine: Cells, edges: Faces, tolerance: float) -> tuple[Points3, Ints]:
    """Return the places of the groups left after joining within a tolerance (mm), and each finest group's."""
    now, of_fine = fine, np.arange(len(fine.cells), dtype=np.int64)
    for _ in range(DOUBLINGS):
        now, label = _joined(now, edges, tolerance)
        of_fine = label[of_fine]
        edges = label[edges]
        edges = edges[edges[:, 0] != edges[:, 1]]
        if not now.live.any():
            break
    return _best_places(now.quadrics, now.sums)[0], of_fine


def _joined(now: Cells, edges: Faces, tolerance: float) -> tuple[Cells, Ints]:
    """Join connected groups of one coarser cell where one place serves all; the others are done."""
    parent = now.cells >> 1
    a, b = edges.T
    together = now.live[a] & now.live[b] & (parent[a] == parent[b]).all(axis=1)
    count, part = _components(edges[together], len(parent))
    quadrics, sums = _summed(now.quadrics, part, count), _summed(now.sums, part, count)
    joins = np.zeros(count, dtype=bool)
    joins[part[now.live]] = True
    joins[joins] = _best_places(quadrics[joins], sums[joins])[1] <= tolerance
    key = np.where(joins[part], part, count + np.arange(len(part)))
    _, first, label = np.unique(key, return_index=True, return_inverse=True)
    label = label.reshape(-1).astype(np.int64)
    size = len(first)
    return Cells(
        parent[first], _summed(now.quadrics, label, size), _summed(now.sums, label, size), joins[part][first]
    ), label


def _best_places(quadrics: Floats, sums: Floats) -> tuple[Points3, Floats]:
    """Return for each group the place (k, 3) nearest to its planes, and its rms distance (k,) from them."""
    a = quadrics[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    b, c, weight = quadrics[:, 6:9], quadrics[:, 9], np.maximum(quadrics[:, 10], 1e-300)
    mean = sums[:, 1:] / sums[:, :1]
    values, axes = np.linalg.eigh(a)
    held = values > LEAST_SHARE * np.maximum(values[:, 2:], 1e-300)
    pull = np.einsum("kji,kj->ki", axes, b - np.einsum("kij,kj->ki", a, mean))  # k: group, i j: axes
    step = np.where(held, pull / np.where(held, values, 1.0), 0.0)
    places = mean + np.einsum("kij,kj->ki", axes, step)
    square = (places * np.einsum("kij,kj->ki", a, places)).sum(axis=1) - 2 * (places * b).sum(axis=1) + c
    return places, np.sqrt(np.maximum(square / weight, 0.0))


# --- what is left --------------------------------------------------------------------------------------------


def _collapsed(places: Points3, faces: Faces) -> MeshArrays:
    """Return the triangles that are left, each place's turns kept, and slivers for what became a line or point."""
    a, b, c = faces.T
    whole = (a != b) & (b != c) & (c != a)
    kept = _net(faces[whole])
    edges, points = _lost(faces[~whole], kept, len(places))
    ends = [(e[0], e[1], places[e].mean(axis=0)) for e in edges]
    slivers = [_sliver(places[i], places[j], middle) for i, j, middle in ends]
    slivers += [
        _sliver(places[i] - [SLIVER_MM, 0, 0], places[i] + [SLIVER_MM, 0, 0], places[i]) for i in points
    ]
    extra = np.concatenate(slivers) if slivers else np.zeros((0, 3))
    first = np.arange(len(places), len(places) + len(extra), dtype=np.int64).reshape(-1, 3)
    both = np.concatenate([first, first[:, ::-1]])  # two sides, no volume
    return _used(np.vstack([places, extra]), np.vstack([kept, both]))


def _net(faces: Faces) -> Faces:
    """Return triangles with equal ones counted and opposite ones taken off each other; at nought both sides stay."""
    turn = faces.argmin(axis=1)
    at = (turn[:, None] + np.arange(3)) % 3
    ordered = np.take_along_axis(faces, at, axis=1)
    flip = ordered[:, 1] > ordered[:, 2]
    plain = np.where(flip[:, None], ordered[:, [0, 2, 1]], ordered)
    rows, _, of = distinct(plain, int(faces.max(initial=0)) + 1)
    net = np.bincount(of, weights=np.where(flip, -1.0, 1.0), minlength=len(rows)).astype(np.int64)
    ahead = np.repeat(rows, np.maximum(net, net == 0), axis=0)
    behind = np.repeat(rows[:, [0, 2, 1]], np.maximum(-net, net == 0), axis=0)
    return np.vstack([ahead, behind])


def _lost(lines: Faces, kept: Faces, count: int) -> tuple[Faces, Ints]:
    """Return the edges (e, 2) and points that shrunken triangles became and no kept triangle has."""

    def keys(pairs: Faces) -> Ints:
        return pairs.min(axis=1) * np.int64(count) + pairs.max(axis=1)

    low, high = lines.min(axis=1), lines.max(axis=1)
    pairs = np.unique(keys(np.column_stack([low, high])[low != high]))
    held = keys(kept[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2))
    pairs = pairs[~np.isin(pairs, held)]
    edges = np.column_stack([pairs // count, pairs % count])
    points = np.unique(low[low == high])
    used = np.concatenate([kept.ravel(), edges.ravel()])
    return edges, points[~np.isin(points, used)]


def _sliver(start: Floats, end: Floats, middle: Floats) -> Points3:
    along = end - start
    helper = np.eye(3)[int(np.abs(along).argmin())]
    side = np.cross(along, helper)
    return np.array([start, end, middle + SLIVER_MM * side / max(float(np.linalg.norm(side)), 1e-300)])


def _used(vertices: Points3, faces: Faces) -> MeshArrays:
    keep = np.zeros(len(vertices), dtype=bool)
    keep[faces] = True
    return vertices[keep], (np.cumsum(keep) - 1)[faces]
