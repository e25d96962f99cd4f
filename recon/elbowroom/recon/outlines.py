"""Outlines drawn in a photo: checked, grown by their doubt, and bent straight through the lens."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.stations import Station, check_inside
from elbowroom.shared.arrays import Points2
from elbowroom.shared.errors import InputError
from elbowroom.shared.lens import undistort_points

if TYPE_CHECKING:
    import shapely

SAG_PX = 0.25
"""Most a chord may stray from the curve it stands for, px; twice it is added to the widening, so nothing is lost by it."""

SAG_SAFETY = 1.3
"""The quarter points may miss the largest stray of a lopsided edge by a little."""

MITRE_LIMIT = 2.0
"""Corners sharper than 60 degrees are cut off square beyond twice the widening."""


def outline_polygon(points_px: Points2, station: Station, *, where: str) -> shapely.Polygon:
    """Return a drawn outline (n, 2) px as a polygon.

    Raises
    ------
    InputError
        When it leaves the photo, crosses or touches itself (naming the place), or has no area.
    """
    import shapely

    points = check_inside(points_px, station, where=where)
    polygon = shapely.Polygon(points)
    place = f"{where}, photo {station.photo}"
    if not polygon.is_valid:
        raise InputError(
            "the outline crosses or touches itself",
            where=place,
            value=shapely.is_valid_reason(polygon),
            todo="draw it again in one go round the thing",
        )
    if polygon.area < 1.0:
        raise InputError("the outline has no area", where=place, value=f"{polygon.area:.2f} px2")
    return polygon


def cone_polygon(drawn: shapely.Polygon, widen_px: float, station: Station) -> Points2:
    """Return the section (n, 2) at depth 1, camera frame, of a cone that holds the drawn outline grown by `widen_px`.

    Between two clicks the hand may have followed the photo's straight line or the thing's own straight edge, which
    the lens bends: the section holds both.
    """
    both = drawn.union(_bent(drawn, station)) if _most_sag(_ring(drawn), station) > SAG_PX else drawn
    grown = grow(both, widen_px + 2 * SAG_PX)  # once for each of the two rounds of chords
    return undistort_points(_subdivided(_ring(grown), station), station.lens)


def grow(polygon: shapely.Polygon, by_px: float) -> shapely.Polygon:
    """Return a simple polygon without holes that holds every point within `by_px` of `polygon`."""
    import shapely

    grown = polygon.buffer(by_px, join_style="mitre", mitre_limit=MITRE_LIMIT)
    round_corners = polygon.buffer(by_px, quad_segs=16)
    if not grown.buffer(1e-6).contains(round_corners):
        grown = shapely.union(grown, round_corners)
    return shapely.Polygon(grown.exterior)


def _ring(polygon: shapely.Polygon) -> Points2:
    return np.array(polygon.exterior.coords, dtype=np.float64)[:-1]


def _bent(drawn: shapely.Polygon, station: Station) -> shapely.Polygon:
    """Return the outline with edges straight in the world instead of in the photo, as chords in pixels."""
    import shapely

    ring = _ring(drawn)
    xy, parts = undistort_points(ring, station.lens), _parts(ring, station)
    rows = _between(xy, parts)
    depth = np.column_stack([rows, np.ones(len(rows))])
    pixels = station.project(station.camera_from_world.inverse().apply(1000.0 * depth))
    return shapely.Polygon(pixels).buffer(0)


def _subdivided(ring_px: Points2, station: Station) -> Points2:
    """Return the ring with points added so that its edges stay within `SAG_PX` when undistorted."""
    return _between(ring_px, _parts(ring_px, station))


def _between(ring: Points2, parts: list[int]) -> Points2:
    following = np.roll(ring, -1, axis=0)
    rows = [a + (b - a) * np.arange(k)[:, None] / k for a, b, k in zip(ring, following, parts, strict=True)]
    return np.vstack(rows)


def _parts(ring_px: Points2, station: Station) -> list[int]:
    """A chord's sag falls with the square of its length, so n parts lower it n² times."""
    return [max(1, int(np.ceil(np.sqrt(s / SAG_PX)))) for s in _sags(ring_px, station)]


def _most_sag(ring_px: Points2, station: Station) -> float:
    return float(_sags(ring_px, station).max())


def _sags(ring_px: Points2, station: Station) -> Points2:
    """Return how far, px, each edge's undistorted quarter points stray from the undistorted chord at most."""
    a = ring_px
    b = np.roll(ring_px, -1, axis=0)
    ends = undistort_points(a, station.lens), undistort_points(b, station.lens)
    worst = np.zeros(len(a))
    for t in (0.25, 0.5, 0.75):
        stray = undistort_points(a + t * (b - a), station.lens) - (ends[0] + t * (ends[1] - ends[0]))
        worst = np.maximum(worst, np.linalg.norm(stray, axis=1))
    return worst * station.lens.focal_px * SAG_SAFETY
