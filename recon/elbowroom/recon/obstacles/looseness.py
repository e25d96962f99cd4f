"""How loose a volume is: how far its surface may stand off the thing inside it, direction by direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.recon.directions import DIRECTIONS
from elbowroom.recon.obstacles.cones import View
from elbowroom.shared.arrays import Faces, Floats, Ints, Points2, Points3
from elbowroom.shared.lens import coefficients_of, distort_derivative, undistort_points
from elbowroom.shared.scene import Loose, vec3

Codes = npt.NDArray[np.uint8]

OUTSIDE_PX = 2.5
"""How much further out than in a careful hand strays, px: told to leave nothing out, it draws up to 2 px outside the
edge (common practice, no source)."""

RIM_POINTS, RIM_EXTREMES = 32, 16
"""Places on an outline that are asked what they prove: spread evenly along it, and furthest out all round."""

STRAIGHT_PX = 0.05
"""Added to a doubt for taking the lens as straight across it: five times what was measured at a phone lens' corner."""

SIDES = 8
"""Sides of the polygon round a place's doubt: its corners stand out by 8 %."""


@dataclass(frozen=True, eq=False)
class Proof:
    """What one outline proves of the thing in a volume.

    Parameters
    ----------
    support_mm : (98,) floats
        The thing reaches at least so far along each of `DIRECTIONS`, mm from the origin; minus infinity if unproven.
    spans_world : Floats
        (n, 2, 3) mm: nearest and furthest that the volume comes on the line of sight of each place on the outline.
    unmet : float
        Share of the outline whose places the volume does not come near: it was drawn round something else.
    """

    support_mm: Floats
    spans_world: Floats
    unmet: float


def supports(points_world: Points3) -> Floats:
    """Return how far points (n, 3) mm reach along each of `DIRECTIONS`, (98,) mm from the origin."""
    return np.asarray((points_world @ DIRECTIONS.T).max(axis=0))


def looseness(vertices_world: Points3, proofs: Sequence[Proof]) -> Floats:
    """Return how far a volume's surface may stand off the thing along each of `DIRECTIONS`, (98,) mm.

    Looseness along d is the distance between two planes square to d: the one that the volume just touches from
    inside, and the furthest that the outlines prove the thing to reach. An outline proves this: the thing's own
    outline passes within the widening, and `OUTSIDE_PX` more, of every place on the drawn one. So the thing has a
    point inside the volume in the narrow cone of that doubt, and reaches along d at least as far as the nearest point
    of the volume in that cone. Of all outlines' places the one that proves most counts.

    Square to a line of sight that grazes the thing this leaves the two doubts; along the lines of sight it is the
    length of the volume there. It bounds, and does not estimate: one place proves only one point somewhere on its line,
    so what several places prove together is not used, and a convex thing fills its volume better than this says. It
    tells of planes, not of hollows: it can't see how far the volume stands off in a notch that no outline shows.
    It holds only as far as the hand kept to the edge; a line drawn far outside the thing proves nothing.
    """
    proven = np.max([p.support_mm for p in proofs], axis=0)
    return np.asarray(np.maximum(supports(vertices_world) - proven, 0.0))


def told(loose_mm: Floats) -> tuple[Loose, ...]:
    """Return looseness (98,) mm as it is kept with an obstacle: where it is most, then along +x, -x, +y, -y, +z, -z."""
    if not np.isfinite(loose_mm).all():
        return ()
    along = np.vstack([s * np.eye(3)[k] for k in range(3) for s in (1, -1)])
    shown = [int(loose_mm.argmax()), *(DIRECTIONS @ along.T).argmax(axis=0).tolist()]
    return tuple(Loose(direction=vec3(DIRECTIONS[i]), mm=float(loose_mm[i])) for i in shown)


def proof_of(view: View, vertices_world: Points3, faces: Faces) -> Proof:
    """Return what an outline proves of the thing in a volume, a closed mesh (n, 3) mm and (m, 3).

    Every vertex of what the volume and a place's cone share is one of three: a corner of the volume inside the cone,
    an edge of the volume cut by a side of the cone, a face cut by an edge of the cone. A direction is reached least at
    one of them.
    """
    places = _places(view)
    if len(places) == 0:
        return Proof(np.full(len(DIRECTIONS), -np.inf), np.zeros((0, 2, 3)), 0.0)
    rays = _doubt_rays(places, view)
    corners = view.station.camera_from_world.apply(vertices_world)
    place, points = _shared(rays, corners, faces)
    met = np.unique(place)
    if len(met) == 0:
        return Proof(np.full(len(DIRECTIONS), -np.inf), np.zeros((0, 2, 3)), 1.0)
    order = np.argsort(place, kind="stable")
    place, points = place[order], points[order]
    first = np.searchsorted(place, met)
    world = view.station.camera_from_world.inverse().apply(points)
    least = np.minimum.reduceat(world @ DIRECTIONS.T, first, axis=0)
    depths = np.stack([r.reduceat(points[:, 2], first) for r in (np.minimum, np.maximum)], axis=1)
    spans = rays[met].mean(axis=1)[:, None] * depths[:, :, None]
    spans_world = view.station.camera_from_world.inverse().apply(spans.reshape(-1, 3)).reshape(-1, 2, 3)
    return Proof(least.max(axis=0), spans_world, 1.0 - len(met) / len(places))


def _places(view: View) -> Points2:
    """Return the places (n, 2) px on a drawn outline that prove something: none along the photo's edge."""
    import shapely

    rim = view.shape.exterior
    even = shapely.line_interpolate_point(rim, np.arange(RIM_POINTS) / RIM_POINTS, normalized=True)
    corners = np.array(rim.coords)[:-1]
    angles = 2 * np.pi * np.arange(RIM_EXTREMES) / RIM_EXTREMES
    extremes = np.unique((corners @ np.array([np.cos(angles), np.sin(angles)])).argmax(axis=0))
    places = np.vstack([shapely.get_coordinates(even), corners[extremes]])
    if view.known is None:
        return places
    inner = view.known.buffer(-_doubt_px(view), join_style="mitre")
    return np.asarray(places[shapely.contains_xy(inner, places)])


def _doubt_px(view: View) -> float:
    return view.widen_px + OUTSIDE_PX


def _doubt_rays(places_px: Points2, view: View) -> Floats:
    """Return the corners' rays (n, 8, 3), camera frame at depth 1, of a polygon round each place's doubt.

    The lens is taken as straight across a doubt of some ten pixels, which is right to 0.01 px.
    """
    lens = view.station.lens
    angles = 2 * np.pi * np.arange(SIDES) / SIDES
    radius = (_doubt_px(view) + STRAIGHT_PX) / np.cos(np.pi / SIDES) / lens.focal_px
    middle = undistort_points(places_px, lens)
    unbend = np.linalg.inv(distort_derivative(middle, coefficients_of(lens)))
    ring = radius * np.array([np.cos(angles), np.sin(angles)])
    xy = middle[:, None] + (unbend @ ring).transpose(0, 2, 1)
    return np.concatenate([xy, np.ones((*xy.shape[:2], 1))], axis=2)


def _shared(rays: Floats, corners: Points3, faces: Faces) -> tuple[Ints, Points3]:
    """Return the vertices (m, 3) of what a mesh shares with each of n cones (n, 8, 3) from the origin, and whose."""
    sides = np.cross(
        rays, np.roll(rays, -1, axis=1)
    )  # looking inward: y points down, so the ring turns right
    level = sides @ corners.T  # (places, sides, corners of the mesh)
    out = np.packbits(level < 0, axis=1)[:, 0]  # (n, v), one bit a side
    edges = np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    edges = edges[edges[:, 0] < edges[:, 1]]  # each edge of a closed mesh runs once each way
    place, points = _cut_edges(level, out, edges, corners)
    more_place, more = _cut_faces(rays, out, faces, corners)
    return np.concatenate([place, more_place]), np.vstack([points, more])


def _cut_edges(level: Floats, out: Codes, edges: Ints, corners: Points3) -> tuple[Ints, Points3]:
    """Return both ends of what each cone leaves of each edge."""
    n, e = np.nonzero((out[:, edges[:, 0]] & out[:, edges[:, 1]]) == 0)
    start, end = edges[e, 0], edges[e, 1]
    one, other = level[n, :, start], level[n, :, end]  # (pairs, sides)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = one / (one - other)
    low = np.where((one < 0) & (other >= 0), at, 0.0).max(axis=1, initial=0.0)
    high = np.where((one >= 0) & (other < 0), at, 1.0).min(axis=1, initial=1.0)
    kept = low <= high
    a, b = corners[start[kept]], corners[end[kept]]
    ends = [a + t[kept, None] * (b - a) for t in (low, high)]
    return np.concatenate([n[kept], n[kept]]), np.vstack(ends)


def _cut_faces(rays: Floats, out: Codes, faces: Faces, corners: Points3) -> tuple[Ints, Points3]:
    """Return where each cone's edges cut the faces.

    Source: ray and triangle by three signed volumes, closed form.
    """
    n, f = np.nonzero((out[:, faces[:, 0]] & out[:, faces[:, 1]] & out[:, faces[:, 2]]) == 0)
    a, b, c = (corners[faces[f, k]] for k in range(3))
    parts = [
        np.einsum("psj,pj->ps", rays[n], np.cross(*pair)) for pair in ((b, c), (c, a), (a, b))
    ]  # p: pairs
    total = sum(parts)
    same = np.all([p >= 0 for p in parts], axis=0) | np.all([p <= 0 for p in parts], axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.einsum("pj,pj->p", a, np.cross(b, c))[:, None] / total
    p, s = np.nonzero(same & (total != 0) & (depth > 0))
    return n[p], rays[n[p], s] * depth[p, s, None]
