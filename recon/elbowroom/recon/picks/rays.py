"""Points of the world from picks in several photos: where the rays meet, how well, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.leastsquares import inverse, standardised
from elbowroom.recon.picks.stations import (
    NetworkDoubt,
    Station,
    beyond_network,
    check_inside,
    largest_angle_deg,
    station_of,
)
from elbowroom.shared.arrays import Floats, Mat3, Points2, Points3
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.frames import Rigid, Target, World
from elbowroom.shared.scene import MeasuredEdge, MeasuredHole, MeasuredTarget, PickedPoint, Scene

LEAST_RAY_ANGLE_DEG = 2.0
"""Rays closer to parallel than this fix no depth: the point's sd along them is 28 times that across."""

GOOD_RAY_ANGLE_DEG = 5.0
"""Below this a finding: the sd along the rays is more than 11 times that across them."""

RESIDUAL_SIGMAS = 4.0
"""A standardised residual above this is a mispick: by chance once in 16 000 picks of a normal hand."""

STEPS = 30
"""Gauss-Newton steps; two to five are enough when the rays meet."""


@dataclass(frozen=True, eq=False)
class PointSolution:
    """A world point with its doubt.

    Parameters
    ----------
    point_world : Floats
        (3,) mm, world.
    pick_covariance, station_covariance : Mat3
        (3, 3) mm²: the part of the picks, independent between points, and the part of the stations (or of a
        target), shared by neighbouring points.
    residuals_px : Points2
        (n, 2) px, picked less reprojected, in the order of the picks; empty without picks.
    findings : tuple of Finding
        What to know about the picks.
    """

    point_world: Floats
    pick_covariance: Mat3
    station_covariance: Mat3
    residuals_px: Points2
    findings: tuple[Finding, ...] = ()

    @property
    def covariance(self) -> Mat3:
        """The whole (3, 3) mm² covariance: picks plus stations."""
        return self.pick_covariance + self.station_covariance


def solve_point(
    picked: PickedPoint,
    scene: Scene,
    pick_sd_px: float,
    *,
    network: NetworkDoubt | None = None,
    where: str = "point",
) -> PointSolution:
    """Return the world point a person pointed at.

    Parameters
    ----------
    picked : PickedPoint
        Picks in two or more photos, a target (the centre of its printed face), a measured point or hole, or typed
        world coordinates.
    scene : Scene
        With stations, lenses and measured targets.
    pick_sd_px : float
        Standard deviation of one pick, one axis, where the pick has none of its own.
    network : NetworkDoubt, optional
        Adds the stations' part of the doubt.
    where : str
        What the point belongs to, for messages.

    Raises
    ------
    InputError
        One photo only, the same photo twice, a photo without station, rays too near to parallel, a point behind
        a camera, a target or feature that was not measured, an edge where a point is asked for.
    """
    if picked.world_mm is not None:
        return PointSolution(np.array(picked.world_mm), np.zeros((3, 3)), np.zeros((3, 3)), np.zeros((0, 2)))
    if picked.target is not None:
        target = measured_target(scene, picked.target, where=where)
        return _target_point(target, 0.0)
    if picked.feature is not None:
        return _feature_point(scene, picked.feature, network, where)
    return _solve_picks(picked, scene, pick_sd_px, network, where)


def solve_surface_point(
    picked: PickedPoint,
    scene: Scene,
    pick_sd_px: float,
    *,
    network: NetworkDoubt | None = None,
    where: str = "point",
) -> PointSolution:
    """Return the point of the vehicle's surface: as `solve_point`, but under a target's card, not on its print."""
    if picked.target is None:
        return solve_point(picked, scene, pick_sd_px, network=network, where=where)
    target = measured_target(scene, picked.target, where=where)
    return _target_point(target, target.thickness_mm)


def measured_target(scene: Scene, target_id: int, *, where: str) -> MeasuredTarget:
    """Return the measured target of that id; raises InputError naming those there are."""
    for target in scene.measured:
        if target.id == target_id:
            return target
    known = ", ".join(str(t.id) for t in scene.measured) or "none"
    raise InputError(
        "this target was not measured",
        where=where,
        value=f"target {target_id}",
        limit=f"there are: {known}",
        todo="pick the point in two photos, or take photos that show the target",
    )


def meet_rays(centres_world: Points3, directions_world: Points3) -> Floats:
    """Return the point (3,) mm nearest to n rays in the least squares sense; (n, 3) centres and unit directions."""
    across = np.eye(3) - directions_world[:, :, None] * directions_world[:, None, :]
    return np.linalg.solve(across.sum(axis=0), (across @ centres_world[:, :, None]).sum(axis=0)[:, 0])


def _target_point(target: MeasuredTarget, below_mm: float) -> PointSolution:
    world_from_target: Rigid[World, Target] = target.world_from_target.rigid()
    point = world_from_target.apply(np.array([[0.0, 0.0, -below_mm]]))[0]
    return PointSolution(point, np.zeros((3, 3)), np.array(target.covariance_mm2), np.zeros((0, 2)))


def _feature_point(scene: Scene, name: str, network: NetworkDoubt | None, where: str) -> PointSolution:
    try:
        feature = scene.feature(name)
    except InputError as e:
        raise e.placed(f"{where}, feature {name}") from e
    if isinstance(feature, MeasuredEdge):
        raise InputError(
            "an edge is no point", where=where, value=name, todo="name a measured point or hole, or pick the point"
        )  # fmt: skip
    place = np.array(feature.centre_mm if isinstance(feature, MeasuredHole) else feature.point_mm)
    whole = np.array(feature.covariance_mm2)
    own = whole if network is None else beyond_network(whole, place, network)
    return PointSolution(place, own, whole - own, np.zeros((0, 2)))


def _solve_picks(
    picked: PickedPoint, scene: Scene, pick_sd_px: float, network: NetworkDoubt | None, where: str
) -> PointSolution:
    stations, picks_px = _check_picks(picked, scene, where)
    directions = np.vstack([s.directions(px[None]) for s, px in zip(stations, picks_px, strict=True)])
    findings = _check_angle(directions, where)
    start = meet_rays(np.array([s.centre_world for s in stations]), directions)
    sds_px = np.array([pick_sd_px if p.sd_px is None else p.sd_px for p in picked.picks])
    point, residuals, jacobian = _adjust_point(start, stations, picks_px, sds_px, where)
    covariance = inverse(jacobian.T @ jacobian)
    scale, gross = _check_residuals(residuals, sds_px, jacobian, covariance, picked, where)
    station_part = np.zeros((3, 3)) if network is None else np.asarray(network.point_covariance(point))
    return PointSolution(point, covariance * scale, station_part, residuals, (*findings, *gross))


def _check_picks(picked: PickedPoint, scene: Scene, where: str) -> tuple[list[Station], Points2]:
    names = [p.photo for p in picked.picks]
    if len(set(names)) < 2:
        raise InputError(
            "a point needs picks in two photos or more, taken from different places",
            where=where,
            value=f"picked in {names[0]} only",
            todo="pick the same point in another photo",
        )
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise InputError("picked twice in one photo", where=where, value=twice, todo="keep the better pick")
    stations = [station_of(scene, n, where=where) for n in names]
    pixels = [
        check_inside(np.array([p.xy_px]), s, where=where)[0]
        for p, s in zip(picked.picks, stations, strict=True)
    ]
    return stations, np.array(pixels)


def _check_angle(directions: Points3, where: str) -> tuple[Finding, ...]:
    angle = largest_angle_deg(directions)
    if angle < LEAST_RAY_ANGLE_DEG:
        raise InputError(
            "the rays to this point are nearly parallel and fix no depth",
            where=where,
            value=f"{angle:.1f} deg",
            limit=f"{LEAST_RAY_ANGLE_DEG:.0f} deg",
            todo="pick it in a photo taken more from the side",
        )
    if angle >= GOOD_RAY_ANGLE_DEG:
        return ()
    message = (
        f"{where}: the rays meet at {angle:.1f} degrees only, so the depth is poor; "
        "pick it as well in a photo taken more from the side"
    )
    return (
        Finding(
            code="tag-shallow-rays",
            severity="warning",
            subject=where,
            message=message,
            numbers={"angle_deg": angle},
        ),
    )


def _adjust_point(
    start: Floats, stations: list[Station], picks_px: Points2, sds_px: Floats, where: str
) -> tuple[Floats, Points2, Floats]:
    """Gauss-Newton on the reprojection; returns the point, residuals (n, 2) px and Jacobian (2n, 3) in sds per mm."""
    point, each = start, np.repeat(sds_px, 2)
    for _ in range(STEPS):
        _check_in_front(point, stations, where)
        residuals = picks_px - np.vstack([s.project(point) for s in stations])
        jacobian = np.vstack([s.jacobian(point) for s in stations]) / each[:, None]
        step = np.linalg.lstsq(jacobian, residuals.ravel() / each, rcond=None)[0]
        point = point + step
        if np.linalg.norm(step) < 1e-7:
            return point, residuals, jacobian
    raise SolveError("the rays do not settle on a point", where=where, partial=point, todo="check the picks")


def _check_in_front(point: Floats, stations: list[Station], where: str) -> None:
    for s in stations:
        if not (s.depths(point)[0] > 0 and np.isfinite(s.project(point)).all()):
            raise InputError(
                "the picks meet behind the camera: they can't be the same point",
                where=f"{where}, photo {s.photo}",
                todo="pick the same point of the thing in every photo",
            )


def _check_residuals(
    residuals: Points2, sds_px: Floats, jacobian: Floats, covariance: Mat3, picked: PickedPoint, where: str
) -> tuple[float, tuple[Finding, ...]]:
    """Return the factor on the variance (1 unless a pick is gross) and the finding on the worst pick."""
    flat = residuals.ravel() / np.repeat(sds_px, 2)
    tests = standardised(flat, jacobian, covariance, 1.0)
    worst = int(tests.argmax())
    if tests[worst] <= RESIDUAL_SIGMAS:
        return 1.0, ()
    scale = max(1.0, float(flat @ flat) / (len(flat) - 3))
    pick = picked.picks[worst // 2]
    off = float(np.linalg.norm(residuals[worst // 2]))
    message = (
        f"{where}: the pick in {pick.photo} at ({pick.xy_px[0]:.0f}, {pick.xy_px[1]:.0f}) misses the other picks' "
        f"point by {off:.1f} px, {tests[worst]:.0f} times its doubt (with two photos either may be wrong); pick it again"
    )
    numbers = {"off_px": off, "sigmas": float(tests[worst])}
    return scale, (
        Finding(code="tag-pick-off", severity="warning", subject=where, message=message, numbers=numbers),
    )
