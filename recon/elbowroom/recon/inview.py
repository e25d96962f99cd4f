"""Which targets a photo should show: in front of it, facing it, inside its frame and large enough to be read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Bools, Floats
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import Lens

FACING = float(np.cos(np.deg2rad(65.0)))
"""Least cosine between a target's normal and the way to the camera: up to here targets are read and measured well."""

LEAST_SIDE_PX = 25.0
"""Least side of a target that should be read: half as much again as the least that is used."""

MARGIN = 1.25
"""A target with the white round it, in sides: without that margin it is not read."""


@dataclass(frozen=True, eq=False)
class Shown:
    """How a photo shows targets: corners (t, 4, 2) px, sides (t,) px (root of the area), and which are clear (t,)."""

    corners_px: Floats
    sides_px: Floats
    clear: Bools


def shown(
    station: Rigid[Camera, World],
    lens: Lens,
    rotations: Floats,
    shifts_world: Floats,
    sides_mm: Floats,
    *,
    facing: float = FACING,
    least_px: float = LEAST_SIDE_PX,
) -> Shown:
    """Return how a photo taken from a station shows targets, were nothing in the way.

    Parameters
    ----------
    station, lens : Rigid, Lens
        `camera_from_world`, and the lens with the photo's size.
    rotations, shifts_world, sides_mm : Floats
        (t, 3, 3), (t, 3) mm and (t,) mm: the targets' places and sides.
    facing, least_px : float
        Least cosine of the view to a target's normal, and least side in pixels, of what counts as clear.
    """
    flat = np.column_stack([CORNERS, np.zeros(4)])[None] * sides_mm[:, None, None]
    arms = flat @ rotations.transpose(0, 2, 1)
    corners = _pixels(station, lens, shifts_world[:, None] + arms)
    rim = _pixels(station, lens, shifts_world[:, None] + MARGIN * arms)
    size = np.array([lens.width_px, lens.height_px])
    with np.errstate(invalid="ignore"):
        inside = ((rim > -0.5) & (rim < size - 0.5)).all(axis=(1, 2))
        sides = np.sqrt(np.abs(_areas(corners)))
    away = station.inverse().shift - shifts_world
    cosines = (rotations[:, :, 2] * away).sum(axis=1) / np.linalg.norm(away, axis=1)
    return Shown(corners, sides, inside & (cosines >= facing) & (sides >= least_px))


def _pixels(station: Rigid[Camera, World], lens: Lens, points_world: Floats) -> Floats:
    """Return the pixels (t, 4, 2) of points (t, 4, 3) mm."""
    return project_points(station.apply(points_world.reshape(-1, 3)), lens).reshape(-1, 4, 2)


def _areas(corners_px: Floats) -> Floats:
    """Return the areas (t,) of quadrilaterals (t, 4, 2), by their diagonals."""
    a, b = corners_px[:, 2] - corners_px[:, 0], corners_px[:, 3] - corners_px[:, 1]
    return np.asarray(0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))
