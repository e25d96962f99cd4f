"""The world frame: a plane, a direction in it and an origin, from targets or picked points.

Source: ISO 5459 (datum systems): the primary datum takes three freedoms, the secondary two, the tertiary one.
"""

from __future__ import annotations

import numpy as np

from elbowroom.recon.rays import solve_surface_point
from elbowroom.shared.arrays import Floats, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import Rigid, World
from elbowroom.shared.scene import Datum, PickedPoint, Scene

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
