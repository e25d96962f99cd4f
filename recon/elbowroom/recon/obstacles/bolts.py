"""Bolts: head or nut, washer and thread end as cylinders that contain them, and the room their tool needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.rays import PointSolution, solve_point, solve_surface_point
from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.recon.solids import MeshArrays, prism_round
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.hardware import bolt_sizes, tool_room
from elbowroom.shared.scene import BoltTag, Scene

LEAST_AXIS_MM = 2.0
"""Seat and tip closer than this give no direction."""

AXIS_TILT_WARN_RAD = 0.05
"""Tilt doubt above this, 2.9 degrees, moves a 20 mm bolt's end by a millimetre: worth a finding."""


@dataclass(frozen=True, eq=False)
class Bolt:
    """A measured bolt: body pieces, its axis (seat, outer end) (2, 3) mm and covariance; the tool's room or None.

    `tool_covariance` is the doubt at the far end of the tool's room, where the axis' tilt tells most.
    """

    axis_world: Floats
    meshes: list[MeshArrays]
    covariance: Mat3
    tool_mesh: MeshArrays | None
    tool_covariance: Mat3
    findings: tuple[Finding, ...] = ()


def measure_bolt(tag: BoltTag, scene: Scene, *, network: NetworkDoubt | None = None) -> Bolt:
    """Return the bolt of a tag, sized by the hardware tables.

    The hexagon's turn is not known, so head or nut is the cylinder round its corners.

    Raises
    ------
    InputError
        An unknown thread, a face that was not measured, seat and tip that coincide, points that can't be solved.
    """
    where = f"bolt {tag.name}"
    seat = solve_surface_point(tag.seat, scene, tag.pick_sd_px, network=network, where=f"{where}, seat")
    along, tilt_variance, findings = _axis(tag, seat, scene, network, where)
    stack = _stack(tag)
    length = stack[-1][1]
    meshes = [prism_round(seat.point_world + a * along, seat.point_world + b * along, r) for a, b, r in stack]
    room, room_length = _tool_room(tag, seat.point_world, along)
    across = np.eye(3) - np.outer(along, along)
    return Bolt(
        np.array([seat.point_world, seat.point_world + length * along]),
        meshes,
        seat.covariance + tilt_variance * length**2 * across,
        room,
        seat.covariance + tilt_variance * room_length**2 * across,
        (*seat.findings, *findings),
    )


def _axis(
    tag: BoltTag, seat: PointSolution, scene: Scene, network: NetworkDoubt | None, where: str
) -> tuple[Floats, float, tuple[Finding, ...]]:
    """Return the outward unit direction (3,), its tilt variance rad², and findings."""
    if tag.face is not None:
        face = scene.face(tag.face)
        return np.array(face.normal), face.tilt_sd_rad**2, ()
    assert tag.tip is not None
    tip = solve_point(tag.tip, scene, tag.pick_sd_px, network=network, where=f"{where}, tip")
    along = tip.point_world - seat.point_world
    length = float(np.linalg.norm(along))
    if length < LEAST_AXIS_MM:
        raise InputError(
            "seat and tip are too close for a direction",
            where=where,
            value=f"{length:.2f} mm",
            limit=f"{LEAST_AXIS_MM} mm",
        )
    both = seat.pick_covariance + tip.pick_covariance
    variance = float(np.linalg.eigvalsh(both)[-1]) / length**2
    return along / length, variance, (*tip.findings, *_tilt_finding(variance, where))


def _tilt_finding(variance: float, where: str) -> tuple[Finding, ...]:
    tilt = float(np.sqrt(variance))
    if tilt <= AXIS_TILT_WARN_RAD:
        return ()
    message = f"{where}: its axis is known to {np.rad2deg(tilt):.1f} degrees only; name the face it sits on instead of a tip"
    return (
        Finding(
            code="tag-bolt-tilt",
            severity="note",
            subject=where,
            message=message,
            numbers={"tilt_sd_rad": tilt},
        ),
    )


def _stack(tag: BoltTag) -> list[tuple[float, float, float]]:
    """Return (from, to, radius), mm, of the cylinders outward from the seat: washer, head or nut, thread end."""
    sizes = bolt_sizes(tag.thread)
    stack, at = [], 0.0
    if tag.washer:
        stack.append((at, at + sizes.washer_thickness_mm, sizes.washer_od_mm / 2))
        at += sizes.washer_thickness_mm
    height = sizes.nut_height_mm if tag.nut else sizes.head_height_mm
    corners = sizes.nut_corners_mm if tag.nut else sizes.head_corners_mm
    stack.append((at, at + height, corners / 2))
    at += height
    if tag.stick_out_mm > 0:
        stack.append((at, at + tag.stick_out_mm, sizes.diameter_mm / 2))
    return stack


def _tool_room(tag: BoltTag, seat: Floats, along: Floats) -> tuple[MeshArrays | None, float]:
    if tag.tool == "none":
        return None, 0.0
    diameter, length = tool_room(tag.thread, tag.tool)
    return prism_round(seat, seat + length * along, diameter / 2), length
