"""Rigid transforms that know the frames on both their ends.

``world_from_camera @ camera_from_target`` gives ``world_from_target``; mypy refuses a chain whose inner
frames differ. `docs/conventions.md` draws every frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from elbowroom.shared.arrays import Floats, Mat3, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.tolerances import ROTATION_TOLERANCE


class World:
    """The job's own frame: right-handed, millimetres, set by the datum."""


class Camera:
    """One photo's frame: x right, y down, z forward through the lens, origin at the projection centre."""


class Target:
    """A coded target's frame: origin at its centre, x right and y up as printed, z out of the paper."""


class PlateFrame:
    """A plate's frame: z along the plate's normal, steel between z = 0 and z = thickness."""


A = TypeVar("A")
B = TypeVar("B")
C = TypeVar("C")


@dataclass(frozen=True, eq=False)
class Rigid(Generic[A, B]):
    """A rotation and a shift taking coordinates in frame B to frame A (``a_from_b``).

    Parameters
    ----------
    rotation : Mat3
        (3, 3) proper rotation.
    shift : Floats
        (3,) mm: the origin of B in A.
    """

    rotation: Mat3
    shift: Floats

    def __post_init__(self) -> None:
        rotation = np.array(self.rotation, dtype=np.float64)
        shift = np.array(self.shift, dtype=np.float64).reshape(3)
        if rotation.shape != (3, 3) or not np.isfinite(rotation).all() or not np.isfinite(shift).all():
            raise InputError("a rigid transform needs a finite 3 x 3 rotation and 3 shifts", where="Rigid")
        error = float(np.abs(rotation @ rotation.T - np.eye(3)).max())
        if error > ROTATION_TOLERANCE or np.linalg.det(rotation) < 0:
            raise InputError(
                "not a proper rotation", where="Rigid", value=f"{error:.2g}", limit=ROTATION_TOLERANCE
            )
        rotation.flags.writeable = shift.flags.writeable = False
        object.__setattr__(self, "rotation", rotation)
        object.__setattr__(self, "shift", shift)

    def __matmul__(self, other: Rigid[B, C]) -> Rigid[A, C]:
        return Rigid(self.rotation @ other.rotation, self.rotation @ other.shift + self.shift)

    def apply(self, points: Points3) -> Points3:
        """Take points (n, 3) mm from frame B to frame A."""
        return np.asarray(points, dtype=np.float64) @ self.rotation.T + self.shift

    def turn(self, directions: Floats) -> Floats:
        """Take directions (n, 3) or (3,) from frame B to frame A: rotation only."""
        return np.asarray(directions, dtype=np.float64) @ self.rotation.T

    def inverse(self) -> Rigid[B, A]:
        """Return the transform the other way round."""
        return Rigid(self.rotation.T, -self.rotation.T @ self.shift)

    def matrix(self) -> Floats:
        """Return the homogeneous matrix (4, 4)."""
        out = np.eye(4)
        out[:3, :3], out[:3, 3] = self.rotation, self.shift
        return out


def identity() -> Rigid[A, B]:
    """Return the transform that leaves coordinates as they are."""
    return Rigid(np.eye(3), np.zeros(3))


def rotation_from_vector(vector: Floats) -> Mat3:
    """Return the rotation (3, 3) of a rotation vector (3,) rad."""
    return rotations_from_vectors(np.asarray(vector, dtype=np.float64).reshape(1, 3))[0]


def rotations_from_vectors(vectors: Floats) -> Floats:
    """Return the rotations (n, 3, 3) of rotation vectors (n, 3) rad.

    Source: Rodrigues' rotation formula, with the Taylor terms near zero angle.
    """
    angle = np.linalg.norm(vectors, axis=1)[:, None, None]
    k = np.zeros((len(vectors), 3, 3))
    k[:, 2, 1], k[:, 0, 2], k[:, 1, 0] = vectors.T
    k = k - k.transpose(0, 2, 1)
    near = angle < 1e-8
    safe = np.where(near, 1.0, angle)
    once = np.where(near, 1.0, np.sin(safe) / safe)
    twice = np.where(near, 0.5, (1 - np.cos(safe)) / safe**2)
    return np.asarray(np.eye(3) + once * k + twice * k @ k)


def vector_from_rotation(rotation: Mat3) -> Floats:
    """Return the rotation vector (3,) rad, length at most pi, of a rotation (3, 3)."""
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_matrix(rotation).as_rotvec(), dtype=np.float64)


def frame_on_plane(origin: Floats, normal: Floats, along: Floats) -> Rigid[A, B]:
    """Return ``a_from_b`` where B has its z along `normal`, its x along `along` laid into the plane.

    Parameters
    ----------
    origin, normal, along : Floats
        (3,) each, frame A; mm and directions of any length.

    Raises
    ------
    InputError
        When `normal` is zero, or `along` is parallel to it.
    """
    length = float(np.linalg.norm(normal))
    if not length > 0:
        raise InputError("a plane needs a normal of some length", where="frame_on_plane", value=length)
    z = np.asarray(normal, dtype=np.float64) / length
    x = np.asarray(along, dtype=np.float64) - np.dot(along, z) * z
    size = float(np.linalg.norm(x))
    if size < 1e-9 * max(1.0, float(np.linalg.norm(along))):
        raise InputError("the direction is parallel to the plane's normal", where="frame_on_plane")
    x /= size
    return Rigid(np.column_stack([x, np.cross(z, x), z]), np.asarray(origin, dtype=np.float64))
