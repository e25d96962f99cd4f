"""Tangent polygons round the regions that edges forbid: how far a group of edges reaches in each direction.

A point at height z of an edge forbids a disc of radius r(z) = sqrt(c^2 - d^2), d being its distance above or below the
slab; the union over a convex group is convex, and tangent lines bound it from outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely

from elbowroom.shared.arrays import Floats, Points2

Rows: TypeAlias = npt.NDArray[np.intp]
"""Row numbers, (k,)."""

EXCESS_MM = 0.03
"""Greatest distance a tangent polygon may stand outside the true region; 0.05 is promised, unions add nothing."""

OUTWARD_MM = 1e-6
"""Added to every reach: hides float rounding, so that a keep-out is never too small."""

LEVEL_MM = 1e-12
"""An edge that rises less is level."""

OUT = -1e30
"""Radius of edges that are out of the band: they never reach furthest."""

ROUNDS = 8
"""Rounds of added directions; each at least halves the excess of a smooth edge, a straight one needs two."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Edges:
    """Edges of g convex groups, cut off at the band and padded to e each.

    `xy` and `along` (g, e, 2): feet of the ends and the way between; `z` (g, e) height of the first end; `rate` 1 / rise;
    `first` and `last` the radii at the ends, far below 0 for padding.
    """

    xy: Floats
    along: Floats
    z: Floats
    rate: Floats
    first: Floats
    last: Floats
    thickness: float
    clearance: float


def edges_in_band(start: Floats, end: Floats, thickness: float, clearance: float) -> Edges:
    """Return edges (g, e) from their ends (g, e, 3); those out of the band are marked."""
    z, rise = start[:, :, 2], end[:, :, 2] - start[:, :, 2]
    level = np.abs(rise) < LEVEL_MM
    safe = np.where(level, 1.0, rise)
    at = np.stack([(-clearance - z) / safe, (thickness + clearance - z) / safe])
    low = np.where(level, 0.0, np.maximum(at.min(axis=0), 0.0))
    high = np.where(level, 1.0, np.minimum(at.max(axis=0), 1.0))
    outside = (low > high) | (level & ((z < -clearance) | (z > thickness + clearance)))
    low, high = np.where(outside, 0.0, low), np.where(outside, 0.0, high)
    way = end - start
    radii = [np.where(outside, OUT, _radius(z + s * rise, thickness, clearance)) for s in (low, high)]
    rise = rise * (high - low)
    level = np.abs(rise) < LEVEL_MM
    return Edges(
        xy=start[:, :, :2] + low[:, :, None] * way[:, :, :2],
        along=(high - low)[:, :, None] * way[:, :, :2],
        z=z + low * way[:, :, 2],
        rate=np.where(level, 1 / LEVEL_MM, 1 / np.where(level, 1.0, rise)),
        first=radii[0],
        last=radii[1],
        thickness=thickness,
        clearance=clearance,
    )


def _radius(z: Floats, thickness: float, clearance: float) -> Floats:
    d = np.maximum(np.maximum(z - thickness, -z), 0.0)
    return np.sqrt(np.maximum(clearance * clearance - d * d, 0.0))


def _best(edges: Edges, rows: Rows, base: Floats, a: Floats) -> tuple[Floats, Floats, Floats]:
    """Return for edges (..., e) the reach, where along the edge (0 to 1) and the radius there.

    `base` is u.xy and `a` u.along. On an edge the reach is concave, with slope zero where
    (z - t) / sqrt(c^2 - (z - t)^2) = a / rise above the slab and likewise below; its ends bound it.
    """
    z, rate, first, last = (v[rows] for v in (edges.z, edges.rate, edges.first, edges.last))
    if base.ndim == 3:
        z, rate, first, last = (v[:, None] for v in (z, rate, first, last))
    k = a * rate
    r = edges.clearance / np.sqrt(1 + k * k)
    s = (np.where(k > 0, edges.thickness, 0.0) + k * r - z) * rate
    r = np.where(s <= 0, first, np.where(s >= 1, last, r))
    s = np.minimum(np.maximum(s, 0.0), 1.0)
    r = np.where(first <= OUT, OUT, r)
    return base + s * a + r, s, r


def _first_reach(edges: Edges, groups: Rows, angle: Floats) -> tuple[Floats, Points2]:
    """Return the reach (g * d,) of groups in the same d directions, and where they touch the tangents (g * d, 2)."""
    u = np.column_stack([np.cos(angle), np.sin(angle)])
    xy, along = edges.xy[groups], edges.along[groups]
    value, s, r = _best(edges, groups, u @ xy.transpose(0, 2, 1), u @ along.transpose(0, 2, 1))
    best = value.argmax(axis=2)
    i, j = np.indices(best.shape)
    at = s[i, j, best][:, :, None]
    touch = xy[i, best] + at * along[i, best] + r[i, j, best][:, :, None] * u[None]
    return value[i, j, best].ravel() + OUTWARD_MM, touch.reshape(-1, 2)


def _reach(edges: Edges, group: Rows, angle: Floats) -> tuple[Floats, Points2]:
    """Return how far groups reach in directions (k,), and the points (k, 2) where they touch the tangents."""
    u = np.column_stack([np.cos(angle), np.sin(angle)])
    xy, along = edges.xy[group], edges.along[group]
    value, s, r = _best(edges, group, (xy @ u[:, :, None])[:, :, 0], (along @ u[:, :, None])[:, :, 0])
    best = value.argmax(axis=1)
    row = np.arange(len(best))
    touch = xy[row, best] + s[row, best, None] * along[row, best] + r[row, best, None] * u
    return value[row, best] + OUTWARD_MM, touch


def tangent_polygons(edges: Edges, directions: int) -> Floats:
    """Return one convex polygon round each group's region (an array of shapely polygons)."""
    groups = np.flatnonzero((edges.first > OUT).any(axis=1))
    if not len(groups):
        return np.empty(0, dtype=object)
    first = 2 * np.pi * np.arange(directions) / directions
    group, angle = np.repeat(groups, directions), np.tile(first, len(groups))
    reach, touch = _first_reach(edges, groups, first)
    for _ in range(ROUNDS):
        after, gap, corner = _corners(group, angle, reach)
        new = _normals_of_chords(touch, touch[after], corner, angle, gap)
        rows = np.flatnonzero(np.isfinite(new))
        if not len(rows):
            break
        more, more_touch = _reach(edges, group[rows], new[rows])
        group, angle = np.r_[group, group[rows]], np.r_[angle, np.mod(new[rows], 2 * np.pi)]
        reach, touch = np.r_[reach, more], np.r_[touch, more_touch]
        order = np.lexsort((angle, group))
        group, angle, reach, touch = group[order], angle[order], reach[order], touch[order]
    _, _, corner = _corners(group, angle, reach)
    _, index = np.unique(group, return_inverse=True)
    return shapely.polygons(shapely.linearrings(corner, indices=index))


def _corners(group: Rows, angle: Floats, reach: Floats) -> tuple[Rows, Floats, Points2]:
    """Return per tangent: the next one of its group, the angle to it, and where the two meet (k, 2)."""
    first = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    after = np.arange(1, len(group) + 1)
    after[np.r_[first[1:], len(group)] - 1] = first
    gap = np.mod(angle[after] - angle, 2 * np.pi)
    x = (reach * np.sin(angle[after]) - reach[after] * np.sin(angle)) / np.sin(gap)
    y = (reach[after] * np.cos(angle) - reach * np.cos(angle[after])) / np.sin(gap)
    return after, gap, np.column_stack([x, y])


def _normals_of_chords(touch: Points2, after: Points2, corner: Points2, angle: Floats, gap: Floats) -> Floats:
    """Return the direction square to each chord whose corner stands out too far, NaN where it does not.

    The chord between two touching points lies inside the region, so the corner's distance to it bounds the excess.
    """
    chord = after - touch
    length = np.hypot(chord[:, 0], chord[:, 1])
    to_corner = corner - touch
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = np.abs(chord[:, 0] * to_corner[:, 1] - chord[:, 1] * to_corner[:, 0]) / length
    excess = np.where(length > 1e-9, excess, np.hypot(to_corner[:, 0], to_corner[:, 1]))
    square = np.arctan2(-chord[:, 0], chord[:, 1])
    turn = np.mod(square - angle, 2 * np.pi)
    middle = (turn < 0.02 * gap) | (turn > 0.98 * gap) | (length <= 1e-9)
    turn = np.where(middle & (gap > 1e-4), 0.5 * gap, turn)
    wanted = (excess > EXCESS_MM) & (turn > 1e-7) & (turn < gap - 1e-7)
    return np.where(wanted, angle + turn, np.nan)
