"""Pads: the parts a profile must contain, each the hull of a few discs, and the points where webs may join it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.shared.arrays import Floats, Points2

DISC_POINTS = 120
"""Corners of the polygon that stands for a disc while the band is pulled taut; exact circles replace it after."""

ANCHOR_ROOM_MM = 2.0
"""Anchors stand this much further in than half a web: webs are planned with up to 1.8 mm to spare."""

SNIPE_SHARE = 0.6
"""Weld strips narrow by this share of their depth at each end, so that the outline can run straight on from the weld."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Pad:
    """A part of the plate that must be there.

    Parameters
    ----------
    name : str
        The hole, weld edge or slot it belongs to.
    discs : Floats
        (k, 3) x, y, radius, mm, plate xy; the pad is their hull. A radius may be 0.
    anchors : Points2
        (a, 2) mm: points inside, half a web or more from the pad's own edge, where webs may start.
    on_edge : Points2
        (m, 2) mm: points that must lie exactly on the outline (a weld edge); empty for others. The plate is held
        there, other pads carry loads.
    """

    name: str
    discs: Floats
    anchors: Points2
    on_edge: Points2 = field(default_factory=lambda: np.zeros((0, 2)))

    @cached_property
    def shape(self) -> Polygon:
        """The pad as a polygon with its corners on the true outline."""
        return disc_hull(self.discs)


@dataclass(frozen=True, kw_only=True, eq=False)
class Wall:
    """A straight limit: the plate keeps to the side `normal` points to. `point`, `normal` (2,) mm, plate xy."""

    name: str
    point: Floats
    normal: Floats


def disc_points(discs: Floats) -> Points2:
    """Return points (k * DISC_POINTS, 2) on the rims of discs (k, 3)."""
    angle = 2 * np.pi * np.arange(DISC_POINTS) / DISC_POINTS
    rim = np.column_stack([np.cos(angle), np.sin(angle)])
    points: Points2 = (discs[:, None, :2] + discs[:, None, 2:] * rim).reshape(-1, 2)
    return points


def disc_hull(discs: Floats) -> Polygon:
    """Return the convex hull of discs (k, 3) with corners on their rims."""
    return shapely.convex_hull(shapely.multipoints(disc_points(discs)))


def round_pad(name: str, centre: Iterable[float], radius: float) -> Pad:
    """Return the pad of a round hole."""
    x, y = centre
    return Pad(name=name, discs=np.array([[x, y, radius]]), anchors=np.array([[x, y]]))


def slot_pad(name: str, corners: Points2, radius: float) -> Pad:
    """Return the pad round a slot: its corner points (k, 2) grown by `radius`; webs join at the corners' middle."""
    discs = np.column_stack([corners, np.full(len(corners), radius)])
    return Pad(name=name, discs=discs, anchors=np.vstack([corners.mean(axis=0), corners]))


def weld_pad(
    name: str, start: Floats, end: Floats, normal: Floats, *, depth: float, corner: float, web: float
) -> Pad:
    """Return the strip behind a weld edge from `start` to `end` (2,), reaching `depth` along `normal`.

    Its outer corners are rounded beyond the ends, so that the straight part runs from end to end.
    """
    reach = max(depth, web + ANCHOR_ROOM_MM, 2 * corner)
    rows = [start + corner * normal, end + corner * normal]
    along = (end - start) / np.linalg.norm(end - start)
    snipe = min(SNIPE_SHARE * reach, 0.25 * float(np.linalg.norm(end - start)))
    rows += [
        end + (reach - corner) * normal - snipe * along,
        start + (reach - corner) * normal + snipe * along,
    ]
    inset = min(0.5 * web, 0.5 * float(np.linalg.norm(end - start)))
    spine = [start + inset * along, 0.5 * (start + end), end - inset * along]
    anchors = np.array([p + (reach - 0.5 * web) * normal for p in spine])
    return Pad(
        name=name,
        discs=np.column_stack([rows, np.full(4, corner)]),
        anchors=anchors,
        on_edge=np.array([start, 0.5 * (start + end), end]),
    )
