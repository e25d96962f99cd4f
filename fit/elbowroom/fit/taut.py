"""A band pulled taut round a shape: the shortest loop that keeps the shape inside and the blockers outside.

Where no blocker reaches into the shape's convex hull the loop is the hull. Each pocket between shape and hull that a
blocker enters is a simple polygon once islands have a way out, and the loop takes the shortest path through it.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import numpy as np
import shapely
import shapely.ops
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
            added = _ways_out(inside, pocket, mouth, shape, narrow_mm)
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


def _ways_out(
    inside: shapely.Geometry, pocket: Polygon, mouth: Floats, shape: Polygon, narrow: float
) -> list[Polygon]:
    """Return strips that join the islands in a pocket to its mouth, or to what is joined to it already."""
    door = LineString(mouth)
    parts = [p for p in shapely.get_parts(inside) if p.area > 0]
    islands = sorted((p for p in parts if p.distance(door) > TOUCH_MM), key=lambda p: float(p.distance(door)))
    out: shapely.Geometry = shapely.union_all([door, *(p for p in parts if p.distance(door) <= TOUCH_MM)])
    cuts: list[Polygon] = []
    for island in islands:
        if not out.intersects(island):
            cuts.append(_way_out(island, out, pocket, mouth, shape, narrow))
            out = shapely.union_all([out, cuts[-1]])
        out = shapely.union_all([out, island])
    return cuts


def _way_out(
    island: Polygon, out: shapely.Geometry, pocket: Polygon, mouth: Floats, shape: Polygon, narrow: float
) -> Polygon:
    """Return a strip from the island to the mouth, as wide as the island if there is room, or any narrower way out."""
    straight = _straight_way(shapely.convex_hull(island), mouth, shape, narrow)
    if straight is not None:
        return straight
    link = shapely.shortest_line(island, out).buffer(0.5 * narrow, quad_segs=16)
    if link.distance(shape) > 0:
        return link
    core = shapely.centroid(island).buffer(0.5 * narrow, quad_segs=16)
    straight = _straight_way(core, mouth, shape, narrow)
    return _bent_way(island, pocket, mouth, shape, narrow) if straight is None else straight


def _straight_way(body: Polygon, mouth: Floats, shape: Polygon, narrow: float) -> Polygon | None:
    along = (mouth[1] - mouth[0]) / np.linalg.norm(mouth[1] - mouth[0])
    outward = np.array([along[1], -along[0]])
    far = shapely.hausdorff_distance(body, LineString(mouth)) + 2 * narrow
    for turn in np.radians(TURNS_DEG):
        c, s = np.cos(turn), np.sin(turn)
        way = np.array([c * outward[0] - s * outward[1], s * outward[0] + c * outward[1]]) * far / c
        swept = _swept(body, way)
        if swept.distance(shape) > 0:
            return swept
    return None


def _bent_way(island: Polygon, pocket: Polygon, mouth: Floats, shape: Polygon, narrow: float) -> Polygon:
    """Return the shortest strip of the least width from the island out through the mouth, past whatever bends.

    Raises
    ------
    ValueError
        When none fits.
    """
    door = LineString(mouth)
    grown = shape.buffer(0.5 * narrow + 10 * TOUCH_MM, quad_segs=16)
    room = shapely.difference(shapely.union(pocket, door.buffer(1.0)), grown)
    for part in shapely.get_parts(room):
        exits = shapely.intersection(part, door)
        if exits.is_empty or part.distance(island) > 0.5 * narrow:
            continue
        shore, start = (np.array(p.coords[0]) for p in shapely.ops.nearest_points(island, part))
        end = np.array(shapely.ops.nearest_points(exits, shapely.Point(start))[0].coords[0])
        corners, triangles = _triangulated(part)
        corners = np.vstack([corners, start, end])
        near = [_triangle_at(corners, triangles, p) for p in (start, end)]
        portals = _crossings(triangles, near[0], {near[1]})
        path = corners[_funnel(corners, portals, len(corners) - 2, len(corners) - 1)]
        along = (mouth[1] - mouth[0]) / np.linalg.norm(mouth[1] - mouth[0])
        beyond = end + 2 * narrow * np.array([along[1], -along[0]])
        strip = LineString(np.vstack([shore, path, beyond])).buffer(0.5 * narrow, quad_segs=16)
        if strip.distance(shape) > 0:
            return strip
    raise ValueError("no way out for a blocker inside the profile")


def _triangle_at(corners: Points2, triangles: Triangles, point: Floats) -> int:
    shapes = shapely.polygons(corners[np.array(triangles)])
    return int(shapely.distance(shapes, shapely.points(point)).argmin())


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
    start = next(i for i, t in enumerate(triangles) if first in t)
    return _crossings(triangles, start, {i for i, t in enumerate(triangles) if last in t})


def _crossings(triangles: Triangles, start: int, goals: set[int]) -> list[tuple[int, int]]:
    """Return the edges crossed from one triangle to the nearest of others, each as (left, right) of the way."""
    owner = {(t[k], t[(k + 1) % 3]): i for i, t in enumerate(triangles) for k in range(3)}
    came: dict[int, tuple[int, tuple[int, int]]] = {start: (-1, (0, 0))}
    queue = deque([start])
    while queue:
        goal = queue.popleft()
        if goal in goals:
            break
        t = triangles[goal]
        for k in range(3):
            edge = (t[k], t[(k + 1) % 3])
            j = owner.get((edge[1], edge[0]), -1)
            if j >= 0 and j not in came:
                came[j] = (goal, edge)
                queue.append(j)
    else:
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
