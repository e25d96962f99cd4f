"""Poses of single targets from one photo each, both of the two that a planar target allows; a first focal length.

Source: T. Collins and A. Bartoli, Infinitesimal Plane-Based Pose Estimation, IJCV 109, 2014: the homography's
derivative at the target's centre gives two rotations, up to which a plane seen in perspective is ambiguous.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.reading.edges import homographies
from elbowroom.recon.reading.pattern import CORNERS
from elbowroom.shared.arrays import Floats, Points2

FOCAL_TRIALS = np.geomspace(0.5, 2.5, 9)
"""Focal lengths tried when EXIF names none, in units of the photo's longer side: 80 to 23 degrees of view."""

FINE_TRIALS = np.geomspace(1 / 1.2, 1.2, 7)
"""...and round the best of them, as factors."""

FOCAL_TARGETS = 40
"""The largest sightings are enough to choose a first focal length."""

BEHIND = 10.0
"""Miss (normalised image coordinates) given to a target that would lie behind the camera: worse than any in view."""


@dataclass(frozen=True, eq=False)
class Resection:
    """The two poses, better first, that planar targets may have.

    `rotations` (..., 2, 3, 3) and `shifts` (..., 2, 3) mm are camera_from_target, `corners_camera` (..., 2, 4, 3) mm
    the corners, `misses` (..., 2) the rms distance from the corners seen, in normalised coordinates.
    """

    rotations: Floats
    shifts: Floats
    corners_camera: Floats
    misses: Floats

    def __getitem__(self, row: int) -> Resection:
        return Resection(self.rotations[row], self.shifts[row], self.corners_camera[row], self.misses[row])


def resect(normalised: Floats, sides_mm: Floats) -> Resection:
    """Return both planar poses of n square targets from ideal normalised corners (n, 4, 2), printed order."""
    h = homographies(normalised)
    rotations = _rotations(h)
    flat = np.column_stack([CORNERS, np.zeros(4)]) * np.asarray(sides_mm)[:, None, None]
    arms = flat[:, None] @ rotations.transpose(0, 1, 3, 2)  # (n, 2, 4, 3)
    shifts = _shifts(arms, normalised)
    corners = arms + shifts[:, :, None]
    missed = misses(corners, normalised[:, None])
    order = np.argsort(missed, axis=1, kind="stable")
    row = np.arange(len(order))[:, None]
    return Resection(rotations[row, order], shifts[row, order], corners[row, order], missed[row, order])


def misses(points_camera: Floats, corners: Floats) -> Floats:
    """Return rms distances (...) between projected points (..., 4, 3) and seen corners (..., 4, 2); big if behind."""
    z = points_camera[..., 2]
    ideal = points_camera[..., :2] / np.where(z > 0, z, 1.0)[..., None]
    rms = np.sqrt(((ideal - corners) ** 2).sum(axis=-1).mean(axis=-1))
    return np.where((z > 0).all(axis=-1), rms, BEHIND)


def _rotations(h: Floats) -> Floats:
    """Return both rotations (n, 2, 3, 3) of planes from homographies (n, 3, 3) with h33 = 1 (the paper's section 3)."""
    centre = h[:, :2, 2]
    slope = h[:, :2, :2] - centre[:, :, None] * h[:, 2, None, :2]
    turn = _turn_to(centre)
    ray = np.concatenate([np.broadcast_to(np.eye(2), (len(h), 2, 2)), -centre[:, :, None]], axis=2)
    a = np.linalg.solve(ray @ turn[:, :, :2], slope)
    scale = np.linalg.norm(a, ord=2, axis=(1, 2))
    upper = a / scale[:, None, None]
    rest = np.eye(2) - upper.transpose(0, 2, 1) @ upper  # = b bT, b the first two entries of the third row
    b = np.sqrt(np.maximum(np.einsum("nii->ni", rest), 0.0))  # n targets, i columns
    b[:, 1] *= np.where(rest[:, 0, 1] < 0, -1.0, 1.0)
    both = np.stack([b, -b], axis=1)
    columns = np.concatenate([np.broadcast_to(upper[:, None], (len(h), 2, 2, 2)), both[:, :, None]], axis=2)
    third = np.cross(columns[..., 0], columns[..., 1])
    return turn[:, None] @ np.concatenate([columns, third[..., None]], axis=3)


def _turn_to(centre: Floats) -> Floats:
    """Return the smallest rotations (n, 3, 3) that turn the z axis into the rays through (n, 2)."""
    ray = np.column_stack([centre, np.ones(len(centre))])
    z = ray / np.linalg.norm(ray, axis=1, keepdims=True)
    x, y, c = z[:, 0], z[:, 1], z[:, 2]
    k = 1 / (1 + c)  # c > 0: the ray looks forward
    rows = [1 - k * x * x, -k * x * y, x, -k * x * y, 1 - k * y * y, y, -x, -y, c]
    return np.stack(rows, axis=1).reshape(-1, 3, 3)


def _shifts(arms: Floats, normalised: Floats) -> Floats:
    """Return the shifts (n, 2, 3) mm that put arms (n, 2, 4, 3) on the corners' rays, by linear least squares."""
    u, v = normalised[..., 0], normalised[..., 1]
    zero, one = np.zeros_like(u), np.ones_like(u)
    rows = np.stack([one, zero, -u, zero, one, -v], axis=-1).reshape(-1, 1, 8, 3)
    miss = normalised[:, None] * arms[..., 2:] - arms[..., :2]
    across = rows.transpose(0, 1, 3, 2)
    solved = np.linalg.solve(across @ rows, across @ miss.reshape(*miss.shape[:2], 8, 1))
    return np.asarray(solved[..., 0], dtype=np.float64)


def focal_guess(
    corners_px: Sequence[Points2], sides_mm: Sequence[float], width_px: int, height_px: int
) -> float:
    """Return the focal length (px) at which square targets look most nearly square.

    `corners_px` are (4, 2) px arrays of one lens group; the principal point is taken at the photo's centre.
    """
    corners, sides = np.array(corners_px), np.array(sides_mm)
    largest = np.argsort(-np.ptp(corners, axis=1).max(axis=1))[:FOCAL_TARGETS]
    corners = corners[largest] - np.array([(width_px - 1) / 2, (height_px - 1) / 2])

    def best(focals: Floats) -> float:
        return float(
            min(focals, key=lambda f: f * np.median(resect(corners / f, sides[largest]).misses[:, 0]))
        )

    coarse = best(max(width_px, height_px) * FOCAL_TRIALS)
    return best(coarse * FINE_TRIALS)
