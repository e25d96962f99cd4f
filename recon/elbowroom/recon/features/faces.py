"""Flat faces of the vehicle: the plane through picked points and the backs of target cards."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.picks.rays import PointSolution, measured_target, solve_point, solve_surface_point
from elbowroom.recon.picks.stations import NetworkDoubt, beyond_network, station_of, stations_of
from elbowroom.shared.arrays import Floats, Mat3, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import Rigid, Target, World
from elbowroom.shared.scene import FaceTag, MeasuredFace, PickedPoint, Scene, cov3, vec3

LEAST_SD_MM = 0.01
"""Floor on a point's sd when weighing it, so that typed coordinates don't outweigh all else without end."""

LEAST_SPREAD = 0.02
"""Least ratio of the points' shorter spread to their longer one: below it they lie on a line, not on a face."""

OFF_SIGMAS = 4.0
"""A point further off the plane than this many of its own sd is a mispick, or the face isn't flat."""

CORNERS_SHARE = 4.0
"""A target's four corners share its doubt: each weighs a quarter."""

ROUNDS = 8
"""Rounds of reweighting; weights hang on the normal, which hardly moves after the second."""


@dataclass(frozen=True, eq=False)
class Plane:
    """A fitted plane: `point` (3,) mm, unit `normal` (3,), variance along the normal mm² at that point, tilt (3, 3) rad²
    (an arm from the point times it times the arm is what the tilt adds there), distances (n,) mm of the points from the
    plane, and their own variances (n,) mm²."""

    point: Floats
    normal: Floats
    variance_mm2: float
    tilt: Mat3
    distances_mm: Floats
    variances_mm2: Floats

    def worst_variance_mm2(self, points_world: Points3) -> float:
        """Return the variance along the normal mm² at the one of points (n, 3) mm where it is worst."""
        arms = points_world - self.point
        return self.variance_mm2 + float(((arms @ self.tilt) * arms).sum(axis=1).max())


def measure_face(
    tag: FaceTag, scene: Scene, *, network: NetworkDoubt | None = None
) -> tuple[MeasuredFace, tuple[Finding, ...]]:
    """Return the face through a tag's points, its normal turned to the cameras, and what to know about it.

    A target gives the four corners of its black square, moved by its thickness to the card's back; the four share
    the target's doubt, so each weighs a quarter of it. Of the network's doubt the part that bends the whole frame
    (`NetworkDoubt`) is common to all points and counts in full, at the face's point; what a target's doubt exceeds it
    by is the target's own. The covariance is that of the plane at the worst of the places it was measured at: the
    tilt is in it.

    Raises
    ------
    InputError
        Fewer than three points (unless one is a target), points on a line, a point that can't be solved.
    """
    where = f"face {tag.name}"
    solutions = [
        s
        for i, p in enumerate(tag.points)
        for s in _samples(p, scene, tag, network, f"{where}, point {i + 1}")
    ]
    if len(solutions) < 3:
        raise InputError(
            "a face needs three points or more, or a target on it", where=where, value=len(solutions)
        )
    plane = fit_plane(
        np.array([s.point_world for s in solutions]),
        np.array([s.pick_covariance for s in solutions]),
        where=where,
    )
    plane = _facing(plane, tag, scene)
    common = _common(plane, solutions, network)
    findings = (*(f for s in solutions for f in s.findings), *_face_findings(tag, plane, where))
    return _measured(tag, plane, common, solutions), findings


def _common(plane: Plane, solutions: list[PointSolution], network: NetworkDoubt | None) -> Mat3:
    """Return the network's part at the plane's point: the mean of an affine field of errors is its value at the mean."""
    if network is None or not any(s.station_covariance.any() for s in solutions):  # typed points are exact
        return np.zeros((3, 3))
    return np.asarray(network.point_covariance(plane.point))


def fit_plane(points_world: Points3, covariances: Floats, *, where: str) -> Plane:
    """Return the weighted least squares plane through points (n, 3) mm with covariances (n, 3, 3) mm².

    Raises
    ------
    InputError
        When the points lie on one line.

    Source: total least squares by the smallest eigenvector of the weighted scatter; closed form.
    """
    normal = _start_normal(points_world, where)
    for _ in range(ROUNDS):
        variances = np.einsum("i,nij,j->n", normal, covariances, normal)  # n: point, i j: xyz
        weights = 1.0 / (variances + LEAST_SD_MM**2)
        point = weights @ points_world / weights.sum()
        off = points_world - point
        axes = np.linalg.eigh((off * weights[:, None]).T @ off)[1]
        normal = axes[:, 0]
    distances = off @ normal
    scale = max(1.0, float(weights @ distances**2) / (len(off) - 3)) if len(off) > 3 else 1.0
    level, tilts = _plane_variances(off @ axes[:, 1:], weights, variances)
    tilt = (axes[:, 1:] * tilts) @ axes[:, 1:].T
    return Plane(point, normal, scale * level, scale * tilt, distances, variances + LEAST_SD_MM**2)


def _plane_variances(along: Floats, weights: Floats, variances: Floats) -> tuple[float, Floats]:
    """Return the variance at the weighted middle mm² and those of the two tilts (2,) rad², of points whose places
    (n, 2) mm in the plane count from that middle; the weights' floor is no doubt, so it is left out here."""
    shares = weights / weights.sum()
    leverage = weights[:, None] * along
    tilts = (leverage**2 * variances[:, None]).sum(axis=0) / (leverage * along).sum(axis=0) ** 2
    return float(shares**2 @ variances), tilts


def _start_normal(points: Points3, where: str) -> Floats:
    _, spread, rows = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    if spread[1] < LEAST_SPREAD * spread[0] or spread[1] == 0:
        raise InputError(
            "the points lie on one line and fix no face",
            where=where,
            value=f"spread {spread[1]:.2f} mm beside {spread[0]:.2f} mm",
            limit=f"{LEAST_SPREAD:.0%}",
            todo="add a point to the side",
        )
    return np.asarray(rows[2], dtype=np.float64)


def _samples(
    picked: PickedPoint, scene: Scene, tag: FaceTag, network: NetworkDoubt | None, where: str
) -> list[PointSolution]:
    if picked.target is None:
        return [solve_point(picked, scene, tag.pick_sd_px, network=network, where=where)]
    target = measured_target(scene, picked.target, where=where)
    centre = solve_surface_point(picked, scene, tag.pick_sd_px, where=where)
    own = CORNERS_SHARE * beyond_network(centre.station_covariance, centre.point_world, network)
    half = target.side_mm / 2
    corners = [(-half, half), (half, half), (half, -half), (-half, -half)]
    back = np.array([[x, y, -target.thickness_mm] for x, y in corners])
    return [
        PointSolution(p, own, centre.station_covariance, np.zeros((0, 2)))
        for p in target.world_from_target.rigid().apply(back)
    ]


def _facing(plane: Plane, tag: FaceTag, scene: Scene) -> Plane:
    if float(_outward(tag, scene, plane.point) @ plane.normal) >= 0:
        return plane
    return replace(plane, normal=-plane.normal, distances_mm=-plane.distances_mm)


def _outward(tag: FaceTag, scene: Scene, point: Floats) -> Floats:
    """Return a direction on the face's open side: out of its targets, else to the cameras that saw its points."""
    ids = [p.target for p in tag.points if p.target is not None]
    if ids:
        poses: list[Rigid[World, Target]] = [
            measured_target(scene, i, where=f"face {tag.name}").world_from_target.rigid() for i in ids
        ]
        return np.sum([p.rotation[:, 2] for p in poses], axis=0)
    names = {pick.photo for p in tag.points for pick in p.picks}
    seen_from = [station_of(scene, n) for n in sorted(names)] or list(stations_of(scene))
    if not seen_from:
        raise InputError("no camera says which side of the face is open", where=f"face {tag.name}")
    return np.mean([s.centre_world for s in seen_from], axis=0) - point


def _face_findings(tag: FaceTag, plane: Plane, where: str) -> tuple[Finding, ...]:
    found = []
    if len(tag.points) == 1:
        message = (
            f"{where}: one target alone gives its tilt from 40 mm or so; add a target or a point further off"
        )
        found.append(Finding(code="tag-face-one-target", severity="warning", subject=where, message=message))
    sigmas = np.abs(plane.distances_mm) / np.sqrt(plane.variances_mm2)
    worst = int(sigmas.argmax())
    if len(sigmas) > 3 and sigmas[worst] > OFF_SIGMAS:
        off = float(plane.distances_mm[worst])
        message = f"{where}: a point lies {off:+.2f} mm off the plane, {sigmas[worst]:.0f} times its doubt: a bad pick or no flat face"
        numbers = {"off_mm": off, "sigmas": float(sigmas[worst])}
        found.append(
            Finding(
                code="tag-face-not-flat", severity="warning", subject=where, message=message, numbers=numbers
            )
        )
    return tuple(found)


def _measured(tag: FaceTag, plane: Plane, common: Mat3, solutions: list[PointSolution]) -> MeasuredFace:
    points = np.array([s.point_world for s in solutions])
    reach = float(np.linalg.norm(points - plane.point, axis=1).max())
    along = np.outer(plane.normal, plane.normal)
    return MeasuredFace(
        name=tag.name,
        point_mm=vec3(plane.point),
        normal=vec3(plane.normal),
        covariance_mm2=cov3(plane.worst_variance_mm2(points) * along + common),
        middle_covariance_mm2=cov3(plane.variance_mm2 * along + common),
        tilt_covariance=cov3(plane.tilt),
        tilt_sd_rad=float(np.sqrt(np.linalg.eigvalsh(plane.tilt)[-1])),
        rms_mm=float(np.sqrt(np.mean(plane.distances_mm**2))),
        reach_mm=reach,
    )
