"""A band pulled taut round a shape: the shortest loop that keeps the shape inside and the blockers outside.

Where no blocker reaches into the shape's convex hull the loop is the hull. Each pocket between shape and hull that a
blocker enters is a simple polygon once islands have a way out, and the loop takes the shortest path through it.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from elbowroom.shared.arrays import Floats, Points2

SLIVER_MM2 = 1e-6
"""Pockets smaller than this are rounding between chords of one disc."""

TOUCH_MM = 1e-7
"""A blocker this near a pocket's mouth reaches out of it."""

BEYOND_MM = 5.0
"""Blockers are kept this far beyond a pocket's mouth: cut off at it they would leave slivers of no width."""

TURNS_DEG = (0.0, 15.0, -15.0, 30.0, -30.0, 45.0, -45.0, 60.0, -60.0, 75.0, -75.0)
"""Directions tried for a way out of a pocket, from square to its mouth."""

Triangles = list[tuple[int, int, int]]


def taut_loop(shape: Polygon, blockers: shapely.Geometry, narrow_mm: float) -> tuple[Points2, list[Polygon]]:
    """Return the taut loop (n, 2), counter-clockwise, and the ways out that were added to the blockers.

    Parameters
    ----------
    shape : Polygon
        What must stay inside, without holes, strictly apart from the blockers.
    blockers : Geometry
        What must stay outside.
    narrow_mm : float
        Least width of a notch.

    Raises
    ------
    ValueError
        When an island can't be given a way out; the caller takes another route.
    """
    hull = shapely.convex_hull(shape)
    loop = np.array(shapely.orient_polygons(hull).exterior.coords)[:-1]
    near = shapely.intersection(blockers, hull)
    if near.is_empty:
        return loop, []
    nearby = shapely.intersection(blockers, hull.buffer(BEYOND_MM))
    paths: dict[tuple[float, float], Points2] = {}
    cuts: list[Polygon] = []
    for pocket in shapely.get_parts(shapely.difference(hull, shape)):
        inside = shapely.intersection(near, pocket) if pocket.area > SLIVER_MM2 else Polygon()
        if inside.area > 0:
            mouth = _mouth(pocket, loop)
            added = _ways_out(inside, mouth, shape, narrow_mm)
            cuts += added
            path = _shortest_path(shapely.difference(pocket, shapely.union_all([nearby, *added])), mouth)
            paths[(float(mouth[0, 0]), float(mouth[0, 1]))] = path
    rows: list[Floats] = []
    for x, y in loop:
        rows.append(np.array([[x, y]]))
        if (x, y) in paths:
            rows.append(paths[(x, y)][1:-1])
    return np.vstack(rows), cuts


def _mouth(pocket: Polygon, loop: Points2) -> Floats:
    """Return the hull edge (2, 2) that closes a pocket, in the hull's sense."""
    after = {(a[0], a[1]): (b[0], b[1]) for a, b in zip(loop, np.roll(loop, -1, axis=0), strict=True)}
    ring = [(float(x), float(y)) for x, y in pocket.exterior.coords]
    best, size = None, -1.0
    for p, q in pairwise(ring):
        for a, b in ((p, q), (q, p)):
            length = float(np.hypot(b[0] - a[0], b[1] - a[1]))
            if after.get(a) == b and length > size:
                best, size = np.array([a, b]), length
    if best is None:
        raise ValueError("a pocket without a mouth")
    return best


def _ways_out(inside: shapely.Geometry, mouth: Floats, shape: Polygon, narrow: float) -> list[Polygon]:
    """Return strips that join the islands in a pocket to its mouth."""
    door = LineString(mouth)
    parts = [p for p in shapely.get_parts(inside) if p.area > 0]
    islands = [p for p in parts if p.distance(door) > TOUCH_MM]
    cuts: list[Polygon] = []
    for island in sorted(islands, key=lambda p: p.distance(door)):
        if cuts and shapely.intersects(shapely.union_all(cuts), island):
            continue
        cuts.append(_way_out(island, mouth, shape, narrow))
    return cuts


def _way_out(island: Polygon, mouth: Floats, shape: Polygon, narrow: float) -> Polygon:
    """Return a strip from the island out through the mouth: as wide as the island if there is room, else narrower."""
    along = (mouth[1] - mouth[0]) / np.linalg.norm(mouth[1] - mouth[0])
    outward = np.array([along[1], -along[0]])
    far = island.hausdorff_distance(LineString(mouth)) + 2 * narrow
    core = shapely.centroid(island).buffer(0.5 * narrow, quad_segs=16)
    for body in (shapely.convex_hull(island), core):
        for turn in np.radians(TURNS_DEG):
            c, s = np.cos(turn), np.sin(turn)
            way = np.array([c * outward[0] - s * outward[1], s * outward[0] + c * outward[1]]) * far / c
            swept = _swept(body, way)
            if swept.distance(shape) > 0:
                return swept
    raise ValueError("no way out for a blocker inside the profile")


def _swept(body: Polygon, way: Floats) -> Polygon:
    moved = shapely.transform(body, lambda xy: xy + way)
    return shapely.convex_hull(shapely.union(body, moved))


def _shortest_path(room: shapely.Geometry, mouth: Floats) -> Points2:
    """Return the shortest path (k, 2) inside a simply connected room from one end of the mouth to the other."""
    parts = [p for p in shapely.get_parts(room) if p.area > 0]
    ends = [shapely.points(p) for p in mouth]
    holding = [p for p in parts if p.distance(ends[0]) < TOUCH_MM and p.distance(ends[1]) < TOUCH_MM]
    if not holding:
        raise ValueError("a blocker cuts the pocket through")
    corners, triangles = _triangulated(max(holding, key=lambda p: p.area))
    first, last = (int(np.argmin(((corners - p) ** 2).sum(axis=1))) for p in mouth)
    portals = _portals(triangles, first, last)
    return corners[_funnel(corners, portals, first, last)]


def _triangulated(room: Polygon) -> tuple[Points2, Triangles]:
    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(room))
    rows = shapely.get_coordinates(shapely.orient_polygons(pieces)).reshape(-1, 4, 2)[:, :3]
    corners, index = np.unique(rows.reshape(-1, 2), axis=0, return_inverse=True)
    return corners, [(int(a), int(b), int(c)) for a, b, c in index.reshape(-1, 3)]


def _portals(triangles: Triangles, first: int, last: int) -> list[tuple[int, int]]:
    """Return the edges crossed from corner `first` to corner `last`, each as (left, right) of the way."""
    owner = {(t[k], t[(k + 1) % 3]): i for i, t in enumerate(triangles) for k in range(3)}
    start = next(i for i, t in enumerate(triangles) if first in t)
    came: dict[int, tuple[int, tuple[int, int]]] = {start: (-1, (0, 0))}
    queue = deque([start])
    goal = -1
    while queue:
        i = queue.popleft()
        t = triangles[i]
        if last in t:
            goal = i
            break
        for k in range(3):
            edge = (t[k], t[(k + 1) % 3])
            j = owner.get((edge[1], edge[0]), -1)
            if j >= 0 and j not in came:
                came[j] = (i, edge)
                queue.append(j)
    if goal < 0:
        raise ValueError("a blocker cuts the pocket through")
    crossed = []
    while came[goal][0] >= 0:
        goal, edge = came[goal]
        crossed.append((edge[1], edge[0]))
    return crossed[::-1]


def _funnel(corners: Points2, portals: list[tuple[int, int]], first: int, last: int) -> list[int]:
    """Return the corners of the shortest path through portals: the two sides of the way close in until they cross."""
    at: list[list[float]] = corners.tolist()
    path = [first]
    apex = left = right = first
    at_left = at_right = -1
    gates = [*portals, (last, last)]
    i = 0
    while i < len(gates):
        new_left, new_right = gates[i]
        if _side(at, apex, right, new_right) >= 0:
            if apex == right or _side(at, apex, left, new_right) < 0:
                right, at_right = new_right, i
            else:
                path.append(left)
                apex = right = left
                i = at_right = at_left
                i += 1
                continue
        if _side(at, apex, left, new_left) <= 0:
            if apex == left or _side(at, apex, right, new_left) > 0:
                left, at_left = new_left, i
            else:
                path.append(right)
                apex = left = right
                i = at_left = at_right
                i += 1
                continue
        i += 1
    path.append(last)
    return [p for k, p in enumerate(path) if k == 0 or p != path[k - 1]]


def _side(at: list[list[float]], a: int, b: int, c: int) -> float:
    """Return above 0 when c lies left of the line from a to b."""
    p, q, r = at[a], at[b], at[c]
    return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
