"""How far a scan lies from the surface that stands for it: a bound from above, never an estimate."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from elbowroom.recon.scans.thinning import distinct
from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.arrays import Floats, Ints, Points3

SAMPLES = 100_000
"""Points spread over the surface to find the triangles near a place."""

AT_ONCE = 100_000
"""Triangles worked on together, to bound memory."""

NEIGHBOURS = 4
"""Nearest samples whose triangles are tried for what decides the bound at first sight."""

AGAIN = (8, 8, 8, 16, 32)
"""And for the parts of what is then split in four, and again: what straddles a crease of the surface."""

FIRST = 2000
"""Triangles that look farthest at first sight: how far they truly are is what no bound can go below."""

WORTH_MM, WORTH_SHARE = 0.1, 0.05
"""The bound may be this much above the true distance, mm and share of it: more work gains nothing for a plate."""


def distance_bound(mesh: MeshArrays, surface: MeshArrays) -> float:
    """Return a distance (mm) that no point of a mesh is further than from a surface.

    The distance to one triangle is convex, so over a small triangle it is largest at a corner; the least of that over
    several triangles of the surface bounds it. Whatever triangles are tried, it is a bound; trying near ones makes it
    tight. Where small triangles straddle a crease they are split.
    """
    search = Search(surface)
    corners = mesh[0][mesh[1]]
    bounds = np.concatenate(
        [search.bounds(corners[i : i + AT_ONCE], 1) for i in range(0, len(corners), AT_ONCE)] or [np.zeros(0)]
    )
    return _settled(corners, bounds, search)


def patched(mesh: MeshArrays, surface: MeshArrays, most: int) -> MeshArrays:
    """Return a surface with those triangles of a mesh added that lie farthest from it, `most` or fewer.

    A few hairs, specks and creases would else set how far all of it is off. Each is added with both its sides.
    """
    search = Search(surface)
    pieces = [mesh[0][i : i + AT_ONCE] for i in range(0, len(mesh[0]), AT_ONCE)]
    away = np.concatenate([search.distances(p, NEIGHBOURS) for p in pieces])[mesh[1]].max(axis=1)
    worst = np.argsort(-away)[:most]
    extra = mesh[1][worst[away[worst] > WORTH_MM]]
    used = np.unique(extra)
    own = np.searchsorted(used, extra) + len(surface[0])
    return np.vstack([surface[0], mesh[0][used]]), np.vstack([surface[1], own, own[:, ::-1]])


def _settled(corners: Floats, bounds: Floats, search: Search) -> float:
    """Try harder on what decides the bound, then split it, until that could gain nothing worth the time."""
    sure = 0.0
    for count in (NEIGHBOURS, *AGAIN):
        worst = np.argsort(-bounds)[:FIRST]
        sure = max(sure, search.least(corners[worst]))
        enough = sure + max(WORTH_MM, WORTH_SHARE * sure)
        keep = bounds > enough
        if not keep.any():
            return enough
        bounds, corners = bounds[keep], corners[keep]
        if count != NEIGHBOURS:
            bounds, corners = np.tile(bounds, 4), _split(corners)
        step = AT_ONCE // count
        for i in range(0, len(corners), step):
            part = slice(i, i + step)
            bounds[part] = np.minimum(bounds[part], search.bounds(corners[part], count))
    return max(enough, float(bounds.max()))


def _split(corners: Floats) -> Floats:
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    parts = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.concatenate([np.stack(p, axis=1) for p in parts])


class Search:
    """Finds triangles of a surface near a place, by samples spread over it."""

    def __init__(self, surface: MeshArrays) -> None:
        once = distinct(np.sort(surface[1], axis=1), len(surface[0]))[1]  # two sides are one place
        self.triangles = surface[0][surface[1][once]]
        samples, self.owner = spread_samples(self.triangles, SAMPLES)
        self.tree = cKDTree(samples)

    def bounds(self, corners: Floats, count: int) -> Floats:
        """Return the bound (k,) of triangles (k, 3, 3) from the `count` samples nearest to their middles."""
        found = self.tree.query(corners.mean(axis=1), k=min(count, len(self.owner)))[1].reshape(
            len(corners), -1
        )
        best = np.full(len(corners), np.inf)
        for column in self.owner[found].T:
            best = np.minimum(best, self._farthest(corners, self.triangles[column]))
        return best

    def least(self, corners: Floats) -> float:
        """Return about how far the farthest corner truly is: what no bound can go below."""
        return float(self.distances(corners.reshape(-1, 3), 16).max(initial=0.0))

    def distances(self, points: Points3, count: int) -> Floats:
        """Return the distance (n,) of points from the nearest of the triangles that `count` samples are on."""
        found = self.tree.query(points, k=min(count, len(self.owner)))[1].reshape(len(points), -1)
        best = np.full(len(points), np.inf)
        for column in self.owner[found].T:
            best = np.minimum(best, point_triangle_distances(points, self.triangles[column]))
        return best

    def _farthest(self, corners: Floats, triangles: Floats) -> Floats:
        return np.max([point_triangle_distances(corners[:, k], triangles) for k in range(3)], axis=0)


def spread_samples(triangles: Floats, count: int) -> tuple[Points3, Ints]:
    """Return points spread evenly over triangles (m, 3, 3), at least one on each, and whose they are."""
    sides = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    area = np.linalg.norm(sides, axis=1)
    each = np.ceil(count * area / max(float(area.sum()), 1e-300)).astype(np.int64).clip(1)
    owner = np.repeat(np.arange(len(triangles)), each)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(each) - each, each)
    u, v = (nth + 0.5) / each[owner], (nth * 0.6180339887498949 + 0.5) % 1.0  # golden ratio: even in both
    root = np.sqrt(u)
    weights = np.column_stack([1 - root, root * (1 - v), root * v])
    return np.einsum("nk,nkj->nj", weights, triangles[owner]), owner  # n: sample, k: corner, j: axis


def point_triangle_distances(points: Points3, triangles: Floats) -> Floats:
    """Return the distance (n,) of each point (n, 3) from its triangle (n, 3, 3); slivers and lines too."""
    p = np.ascontiguousarray(points.T)  # coordinates first: several times faster on long arrays
    a, b, c = np.ascontiguousarray(triangles.transpose(1, 2, 0))
    normal = _cross(b - a, c - a)
    size = _dot(normal, normal)
    inside = size > 0
    square = np.full(len(points), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        along, off = end - start, p - start
        length = _dot(along, along)
        share = np.clip(_dot(off, along) / np.where(length > 0, length, 1.0), 0.0, 1.0)
        inside &= _dot(_cross(along, off), normal) >= 0
        off -= share * along
        square = np.minimum(square, _dot(off, off))
    plane = _dot(p - a, normal) ** 2 / np.where(size > 0, size, 1.0)
    return np.sqrt(np.where(inside, np.minimum(plane, square), square))


def _dot(u: Floats, v: Floats) -> Floats:
    return u[0] * v[0] + u[1] * v[1] + u[2] * v[2]


def _cross(u: Floats, v: Floats) -> Floats:
    return np.stack([u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]])
