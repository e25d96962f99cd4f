"""Dark four-sided patches on lighter ground in a grey photo: where targets may be, before any code is read."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from elbowroom.shared.arrays import Floats, Image, Ints

QUICK, THOROUGH = (11, 0.10, True), (7, 0.06, False)
"""How dark is told: side (px) of the square whose mean a pixel is held against, the share by which it is darker at least,
and whether specks and lines one pixel wide go, which halves the time. The first finds targets 20 px wide or more; the
second those down to 12, whose own black would darken a larger square's mean and whose ring is a line 1.5 px wide."""

SHORTEST_PX, LONGEST_SHARE = 9.0, 0.9
"""Sides of a patch: shorter ones hold modules of about one pixel, longer ones no whole target with its margin."""

LEAST_POINTS = 30
"""Outline points of the smallest patch."""

COMPACT = 0.35
"""Least area of a patch times 16 over its outline's length squared, for one that fills its hull: 1 for a square. A small,
blurred target's ring may be broken, and its outline then runs round the inside too: it is asked for less."""

STRAIGHT, BENT = 0.04, 0.015
"""How far, of the hull's length, a side may bulge before it counts as two: to see four sides, and to see a corner cut off."""

_NONE = np.zeros((0, 2))

STEEPEST = 6.0
"""Longest over shortest side; a square seen at 70 degrees has 3."""

FILLED, BROKEN, CLOSED = 0.75, 0.22, 0.7
"""Least share of the four-sided figure that the patch's hull fills (a covered corner takes up to a fifth away), and of
the hull that the patch fills: where its ring is broken, and where it is whole."""

AFTER, BEFORE = [1, 2, 3, 0], [3, 0, 1, 2]
"""Corners next in turn, and before."""

OFF_SIDE_PX = 3.0
"""Outline points further than this from a rough side are none of its own."""


def find_quads(image: Image, how: tuple[int, float, bool] = QUICK) -> Floats:
    """Return corners (n, 4, 2) px, clockwise as seen, of dark four-sided patches in a grey photo."""
    window, darker, clean = how
    mean = cv2.boxFilter(image, -1, (window, window), borderType=cv2.BORDER_REPLICATE)
    dark = cv2.compare(image, cv2.convertScaleAbs(mean, alpha=1 - darker, beta=-2), cv2.CMP_LT)
    if clean:
        dark = cv2.medianBlur(dark, 3)
    outlines, _ = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    longest = 4 * LONGEST_SHARE * max(image.shape)
    found = list(
        _quads([o for o in outlines if LEAST_POINTS <= len(o) <= longest], CLOSED if clean else BROKEN)
    )
    return np.array(found).reshape(-1, 4, 2)


def _quads(outlines: list[Ints], filled: float) -> Iterator[Floats]:
    for outline in outlines:
        area = -cv2.contourArea(outline, oriented=True)  # holes turn the other way round
        if area < filled * SHORTEST_PX**2 or area * 16 < filled * COMPACT * len(outline) ** 2:
            continue
        hull = cv2.convexHull(outline, clockwise=False)
        whole = cv2.contourArea(hull)
        if whole > SHORTEST_PX**2 and area > filled * whole:
            closed = area > CLOSED * whole
            roughs = [
                r for r in (_polygon(hull, STRAIGHT), _polygon(hull, BENT) if closed else _NONE) if len(r)
            ]
            quads = (_quad(outline, rough, whole) for rough in roughs)
            yield from (q for q in quads if q is not None)


def _polygon(hull: Ints, straight: float) -> Floats:
    """Return the corners (4, 2) px of a hull simplified to four sides, or to five or six of which four are kept."""
    tolerance = max(1.5, straight * cv2.arcLength(hull, closed=True))
    corners = cv2.approxPolyDP(hull, tolerance, closed=True)[:, 0].astype(np.float64)
    if straight == STRAIGHT:
        return corners if len(corners) == 4 else _NONE
    return _four_sides(corners) if len(corners) in (5, 6) else _NONE


def _quad(outline: Ints, rough: Floats, area: float) -> Floats | None:
    """Return the four corners (4, 2) px of an outline near a rough figure, or None when it has no such sides."""
    sides = np.hypot(*(rough[AFTER] - rough).T)
    if not sides.min() >= SHORTEST_PX or sides.max() > STEEPEST * sides.min():
        return None
    quad = _along_sides(outline[:: len(outline) // 160 + 1, 0].astype(np.float64), rough)
    turns = _turns(quad)
    if not (turns > 0).all():  # not finite, or not convex
        return None
    return quad if area > FILLED * 0.5 * (turns[0] + turns[2]) else None


def _turns(quad: Floats) -> Floats:
    """Return twice the areas (4,) of the triangles at a four-sided figure's corners."""
    with np.errstate(invalid="ignore", over="ignore"):
        after, before = quad[AFTER] - quad, quad - quad[BEFORE]
        return np.asarray(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])


def _four_sides(polygon: Floats) -> Floats:
    """Return the corners in which the four longest sides of a polygon (4 to 6, 2) meet: a covered corner comes back."""
    while len(polygon) > 4:
        lengths = np.linalg.norm(np.roll(polygon, -1, axis=0) - polygon, axis=1)
        a, b, c, d = np.roll(polygon, 1 - int(lengths.argmin()), axis=0)[:4]
        meet = _crossing(a, b - a, d, d - c)
        polygon = np.vstack([np.roll(polygon, 1 - int(lengths.argmin()), axis=0)[4:], a, meet, d])
    return polygon


def _crossing(a: Floats, along_a: Floats, b: Floats, along_b: Floats) -> Floats:
    """Return where lines through a and b (..., 2) meet; not finite where they are parallel."""
    across = along_a[..., 0] * along_b[..., 1] - along_a[..., 1] * along_b[..., 0]
    gap = b - a
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (gap[..., 0] * along_b[..., 1] - gap[..., 1] * along_b[..., 0]) / across
        return np.asarray(a + t[..., None] * along_a)


def _along_sides(points: Floats, rough: Floats) -> Floats:
    """Return the corners (4, 2) px of lines fitted to the outline's points (n, 2) along each rough side."""
    step = rough[AFTER] - rough
    length = np.hypot(*step.T)
    along = step / length[:, None]
    away = points[None] - rough[:, None]  # (4 sides, n points, 2)
    t = (away * along[:, None]).sum(axis=-1) / length[:, None]
    off = away[..., 0] * along[:, None, 1] - away[..., 1] * along[:, None, 0]
    use = ((t > 0.12) & (t < 0.88) & (np.abs(off) < np.minimum(OFF_SIDE_PX, 0.12 * length.min()))).astype(
        np.float64
    )
    count = np.maximum(use.sum(axis=1), 1.0)[:, None]
    x, y = points.T
    middle = np.column_stack([use @ x, use @ y]) / count
    x, y = (x - middle[:, :1]) * use, (y - middle[:, 1:]) * use
    angle = 0.5 * np.arctan2(2 * (x * y).sum(axis=1), ((x - y) * (x + y)).sum(axis=1))
    line = np.column_stack([np.cos(angle), np.sin(angle)])
    line *= np.where((line * along).sum(axis=1) < 0, -1.0, 1.0)[:, None]
    middle = middle + 0.5 * np.column_stack(
        [line[:, 1], -line[:, 0]]
    )  # an outline runs through pixels' middles
    return _crossing(middle[BEFORE], line[BEFORE], middle, line)
