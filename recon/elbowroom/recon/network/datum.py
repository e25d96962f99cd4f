"""The world frame: a plane, a direction in it and an origin, from targets or picked points.

Source: ISO 5459 (datum systems): the primary datum takes three freedoms, the secondary two, the tertiary one.
"""

from __future__ import annotations

import numpy as np

from elbowroom.recon.network.doubt import NetworkDoubt
from elbowroom.recon.picks.rays import solve_surface_point
from elbowroom.shared.arrays import Floats, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.scene import Datum, PickedPoint, Pose, Scene, cov3

LEAST_SPREAD_MM = 10.0
"""Datum points must spread this far across the plane: nearer together their own noise tilts the world."""

AXES = {"x": 0, "y": 1, "z": 2}


def datum_from_network(datum: Datum, scene: Scene) -> Rigid[World, World]:
    """Return the transform that takes the scene's present world frame to the one the datum names.

    Raises
    ------
    InputError
        When the points lie (nearly) in one line, or the direction is along the plane's normal.
    """
    points = np.array([_point(p, scene, f"datum plane, point {i + 1}") for i, p in enumerate(datum.plane)])
    middle, normal = fit_plane(points, where="datum plane")
    eyes = np.array(
        [p.camera_from_world.rigid().inverse().shift for p in scene.photos if p.camera_from_world is not None]
    )
    if len(eyes) and float((eyes.mean(axis=0) - middle) @ normal) < 0:
        normal = -normal
    normal = -normal if datum.plane_flip else normal
    start, end = (_point(p, scene, "datum direction") for p in datum.direction)
    along = (end - start) - ((end - start) @ normal) * normal
    if np.linalg.norm(along) < LEAST_SPREAD_MM:
        raise InputError(
            "the datum direction has no length along the plane",
            where="datum direction",
            value=f"{np.linalg.norm(along):.2f} mm",
            limit=f"{LEAST_SPREAD_MM} mm",
            todo="take two points further apart along the plane",
        )
    axes = np.zeros((3, 3))  # rows: world axes in the present frame
    i, j = AXES[datum.normal_is], AXES[datum.direction_is]
    axes[i], axes[j] = normal, along / np.linalg.norm(along)
    k = 3 - i - j
    axes[k] = np.cross(axes[(k + 1) % 3], axes[(k + 2) % 3])
    origin = _point(datum.origin, scene, "datum origin")
    origin = origin - ((origin - middle) @ normal) * normal
    return Rigid(axes, -axes @ origin)


def _point(picked: PickedPoint, scene: Scene, where: str) -> Floats:
    return solve_surface_point(picked, scene, 1.0, where=where).point_world


def fit_plane(points: Points3, *, where: str) -> tuple[Floats, Floats]:
    """Return the middle (3,) mm and unit normal (3,) of the least-squares plane through points (n, 3) mm.

    Raises
    ------
    InputError
        When the points do not spread across a plane.
    """
    middle = points.mean(axis=0)
    _, singular, axes = np.linalg.svd(points - middle)
    spread = float(singular[1]) / np.sqrt(len(points))
    if len(points) < 3 or spread < LEAST_SPREAD_MM:
        raise InputError(
            "the points lie nearly in one line and fix no plane",
            where=where,
            value=f"they spread {spread:.1f} mm across",
            limit=f"{LEAST_SPREAD_MM} mm",
            todo="take a further point to the side",
        )
    return middle, axes[2]


def into_datum(scene: Scene, doubt: NetworkDoubt) -> tuple[Scene, NetworkDoubt, list[Finding]]:
    """Return a measured scene and its network's doubt in the frame its datum names, and what was assumed.

    Without a datum the world is the frame of the first scale card's target, or of the target seen most often.
    """
    findings = []
    if scene.datum is not None:
        move = datum_from_network(scene.datum, scene)
    else:
        on_card = {t.id for c in scene.cards for t in c.targets}
        most_seen = max(scene.measured, key=lambda m: m.seen_in)
        base = next((m for m in scene.measured if m.id in on_card), most_seen)
        move = base.world_from_target.rigid().inverse()
        findings.append(_assumed(base.id))
    turn = np.kron(np.eye(len(doubt.centres_world)), move.rotation)
    moved = NetworkDoubt(move.apply(doubt.centres_world), turn @ doubt.covariance_mm2 @ turn.T)
    return move_scene(scene, move), moved, findings


def _assumed(target: int) -> Finding:
    return Finding(
        code="datum-by-default",
        severity="note",
        subject="datum",
        message=f"no datum is given: the world is target {target}'s frame (x right, y up as printed). "
        "Name a plane, a direction and an origin to set it.",
    )


def move_scene(scene: Scene, move: Rigid[World, World]) -> Scene:
    """Return a scene's stations and targets in another world frame: `move` takes old coordinates to new ones."""
    back = move.inverse()
    photos = tuple(
        p
        if p.camera_from_world is None
        else p.model_copy(update={"camera_from_world": Pose.of(_station(p.camera_from_world) @ back)})
        for p in scene.photos
    )
    measured = tuple(
        m.model_copy(
            update={
                "world_from_target": Pose.of(move @ m.world_from_target.rigid()),
                "covariance_mm2": cov3(move.rotation @ np.array(m.covariance_mm2) @ move.rotation.T),
            }
        )
        for m in scene.measured
    )
    return scene.model_copy(update={"photos": photos, "measured": measured})


def _station(pose: Pose) -> Rigid[Camera, World]:
    return pose.rigid()
