"""Ways for webs between pads: shortest paths that keep half a web from every blocker, and trees of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from elbowroom.fit.pads import Pad
from elbowroom.shared.arrays import Floats, Points2

PLAN_MARGIN_MM = 0.02
"""Webs keep this much more than they must, so that bands pulled taut round them stay apart from the blockers."""

PLANS_MM = ((1.5, 0.25), (0.4, 0.1), (PLAN_MARGIN_MM, 0.01))
"""Margin and chord tried in turn: webs planned with room to spare leave room for fewer and larger arcs. Blockers are
simplified outward by the chord."""

INSIDE_MM = 1e-6
"""Lines that touch a blocker's grown edge are free; those that go this deep are not."""

ANCHOR_COST = 1e-3
"""Moving between anchors of one pad costs this share of the distance: the pad is there anyway."""

Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class Web:
    """A way between two pads (their indices): points (k, 2) mm, first and last being anchors."""

    pads: tuple[int, int]
    points: Points2
    length: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Roadmap:
    """Nodes (n, 2): the anchors of all pads, then corners of the grown blockers; free straight ways between them."""

    nodes: Points2
    pad_of: Rows
    ends: Rows
    costs: Floats
    grown: shapely.Geometry
    closed: list[shapely.LineString] = field(default_factory=list)


def roadmap(
    pads: Sequence[Pad], blockers: shapely.Geometry, web_mm: float, plan_mm: tuple[float, float]
) -> Roadmap:
    """Return the straight ways along which the middle of a web can run: anchors, and tangents of grown blockers."""
    grown = grown_blockers(blockers, 0.5 * web_mm + plan_mm[0], plan_mm[1])
    corners, before, after = _outer_corners(grown)
    anchors = np.vstack([p.anchors for p in pads])
    pad_of = np.repeat(np.arange(len(pads)), [len(p.anchors) for p in pads])
    nodes = np.vstack([anchors, corners])
    owner = np.r_[pad_of, np.full(len(corners), -1)]
    ends = _candidate_pairs(nodes, len(anchors), before, after)
    same = (owner[ends[:, 0]] == owner[ends[:, 1]]) & (owner[ends[:, 0]] >= 0)
    lines = shapely.linestrings(nodes[ends])
    shrunk = shapely.buffer(grown, -INSIDE_MM)
    shapely.prepare(shrunk)
    keep = same | ~shapely.intersects(shrunk, lines)
    ends, same = ends[keep], same[keep]
    costs = np.hypot(*(nodes[ends[:, 0]] - nodes[ends[:, 1]]).T) * np.where(same, ANCHOR_COST, 1.0)
    return Roadmap(nodes=nodes, pad_of=owner, ends=ends, costs=costs + 1e-9, grown=grown)


def grown_blockers(blockers: shapely.Geometry, by: float, chord_mm: float) -> shapely.Geometry:
    """Return blockers grown by `by`, with few corners, none nearer to a blocker than `by`."""
    outer = shapely.buffer(blockers, (by + chord_mm) / np.cos(np.pi / 96), quad_segs=24)
    return shapely.simplify(outer, chord_mm)


def joined(pads: Sequence[Pad], blockers: shapely.Geometry, web_mm: float, bounds: shapely.Geometry) -> bool:
    """Say whether webs can join all pads: one piece of the free space holds an anchor of each."""
    return bool(frozenset.intersection(*groups_joined(pads, blockers, web_mm, bounds)))


def groups_joined(
    pads: Sequence[Pad], blockers: shapely.Geometry, web_mm: float, bounds: shapely.Geometry
) -> list[frozenset[int]]:
    """Return for each pad the pieces of free space, shrunk by half a web, that hold an anchor of it."""
    grown = shapely.buffer(blockers, 0.5 * web_mm + PLAN_MARGIN_MM, quad_segs=24)
    rooms = shapely.get_parts(shapely.difference(bounds, grown))
    return [
        frozenset(
            int(k)
            for k in np.flatnonzero(shapely.dwithin(rooms, shapely.multipoints(p.anchors), PLAN_MARGIN_MM))
        )
        for p in pads
    ]


def _outer_corners(shape: shapely.Geometry) -> tuple[Points2, Points2, Points2]:
    """Return the corners of polygons that stick out of them, with their neighbours."""
    rows: list[Floats] = []
    for polygon in shapely.get_parts(shapely.orient_polygons(shape)):
        for ring in (polygon.exterior, *polygon.interiors):
            p = np.array(ring.coords)[:-1]
            a, b = np.roll(p, 1, axis=0), np.roll(p, -1, axis=0)
            out = (p[:, 0] - a[:, 0]) * (b[:, 1] - p[:, 1]) - (p[:, 1] - a[:, 1]) * (b[:, 0] - p[:, 0]) > 0
            rows.append(np.stack([p[out], a[out], b[out]]))
    found = np.concatenate(rows, axis=1) if rows else np.zeros((3, 0, 2))
    return found[0], found[1], found[2]


def _candidate_pairs(nodes: Points2, anchors: int, before: Points2, after: Points2) -> Rows:
    """Return pairs (k, 2) of nodes a taut path may join: at a corner the line must pass it on the outside."""
    n = len(nodes)
    tangent = np.ones((n, n), dtype=bool)
    corner = nodes[anchors:]
    ray = nodes[None] - corner[:, None]
    one = _cross(ray, (before - corner)[:, None])
    two = _cross(ray, (after - corner)[:, None])
    tangent[anchors:] = one * two >= -1e-9
    pairs = np.argwhere(np.triu(tangent & tangent.T, 1))
    return pairs


def _cross(a: Floats, b: Floats) -> Floats:
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def all_webs(road: Roadmap, count: int, gates: Sequence[shapely.LineString] = ()) -> list[Web]:
    """Return the shortest web between every two pads that can be joined, crossing no gate."""
    free = np.ones(len(road.ends), dtype=bool)
    if gates:
        lines = shapely.linestrings(road.nodes[road.ends])
        free &= ~shapely.intersects(shapely.union_all(list(gates)), lines)
    n = len(road.nodes)
    ends, costs = road.ends[free], road.costs[free]
    graph = coo_array((costs, (ends[:, 0], ends[:, 1])), shape=(n, n)).tocsr()
    firsts = np.array([int(np.flatnonzero(road.pad_of == i)[0]) for i in range(count)])
    far, came = dijkstra(graph, directed=False, indices=firsts, return_predecessors=True)
    webs = []
    for i in range(count):
        for j in range(i + 1, count):
            if np.isfinite(far[i, firsts[j]]):
                points = road.nodes[_trim(_trace(came[i], firsts[j]), road.pad_of, i, j)]
                length = float(np.hypot(*np.diff(points, axis=0).T).sum())
                webs.append(Web(pads=(i, j), points=points, length=length))
    return webs


def _trace(came: Rows, last: int) -> list[int]:
    path = [last]
    while came[path[-1]] >= 0:
        path.append(int(came[path[-1]]))
    return path[::-1]


def _trim(path: list[int], pad_of: Rows, first: int, last: int) -> list[int]:
    """Drop what runs within the first and last pad."""
    start = max(k for k, p in enumerate(path) if pad_of[p] == first)
    stop = min(k for k, p in enumerate(path) if pad_of[p] == last and k > start)
    return path[start : stop + 1]


def tree(webs: Sequence[Web], count: int, without: frozenset[tuple[int, int]] = frozenset()) -> list[Web]:
    """Return the shortest tree of webs over all pads (Kruskal's), or as much of one as there is."""
    group = list(range(count))
    chosen = []
    for web in sorted(webs, key=lambda w: w.length):
        a, b = group[web.pads[0]], group[web.pads[1]]
        if a != b and web.pads not in without:
            chosen.append(web)
            group = [a if g == b else g for g in group]
    return chosen


def gate_at(web: Web, road: Roadmap, reach: float) -> shapely.LineString | None:
    """Return a line that shuts the side of the blocker a web bends round, so that the next search goes the other way."""
    points = web.points
    if len(points) < 3:
        return None
    step = np.diff(points, axis=0)
    turn = np.abs(np.arctan2(_cross(step[:-1], step[1:]), (step[:-1] * step[1:]).sum(axis=1)))
    k = int(turn.argmax()) + 1
    inward = step[k] / np.linalg.norm(step[k]) - step[k - 1] / np.linalg.norm(step[k - 1])
    size = float(np.linalg.norm(inward))
    if size < 1e-9:
        return None
    return shapely.LineString([points[k] + 1e-3 * inward / size, points[k] - reach * inward / size])
