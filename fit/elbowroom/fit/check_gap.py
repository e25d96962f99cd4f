"""The least distance between a plate's solid and a mesh in one pose.

Nodes of the mesh's tree that can't hold the nearest point are left out: the distance to the plate changes by no more
than one moves, so a ball's distance is known from its centre, and a box lies no nearer than its lowest point above
the plate. For the triangles left, the nearest pair is a mesh corner and the plate (exact), a plate corner and a
triangle, or an edge of each; edges through faces are contact.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from elbowroom.fit.check_closest import Flags, between_segments, dots, on_triangles, pierced, solid_angles
from elbowroom.fit.check_solid import PlateSolid
from elbowroom.fit.check_tree import MeshTree, Rows
from elbowroom.shared.arrays import Floats, Mat3, Points3

SLACK_MM = 0.0002
"""A triangle that could lower the gap by less than this is left out: with the chords' 0.0003 under 0.001 mm."""

TRIANGLES_AT_ONCE = 512
PAIRS_AT_ONCE = 60_000
"""Sizes of the batches worked on: some 100 MB at most, and each batch profits from the gap the last one found."""

DEPTH_STEPS = 12
"""A triangle in the steel is sampled this finely along each side to estimate how deep it goes."""


@dataclass(slots=True, eq=False)
class Gap:
    """The least signed distance so far, mm, and the two nearest points (3,) in the plate frame."""

    gap: float = np.inf
    at_plate: Floats = field(default_factory=lambda: np.zeros(3))
    at_mesh: Floats = field(default_factory=lambda: np.zeros(3))
    row: int = -1

    def take_pairs(self, on_plate: Points3, on_mesh: Points3, rows: Rows) -> None:
        """Keep the nearest of pairs of points (k, 3) when it is nearer than what there is."""
        if not len(rows):
            return
        away = dots(on_plate - on_mesh, on_plate - on_mesh)
        k = int(np.argmin(away))
        self.take(float(np.sqrt(away[k])), on_plate[k], on_mesh[k], int(rows[k]))

    def take(self, gap: float, on_plate: Floats, on_mesh: Floats, row: int) -> None:
        """Keep a pair of points (3,) when nearer than what there is."""
        if gap < self.gap:
            self.gap, self.at_plate, self.at_mesh, self.row = gap, on_plate, on_mesh, row


def least_gap(solid: PlateSolid, tree: MeshTree, rotation: Mat3, shift: Floats, hint: int = -1) -> Gap:
    """Return the least distance from the plate to the mesh, negative (a depth) where they overlap.

    Right to 0.0005 mm when positive; negative figures are estimates of the depth. A plate wholly inside a closed
    mesh is not seen here (`swallowed`).

    Parameters
    ----------
    solid : PlateSolid
        Plate frame.
    tree : MeshTree
        In its own frame.
    rotation, shift : Mat3, Floats
        Tree frame to plate frame.
    hint : int
        A triangle likely to be nearest (that of a neighbouring pose); -1 for none.
    """
    best = Gap()
    first = hint if hint >= 0 else _descend(solid, tree, rotation, shift)
    _corners(solid, tree.triangles[[first]] @ rotation.T + shift, np.array([first]), best)
    rows, least = _near_triangles(solid, tree, rotation, shift, best.gap)
    order = np.argsort(least)
    rows, least = rows[order], least[order]
    for k in range(0, len(rows), TRIANGLES_AT_ONCE):
        part = slice(k, k + TRIANGLES_AT_ONCE)
        if least[k] > _worth(best.gap):
            break
        _batch(solid, tree.triangles[rows[part]] @ rotation.T + shift, rows[part], least[part], best)
    return best


def swallowed(solid: PlateSolid, tree: MeshTree, rotation: Mat3, shift: Floats, found: Gap) -> Gap:
    """Return the gap found, made negative when the plate lies wholly inside one of the tree's closed meshes."""
    if found.gap <= 0:
        return found
    point = (solid.corner() - shift) @ rotation
    root = tree.levels[-1]
    if (np.abs(point - root.centres[0]) > root.halves[0]).any():
        return found
    turns = np.bincount(tree.parts, weights=solid_angles(point, tree.triangles))
    if np.abs(turns).max() < 0.5:
        return found
    return Gap(-found.gap, found.at_plate, found.at_mesh, found.row)


def _descend(solid: PlateSolid, tree: MeshTree, rotation: Mat3, shift: Floats) -> int:
    """Return a triangle that is probably near: the best child at every level."""
    node = np.array([0])
    for level in range(len(tree.levels) - 1, 0, -1):
        below = tree.children(node, level)
        part = tree.levels[level - 1]
        gaps = solid.signed(part.centres[below] @ rotation.T + shift) + part.radii[below]
        node = below[[int(np.argmin(gaps))]]
    return int(node[0])


def _near_triangles(
    solid: PlateSolid, tree: MeshTree, rotation: Mat3, shift: Floats, limit: float
) -> tuple[Rows, Floats]:
    """Return the triangles that may come nearer than `limit`, each with a bound its distance can't go below."""
    nodes, least = np.array([0]), np.array([-np.inf])
    for level in range(len(tree.levels) - 1, -1, -1):
        part = tree.levels[level]
        centres = part.centres[nodes] @ rotation.T + shift
        rise = part.halves[nodes] @ np.abs(rotation[2])
        least = np.maximum(centres[:, 2] - rise - solid.thickness, -centres[:, 2] - rise)
        low = least <= _worth(limit)
        nodes, centres, least = nodes[low], centres[low], least[low]
        if not len(nodes):
            break
        gaps = solid.signed(centres)
        limit = min(limit, float((gaps + part.radii[nodes]).min()))
        least = np.maximum(least, gaps - part.radii[nodes])
        keep = least <= limit
        nodes, least = nodes[keep], least[keep]
        if level:
            nodes = tree.children(nodes, level)
    return nodes, least


def _batch(solid: PlateSolid, triangles: Floats, rows: Rows, least: Floats, best: Gap) -> None:
    """Compare some triangles (k, 3, 3), plate frame, with the plate."""
    _corners(solid, triangles, rows, best)
    touching = least <= 0
    if touching.any():
        _cap_crossings(solid, triangles[touching], rows[touching], best)
    z = triangles[..., 2]
    least = np.maximum(least, np.maximum(z.min(axis=1) - solid.thickness, -z.max(axis=1)))
    open_ = np.flatnonzero(least <= _worth(best.gap))
    if len(open_):
        _edges(solid, triangles[open_], rows[open_], best)


def _corners(solid: PlateSolid, triangles: Floats, rows: Rows, best: Gap) -> None:
    points = triangles.reshape(-1, 3)
    gaps = solid.signed(points)
    k = int(np.argmin(gaps))
    if gaps[k] < best.gap:
        best.take(float(gaps[k]), solid.nearest(points[k]), points[k], int(rows[k // 3]))


def _cap_crossings(solid: PlateSolid, triangles: Floats, rows: Rows, best: Gap) -> None:
    """Look where triangle edges go through the plate's two faces."""
    a, b = triangles.reshape(-1, 3), np.roll(triangles, -1, axis=1).reshape(-1, 3)
    owner = np.repeat(rows, 3)
    for level in (0.0, solid.thickness):
        cut = np.flatnonzero((a[:, 2] - level) * (b[:, 2] - level) < 0)
        if not len(cut):
            continue
        t = (level - a[cut, 2]) / (b[cut, 2] - a[cut, 2])
        points = a[cut] + t[:, None] * (b[cut] - a[cut])
        points[:, 2] = level
        hit = np.flatnonzero(solid.signed(points) <= 0)
        for k in hit[:1]:
            best.take(0.0, points[k], points[k], int(owner[cut[k]]))
        _depths(solid, triangles[np.isin(rows, owner[cut[hit]])], best)


def _edges(solid: PlateSolid, triangles: Floats, rows: Rows, best: Gap) -> None:
    """Compare triangles with the plate's edges, first block by block, then chord by chord."""
    centres = (triangles.min(axis=1) + triangles.max(axis=1)) / 2
    reach = np.sqrt(((triangles - centres[:, None]) ** 2).sum(axis=2)).max(axis=1)
    flat = np.sqrt(((centres[:, None, :2] - solid.middles) ** 2).sum(axis=2))
    rise = np.maximum(0, np.maximum(-centres[:, 2], centres[:, 2] - solid.thickness))
    bound = np.hypot(np.maximum(flat - solid.reaches, 0), rise[:, None]) - reach[:, None]
    i, b = np.nonzero(bound <= best.gap)
    order = np.argsort(bound[i, b], kind="stable")
    i, b = i[order], b[order]
    for k in range(0, len(i), PAIRS_AT_ONCE):
        _blocks(solid, triangles, rows, i[k : k + PAIRS_AT_ONCE], b[k : k + PAIRS_AT_ONCE], best)


def _blocks(solid: PlateSolid, triangles: Floats, rows: Rows, i: Rows, b: Rows, best: Gap) -> None:
    """Compare triangles i with blocks b, nearest first, after dropping pairs too far apart."""
    bound = _column_distances(solid, triangles[i], solid.middles[b]) - solid.reaches[b]
    order = np.argsort(bound, kind="stable")
    order = order[bound[order] <= best.gap]
    i, b, bound = i[order], b[order], bound[order]
    start, step = 0, 256  # a small first batch finds nearly the least gap, most of the rest then drops out
    while start < len(i) and bound[start] <= _worth(best.gap):
        part = slice(start, start + step)
        counts = solid.firsts[b[part] + 1] - solid.firsts[b[part]]
        pair = np.repeat(i[part], counts)
        skip = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        chord = np.repeat(solid.firsts[b[part]], counts) + skip
        _chords(solid, triangles, rows, pair, chord, best)
        start, step = start + step, min(4 * step, PAIRS_AT_ONCE // 8)


def _column_distances(solid: PlateSolid, triangles: Floats, foot: Floats) -> Floats:
    """Return the distance from triangles (k, 3, 3) to the upright segments through the plate at `foot` (k, 2)."""
    p0, p1 = _lifted(foot, 0.0), _lifted(foot, solid.thickness)
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    square = np.minimum(_square(p0, on_triangles(p0, a, b, c)), _square(p1, on_triangles(p1, a, b, c)))
    for q, r in ((a, b), (b, c), (c, a)):
        square = np.minimum(square, _square(*between_segments(p0, p1, q, r)))
    return np.sqrt(np.where(pierced(p0, p1, a, b, c)[0], 0.0, square))


def _chords(solid: PlateSolid, triangles: Floats, rows: Rows, i: Rows, j: Rows, best: Gap) -> None:
    """Compare triangles i with the rim and the wall of chords j, pair by pair."""
    start, end = solid.starts[j], solid.ends[j]
    middle, half = (start + end) / 2, np.sqrt(((end - start) ** 2).sum(axis=1)) / 2
    if len(i) > 512:
        near = _column_distances(solid, triangles[i], middle) - half <= _worth(best.gap)
        i, start, end = i[near], start[near], end[near]
    tri, owner = triangles[i], rows[i]
    a, b, c = tri[:, 0], tri[:, 1], tri[:, 2]
    low, high = _lifted(start, 0.0), _lifted(start, solid.thickness)
    low_end, high_end = _lifted(end, 0.0), _lifted(end, solid.thickness)
    for corner in (low, high):
        best.take_pairs(corner, on_triangles(corner, a, b, c), owner)
    for p, q in ((low, low_end), (high, high_end), (low, high)):
        for r, s in ((a, b), (b, c), (c, a)):
            on_plate, on_mesh = between_segments(p, q, r, s)
            best.take_pairs(on_plate, on_mesh, owner)
        _contacts(solid, tri, owner, *pierced(p, q, a, b, c), best)
    for r, s in ((a, b), (b, c), (c, a)):
        for wall in ((low, low_end, high_end), (low, high_end, high)):
            _contacts(solid, tri, owner, *pierced(r, s, *wall), best)


def _contacts(solid: PlateSolid, tri: Floats, rows: Rows, hit: Flags, points: Points3, best: Gap) -> None:
    """Note where an edge goes through a face, and how deep the triangles concerned go."""
    where = np.flatnonzero(hit)
    if not len(where):
        return
    best.take(0.0, points[where[0]], points[where[0]], int(rows[where[0]]))
    _depths(solid, tri[where[:64]], best)


def _depths(solid: PlateSolid, triangles: Floats, best: Gap) -> None:
    """Sample triangles (k, 3, 3) for how deep they go into the steel."""
    if not len(triangles):
        return
    u, v = (g.ravel() / DEPTH_STEPS for g in np.mgrid[0 : DEPTH_STEPS + 1, 0 : DEPTH_STEPS + 1])
    u, v = u[u + v <= 1], v[u + v <= 1]
    weights = np.column_stack([u, v, 1 - u - v])
    points = np.einsum("sk,tkc->tsc", weights, triangles).reshape(-1, 3)  # s sample, t triangle, k corner
    gaps = solid.signed(points)
    k = int(np.argmin(gaps))
    if gaps[k] < best.gap:
        best.take(float(gaps[k]), solid.nearest(points[k]), points[k], best.row)


def _worth(gap: float) -> float:
    """Return the bound above which a triangle is not worth looking at when the gap is `gap` so far."""
    return max(gap - SLACK_MM, 0.0) if gap > 0 else gap


def _lifted(points: Floats, level: float) -> Points3:
    return np.column_stack([points, np.full(len(points), level)])


def _square(p: Points3, q: Points3) -> Floats:
    return dots(p - q, p - q)
