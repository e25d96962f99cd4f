"""What an obstacle sweeps on its travel: poses along it, and convex meshes that together contain all of it.

Travel values are degrees (right-hand rule about the axis) or millimetres, 0 as photographed.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np

from elbowroom.fit.sweep_pieces import MOST_PIECES, convex_pieces, hull_mesh
from elbowroom.shared.arrays import Faces, Floats, Points3, check_positive
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import Rigid, World, rotation_from_vector
from elbowroom.shared.media import Media, read_mesh
from elbowroom.shared.scene import Obstacle

Mesh: TypeAlias = tuple[Points3, Faces]
"""Vertices (n, 3) mm, world, and faces (m, 3), counter-clockwise from outside."""

EXCESS_MM = 0.1
"""Default room, mm, the swept meshes may take beyond the true swept volume: a tenth of a usual clearance."""

MOST_STEPS = 5000
"""More steps than this for one piece means an excess no one can want."""


def obstacle_meshes(obstacle: Obstacle, media: Media) -> list[Mesh]:
    """Return the obstacle's meshes at rest, world.

    Raises
    ------
    InputError
        When it has none or one is missing from the media.
    """
    if not obstacle.meshes:
        raise InputError("the obstacle has no mesh", where=obstacle.name, todo="measure it first")
    missing = [d for d in obstacle.meshes if d not in media]
    if missing:
        raise InputError(
            "a mesh is missing from the scene's media", where=obstacle.name, value=missing[0][:12]
        )
    return [read_mesh(media[d]) for d in obstacle.meshes]


def motion_at(obstacle: Obstacle, value: float) -> Rigid[World, World]:
    """Return the move of the obstacle from where it was photographed to a travel value in degrees or mm.

    Raises
    ------
    InputError
        When the obstacle moves but its axis or direction is missing.
    """
    if obstacle.travel_kind == "none":
        return Rigid(np.eye(3), np.zeros(3))
    along = np.array(obstacle.motion_direction if obstacle.motion_direction else (0.0, 0.0, 0.0))
    size = float(np.linalg.norm(along))
    if size == 0 or (obstacle.travel_kind == "hinge" and obstacle.hinge_point_mm is None):
        raise InputError("the motion has no axis or direction", where=obstacle.name, todo="pick it again")
    if obstacle.travel_kind == "slide":
        return Rigid(np.eye(3), along / size * value)
    turn = rotation_from_vector(along / size * math.radians(value))
    point = np.array(obstacle.hinge_point_mm)
    return Rigid(turn, point - turn @ point)


def poses(obstacle: Obstacle, steps: int) -> list[tuple[float, Rigid[World, World]]]:
    """Return `steps` + 1 evenly spaced travel values (degrees or mm) with their moves; one when nothing moves."""
    first, last = obstacle.travel
    if obstacle.travel_kind == "none" or first == last:
        value = 0.0 if obstacle.travel_kind == "none" else first
        return [(value, motion_at(obstacle, value))]
    check_positive(steps, where="travel steps")
    return [(float(v), motion_at(obstacle, float(v))) for v in np.linspace(first, last, steps + 1)]


def swept_meshes(
    obstacle: Obstacle, media: Media, *, excess_mm: float = EXCESS_MM, most_pieces: int = MOST_PIECES
) -> list[Mesh]:
    """Return closed meshes in the world whose union contains the obstacle at every moment of its travel.

    Without motion they are the meshes at rest. With it they are convex: the hull of each convex piece in two
    neighbouring poses and, for a hinge, of its corners half way, pushed out by 1 / cos(half step) from the axis. A
    corner's arc lies in the triangle of these three, so nothing between two poses sticks out. The step keeps the
    union within `excess_mm` of what a convex piece truly sweeps. A mesh that isn't convex is cut into pieces that are
    convex to half of `excess_mm`; if `most_pieces` don't suffice, the hulls of what is left stand
    further out: still containing, but with more excess.

    Raises
    ------
    InputError
        When a mesh or the axis is missing, or the excess isn't above zero.
    """
    check_positive(excess_mm, where="excess_mm")
    meshes = obstacle_meshes(obstacle, media)
    if obstacle.travel_kind == "none":
        return meshes
    rest = 1.0 if obstacle.convex else 0.5
    pieces = (
        [v for v, _ in meshes]
        if obstacle.convex
        else convex_pieces(meshes, excess_mm * (1 - rest), most_pieces)
    )
    out: list[Mesh] = []
    for vertices in pieces:
        out += _swept(obstacle, hull_mesh(vertices)[0], excess_mm * rest)
    return out


def _swept(obstacle: Obstacle, vertices: Points3, excess: float) -> list[Mesh]:
    steps = 1 if obstacle.travel_kind == "slide" else _hinge_steps(obstacle, vertices, excess)
    moves = [move for _, move in poses(obstacle, steps)]
    if len(moves) == 1:
        return [hull_mesh(moves[0].apply(vertices))]
    tips = _pushed_out(obstacle, vertices, steps) if obstacle.travel_kind == "hinge" else vertices[:0]
    first, last = obstacle.travel
    middles = [motion_at(obstacle, first + (last - first) * (k + 0.5) / steps) for k in range(steps)]
    return [
        hull_mesh(np.vstack([moves[k].apply(vertices), moves[k + 1].apply(vertices), middles[k].apply(tips)]))
        for k in range(steps)
    ]


def _pushed_out(obstacle: Obstacle, vertices: Points3, steps: int) -> Points3:
    """Return the corners moved away from the axis by the factor 1 / cos(half step)."""
    along, point = _axis(obstacle)
    half = math.radians(abs(obstacle.travel[1] - obstacle.travel[0])) / steps / 2
    away = vertices - point
    away -= (away @ along)[:, None] * along
    return vertices + away * (1 / math.cos(half) - 1)


def _hinge_steps(obstacle: Obstacle, vertices: Points3, excess: float) -> int:
    """Return how many steps keep a convex piece's swept hulls within `excess` of what it sweeps.

    With half a step h: a hull point is a mix of corners at turns within h. Against the mix turned by the mean, it is
    off by no more than h rho (rho: the piece's radius across the axis), or, turned by the mean weighted with the
    reach u from the axis, by 2 h w (w: half width across u, for a piece wholly on one side of the axis). Curvature
    adds 2 R h² and the pushed-out corners R h² / 2, R being the largest radius.
    """
    along, point = _axis(obstacle)
    x = np.linalg.svd(along[None])[2][1:]  # two directions across the axis
    flat = (vertices - point) @ x.T
    largest = float(np.sqrt((flat**2).sum(axis=1)).max())
    middle = (flat.min(axis=0) + flat.max(axis=0)) / 2
    rho = float(np.sqrt(((flat - middle) ** 2).sum(axis=1)).max())
    rate = min(rho, 2 * _half_width(flat))
    half = 2 * excess / (rate + math.sqrt(rate**2 + 4 * 2.5 * largest * excess))
    travel = math.radians(abs(obstacle.travel[1] - obstacle.travel[0]))
    steps = max(1, math.ceil(travel / (2 * min(half, 0.2))))
    if steps > MOST_STEPS:
        raise InputError(
            "the swept volume would need too many steps",
            where=obstacle.name,
            value=steps,
            limit=MOST_STEPS,
            todo="allow more excess",
        )
    return steps


def _half_width(flat: Floats) -> float:
    """Return the least half width (mm) of points (n, 2) across a ray from the axis (the origin); inf if none clears it."""
    best = math.inf
    for turn in np.arange(180) * (2 * np.pi / 180):
        u = np.array([math.cos(turn), math.sin(turn)])
        reach, side = flat @ u, flat @ np.array([-u[1], u[0]])
        if reach.min() > 0:
            best = min(best, float(np.abs(side).max()))
    return best


def _axis(obstacle: Obstacle) -> tuple[Floats, Floats]:
    along = np.array(obstacle.motion_direction, dtype=np.float64)
    return along / np.linalg.norm(along), np.array(obstacle.hinge_point_mm, dtype=np.float64)
