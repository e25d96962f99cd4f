"""Closed solids that stand for a scan: a thin shell on open triangles, convex boxes round points."""

from __future__ import annotations

import heapq
from itertools import count

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from elbowroom.recon.scans.thinning import distinct, rim_edges
from elbowroom.recon.solids import MeshArrays, box_between
from elbowroom.shared.arrays import Faces, Floats, Ints, Points3

SHELL_MM = 0.02
"""Half the shell's thickness: enough for two sides apart, far below what any scan resolves."""

FLAT_MM = 0.3
"""Points in a box no thicker than this are flat: cutting it further gains nothing."""

LONG_SHARE = 0.05
"""A box's length counts this much beside its thickness: long boxes bridge holes."""

LEAST_HALF_MM = 0.05
"""Least half side of a box round points: those of one plane still make a closed solid."""

SPACING_SHARE = 0.99
"""Share of the points whose third neighbour is no further than the pitch: a square grid's rim has three at its pitch."""

SPACING_SAMPLE = 20_000
"""Points whose neighbours are looked at for the pitch."""


def is_closed(mesh: MeshArrays) -> bool:
    """Say whether every directed edge of a mesh is met once by its opposite."""
    return len(mesh[1]) > 0 and not len(rim_edges(mesh[1], len(mesh[0]))[0])


def volume_of(mesh: MeshArrays) -> float:
    """Return a closed mesh's volume mm³, positive when its faces look outward (divergence theorem)."""
    a, b, c = (mesh[0][mesh[1][:, k]] - mesh[0].mean(axis=0) for k in range(3))
    return float((a * np.cross(b, c)).sum() / 6)


def shell_on(mesh: MeshArrays) -> MeshArrays:
    """Return a closed shell with the triangles of an open mesh in its middle, `SHELL_MM` to either side.

    Sheets that meet in one edge or corner are parted there, so that the shell is closed whatever the triangles are.
    """
    vertices, faces = mesh
    faces = faces[distinct(np.sort(faces, axis=1), len(vertices))[1]]
    _, owner, side = rim_edges(faces, len(vertices))
    label = _fans(faces, len(vertices), owner * 3 + side)
    places = np.zeros((int(label.max()) + 1, 3))
    places[label] = vertices[faces.ravel()]
    corners = label.reshape(-1, 3)
    a, b, c = (places[corners[:, k]] for k in range(3))
    normals = np.zeros_like(places)
    for k in range(3):
        np.add.at(normals, corners[:, k], np.cross(b - a, c - a))
    size = np.linalg.norm(normals, axis=1)
    normals = np.where(size[:, None] > 0, normals / np.where(size > 0, size, 1.0)[:, None], [0.0, 0.0, 1.0])
    n = len(places)
    start, end = corners[owner, side], corners[owner, (side + 1) % 3]
    walls = [np.column_stack([start, start + n, end + n]), np.column_stack([start, end + n, end])]
    sides = np.vstack([corners, corners[:, ::-1] + n, *walls])
    return np.vstack([places + SHELL_MM * normals, places - SHELL_MM * normals]), sides


def _fans(faces: Faces, vertices: int, rims: Ints) -> Ints:
    """Return a number for each corner (3m,): equal when triangles round a vertex hang together by proper edges."""
    at = np.arange(3 * len(faces))
    a, b = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    proper = np.ones(len(at), dtype=bool)
    proper[rims] = False
    key = np.minimum(a, b)[proper] * np.int64(vertices) + np.maximum(a, b)[proper]
    pairs = at[proper][np.argsort(key, kind="stable")].reshape(-1, 2)
    nxt = at - at % 3 + (at + 1) % 3
    one = np.concatenate([pairs[:, 0], nxt[pairs[:, 0]]])  # the edge's start here is its end over there
    other = np.concatenate([nxt[pairs[:, 1]], pairs[:, 1]])
    graph = coo_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(len(at), len(at)))
    label: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return label


# --- points --------------------------------------------------------------------------------------------------


def point_spacing(points: Points3) -> float:
    """Return the pitch (mm) of points (n, 3): what `SPACING_SHARE` of their third neighbours are within."""
    step = max(1, len(points) // SPACING_SAMPLE)
    away = cKDTree(points).query(points[::step], k=min(4, len(points)))[0][:, -1]
    return float(np.quantile(away, SPACING_SHARE))


def boxes_round(points: Points3, most: int) -> MeshArrays:
    """Return closed boxes, as one mesh of many shells, that hold all points (n, 3) mm, `most` of them or fewer.

    The worst box, thick or long, is cut in two across its length until none is worth cutting or there are `most`.
    """
    ticket = count()  # keeps equal boxes from being compared further
    heap = [_entry(points, next(ticket))]
    done: list[tuple[Floats, Floats, Floats]] = []
    while heap and len(heap) + len(done) < most:
        _, _, inside, axes, low, high = heapq.heappop(heap)
        if high[0] - low[0] <= FLAT_MM:
            done.append((axes, low, high))
            continue
        along = inside @ axes[:, 0]
        left = along <= np.median(along)
        left = left if not left.all() else along < along.max()
        if left.any() and not left.all():
            heap += [_entry(inside[left], next(ticket)), _entry(inside[~left], next(ticket))]
            heapq.heapify(heap)
        else:
            done.append((axes, low, high))
    done += [entry[3:] for entry in heap]
    return _boxes(done)


Entry = tuple[float, int, Points3, Floats, Floats, Floats]


def _entry(points: Points3, ticket: int) -> Entry:
    """Return a heap entry: badness (least first), ticket, points, axes as columns (longest first), low and high."""
    middle = points.mean(axis=0)
    axes = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, ::-1]
    low, high = (points @ axes).min(axis=0), (points @ axes).max(axis=0)
    order = np.argsort(low - high)
    axes, low, high = axes[:, order], low[order], high[order]
    thick, long = high[2] - low[2], high[0] - low[0]
    bad = LONG_SHARE * long + (thick if thick > FLAT_MM else 0.0)
    return -float(bad), ticket, points, axes, low, high


def _boxes(boxes: list[tuple[Floats, Floats, Floats]]) -> MeshArrays:
    meshes = []
    for axes, low, high in boxes:
        half = np.maximum((high - low) / 2, LEAST_HALF_MM)
        meshes.append(box_between(axes @ ((low + high) / 2 - half), axes * (2 * half)))
    firsts = 8 * np.arange(len(meshes))
    return np.vstack([v for v, _ in meshes]), np.vstack(
        [f + k for (_, f), k in zip(meshes, firsts, strict=True)]
    )
