"""Where a plate lies in the world, and what lies where in its plane."""

from __future__ import annotations

import numpy as np

from elbowroom.fit.pads import Wall
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World, frame_on_plane
from elbowroom.shared.scene import (
    DatumPlane,
    FacePlane,
    MeasuredFace,
    PickedPoint,
    PlatePlane,
    Scene,
)

PARALLEL_COSINE = 0.999
"""Within 2.6 degrees of the plate's normal a world axis gives no steady direction in the plane; the next one is taken."""

LEAST_SINE = 0.05
"""A face less than 3 degrees from parallel to the plate has no trace worth welding along."""

SMALL_MM2 = 1e-6
"""Three points that span less area than this are in line."""

AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def plate_frame(plane: PlatePlane, scene: Scene) -> Rigid[World, PlateFrame]:
    """Return ``world_from_plate`` of a plate's plane.

    z is the plane's normal: a face's outward normal, three points' by the right-hand rule, or the named world axis.
    x is world x laid into the plane (world y where the normal is along world x). The origin is the foot of the world's
    origin on the plane, moved along z by the offset. So with a datum plane of normal "z" plate xy is world xy; with
    "-z" and "y" plate x is world x and plate y is world -y and -z; with "x" plate x is world y and plate y is world z.

    Raises
    ------
    InputError
        When the face isn't measured, a point isn't resolved, or three points lie in line.
    """
    point, normal = _point_and_normal(plane, scene)
    foot = normal * (float(normal @ point) + plane.offset_mm)
    along = AXES["x"] if abs(normal[0]) < PARALLEL_COSINE else AXES["y"]
    return frame_on_plane(foot, normal, np.array(along))


def _point_and_normal(plane: PlatePlane, scene: Scene) -> tuple[Floats, Floats]:
    if isinstance(plane, FacePlane):
        face = scene.face(plane.face)
        return np.array(face.point_mm), _unit(np.array(face.normal), plane.face)
    if isinstance(plane, DatumPlane):
        sign = -1.0 if plane.normal.startswith("-") else 1.0
        return np.zeros(3), sign * np.array(AXES[plane.normal[-1]])
    a, b, c = (point_world(p, where="plate plane") for p in plane.points)
    normal = np.cross(b - a, c - a)
    if np.linalg.norm(normal) < 2 * SMALL_MM2:
        raise InputError("the three points of the plane lie in line", where="plate plane", todo="pick others")
    return a, _unit(normal, "plate plane")


def _unit(vector: Floats, where: str) -> Floats:
    size = float(np.linalg.norm(vector))
    if not size > 0:
        raise InputError("a normal without length", where=where)
    return vector / size


def point_world(point: PickedPoint, *, where: str) -> Floats:
    """Return a picked point's world coordinates (3,) mm.

    Raises
    ------
    InputError
        When it holds picks or a target that nobody has measured yet.
    """
    if point.world_mm is None:
        raise InputError("the point is not measured yet", where=where, todo="measure the job, then fit again")
    return np.array(point.world_mm)


def plane_covariance(plane: PlatePlane, weld_faces: list[MeasuredFace]) -> Floats:
    """Return the covariance (3, 3) mm², world, of the plate's place.

    It is that of the face it lies on, if any, plus the largest of the faces it is welded to. Points and datum planes
    count as exact: their doubt is already in the obstacles, measured in the same frame.
    """
    total = np.zeros((3, 3))
    if isinstance(plane, FacePlane):
        total += np.array(next(f.covariance_mm2 for f in weld_faces if f.name == plane.face))
    others = [np.array(f.covariance_mm2) for f in weld_faces if getattr(plane, "face", None) != f.name]
    if others:
        total += max(others, key=np.trace)
    return total


def face_wall(
    face: MeasuredFace, plate_from_world: Rigid[PlateFrame, World], thickness: float, gap: float
) -> Wall:
    """Return the wall a measured face makes in the plate's plane, `gap` in front of it.

    A leaning face is taken where it reaches furthest into the slab, so that the whole thickness stays in front.

    Raises
    ------
    InputError
        When the face is parallel to the plate.
    """
    normal = plate_from_world.turn(np.array(face.normal))
    flat = float(np.hypot(normal[0], normal[1]))
    if flat < LEAST_SINE * float(np.linalg.norm(normal)):
        raise InputError("the face is parallel to the plate", where=face.name, todo="weld to another face")
    point = plate_from_world.apply(np.array([face.point_mm]))[0]
    wall = normal[:2] / flat
    heights = [point[2] * normal[2] / flat, (point[2] - thickness) * normal[2] / flat]
    reach = float(wall @ point[:2]) + max(heights)
    foot = wall * (reach + gap)
    return Wall(name=face.name, point=foot, normal=wall)
