"""Tubes: straight ones from their edges in two or more photos, bent ones along axis points of typed diameter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.leastsquares import Adjusted, adjust, differences
from elbowroom.recon.picks.rays import GOOD_RAY_ANGLE_DEG, LEAST_RAY_ANGLE_DEG, RESIDUAL_SIGMAS, solve_point
from elbowroom.recon.picks.stations import NetworkDoubt, Station, check_inside, largest_angle_deg, station_of
from elbowroom.recon.solids import MeshArrays, axes_along, ball_round, prism_round
from elbowroom.shared.arrays import Floats, Mat3, Points2, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import EdgeLines, Scene, TubeTag

SHARP_BEND_DEG = 25.0
"""A turn above this at one axis point means the chords stray far from a smooth bend: more points are worth it."""

MOST_END_TURN = np.pi / 4
"""An end is let out for the slant of a bend up to this turn, rad; a sharper one is a corner, not a bend."""


@dataclass(frozen=True, eq=False)
class Tube:
    """A measured tube.

    Parameters
    ----------
    axis_world : Points3
        (n, 3) mm, the axis points; two for a straight tube.
    radius_mm : float
    covariance : Mat3
        (3, 3) mm², of the axis where it is worst, the doubt of a fitted radius across it.
    meshes : list of MeshArrays
        Closed convex pieces that contain the tube.
    widened_mm : float
        How much the radius was grown for bends that chords cut short, at most doubling it.
    findings : tuple of Finding
    radius_sd_mm : float
        Doubt of a fitted radius; 0 of a typed one.
    """

    axis_world: Points3
    radius_mm: float
    covariance: Mat3
    meshes: list[MeshArrays]
    widened_mm: float = 0.0
    findings: tuple[Finding, ...] = ()
    radius_sd_mm: float = 0.0


def measure_tube(tag: TubeTag, scene: Scene, *, network: NetworkDoubt | None = None) -> Tube:
    """Return the tube of a tag.

    Raises
    ------
    InputError
        Edges in fewer than two photos or in photos that see the tube from one side only; edges on one side of
        the axis; axis points that can't be solved or lie on one another.
    """
    where = f"tube {tag.name}"
    return _from_edges(tag, scene, network, where) if tag.edges else _along_points(tag, scene, network, where)


# --- along axis points ---------------------------------------------------------------------------------------


def _along_points(tag: TubeTag, scene: Scene, network: NetworkDoubt | None, where: str) -> Tube:
    assert tag.diameter_mm is not None
    solved = [
        solve_point(p, scene, tag.pick_sd_px, network=network, where=f"{where}, axis point {i + 1}")
        for i, p in enumerate(tag.axis)
    ]
    axis, radius = np.array([s.point_world for s in solved]), tag.diameter_mm / 2
    lengths = np.linalg.norm(np.diff(axis, axis=0), axis=1)
    if lengths.min() < 1e-3:
        raise InputError(
            "two axis points lie on one another", where=f"{where}, axis point {int(lengths.argmin()) + 2}"
        )
    turns = _turns(axis)
    sags = np.minimum(_sags(lengths, turns), radius)
    worst = max((s.covariance for s in solved), key=lambda c: float(np.trace(c)))
    findings = (*(f for s in solved for f in s.findings), *_bend_finding(turns, sags, where))
    return Tube(axis, radius, worst, _pieces(axis, radius + sags, turns), float(sags.max()), findings)


def _turns(axis: Points3) -> Floats:
    """Return the turn, rad, at each axis point (n,): 0 at the ends."""
    along = np.diff(axis, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    turns = np.arccos(np.clip((along[:-1] * along[1:]).sum(axis=1), -1, 1))
    return np.concatenate([[0.0], turns, [0.0]])


def _sags(lengths: Floats, turns: Floats) -> Floats:
    """Return how far, mm, a smooth bend may stray from each chord (n - 1,): the sagitta L² / 8r = L turn / 8.

    L is the shorter of the two chords at a joint, so a straight leg does not swell for the elbow at its end.
    """
    at_joint = np.zeros(len(turns))
    at_joint[1:-1] = np.minimum(lengths[:-1], lengths[1:]) * turns[1:-1] / 8
    return np.maximum(at_joint[:-1], at_joint[1:])


def _pieces(axis: Points3, radii: Floats, turns: Floats) -> list[MeshArrays]:
    """A prism a stretch and a ball a joint.

    A bend's end face stands half a turn aslant its chord, so the end prisms reach out by r tan(turn / 2).
    """
    axis = axis.copy()
    for end, inner in ((0, 1), (-1, -2)):
        outward = (axis[end] - axis[inner]) / np.linalg.norm(axis[end] - axis[inner])
        axis[end] += outward * radii[end] * np.tan(min(turns[inner], MOST_END_TURN) / 2)
    prisms = [prism_round(a, b, r) for a, b, r in zip(axis[:-1], axis[1:], radii, strict=True)]
    joints = [ball_round(p, max(r)) for p, *r in zip(axis[1:-1], radii[:-1], radii[1:], strict=True)]
    return prisms + joints


def _bend_finding(turns: Floats, sags: Floats, where: str) -> tuple[Finding, ...]:
    turn = float(np.rad2deg(turns.max()))
    if turn <= SHARP_BEND_DEG:
        return ()
    message = f"{where}: turns {turn:.0f} degrees at axis point {int(turns.argmax()) + 1}; the tube was grown by {sags.max():.1f} mm there to hold the bend, more axis points make it slimmer"
    numbers = {"turn_deg": turn, "grown_mm": float(sags.max())}
    return (Finding(code="tag-tube-bend", severity="note", subject=where, message=message, numbers=numbers),)


# --- from edges ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class EdgePicks:
    """All edge picks, 4 a photo: stations, sides (n,) +1 or -1, camera centres (n, 3), and unit rays (5, n, 3)
    through each pick and through the pixels half a pixel right, left, below and above it."""

    stations: list[Station]
    sides: Floats
    centres: Points3
    rays: Floats

    @classmethod
    def of(cls, stations: list[Station], points_px: Points2, sides: Floats) -> EdgePicks:
        """Return the picks (n, 2) px with their rays."""
        shifts = 0.5 * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
        rays = [
            np.vstack([s.directions(points_px[4 * i : 4 * i + 4] + shift) for i, s in enumerate(stations)])
            for shift in shifts
        ]
        return cls(stations, sides, np.repeat([s.centre_world for s in stations], 4, axis=0), np.array(rays))

    def distances(self, point: Floats, along: Floats) -> tuple[Floats, Floats]:
        """Return each tangent ray's signed distance from the axis (n,) mm, and mm per px across the edge (n,)."""
        square = np.cross(self.rays, along)
        mm = ((self.centres - point) * square).sum(axis=2) / np.linalg.norm(square, axis=2)
        return mm[0] * self.sides, np.hypot(mm[1] - mm[2], mm[3] - mm[4])

    def places(self, point: Floats, along: Floats) -> Floats:
        """Return where along the axis, mm from `point`, each tangent ray comes nearest (n,)."""
        off, rays = self.centres - point, self.rays[0]
        across = rays @ along
        return (off @ along - across * (off * rays).sum(axis=1)) / (1 - across**2)


def _from_edges(tag: TubeTag, scene: Scene, network: NetworkDoubt | None, where: str) -> Tube:
    stations = _check_photos(tag.edges, scene, where)
    pixels = np.vstack([_pixels(e, s, where) for e, s in zip(tag.edges, stations, strict=True)])
    point, along, shallow = _start(stations, pixels, where)
    picks = EdgePicks.of(stations, pixels, _sides(stations, pixels, point, along, where))
    point, scale = _middle(picks, point, along)
    axes, typed = axes_along(along), None if tag.diameter_mm is None else tag.diameter_mm / 2
    weights = _weights(tag)
    solved = adjust(
        _residuals(picks, point, axes, scale, typed, weights), _first(picks, point, along, typed), where=where
    )
    off = _edge_finding(solved, tag, where)
    factor = solved.variance_factor(tag.pick_sd_px) if off else 1.0
    covariance = solved.cofactor * tag.pick_sd_px**2 * max(1.0, factor)
    return _straight(solved, covariance, picks, (point, axes, scale), tag, network, (*shallow, *off))


def _check_photos(edges: tuple[EdgeLines, ...], scene: Scene, where: str) -> list[Station]:
    names = [e.photo for e in edges]
    if len(set(names)) < 2 or len(set(names)) < len(names):
        raise InputError(
            "a tube needs its two edges in two photos or more, once in each",
            where=where,
            value=", ".join(names),
            todo="draw its edges in a photo taken from another side",
        )
    return [station_of(scene, n, where=where) for n in names]


def _pixels(edge: EdgeLines, station: Station, where: str) -> Points2:
    """Return the picks of one photo (4, 2): one edge, then the other, both running the same way."""
    points = check_inside(np.array([*edge.one_px, *edge.other_px]), station, where=where)
    if min(np.linalg.norm(points[1] - points[0]), np.linalg.norm(points[3] - points[2])) < 2.0:
        raise InputError(
            "an edge's two picks are one pixel", where=f"{where}, photo {edge.photo}", todo="pick its ends"
        )
    if (points[1] - points[0]) @ (points[3] - points[2]) < 0:
        points[2:] = points[[3, 2]]
    return points


def _start(
    stations: list[Station], pixels: Points2, where: str
) -> tuple[Floats, Floats, tuple[Finding, ...]]:
    """Return a point of the axis, its direction, and a finding when the photos lie nearly in one plane with it."""
    planes = np.array([_axis_plane(s.directions(pixels[4 * i : 4 * i + 4])) for i, s in enumerate(stations)])
    angle = largest_angle_deg(planes)
    if angle < LEAST_RAY_ANGLE_DEG:
        raise InputError(
            "all photos look at the tube from one side (they lie in one plane with its axis)",
            where=where,
            value=f"{angle:.1f} deg",
            limit=f"{LEAST_RAY_ANGLE_DEG:.0f} deg",
            todo="draw its edges in a photo taken across the tube",
        )
    along = np.linalg.svd(planes)[2][2]
    centres = np.array([s.centre_world for s in stations])
    rows, level = (
        np.vstack([planes, along]),
        np.append((planes * centres).sum(axis=1), along @ centres.mean(axis=0)),
    )
    point = np.linalg.lstsq(rows, level, rcond=None)[0]
    if angle >= GOOD_RAY_ANGLE_DEG:
        return point, along, ()
    message = f"{where}: the photos see the tube from nearly one side ({angle:.1f} degrees); draw its edges in a photo taken across it"
    finding = Finding(
        code="tag-shallow-rays",
        severity="warning",
        subject=where,
        message=message,
        numbers={"angle_deg": angle},
    )
    return point, along, (finding,)


def _axis_plane(rays: Points3) -> Floats:
    """Return the unit normal (3,) of the plane through camera and axis: halfway between the two tangent planes."""
    one, other = np.cross(rays[0], rays[1]), np.cross(rays[2], rays[3])
    one, other = one / np.linalg.norm(one), other / np.linalg.norm(other)
    middle = one + other
    return np.asarray(middle / np.linalg.norm(middle))


def _sides(stations: list[Station], pixels: Points2, point: Floats, along: Floats, where: str) -> Floats:
    raw, _ = EdgePicks.of(stations, pixels, np.ones(len(pixels))).distances(point, along)
    pairs = raw.reshape(-1, 2, 2).mean(axis=2)
    for station, (one, other) in zip(stations, pairs, strict=True):
        if one * other >= 0:
            raise InputError(
                "both edges lie on one side of the tube the other photos show",
                where=f"{where}, photo {station.photo}",
                todo="draw the two edges of the same tube in every photo",
            )
    return np.repeat(np.sign(pairs).ravel(), 2)


def _middle(picks: EdgePicks, point: Floats, along: Floats) -> tuple[Floats, float]:
    """Return the axis point half-way between the picked ends and half the length between them."""
    places = picks.places(point, along)
    return point + along * (places.min() + places.max()) / 2, max(1.0, float(np.ptp(places)) / 2)


def _first(picks: EdgePicks, point: Floats, along: Floats, typed: float | None) -> Floats:
    radius = [] if typed is not None else [float(picks.distances(point, along)[0].mean())]
    return np.array([0.0, 0.0, 0.0, 0.0, *radius])


def _line(unknowns: Floats, point: Floats, axes: Mat3, scale: float) -> tuple[Floats, Floats]:
    """Unknowns, mm: shift of the middle along two directions across, shift of the far end against the middle."""
    along = axes[:, 2] + axes[:, :2] @ unknowns[2:4] / scale
    return point + axes[:, :2] @ unknowns[:2], along / np.linalg.norm(along)


def _weights(tag: TubeTag) -> Floats:
    """Return what each pick counts (n,): the tag's doubt over its own."""
    return np.repeat([1.0 if e.sd_px is None else tag.pick_sd_px / e.sd_px for e in tag.edges], 4)


def _residuals(
    picks: EdgePicks, point: Floats, axes: Mat3, scale: float, typed: float | None, weights: Floats
) -> Callable[[Floats], Floats]:
    def residuals_px(unknowns: Floats) -> Floats:
        mm, per_px = picks.distances(*_line(unknowns, point, axes, scale))
        return (mm - (unknowns[4] if typed is None else typed)) / per_px * weights

    return residuals_px


def _straight(
    solved: Adjusted,
    covariance: Floats,
    picks: EdgePicks,
    start: tuple[Floats, Mat3, float],
    tag: TubeTag,
    network: NetworkDoubt | None,
    findings: tuple[Finding, ...],
) -> Tube:
    middle, along = _line(solved.unknowns, *start)
    places = picks.places(middle, along)
    ends = middle + np.array([[places.min()], [places.max()]]) * along
    radius = float(solved.unknowns[4]) if tag.diameter_mm is None else tag.diameter_mm / 2
    if radius <= 0:
        raise InputError(
            "the edges give no radius above 0", where=f"tube {tag.name}", value=f"{radius:.2f} mm"
        )
    doubts = [
        _place_covariance(float(t), covariance, picks, start, tag) for t in (places.min(), places.max())
    ]
    worst = max(doubts, key=lambda c: float(np.trace(c)))
    if network is not None:
        worst = worst + max((network.point_covariance(e) for e in ends), key=lambda c: float(np.trace(c)))
    radius_sd = float(np.sqrt(covariance[4, 4])) if tag.diameter_mm is None else 0.0
    return Tube(ends, radius, worst, [prism_round(ends[0], ends[1], radius)], 0.0, findings, radius_sd)


def _place_covariance(
    place: float, covariance: Floats, picks: EdgePicks, start: tuple[Floats, Mat3, float], tag: TubeTag
) -> Mat3:
    """Doubt of the axis at `place`, of a fitted radius across it, and of the end pick along it."""

    def at(unknowns: Floats) -> Floats:
        middle, along = _line(unknowns, *start)
        return middle + place * along

    point, axes, _ = start
    rows = differences(at, np.zeros(len(covariance)))
    along = axes[:, 2]
    across = np.eye(3) - np.outer(along, along)
    radius_part = covariance[4, 4] * across if tag.diameter_mm is None else 0.0 * across
    end_mm = tag.pick_sd_px * max(s.mm_per_px(point) for s in picks.stations)
    return rows @ covariance @ rows.T + radius_part + end_mm**2 * np.outer(along, along)


def _edge_finding(solved: Adjusted, tag: TubeTag, where: str) -> tuple[Finding, ...]:
    tests = solved.standardised(tag.pick_sd_px)
    worst = int(tests.argmax())
    if tests[worst] <= RESIDUAL_SIGMAS:
        return ()
    edge = tag.edges[worst // 4]
    off = float(abs(solved.residuals[worst]) / _weights(tag)[worst])
    message = f"{where}: an edge in {edge.photo} misses the tube of all edges by {off:.1f} px, {tests[worst]:.0f} times its doubt; draw it again, or the tube isn't straight and round"
    numbers = {"off_px": off, "sigmas": float(tests[worst])}
    return (
        Finding(code="tag-edge-off", severity="warning", subject=where, message=message, numbers=numbers),
    )
