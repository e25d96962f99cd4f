"""Motions of tagged things: the axis of a hinge or the direction of a slide, and the doubt they add."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from elbowroom.recon.picks.rays import PointSolution, solve_point
from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import Hinge, Motion, PickedPoint, Scene, Slide, Vec2

LEAST_AXIS_MM = 5.0
"""Two points closer than this give no direction worth sweeping along."""


@dataclass(frozen=True, eq=False)
class MeasuredMotion:
    """A motion in the world: a point of the hinge's axis (None for a slide), unit direction, travel, added doubt.

    `travel` is in degrees for a hinge, mm for a slide. `covariance` (3, 3) mm² is what the motion's own doubt adds
    to the position of a thing at the end of its travel near the axis points; a hinge's tilt adds `per_reach` times
    the square of the thing's reach from `point_world`.
    """

    kind: Literal["hinge", "slide"]
    point_world: Floats | None
    direction_world: Floats
    travel: Vec2
    covariance: Mat3
    per_reach: float
    findings: tuple[Finding, ...] = ()


def measure_motion(
    motion: Motion,
    scene: Scene,
    pick_sd_px: float,
    *,
    network: NetworkDoubt | None = None,
    where: str = "motion",
) -> MeasuredMotion:
    """Return a tag's motion in the world.

    Raises
    ------
    InputError
        Points that can't be solved or coincide; a travel that runs backwards or, on a hinge, past a full turn.
    """
    if isinstance(motion, Hinge):
        return _hinge(motion, scene, pick_sd_px, network, where)
    return _slide(motion, scene, pick_sd_px, network, where)


def _hinge(
    motion: Hinge, scene: Scene, pick_sd_px: float, network: NetworkDoubt | None, where: str
) -> MeasuredMotion:
    travel = _check_travel((motion.from_deg, motion.to_deg), "deg", where)
    if max(abs(t) for t in travel) > 360:
        raise InputError("a hinge turns once at most", where=where, value=travel, limit="-360 to 360 deg")
    ends, direction, findings = _axis(motion.axis, scene, pick_sd_px, network, f"{where}, hinge axis")
    farthest = max(abs(t) for t in travel)
    shift = 2 * np.sin(
        np.deg2rad(min(farthest, 180.0)) / 2
    )  # an axis off by e moves a turned point by e times this
    length = float(np.linalg.norm(ends[1].point_world - ends[0].point_world))
    tilt = float(np.linalg.eigvalsh(ends[0].pick_covariance + ends[1].pick_covariance)[-1]) / length**2
    worst = max((e.pick_covariance for e in ends), key=lambda c: float(np.trace(c)))
    return MeasuredMotion(
        "hinge", ends[0].point_world, direction, travel, worst * shift**2, tilt * shift**2, findings
    )


def _slide(
    motion: Slide, scene: Scene, pick_sd_px: float, network: NetworkDoubt | None, where: str
) -> MeasuredMotion:
    travel = _check_travel((motion.from_mm, motion.to_mm), "mm", where)
    ends, direction, findings = _axis(
        motion.direction, scene, pick_sd_px, network, f"{where}, slide direction"
    )
    length = float(np.linalg.norm(ends[1].point_world - ends[0].point_world))
    share = (max(abs(t) for t in travel) / length) ** 2
    both = ends[0].pick_covariance + ends[1].pick_covariance
    return MeasuredMotion("slide", None, direction, travel, both * share, 0.0, findings)


def _check_travel(travel: Vec2, unit: str, where: str) -> Vec2:
    if travel[0] > travel[1]:
        raise InputError(
            "the travel runs backwards",
            where=where,
            value=f"{travel[0]} to {travel[1]} {unit}",
            todo="swap from and to",
        )
    return travel


def _axis(
    points: tuple[PickedPoint, PickedPoint],
    scene: Scene,
    pick_sd_px: float,
    network: NetworkDoubt | None,
    where: str,
) -> tuple[list[PointSolution], Floats, tuple[Finding, ...]]:
    ends = [
        solve_point(p, scene, pick_sd_px, network=network, where=f"{where}, point {i + 1}")
        for i, p in enumerate(points)
    ]
    along = ends[1].point_world - ends[0].point_world
    length = float(np.linalg.norm(along))
    if length < LEAST_AXIS_MM:
        raise InputError(
            "the two points are too close for a direction",
            where=where,
            value=f"{length:.2f} mm",
            limit=f"{LEAST_AXIS_MM} mm",
            todo="pick them further apart",
        )
    return ends, along / length, (*ends[0].findings, *ends[1].findings)
