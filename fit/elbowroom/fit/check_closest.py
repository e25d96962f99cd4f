"""Closest points of many pairs at once: points and triangles, segments and segments, segments through triangles.

Every argument is (k, 3) mm in one frame, row by row one pair. Built for the check alone.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Points3

Flags = npt.NDArray[np.bool_]

TINY = 1e-300
"""Keeps a division by the length of a segment shrunk to a point from failing; the point itself is then used."""


def dots(a: Floats, b: Floats) -> Floats:
    """Return the scalar products along the last axis."""
    return np.einsum("...i,...i->...", a, b)  # i: coordinate


def crosses(a: Floats, b: Floats) -> Floats:
    """Return the vector products along the last axis (faster than numpy's on many short vectors)."""
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


def on_segments(points: Points3, starts: Points3, ends: Points3) -> Points3:
    """Return the point of each segment nearest to each point."""
    along = ends - starts
    t = np.clip(dots(points - starts, along) / np.maximum(dots(along, along), TINY), 0, 1)
    return starts + t[..., None] * along


def on_triangles(points: Points3, a: Points3, b: Points3, c: Points3) -> Points3:
    """Return the point of each triangle nearest to each point.

    The foot on the plane when it lies inside, else the nearest point of the three edges; a triangle without area
    is its edges.
    """
    normal = crosses(b - a, c - a)
    size = dots(normal, normal)
    foot = points - (dots(points - a, normal) / np.maximum(size, TINY))[:, None] * normal
    inside = size > 0
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= dots(crosses(q - p, foot - p), normal) >= 0
    best, gap = foot, np.where(inside, 0.0, np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        near = on_segments(points, p, q)
        away = dots(points - near, points - near)
        closer = ~inside & (away < gap)
        best = np.where(closer[:, None], near, best)
        gap = np.where(closer, away, gap)
    return best


def between_segments(p0: Points3, p1: Points3, q0: Points3, q1: Points3) -> tuple[Points3, Points3]:
    """Return the nearest points of segments p and q.

    The common perpendicular where it meets both; the four end-to-segment candidates otherwise (they hold the
    minimum whenever it lies at an end, parallel and shrunken segments included).
    """
    u, v, w = p1 - p0, q1 - q0, p0 - q0
    a, b, c, d, e = dots(u, u), dots(u, v), dots(v, v), dots(u, w), dots(v, w)
    det = a * c - b * b
    skew = det > 1e-12 * a * c
    safe = np.where(skew, det, 1.0)
    s, t = (b * e - c * d) / safe, (a * e - b * d) / safe
    crossing = skew & (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1)
    on_p, on_q = p0 + s[:, None] * u, q0 + t[:, None] * v
    gap = np.where(crossing, dots(on_p - on_q, on_p - on_q), np.inf)
    rows = np.flatnonzero(~crossing)
    if len(rows):
        on_p[rows], on_q[rows] = _between_ends(p0[rows], p1[rows], q0[rows], q1[rows], gap[rows])
    return on_p, on_q


def _between_ends(p0: Points3, p1: Points3, q0: Points3, q1: Points3, gap: Floats) -> tuple[Points3, Points3]:
    candidates = [(x, on_segments(x, q0, q1)) for x in (p0, p1)]
    candidates += [(on_segments(x, p0, p1), x) for x in (q0, q1)]
    best_p, best_q = candidates[0]
    best = dots(best_p - best_q, best_p - best_q)
    for p, q in candidates[1:]:
        away = dots(p - q, p - q)
        closer = away < best
        best_p, best_q = np.where(closer[:, None], p, best_p), np.where(closer[:, None], q, best_q)
        best = np.where(closer, away, best)
    return best_p, best_q


def pierced(p0: Points3, p1: Points3, a: Points3, b: Points3, c: Points3) -> tuple[Flags, Points3]:
    """Say where segments p go through triangles, and the points (k, 3) where they do (meaningless elsewhere).

    Segments in the triangle's own plane are left out: their ends and edges are seen to elsewhere.
    """
    normal = crosses(b - a, c - a)
    h0, h1 = dots(p0 - a, normal), dots(p1 - a, normal)
    through = (h0 * h1 <= 0) & (h0 != h1)
    t = np.where(through, h0 / np.where(through, h0 - h1, 1.0), 0.0)
    point = p0 + t[:, None] * (p1 - p0)
    for q, r in ((a, b), (b, c), (c, a)):
        through &= dots(crosses(r - q, point - q), normal) >= 0
    return through, point


def solid_angles(point: Floats, triangles: Floats) -> Floats:
    """Return the solid angle (k,) that each triangle (k, 3, 3) shows to one point (3,), in whole spheres.

    Over a closed mesh they sum to 1 inside and 0 outside.

    Source: Van Oosterom and Strackee 1983, eq. 8 (from memory).
    """
    u, v, w = (triangles[:, k] - point for k in range(3))
    x, y, z = (np.sqrt(dots(k, k)) for k in (u, v, w))
    under = x * y * z + dots(u, v) * z + dots(v, w) * x + dots(w, u) * y
    return np.arctan2(dots(u, crosses(v, w)), under) / (2 * np.pi)
