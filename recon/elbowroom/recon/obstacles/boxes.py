"""Boxes: the rectangular box nearest to a picked corner and the far ends of its three edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.leastsquares import Adjusted, adjust, differences
from elbowroom.recon.picks.rays import PointSolution, solve_point
from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.recon.solids import MeshArrays, box_between
from elbowroom.shared.arrays import Floats, Mat3, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.scene import BoxTag, Scene

LEAST_SD_MM = 0.01
"""Floor on a corner's sd, so that typed coordinates can be weighed."""

NOT_SQUARE_CHI2 = 21.1
"""Chi-square of three degrees of freedom passed by chance once in 10 000 boxes (standard table)."""

FLAT = 0.05
"""Least volume of the three edge directions as a fraction of a cube's: below, they lie almost in one plane."""

TURN_MM = 100.0
"""Scale of the rotation unknowns: 1 turns the box by 0.01 rad, 1 mm at 100 mm."""


@dataclass(frozen=True, eq=False)
class Box:
    """A measured box: corner (3,) mm, edges as columns (3, 3) mm, position covariance mm², mesh, findings."""

    corner_world: Floats
    edges_world: Mat3
    covariance: Mat3
    mesh: MeshArrays
    findings: tuple[Finding, ...] = ()


def measure_box(tag: BoxTag, scene: Scene, *, network: NetworkDoubt | None = None) -> Box:
    """Return the rectangular box nearest to a tag's four points, each weighed by its own doubt.

    The covariance is that of the box's corner that is worst known (the doubt of its size is in it).

    Raises
    ------
    InputError
        A point that can't be solved; edges of no length or all in one plane.
    """
    where = f"box {tag.name}"
    named = {"corner": tag.corner, "along_x": tag.along_x, "along_y": tag.along_y, "along_z": tag.along_z}
    solved = [
        solve_point(p, scene, tag.pick_sd_px, network=network, where=f"{where}, {n}")
        for n, p in named.items()
    ]
    points = np.array([s.point_world for s in solved])
    start = _start(points, where)
    fit = adjust(
        lambda u: _residuals(u, start, points, _whiteners(solved)), _first(points, start), where=where
    )
    squares = float(fit.residuals @ fit.residuals)
    square_findings = _square_finding(fit, start, points, squares, where)
    factor = max(1.0, squares / 3) if square_findings else 1.0
    corner, edges = _box(fit.unknowns, start)
    stations = np.mean([s.station_covariance for s in solved], axis=0)
    covariance = _worst_corner(fit.unknowns, start, fit.cofactor * factor) + stations
    findings = (*(f for s in solved for f in s.findings), *square_findings)
    return Box(corner, edges, covariance, box_between(corner, edges), findings)


def _start(points: Points3, where: str) -> Mat3:
    """Return the proper rotation nearest to the three edge directions (the third turned if they are left-handed)."""
    edges = (points[1:] - points[0]).T
    lengths = np.linalg.norm(edges, axis=0)
    if lengths.min() < 0.5:
        raise InputError(
            "an edge of the box has no length", where=where, value=f"{lengths.min():.2f} mm", limit="0.5 mm"
        )
    directions = edges / lengths
    if abs(np.linalg.det(directions)) < FLAT:
        raise InputError(
            "the box's three edges lie almost in one plane", where=where, todo="pick the ends again"
        )
    directions[:, 2] *= np.sign(np.linalg.det(directions))
    left, _, right = np.linalg.svd(directions)
    return np.asarray(left @ right)


def _first(points: Points3, start: Mat3) -> Floats:
    """Unknowns: turn (3,), corner (3,) mm, signed lengths (3,) mm."""
    lengths = ((points[1:] - points[0]) * start.T).sum(axis=1)
    return np.concatenate([np.zeros(3), points[0], lengths])


def _box(unknowns: Floats, start: Mat3) -> tuple[Floats, Mat3]:
    rotation = rotation_from_vector(unknowns[:3] / TURN_MM) @ start
    return unknowns[3:6], rotation * unknowns[6:9]


def _whiteners(solved: list[PointSolution]) -> Floats:
    """Return for each point the matrix (3, 3) that makes its errors independent with sd 1."""
    covariances = np.array([s.pick_covariance + LEAST_SD_MM**2 * np.eye(3) for s in solved])
    return np.linalg.inv(np.linalg.cholesky(covariances))


def _residuals(unknowns: Floats, start: Mat3, points: Points3, whiteners: Floats) -> Floats:
    off = points - _picked(unknowns, start)
    return np.einsum("nij,nj->ni", whiteners, off).ravel()  # n: point, i j: coordinates


def _picked(unknowns: Floats, start: Mat3) -> Points3:
    corner, edges = _box(unknowns, start)
    return np.vstack([corner, corner + edges.T])


def _worst_corner(unknowns: Floats, start: Mat3, covariance: Floats) -> Mat3:
    def corners(u: Floats) -> Floats:
        return box_between(*_box(u, start))[0].ravel()

    rows = differences(corners, unknowns).reshape(8, 3, 9)
    return max((r @ covariance @ r.T for r in rows), key=lambda c: float(np.trace(c)))


def _square_finding(
    fit: Adjusted, start: Mat3, points: Points3, squares: float, where: str
) -> tuple[Finding, ...]:
    if squares <= NOT_SQUARE_CHI2:
        return ()
    off = float(np.linalg.norm(points - _picked(fit.unknowns, start), axis=1).max())
    message = f"{where}: its picked corners miss the nearest square-cornered box by up to {off:.1f} mm, more than their doubt; pick them again, or outline it as a volume"
    numbers = {"off_mm": off, "chi2": squares}
    return (
        Finding(
            code="tag-box-not-square", severity="warning", subject=where, message=message, numbers=numbers
        ),
    )
