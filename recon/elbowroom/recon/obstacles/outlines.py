"""Outlines drawn in a photo: checked, grown by their doubt, and bent straight through the lens."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.picks.stations import Station, check_inside
from elbowroom.shared.arrays import Floats, Points2
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

LEAST_LENGTH_PX = 2.0
"""An outline shorter than this both ways is a slip of the hand, not a thing: two pixels show nothing."""

LINE_PX = 0.01
"""Half width given to a line that crosses itself, so that a wire drawn there and back is a polygon too."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """An outline as drawn: its clicks in order, `ring` (n, 2) px, and `shape`, the line with all that it encloses."""

    ring: Points2
    shape: shapely.Polygon


def drawn_outline(points_px: Points2, station: Station, *, where: str, doubt_px: float) -> Drawn:
    """Return a drawn outline (n, 2) px.

    The line may cross itself where the thing is no wider than the clicks' doubt `doubt_px`, as hands do that follow a
    wire. It may not where no such doubt explains it: a loop that goes round the other way, or twice, and holds a point
    further than that from the line. (Moving clicks by less than a point's distance from the line can't change how
    often the line goes round it, and a true outline goes round each point once or not at all.)

    Raises
    ------
    InputError
        When it leaves the photo, crosses itself (naming the place), or shrinks to a point.
    """
    points = check_inside(points_px, station, where=where)
    place = f"{where}, photo {station.photo}"
    length = float(np.ptp(points, axis=0).max())
    if length < LEAST_LENGTH_PX:
        raise InputError(
            "the outline has no area", where=place, value=f"{length:.2f} px across", todo="draw it again"
        )
    return Drawn(points, _filled(points, place, doubt_px))


def _filled(ring: Points2, place: str = "", doubt_px: float | None = None) -> shapely.Polygon:
    """Return what a closed line goes round, the line itself in it; raises as `drawn_outline` when a doubt is given."""
    import shapely

    polygon = shapely.Polygon(ring)
    if polygon.is_valid and polygon.area > 0:
        return polygon
    line = shapely.LinearRing(ring)
    cells = list(shapely.polygonize([shapely.unary_union(line)]).geoms)
    turns = [_turns(ring, np.array(c.representative_point().coords[0])) for c in cells]
    way = np.sign(sum(t * c.area for t, c in zip(turns, cells, strict=True)))
    for cell, times in zip(cells, turns, strict=True) if doubt_px is not None else ():
        if times not in (0, way) and not cell.buffer(-(doubt_px or 0.0)).is_empty:
            raise InputError(
                "the outline crosses or touches itself",
                where=place,
                value=shapely.is_valid_reason(polygon),
                todo="draw it again in one go round the thing",
            )
    kept = [c for c, times in zip(cells, turns, strict=True) if times]
    return shapely.union_all([line.buffer(LINE_PX), *kept])


def _turns(ring: Points2, at: Floats) -> int:
    """Return how often a closed line (n, 2) goes round a point (2,) that is not on it."""
    off = ring - at
    ahead = np.roll(off, -1, axis=0)
    turn = np.arctan2(off[:, 0] * ahead[:, 1] - off[:, 1] * ahead[:, 0], (off * ahead).sum(axis=1))
    return round(float(turn.sum() / (2 * np.pi)))


def both_ways(drawn: Drawn, station: Station) -> shapely.Polygon:
    """Return in pixels what the drawn outline may go round, the lens' bending considered.

    Between two clicks the hand may have followed the photo's straight line or the thing's own straight edge, which
    the lens bends: both are held.
    """
    return drawn.shape.union(_bent(drawn, station))


def grown_outline(drawn: Drawn, widen_px: float, station: Station) -> shapely.Polygon:
    """Return in pixels the simple polygon that holds the drawn outline, both ways, grown by `widen_px` and the chords."""
    return grow(both_ways(drawn, station), widen_px + 2 * SAG_PX)  # once a round of chords


def section_of(polygon_px: shapely.Polygon, station: Station) -> list[Points2]:
    """Return the rings (n, 2), at depth 1 in the camera frame, of a polygon in pixels; its chords stray by `SAG_PX`."""
    rings = [polygon_px.exterior, *polygon_px.interiors]
    return [_unbent(np.array(r.coords, dtype=np.float64)[:-1], station) for r in rings]


def cone_polygon(drawn: Drawn, widen_px: float, station: Station) -> Points2:
    """Return the section (n, 2) at depth 1, camera frame, of a cone that holds the drawn outline grown by `widen_px`."""
    return section_of(grown_outline(drawn, widen_px, station), station)[0]


def _unbent(ring_px: Points2, station: Station) -> Points2:
    fine = refined(ring_px, lambda px: station.lens.focal_px * undistort_points(px, station.lens))
    return undistort_points(fine, station.lens)


def grow(polygon: shapely.Polygon, by_px: float) -> shapely.Polygon:
    """Return a simple polygon without holes that holds every point within `by_px` of `polygon`."""
    import shapely

    grown = polygon.buffer(by_px, join_style="mitre", mitre_limit=MITRE_LIMIT)
    round_corners = polygon.buffer(by_px, quad_segs=16)
    if not grown.buffer(1e-6).contains(round_corners):
        grown = shapely.union(grown, round_corners)
    return shapely.Polygon(grown.exterior)


def _bent(drawn: Drawn, station: Station) -> shapely.Polygon:
    """Return the outline with edges straight in the world instead of in the photo, as chords in pixels."""

    def pixels(xy: Points2) -> Points2:
        return project_points(np.column_stack([xy, np.ones(len(xy))]), station.lens)

    return _filled(pixels(refined(undistort_points(drawn.ring, station.lens), pixels)))


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
