"""Dark four-sided patches on lighter ground in a grey photo: where targets may be, before any code is read."""

from __future__ import annotations

import cv2
import numpy as np

from elbowroom.shared.arrays import Floats, Image, Ints

USUAL, FAINT = (0.3, 0.64), (0.12, 0.25)
"""Least contrast near a patch, as a share of the lightest grey there, and where between darkest and lightest a pixel
passes for dark. Toner on paper has a contrast of 0.4 when it is printed faintly: the first leaves out most rust, concrete
and gravel, whose outlines are what takes long; and a ring 1.5 px wide is never as dark as the middle of a patch, at a
half it comes apart. The second finds what is fainter, or touched by something grey."""

LEAST_LEVELS = 8
"""...and grey levels on top of that, which noise does not reach."""

TILE_PX, ABOUT = 4, 3
"""Side (px) of the tiles whose darkest and lightest places are kept, and tiles each way that are taken together: 12 px
hold paper and ring of a target 12 px wide. Places are means of 2 x 2 pixels: grain finer than that says nothing."""

SHORTEST_PX, LONGEST_SHARE = 9.0, 0.9
"""Sides of a patch: shorter ones hold modules of about one pixel, longer ones no whole target with its margin."""

LEAST_POINTS = 30
"""Outline points of the smallest patch."""

COMPACT = 0.25
"""Least area of a patch times 16 over its outline's length squared: 1 for a square, 0.6 for one four times as long as wide."""

STRAIGHT, BENT = 0.04, 0.015
"""How far, of the hull's length, a side may bulge before it counts as two: to see four sides, and to see a corner cut off."""

STEEPEST = 6.0
"""Longest over shortest side; a square seen at 70 degrees has 3."""

FILLED, CLOSED = 0.75, 0.7
"""Least share of the four-sided figure that the patch's hull fills (a covered corner takes up to a fifth away), and of
the hull that the patch fills."""

AFTER, BEFORE = [1, 2, 3, 0], [3, 0, 1, 2]
"""Corners next in turn, and before."""

OFF_SIDE_PX = 3.0
"""Outline points further than this from a rough side are none of its own."""

POINTS = 120
"""Points of an outline that its sides are fitted to."""


def find_quads(image: Image, how: tuple[float, float] = USUAL) -> Floats:
    """Return corners (n, 4, 2) px, clockwise as seen, of dark four-sided patches in a grey photo."""
    outlines, _ = cv2.findContours(_dark(image, *how), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    longest = 4 * LONGEST_SHARE * max(image.shape)
    found = [_rough(o) for o in outlines if LEAST_POINTS <= len(o) <= longest]
    whole = [(outline, hull, area) for f in found if f is not None for outline, hull, area in [f]]
    roughs: list[Floats] = []
    owner: list[int] = []
    bent: dict[int, list[tuple[int, Floats]]] = {5: [], 6: []}
    for i, (_, hull, _) in enumerate(whole):
        around = cv2.arcLength(hull, closed=True)
        four = cv2.approxPolyDP(hull, max(1.5, STRAIGHT * around), closed=True)
        if len(four) == 4:
            roughs.append(four[:, 0])
            owner.append(i)
        more = cv2.approxPolyDP(hull, max(1.5, BENT * around), closed=True)
        if len(more) in bent:
            bent[len(more)].append((i, more[:, 0]))
    for rows in bent.values():
        if rows:
            roughs.extend(_four_sides(np.array([r for _, r in rows], dtype=np.float64)))
            owner.extend(i for i, _ in rows)
    if not roughs:
        return np.zeros((0, 4, 2))
    return _quads(
        [whole[i][0] for i in owner],
        np.array(roughs, dtype=np.float64),
        np.array([whole[i][2] for i in owner]),
    )


def _dark(image: Image, contrast: float, white: float) -> Image:
    """Return where (rows, columns) a grey photo is darker than what lies near, 255, and 0 elsewhere.

    Each tile's threshold lies between the darkest and the lightest pixel round it; tiles without contrast have none.
    """
    height, width = (n // TILE_PX * TILE_PX for n in image.shape)
    whole = image[:height, :width]
    coarse = cv2.resize(whole, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    half, square = TILE_PX // 2, np.ones((ABOUT, ABOUT), np.uint8)
    tile = np.ones((half, half), np.uint8)
    low, high = cv2.erode(coarse, tile, anchor=(0, 0)), cv2.dilate(coarse, tile, anchor=(0, 0))
    low = cv2.erode(np.ascontiguousarray(low[::half, ::half]), square)
    high = cv2.dilate(np.ascontiguousarray(high[::half, ::half]), square)
    least = cv2.convertScaleAbs(high, alpha=contrast, beta=LEAST_LEVELS)
    clear = cv2.compare(cv2.subtract(high, low), least, cv2.CMP_GT)
    between = cv2.bitwise_and(cv2.addWeighted(low, 1 - white, high, white, 0), clear)
    return np.asarray(
        cv2.compare(whole, cv2.resize(between, (width, height), interpolation=cv2.INTER_NEAREST), cv2.CMP_LT)
    )


def _rough(outline: Ints) -> tuple[Ints, Ints, float] | None:
    """Return an outline, its hull and the hull's area when it goes round a compact patch."""
    area = -cv2.contourArea(outline, oriented=True)  # holes turn the other way round
    if area < CLOSED * SHORTEST_PX**2 or area * 16 < COMPACT * len(outline) ** 2:
        return None
    hull = cv2.convexHull(outline, clockwise=False)
    whole = cv2.contourArea(hull)
    return (outline, hull, whole) if whole > SHORTEST_PX**2 and area > CLOSED * whole else None


def _quads(outlines: list[Ints], roughs: Floats, areas: Floats) -> Floats:
    """Return the corners (m, 4, 2) px of outlines near rough figures (n, 4, 2), without those that have no such sides."""
    with np.errstate(invalid="ignore", over="ignore"):  # parallel sides meet nowhere
        sides = np.linalg.norm(roughs[:, AFTER] - roughs, axis=2)
    shortest = sides.min(axis=1)
    rows = np.flatnonzero((shortest >= SHORTEST_PX) & (sides.max(axis=1) <= STEEPEST * shortest))
    if not len(rows):
        return np.zeros((0, 4, 2))
    places = np.arange(POINTS) / POINTS
    points = np.array(
        [outlines[i][(places * len(outlines[i])).astype(np.int64), 0] for i in rows], dtype=np.float64
    )
    quads = _along_sides(points, roughs[rows])
    with np.errstate(invalid="ignore", over="ignore"):
        after, before = quads[:, AFTER] - quads, quads - quads[:, BEFORE]
        turns = (
            before[..., 0] * after[..., 1] - before[..., 1] * after[..., 0]
        )  # twice the corners' triangles
        good = (turns > 0).all(axis=1) & (areas[rows] > FILLED * 0.5 * (turns[:, 0] + turns[:, 2]))
    return quads[good]


def _four_sides(polygons: Floats) -> Floats:
    """Return the corners in which the four longest sides of polygons (n, 5 or 6, 2) meet: a covered corner comes back."""
    while (count := polygons.shape[1]) > 4:
        lengths = np.linalg.norm(np.roll(polygons, -1, axis=1) - polygons, axis=2)
        turned = (lengths.argmin(axis=1)[:, None] + np.arange(-1, count - 1)) % count
        ordered = np.take_along_axis(polygons, turned[..., None], axis=1)  # the shortest side is the second
        a, b, c, d = (ordered[:, k] for k in range(4))
        meet = _crossing(a, b - a, d, d - c)
        polygons = np.concatenate([ordered[:, 4:], a[:, None], meet[:, None], d[:, None]], axis=1)
    return polygons


def _crossing(a: Floats, along_a: Floats, b: Floats, along_b: Floats) -> Floats:
    """Return where lines through a and b (..., 2) meet; not finite where they are parallel."""
    across = along_a[..., 0] * along_b[..., 1] - along_a[..., 1] * along_b[..., 0]
    gap = b - a
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        t = (gap[..., 0] * along_b[..., 1] - gap[..., 1] * along_b[..., 0]) / across
        return np.asarray(a + t[..., None] * along_a)


def _along_sides(points: Floats, roughs: Floats) -> Floats:
    """Return the corners (n, 4, 2) px of lines fitted to outlines' points (n, m, 2) along each rough side."""
    step = roughs[:, AFTER] - roughs
    length = np.linalg.norm(step, axis=2)
    along = step / length[..., None]
    x, y = (points[:, None, :, k] - roughs[:, :, None, k] for k in (0, 1))  # (n, 4 sides, m points)
    ahead, aside = along[..., None, 0], along[..., None, 1]
    share = (x * ahead + y * aside) / length[..., None]
    off = np.abs(x * aside - y * ahead)
    near = np.minimum(OFF_SIDE_PX, 0.12 * length.min(axis=1))[:, None, None]
    use = ((share > 0.12) & (share < 0.88) & (off < near)).astype(np.float64)
    count = np.maximum(use.sum(axis=2), 1.0)
    middle = np.stack([(v * use).sum(axis=2) / count for v in (x, y)], axis=-1)
    x, y = (x - middle[..., :1]) * use, (y - middle[..., 1:]) * use
    angle = 0.5 * np.arctan2(2 * (x * y).sum(axis=2), ((x - y) * (x + y)).sum(axis=2))
    line = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    line *= np.where((line * along).sum(axis=2) < 0, -1.0, 1.0)[..., None]
    outward = np.stack([line[..., 1], -line[..., 0]], axis=-1)
    middle = middle + roughs + 0.5 * outward  # an outline runs through pixels' middles
    return _crossing(middle[:, BEFORE], line[:, BEFORE], middle, line)
