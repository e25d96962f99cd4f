"""Round rims: the circle of picks in one or more photos, on a known face or free in space."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from elbowroom.recon.features.planes import Base, base_on, face_doubt
from elbowroom.recon.picks.leastsquares import Adjusted, adjust, differences
from elbowroom.recon.picks.rays import meet_rays
from elbowroom.recon.picks.sightlines import Sightlines
from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.recon.solids import axes_along
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.features import HoleTag, MeasuredHole
from elbowroom.shared.scene import MeasuredFace, Scene, cov3, vec3

LEAST_ON_FACE, LEAST_FREE = 3, 7
"""A circle on a face has 3 unknowns, a free one 6, which without one pick to spare says nothing about itself."""

SNAPPED_BIAS_PX = 0.1
"""How far the photo's rim may lie off the hole's, all round alike: chamfer, burr, paint, light (no source; an estimate)."""

POOR_SHARE = 0.1
"""A radius less sure than this share of itself is no measurement to build on: worth a finding."""

BEST_STARTS = 3
"""First axes worth adjusting: a rim seen in two photos alike may have a second, false way to lean."""

LEANS_DEG = (0.0, 20.0, 40.0, 60.0)
"""Leans of a free circle's first axes off the way to the cameras: one photo's ellipse always has two axes."""


def measure_hole(
    tag: HoleTag, scene: Scene, *, network: NetworkDoubt | None = None
) -> tuple[MeasuredHole, tuple[Finding, ...]]:
    """Return the circle through a tag's rim picks, and what to know about it.

    All picks of all photos are adjusted together, their distances from the circle counted in pixels. On a face the
    face's own doubt (offset and tilt) is carried into centre and radius.

    Raises
    ------
    InputError
        Too few picks, a face that was not measured or is looked at along itself, a free rim in one photo only.
    SolveError
        When the picks fix no circle.
    """
    where = f"hole {tag.name}"
    lines = Sightlines.of(tag.rims, scene, tag.pick_sd_px, where=where)
    _check_count(tag, lines, where)
    if tag.face is None:
        base, solved = _free(lines, where)
        doubt = np.zeros((3, 3))
    else:
        base, solved = _on_face(scene.face(tag.face), lines, tag.above_mm, where)
        doubt = face_doubt(scene.face(tag.face), base, network)
    return _measured(tag, lines, base, solved, doubt, scene, network)


def _check_count(tag: HoleTag, lines: Sightlines, where: str) -> None:
    count, least = len(lines.sds_px), LEAST_FREE if tag.face is None else LEAST_ON_FACE
    if tag.face is None and len(tag.rims) < 2:
        raise InputError(
            "a rim in one photo needs the face it lies on", where=where, value=f"photo {tag.rims[0].photo} only",
            todo="name its face, or pick its rim in another photo",
        )  # fmt: skip
    if count < least:
        raise InputError(
            "too few picks on the rim", where=where, value=count, limit=f"{least} or more",
            todo="pick more points round the rim, or one inside it with snap: ellipse",
        )  # fmt: skip


def _residuals(lines: Sightlines, base: Base) -> Callable[[Floats], Floats]:
    """Unknowns, mm: centre in the plane (2), radius, and the plane's shift (3; 0 when left out)."""

    def residuals_sd(x: Floats) -> Floats:
        shift = x[3:] if len(x) > 3 else np.zeros(3)
        places = lines.on_plane(*base.moved(shift))
        return lines.in_sds(np.linalg.norm(places - x[:2], axis=2) - x[2])

    return residuals_sd


def _on_face(face: MeasuredFace, lines: Sightlines, above_mm: float, where: str) -> tuple[Base, Adjusted]:
    first = base_on(face, np.array(face.point_mm), 1.0, above_mm)
    lines.check_facing(first.point, first.axes[:, 2], where=where)
    places = lines.on_plane(first.point, first.axes)[0]
    centre, radius = _circle_through(places, where)
    base = Base(first.point + first.axes[:, :2] @ centre, first.axes, radius)
    return base, adjust(_residuals(lines, base), np.array([0.0, 0.0, radius]), where=where)


def _circle_through(places: Floats, where: str) -> tuple[Floats, float]:
    """Closed form: |p|² = 2 c p + (r² - c²), linear in what is sought."""
    middle = places.mean(axis=0)
    at = places - middle
    rows = np.column_stack([2 * at, np.ones(len(at))])
    found, _, rank, _ = np.linalg.lstsq(rows, (at**2).sum(axis=1), rcond=1e-9)
    square = found[2] + found[:2] @ found[:2]
    if rank < 3 or square <= 0:
        raise InputError("the rim's picks lie on one line", where=where, todo="pick points all round the rim")
    return middle + found[:2], float(np.sqrt(square))


def _free(lines: Sightlines, where: str) -> tuple[Base, Adjusted]:
    """Adjust a free circle from several first axes and keep the one whose residuals are least."""
    rays = np.array([lines.rays[0][lines.photo_of == i].mean(axis=0) for i in range(len(lines.stations))])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    centre = meet_rays(np.array([s.centre_world for s in lines.stations]), rays)
    starts = [
        c for axes in _first_axes(-rays.mean(axis=0)) if (c := _flat_circle(lines, centre, axes)) is not None
    ]
    best: tuple[Base, Adjusted] | None = None
    for _, base in sorted(starts, key=lambda c: c[0])[:BEST_STARTS]:
        try:
            solved = adjust(
                _residuals(lines, base), np.array([0.0, 0.0, base.scale_mm, 0.0, 0.0, 0.0]), where=where
            )
        except SolveError:
            continue
        if solved.unknowns[2] > 0 and (best is None or _cost(solved) < _cost(best[1])):
            best = base, solved
    if best is None:
        raise SolveError(
            "the picks fix no circle in space", where=where, partial=centre,
            todo="pick more points all round the rim, in photos taken from different sides, or name the face it lies on",
        )  # fmt: skip
    return best


def _flat_circle(lines: Sightlines, centre: Floats, axes: Mat3) -> tuple[float, Base] | None:
    """Return the circle through the rays' places in one plane, and what its residuals cost; None without one."""
    try:
        start, radius = _circle_through(lines.on_plane(centre, axes)[0], "")
    except InputError:
        return None
    base = Base(centre + axes[:, :2] @ start, axes, radius)
    residuals = _residuals(lines, base)(np.array([0.0, 0.0, radius]))
    return float(residuals @ residuals), base


def _cost(solved: Adjusted) -> float:
    return float(solved.residuals @ solved.residuals)


def _first_axes(towards: Floats) -> list[Mat3]:
    """Axes (3, 3) whose normals lean off the way to the cameras by each of LEANS_DEG, eight ways round."""
    frame = axes_along(towards / np.linalg.norm(towards))
    out = []
    for lean in np.deg2rad(LEANS_DEG):
        for turn in np.arange(8 if lean else 1) * np.pi / 4:
            side = frame[:, 0] * np.cos(turn) + frame[:, 1] * np.sin(turn)
            out.append(axes_along(frame[:, 2] * np.cos(lean) + side * np.sin(lean)))
    return out


def _measured(
    tag: HoleTag, lines: Sightlines, base: Base, solved: Adjusted, doubt: Mat3, scene: Scene, network: NetworkDoubt | None
) -> tuple[MeasuredHole, tuple[Finding, ...]]:  # fmt: skip
    where = f"hole {tag.name}"
    x = np.concatenate([solved.unknowns, np.zeros(6 - len(solved.unknowns))])
    radius = float(x[2])
    if radius <= 0:
        raise InputError("the picks give no radius above 0", where=where, value=f"{radius:.2f} mm")

    def centre(unknowns: Floats) -> Floats:
        point, axes = base.moved(unknowns[3:])
        return point + axes[:, :2] @ unknowns[:2] - tag.above_mm * axes[:, 2]

    off = _rim_finding(tag, lines, solved, where)
    whole = _all_doubt(_residuals(lines, base), x, solved, doubt, bool(off))
    rows = differences(centre, x)
    covariance = rows @ whole @ rows.T
    normal = base.moved(x[3:])[1][:, 2]
    towards = np.mean([s.centre_world for s in lines.stations], axis=0) - centre(x)
    if network is not None:
        covariance = covariance + network.point_covariance(centre(x))
    radius_sd = float(np.sqrt(whole[2, 2] + _common(tag, lines, centre(x), radius, scene)))
    made = MeasuredHole(
        name=tag.name, centre_mm=vec3(centre(x)), axis=vec3(normal if normal @ towards > 0 else -normal),
        radius_mm=radius, radius_sd_mm=radius_sd, covariance_mm2=cov3(covariance),
        tilt_sd_rad=float(np.sqrt(max(np.linalg.eigvalsh(whole[4:, 4:])[-1], 0.0)) / base.scale_mm),
        rms_px=float(np.sqrt(np.mean((solved.residuals * lines.sds_px) ** 2))), photos=len(tag.rims),
    )  # fmt: skip
    return made, (*off, *_poor(made, where))


def _all_doubt(
    residuals: Callable[[Floats], Floats], x: Floats, solved: Adjusted, doubt: Mat3, gross: bool
) -> Floats:
    """Return the (6, 6) covariance of all unknowns; a face's given shift moves the adjusted ones with it."""
    factor = max(1.0, solved.variance_factor(1.0)) if gross else 1.0
    if len(solved.unknowns) == 6:
        return solved.cofactor * factor
    whole = np.zeros((6, 6))
    whole[:3, :3] = solved.cofactor * factor
    moved = differences(residuals, x)[:, 3:]
    carry = np.vstack([-solved.cofactor @ solved.jacobian.T @ moved, np.eye(3)])
    return whole + carry @ doubt @ carry.T


def _common(tag: HoleTag, lines: Sightlines, centre: Floats, radius: float, scene: Scene) -> float:
    """Return what all photos share of a radius' variance, mm²: a snapped rim's bias and the frame's scale."""
    snapped = any(r.snap is not None for r in tag.rims)
    bias = SNAPPED_BIAS_PX * lines.mm_per_px(centre) if snapped else 0.0
    scale = 0.0 if scene.accuracy is None else scene.accuracy.scale_sd * radius
    return bias**2 + scale**2


def _rim_finding(tag: HoleTag, lines: Sightlines, solved: Adjusted, where: str) -> tuple[Finding, ...]:
    worst = lines.worst(solved)
    if worst is None:
        return ()
    message = f"{where}: a pick in {worst.photo} lies {worst.off_px:.1f} px off the circle of all, {worst.sigmas:.0f} times its doubt; pick it again, or the rim isn't round or not on that face"
    return (
        Finding(
            code="tag-rim-off", severity="warning", subject=where, message=message, numbers=worst.numbers
        ),
    )


def _poor(made: MeasuredHole, where: str) -> tuple[Finding, ...]:
    if made.radius_sd_mm <= POOR_SHARE * made.radius_mm:
        return ()
    message = f"{where}: its radius is known to {made.radius_sd_mm:.2f} mm only; pick points all round the rim, in more photos, or name its face"
    numbers = {"radius_sd_mm": made.radius_sd_mm}
    return (
        Finding(code="tag-rim-poor", severity="warning", subject=where, message=message, numbers=numbers),
    )
