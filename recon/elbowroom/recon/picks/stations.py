"""Camera stations as the tags need them: one photo's place and lens, pixels to rays and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from elbowroom.shared.arrays import Floats, Mat3, Points2, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.lens import project_points, undistort_points
from elbowroom.shared.scene import Lens, Scene

STEP_MM = 1e-3
"""Step of the central differences of a projection: far above rounding, far below any bend of the lens."""


class NetworkDoubt(Protocol):
    """What the adjusted network says about the doubt of a place: the part no further pick can lower."""

    def point_covariance(self, point_world: Floats) -> Mat3:
        """Return the (3, 3) mm² covariance, world, of a point at `point_world` (3,) mm from the stations alone."""
        ...


def beyond_network(covariance: Mat3, point: Floats, network: NetworkDoubt | None) -> Mat3:
    """Return what of a point's covariance mm² the frame's bending as a whole does not explain (negative parts cut off)."""
    if network is None:
        return covariance
    values, axes = np.linalg.eigh(covariance - network.point_covariance(point))
    return np.asarray(axes * np.maximum(values, 0.0) @ axes.T, dtype=np.float64)


@dataclass(frozen=True)
class Station:
    """One photo's station: `camera_from_world` and the lens it was taken through."""

    photo: str
    camera_from_world: Rigid[Camera, World]
    lens: Lens

    @property
    def centre_world(self) -> Floats:
        """The projection centre, (3,) mm, world."""
        return self.camera_from_world.inverse().shift

    def depths(self, points_world: Points3) -> Floats:
        """Return the depths (n,) mm of world points in front of the camera."""
        return self.camera_from_world.apply(np.atleast_2d(points_world))[:, 2]

    def project(self, points_world: Points3) -> Points2:
        """Return the pixels (n, 2) of world points (n, 3) mm, through the whole lens."""
        return project_points(self.camera_from_world.apply(np.atleast_2d(points_world)), self.lens)

    def directions(self, points_px: Points2) -> Points3:
        """Return unit directions (n, 3), world, of the rays through pixels (n, 2)."""
        xy = undistort_points(np.atleast_2d(np.asarray(points_px, dtype=np.float64)), self.lens)
        rays_camera = np.column_stack([xy, np.ones(len(xy))])
        rays_camera /= np.linalg.norm(rays_camera, axis=1, keepdims=True)
        return self.camera_from_world.inverse().turn(rays_camera)

    def jacobian(self, point_world: Floats) -> Floats:
        """Return d(pixel)/d(point), (2, 3) px/mm, at a world point (3,) mm, by central differences."""
        steps = np.vstack([np.eye(3), -np.eye(3)]) * STEP_MM
        px = self.project(np.asarray(point_world) + steps)
        return ((px[:3] - px[3:]) / (2 * STEP_MM)).T

    def mm_per_px(self, point_world: Floats) -> float:
        """Return how many millimetres one pixel spans, square to the view, at a world point's depth."""
        return float(self.depths(np.asarray(point_world))[0] / self.lens.focal_px)


def station_of(scene: Scene, photo_name: str, *, where: str = "") -> Station:
    """Return the station of a photo; `where` is what asks for it, for messages.

    Raises
    ------
    InputError
        When there is no such photo, or it has no measured station or lens.
    """
    try:
        return _station(scene, photo_name)
    except InputError as e:
        raise (e.placed(f"{where}, {e.where}") if where else e) from None


def _station(scene: Scene, photo_name: str) -> Station:
    photo = scene.photo(photo_name)
    if photo.camera_from_world is None or photo.lens is None:
        raise InputError(
            "this photo has no measured station",
            where=f"photo {photo_name}",
            todo="pick in a photo whose targets were read, or measure the frame first",
        )
    return Station(photo_name, photo.camera_from_world.rigid(), scene.lens_of(photo))


def stations_of(scene: Scene) -> tuple[Station, ...]:
    """Return the stations of all photos that have one."""
    return tuple(
        station_of(scene, p.name)
        for p in scene.photos
        if p.camera_from_world is not None and p.lens is not None
    )


def check_inside(points_px: Points2, station: Station, *, where: str) -> Points2:
    """Return pixels (n, 2) as float64 if they lie in the photo or near its rim.

    Raises
    ------
    InputError
        When one lies further outside than a twentieth of the photo's longer side: the lens model ends there.
    """
    points = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
    rim = 0.05 * max(station.lens.width_px, station.lens.height_px)
    size = np.array([station.lens.width_px, station.lens.height_px])
    outside = ((points < -rim) | (points > size - 1 + rim)).any(axis=1) | ~np.isfinite(points).all(axis=1)
    if outside.any():
        bad = points[int(np.flatnonzero(outside)[0])]
        raise InputError(
            "a picked pixel lies outside the photo",
            where=f"{where}, photo {station.photo}",
            value=f"({bad[0]:.0f}, {bad[1]:.0f})",
            limit=f"{station.lens.width_px} x {station.lens.height_px}",
            todo="pick again",
        )
    return points


def largest_angle_deg(directions: Points3) -> float:
    """Return the largest angle, in degrees and at most 90, between any two of n lines (n, 3), unit vectors."""
    d = np.asarray(directions, dtype=np.float64)
    cosines = np.clip(np.abs(d @ d.T), 0.0, 1.0)
    return float(np.rad2deg(np.arccos(cosines.min())))
