"""Straight edges: the line of picks in two or more photos, or on a known face, and the width between two of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.features.planes import Base, base_on, face_doubt
from elbowroom.recon.picks.leastsquares import Adjusted, adjust, differences
from elbowroom.recon.picks.rays import GOOD_RAY_ANGLE_DEG, LEAST_RAY_ANGLE_DEG
from elbowroom.recon.picks.sightlines import Sightlines
from elbowroom.recon.picks.stations import NetworkDoubt, largest_angle_deg
from elbowroom.recon.solids import axes_along
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.features import EdgeTag, MeasuredEdge
from elbowroom.shared.scene import MeasuredFace, Scene, cov3, vec3

LEAST_LENGTH_MM = 2.0
"""Picks that lie closer together than this give no direction."""

OFF_PARALLEL_SIGMAS = 3.0
"""Two edges further off parallel than this many of their own sd are no slot."""

OFF_PARALLEL_DEG = 1.0
"""Slots and bars are parallel to better than this (common practice, no source); less is not worth a finding."""


@dataclass(frozen=True, eq=False)
class Straight:
    """A measured line: middle (3,) mm, unit direction (3,), half length mm, and the (6, 6) covariance of middle mm and
    direction from picks and face alone; findings and the entity made of it."""

    middle: Floats
    along: Floats
    half_mm: float
    covariance: Floats
    made: MeasuredEdge
    findings: tuple[Finding, ...]


def measure_edge(tag: EdgeTag, scene: Scene, *, network: NetworkDoubt | None = None) -> Straight:
    """Return the line through a tag's edge picks.

    Raises
    ------
    InputError
        One photo without a face, photos that lie in one plane with the edge, a face looked at along itself, picks
        that are one place.
    SolveError
        When the picks fix no line.
    """
    where = f"edge {tag.name}"
    lines = Sightlines.of(tag.lines, scene, tag.pick_sd_px, where=where)
    if tag.face is None:
        return _in_space(tag, lines, network, where)
    return _on_face(tag, lines, scene.face(tag.face), network, where)


def with_width(edge: Straight, other: Straight) -> Straight:
    """Return an edge with the distance from its middle to another edge, and that distance's sd.

    Both edges hang on the same photos: what the frame's bending moves moves both, so only picks and faces count.
    """
    along = other.along if other.along @ edge.along > 0 else -other.along
    off = edge.middle - other.middle
    place = float(off @ along)
    across = off - place * along
    width = float(np.linalg.norm(across))
    if width < 1e-6:
        raise InputError(
            "the two edges are one line", where=f"edge {edge.made.name}", value=other.made.name, todo="pick the other edge"
        )  # fmt: skip
    unit = across / width
    lever = np.concatenate([unit, place * unit])
    plain = np.concatenate([unit, np.zeros(3)])
    variance = plain @ edge.covariance @ plain + lever @ other.covariance @ lever
    made = edge.made.model_copy(update={"width_mm": width, "width_sd_mm": float(np.sqrt(variance))})
    return Straight(
        edge.middle, edge.along, edge.half_mm, edge.covariance, made,
        (*edge.findings, *_not_parallel(edge, other)),
    )  # fmt: skip


def _not_parallel(edge: Straight, other: Straight) -> tuple[Finding, ...]:
    angle = float(np.arcsin(min(1.0, float(np.linalg.norm(np.cross(edge.along, other.along))))))
    sd = float(np.hypot(edge.made.tilt_sd_rad, other.made.tilt_sd_rad))
    if angle <= max(OFF_PARALLEL_SIGMAS * sd, np.deg2rad(OFF_PARALLEL_DEG)):
        return ()
    where = f"edge {edge.made.name}"
    message = f"{where}: runs {np.rad2deg(angle):.1f} degrees off the edge {other.made.name} it is said to lie across from; the width is that at its middle"
    numbers = {"angle_deg": float(np.rad2deg(angle))}
    return (
        Finding(
            code="tag-edges-not-parallel", severity="warning", subject=where, message=message, numbers=numbers
        ),
    )


# --- on a face -----------------------------------------------------------------------------------------------


def _on_face(
    tag: EdgeTag, lines: Sightlines, face: MeasuredFace, network: NetworkDoubt | None, where: str
) -> Straight:
    first = base_on(face, np.array(face.point_mm), 1.0)
    lines.check_facing(first.point, first.axes[:, 2], where=where)
    places = lines.on_plane(first.point, first.axes)[0]
    middle, along = _through(places, where)
    spread = (places - middle) @ along
    middle, half = middle + along * (spread.min() + spread.max()) / 2, float(np.ptp(spread)) / 2
    x, n = first.axes[:, :2] @ along, first.axes[:, 2]
    base = Base(first.point + first.axes[:, :2] @ middle, np.column_stack([x, np.cross(n, x), n]), half)

    def residuals(unknowns: Floats) -> Floats:
        """Unknowns, mm: the line across at the middle, and at its end against that; then the plane's shift (3)."""
        shift = unknowns[2:] if len(unknowns) > 2 else np.zeros(3)
        places = lines.on_plane(*base.moved(shift))
        slope = unknowns[1] / half
        return lines.in_sds((places[:, :, 1] - unknowns[0] - slope * places[:, :, 0]) / np.hypot(1, slope))

    def line(unknowns: Floats) -> Floats:
        point, axes = base.moved(unknowns[2:])
        along = axes[:, 0] + axes[:, 1] * unknowns[1] / half
        return np.concatenate([point + axes[:, 1] * unknowns[0], along / np.linalg.norm(along)])

    solved = adjust(residuals, np.zeros(2), where=where)
    off = _edge_finding(lines, solved, where)
    whole = np.zeros((5, 5))
    whole[:2, :2] = solved.cofactor * (max(1.0, solved.variance_factor(1.0)) if off else 1.0)
    at = np.concatenate([solved.unknowns, np.zeros(3)])
    carry = np.vstack([-solved.cofactor @ solved.jacobian.T @ differences(residuals, at)[:, 2:], np.eye(3)])
    whole = whole + carry @ face_doubt(face, base, network) @ carry.T
    rows = differences(line, at)
    return _straight(tag, lines, solved, line(at), rows @ whole @ rows.T, half, network, off)


def _through(places: Floats, where: str) -> tuple[Floats, Floats]:
    middle = places.mean(axis=0)
    _check_length(float(np.ptp(places - middle, axis=0).max()), where)
    return middle, np.linalg.svd(places - middle)[2][0]


def _check_length(length_mm: float, where: str) -> None:
    if length_mm < LEAST_LENGTH_MM:
        raise InputError(
            "the picks lie too close together for a direction", where=where, value=f"{length_mm:.2f} mm",
            limit=f"{LEAST_LENGTH_MM} mm", todo="pick points further along the edge",
        )  # fmt: skip


# --- in space ------------------------------------------------------------------------------------------------


def _in_space(tag: EdgeTag, lines: Sightlines, network: NetworkDoubt | None, where: str) -> Straight:
    point, along, shallow = _start(lines, where)
    places = lines.along_line(point, along)
    middle, half = point + along * (places.min() + places.max()) / 2, float(np.ptp(places)) / 2
    _check_length(2 * half, where)
    axes = axes_along(along)

    def line(unknowns: Floats) -> Floats:
        """Unknowns, mm: the middle across the line, both ways, and its end against the middle, both ways."""
        way = axes[:, 2] + axes[:, :2] @ unknowns[2:] / half
        return np.concatenate([middle + axes[:, :2] @ unknowns[:2], way / np.linalg.norm(way)])

    def residuals(unknowns: Floats) -> Floats:
        at = line(unknowns)
        return lines.in_sds(lines.from_line(at[:3], at[3:]))

    solved = adjust(residuals, np.zeros(4), where=where)
    off = _edge_finding(lines, solved, where)
    rows = differences(line, solved.unknowns)
    factor = max(1.0, solved.variance_factor(1.0)) if off else 1.0
    covariance = rows @ (solved.cofactor * factor) @ rows.T
    return _straight(tag, lines, solved, line(solved.unknowns), covariance, half, network, (*shallow, *off))


def _start(lines: Sightlines, where: str) -> tuple[Floats, Floats, tuple[Finding, ...]]:
    """Return a point of the line and its direction, where the planes through camera and edge meet."""
    photos = range(len(lines.stations))
    planes = np.array([np.linalg.svd(lines.rays[0][lines.photo_of == i])[2][2] for i in photos])
    angle = largest_angle_deg(planes)
    if angle < LEAST_RAY_ANGLE_DEG:
        one = len(lines.stations) < 2
        raise InputError(
            "an edge in one photo needs the face it lies on" if one else "all photos lie in one plane with the edge and fix no depth",
            where=where, value=f"photo {lines.stations[0].photo} only" if one else f"{angle:.1f} deg",
            limit=None if one else f"{LEAST_RAY_ANGLE_DEG:.0f} deg",
            todo="name its face, or pick the edge in a photo taken from beside that plane",
        )  # fmt: skip
    centres = np.array([s.centre_world for s in lines.stations])
    along = np.linalg.svd(planes)[2][2]
    levels = np.append((planes * centres).sum(axis=1), along @ centres.mean(axis=0))
    point = np.linalg.lstsq(np.vstack([planes, along]), levels, rcond=None)[0]
    if angle >= GOOD_RAY_ANGLE_DEG:
        return point, along, ()
    message = f"{where}: the photos lie nearly in one plane with the edge ({angle:.1f} degrees); pick it in a photo taken from beside that plane"
    numbers = {"angle_deg": angle}
    return (
        point, along,
        (Finding(code="tag-shallow-rays", severity="warning", subject=where, message=message, numbers=numbers),),
    )  # fmt: skip


# --- what is reported ----------------------------------------------------------------------------------------


def _straight(
    tag: EdgeTag, lines: Sightlines, solved: Adjusted, line: Floats, covariance: Floats, half: float,
    network: NetworkDoubt | None, findings: tuple[Finding, ...],
) -> Straight:  # fmt: skip
    middle, along = line[:3], line[3:]
    places = lines.along_line(middle, along)
    end_sd = float(lines.sds_px.max()) * lines.mm_per_px(middle)
    stated: Mat3 = covariance[:3, :3] + end_sd**2 * np.outer(along, along)
    if network is not None:
        stated = stated + network.point_covariance(middle)
    made = MeasuredEdge(
        name=tag.name, start_mm=vec3(middle + along * places.min()), end_mm=vec3(middle + along * places.max()),
        covariance_mm2=cov3(stated), tilt_sd_rad=float(np.sqrt(max(np.linalg.eigvalsh(covariance[3:, 3:])[-1], 0.0))),
        rms_px=float(np.sqrt(np.mean((solved.residuals * lines.sds_px) ** 2))), photos=len(tag.lines),
    )  # fmt: skip
    return Straight(middle, along, half, covariance, made, findings)


def _edge_finding(lines: Sightlines, solved: Adjusted, where: str) -> tuple[Finding, ...]:
    worst = lines.worst(solved)
    if worst is None:
        return ()
    message = f"{where}: a pick in {worst.photo} lies {worst.off_px:.1f} px off the line of all, {worst.sigmas:.0f} times its doubt; pick it again, or the edge isn't straight or not on that face"
    return (
        Finding(
            code="tag-edge-off", severity="warning", subject=where, message=message, numbers=worst.numbers
        ),
    )
