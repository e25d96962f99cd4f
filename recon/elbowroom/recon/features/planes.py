"""A plane that may give way: a measured face as something is measured on it, with its doubt carried along."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.recon.solids import axes_along
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.scene import MeasuredFace


@dataclass(frozen=True, eq=False)
class Base:
    """A plane's place (3,) mm and axes (3, 3), the third its normal; it shifts along the normal and tilts about place.

    `scale_mm` is the lever at which a tilt is told in millimetres.
    """

    point: Floats
    axes: Mat3
    scale_mm: float

    def moved(self, shift: Floats) -> tuple[Floats, Mat3]:
        """Return point and axes after a shift (3,) mm: along the normal, and of two levers along the plane's axes."""
        a, n = self.axes[:, 0], self.axes[:, 2]
        normal = n + self.axes[:, :2] @ shift[1:] / self.scale_mm
        normal = normal / np.linalg.norm(normal)
        first = a - normal * (a @ normal)
        first = first / np.linalg.norm(first)
        return self.point + shift[0] * n, np.column_stack([first, np.cross(normal, first), normal])


def base_on(face: MeasuredFace, near: Floats, scale_mm: float, above_mm: float = 0.0) -> Base:
    """Return the plane of a face, or one `above_mm` of it, about the foot of a place (3,) mm."""
    normal = np.array(face.normal)
    foot = near - normal * float((near - np.array(face.point_mm)) @ normal)
    return Base(foot + above_mm * normal, axes_along(normal), scale_mm)


def face_doubt(face: MeasuredFace, base: Base, network: NetworkDoubt | None) -> Mat3:
    """Return the (3, 3) mm² covariance of a base's shift by its face's own doubt, the frame's bending taken off.

    Within the face's reach its offset is known as stated (the tilt is in it); beyond, the tilt's lever is added.
    """
    normal = np.array(face.normal)
    own = normal @ np.array(face.covariance_mm2) @ normal
    if network is not None:
        own -= normal @ np.asarray(network.point_covariance(np.array(face.point_mm))) @ normal
    distance = float(np.linalg.norm(base.point - np.array(face.point_mm)))
    lever = max(distance**2 - face.reach_mm**2, 0.0)
    tilt = face.tilt_sd_rad**2
    return np.diag([max(float(own), 0.0) + tilt * lever, tilt * base.scale_mm**2, tilt * base.scale_mm**2])
