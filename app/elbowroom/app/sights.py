"""What a measured photo shows and where it was taken from, for whoever draws it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.shared.arrays import Points2
from elbowroom.shared.frames import Camera, Rigid, Target, World
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import Photo, Scene


@dataclass(frozen=True, eq=False)
class TargetOutline:
    """A target as it must lie in a photo: its corners (4, 2) px, top left first as printed."""

    id: int
    corners_px: Points2


def target_outlines(scene: Scene, photo: Photo) -> list[TargetOutline]:
    """Return the measured targets that were read in a photo, as its lens and station show them."""
    if photo.camera_from_world is None:
        return []
    lens, out = scene.lens_of(photo), []
    camera_from_world: Rigid[Camera, World] = photo.camera_from_world.rigid()
    for target in (m for m in scene.measured if m.id in photo.targets_read):
        world_from_target: Rigid[World, Target] = target.world_from_target.rigid()
        half = target.side_mm / 2
        square = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
        corners = project_points((camera_from_world @ world_from_target).apply(square), lens)
        if np.isfinite(corners).all():
            out.append(TargetOutline(target.id, corners))
    return out


@dataclass(frozen=True)
class Station:
    """Where a photo was taken from, seen from the middle of the targets: angle round +z from +x, and height above."""

    photo: str
    round_rad: float
    up_rad: float


def stations(scene: Scene) -> list[Station]:
    """Return the direction of every measured photo from the middle of the measured targets."""
    if not scene.measured:
        return []
    middle = np.mean([m.world_from_target.shift_mm for m in scene.measured], axis=0)
    out = []
    for photo in (p for p in scene.photos if p.camera_from_world is not None):
        camera_from_world: Rigid[Camera, World] = photo.camera_from_world.rigid()  # type: ignore[union-attr]
        x, y, z = camera_from_world.inverse().shift - middle
        out.append(Station(photo.name, float(np.arctan2(y, x)), float(np.arctan2(z, np.hypot(x, y)))))
    return out
