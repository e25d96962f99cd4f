"""What every entity of the scene is built of: the frozen model, names, numbers, poses, covariances."""

from __future__ import annotations

from typing import Annotated, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from elbowroom.shared.arrays import Floats
from elbowroom.shared.frames import Rigid, rotation_from_vector, vector_from_rotation

Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=r"^[^/\\\x00-\x1f]+$")]
Thread = Annotated[str, StringConstraints(min_length=1, max_length=20, pattern=r"^[A-Za-z0-9 ./#\"-]+$")]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Vec2 = tuple[float, float]
Vec3 = tuple[float, float, float]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Cov3 = tuple[Vec3, Vec3, Vec3]
FromFrame = TypeVar("FromFrame")
ToFrame = TypeVar("ToFrame")


class Entity(BaseModel):
    """Base of everything in a scene: frozen, no unknown fields, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Pose(Entity):
    """A rigid transform as stored: rotation vector in radians and shift in millimetres."""

    rotation_rad: Vec3
    shift_mm: Vec3

    @classmethod
    def of(cls, rigid: Rigid[ToFrame, FromFrame]) -> Pose:
        """Return the stored form of a transform."""
        r, t = vector_from_rotation(rigid.rotation), rigid.shift
        return cls(
            rotation_rad=(float(r[0]), float(r[1]), float(r[2])),
            shift_mm=(float(t[0]), float(t[1]), float(t[2])),
        )

    def rigid(self) -> Rigid[ToFrame, FromFrame]:
        """Return the transform; the caller's variable names its frames."""
        return Rigid(rotation_from_vector(np.array(self.rotation_rad)), np.array(self.shift_mm))


def cov3(matrix: Floats) -> Cov3:
    """Return a (3, 3) covariance in mm² as the nested tuples entities hold, made symmetric."""
    m = 0.5 * (np.asarray(matrix, dtype=np.float64) + np.asarray(matrix, dtype=np.float64).T)
    a, b, c = (tuple(float(v) for v in row) for row in m)
    return ((a[0], a[1], a[2]), (b[0], b[1], b[2]), (c[0], c[1], c[2]))


def vec3(values: Floats) -> Vec3:
    """Return three numbers as the tuple entities hold."""
    v = np.asarray(values, dtype=np.float64).reshape(3)
    return (float(v[0]), float(v[1]), float(v[2]))
