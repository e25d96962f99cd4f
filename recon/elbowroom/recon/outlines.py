"""Outlines drawn in a photo: checked, grown by their doubt, and bent straight through the lens."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.stations import Station, check_inside
from elbowroom.shared.arrays import Points2
from elbowroom.shared.errors import InputError, SolveError
from elbowroom.shared.lens import project_points, undistort_points

if TYPE_CHECKING:
    import shapely

SAG_PX = 0.25
"""Most a chord may stray from the curve it stands for, px; twice it is added to the widening, so nothing is lost by it."""

ROUNDS = 12
"""Halvings of an edge before giving up: 4096 pieces."""

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
    grown = grow(drawn.union(_bent(drawn, station)), widen_px + 2 * SAG_PX)  # once for each round of chords
    ring_px = refined(_ring(grown), lambda px: station.lens.focal_px * undistort_points(px, station.lens))
    return undistort_points(ring_px, station.lens)


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

    def pixels(xy: Points2) -> Points2:
        return project_points(np.column_stack([xy, np.ones(len(xy))]), station.lens)

    ring_xy = refined(undistort_points(_ring(drawn), station.lens), pixels)
    return shapely.Polygon(pixels(ring_xy)).buffer(0)


def refined(ring: Points2, bend: Callable[[Points2], Points2]) -> Points2:
    """Return a ring (n, 2) with points added until no edge, bent by `bend`, strays from its chord by `SAG_PX`."""
    for _ in range(ROUNDS):
        following = np.roll(ring, -1, axis=0)
        start, end = bend(ring), bend(following)
        stray = np.zeros(len(ring))
        for t in (0.25, 0.5, 0.75):
            middle = bend(ring + t * (following - ring))
            stray = np.maximum(stray, np.linalg.norm(middle - start - t * (end - start), axis=1))
        cut = np.flatnonzero(stray > SAG_PX)
        if len(cut) == 0:
            return ring
        ring = np.insert(ring, cut + 1, (ring[cut] + following[cut]) / 2, axis=0)
    raise SolveError("the lens bends this outline without end", where=f"outline of {len(ring)} points")
