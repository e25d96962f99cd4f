"""Cones of outlines: all that could have drawn an outline, and, past a photo's edge, all that the photo rules out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.obstacles.outlines import SAG_PX, Drawn, both_ways, grow, section_of
from elbowroom.recon.picks.stations import Station
from elbowroom.shared.arrays import Bools, Floats, Points2, Points3
from elbowroom.shared.errors import InputError

if TYPE_CHECKING:
    import shapely
    from manifold3d import Manifold

NEAR_MM = 10.0
"""Cones start this far before the lens: nothing to be measured is nearer."""

OPEN_SHARE = 0.05
"""An outline said to be open runs on past each side of the photo that it comes nearer to than this share of the longer
side: that far off a hand still stops short of the edge, and no further may anything be clicked outside."""


@dataclass(frozen=True, eq=False)
class View:
    """One outline ready to cut.

    Parameters
    ----------
    station : Station
        Where it was seen from.
    shape : Polygon
        The outline as drawn, px.
    widen_px : float
        How much it is grown.
    known : Polygon or None
        For an outline that runs off the photo, the part of the photo it is drawn in, px: what lies outside is free.
    cone : Manifold
        All that appears in the grown outline.
    ruled_out : Manifold or None
        For an outline that runs off the photo, all that appears in `known` outside the grown outline.
    sections : tuple of Polygon
        What `ruled_out`, or without it `cone`, is over, at depth 1 in the camera frame.
    """

    station: Station
    shape: shapely.Polygon
    widen_px: float
    known: shapely.Polygon | None
    cone: Manifold
    ruled_out: Manifold | None
    sections: tuple[shapely.Polygon, ...]

    def allows(self, points_world: Points3) -> Bools:
        """Return which world points (n, 3) could be the thing's as far as this outline tells."""
        import shapely

        camera = self.station.camera_from_world.apply(points_world)
        front = camera[:, 2] > NEAR_MM
        with np.errstate(divide="ignore", invalid="ignore"):
            xy = camera[:, :2] / camera[:, 2:]
        hit = np.any([shapely.contains_xy(s, xy) for s in self.sections], axis=0) & front
        return np.asarray(hit if self.ruled_out is None else ~hit)


def view_of(
    drawn: Drawn, station: Station, *, widen_px: float, far_mm: float, stated_open: bool, where: str
) -> View:
    """Return the view of a drawn outline: its sides along the photo's edge do not cut.

    Raises
    ------
    InputError
        When the outline is said to run off the photo and comes near none of its sides.
    """
    held = both_ways(drawn, station)
    grown = grow(held, widen_px + 2 * SAG_PX)  # once a round of chords
    known = _known(drawn.ring, held, station, widen_px=widen_px, stated_open=stated_open, where=where)
    sections = _sections([grown], station)
    cone = _cone(sections, station, far_mm)
    if known is None:
        return View(station, drawn.shape, widen_px, None, cone, None, sections)
    outside = known.buffer(-SAG_PX, join_style="mitre").difference(grown)
    pieces = [p for p in getattr(outside, "geoms", [outside]) if p.geom_type == "Polygon" and not p.is_empty]
    sections = _sections(pieces, station)
    return View(station, drawn.shape, widen_px, known, cone, _cone(sections, station, far_mm), sections)


def _known(
    ring: Points2,
    held: shapely.Polygon,
    station: Station,
    *,
    widen_px: float,
    stated_open: bool,
    where: str,
) -> shapely.Polygon | None:
    """Return the part of the photo in which an outline that runs off it tells all; None when it stays inside."""
    import shapely

    right, below = station.lens.width_px - 1.0, station.lens.height_px - 1.0
    near = max(widen_px, OPEN_SHARE * max(right, below)) if stated_open else widen_px
    x0, y0, x1, y1 = held.bounds
    nearest = min(x0, y0, right - x1, below - y1)
    if nearest > near:
        if not stated_open:
            return None
        raise InputError(
            "an open outline runs on past a side of the photo, and this one comes near none",
            where=f"{where}, photo {station.photo}",
            value=f"{nearest:.0f} px from the nearest side",
            limit=f"{near:.0f} px",
            todo="draw it up to the photo's edge, or leave out open",
        )
    inside = np.column_stack([ring, right - ring[:, 0], below - ring[:, 1]])  # from left, top, right, below
    inset = np.where(inside <= near, np.maximum(inside, 0.0), 0.0).max(axis=0)
    return shapely.box(inset[0], inset[1], right - inset[2], below - inset[3])


def _sections(polygons: Sequence[shapely.Polygon], station: Station) -> tuple[shapely.Polygon, ...]:
    import shapely

    rings = [section_of(p, station) for p in polygons]
    made = tuple(shapely.Polygon(outer, holes) for outer, *holes in rings)
    for section in made:
        shapely.prepare(section)
    return made


def _cone(sections: Sequence[shapely.Polygon], station: Station, far_mm: float) -> Manifold:
    """Return the frustum, world, of everything between `NEAR_MM` and `far_mm` over polygons at depth 1.

    The library keeps sections to 1e-8 (measured), which at 20 m is 2e-5 mm of the 1 mm and more of widening.
    """
    from manifold3d import CrossSection, FillRule, Manifold

    rings = [np.array(r.coords)[:-1] * NEAR_MM for s in sections for r in (s.exterior, *s.interiors)]
    section = CrossSection(rings, FillRule.EvenOdd)
    cone = Manifold.extrude(section, far_mm - NEAR_MM, scale_top=(far_mm / NEAR_MM, far_mm / NEAR_MM))
    world_from_camera = station.camera_from_world.inverse()
    return cone.translate((0.0, 0.0, NEAR_MM)).transform(world_from_camera.matrix()[:3])


def meet(views: Sequence[View], *, about_world: Floats, far_mm: float) -> Manifold:
    """Return what all outlines leave to one thing in one piece, maybe nothing.

    Pieces of it that lie outside what an open outline shows are dropped: the thing shows in every outline, and is not
    in two pieces.
    """
    from manifold3d import Manifold, OpType

    closed = [v.cone for v in views if v.ruled_out is None]
    if closed:
        solid = Manifold.batch_boolean(closed, OpType.Intersect)
    else:
        solid = Manifold.cube((2 * far_mm,) * 3, True).translate(tuple(about_world))
    ruled_out = [v.ruled_out for v in views if v.ruled_out is not None]
    if not ruled_out:
        return solid
    solid = Manifold.batch_boolean([solid, *ruled_out], OpType.Subtract)
    shown = [v.cone for v in views if v.ruled_out is not None]
    kept = [piece for piece in solid.decompose() if not any((piece ^ cone).is_empty() for cone in shown)]
    return Manifold.compose(kept)
