"""Where the outside data lie (nobody here made them), and plane calibration by the lens model under test."""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares

from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.lens import distort

Floats = npt.NDArray[np.float64]
PLACE_VARIABLE = "ELBOWROOM_OUTSIDE_DATA"


def folder(name: str) -> Path:
    """Return a folder of the outside data, or skip the test saying where it was looked for."""
    beside = Path(__file__).parents[3] / "shared" / "data"
    place = Path(os.environ.get(PLACE_VARIABLE, beside)) / name
    if not place.is_dir():
        pytest.skip(
            f"outside data {name} not at {place} (set {PLACE_VARIABLE} to the folder that holds them)"
        )
    return place


def calibrate(views: list[tuple[Floats, Floats]], skewed: bool, coefficients: tuple[int, ...]) -> Floats:
    """Return fx, skew, fy, cx, cy, k1, k2, k3, p1, p2 and the rms (px) that fit views of a plane best.

    Each view is points (n, 2) on the plane and pixels (n, 2). Unless `skewed`, pixels are square. `coefficients`
    names which of k1, k2, k3, p1, p2 are free. First values by OpenCV without distortion.
    """
    plane = [np.column_stack([p, np.zeros(len(p))]) for p, _ in views]
    size = tuple(int(v) for v in np.ceil(np.max([x.max(axis=0) for _, x in views], axis=0)))
    _, matrix, _, turns, shifts = cv2.calibrateCamera(
        [p.astype(np.float32) for p in plane],
        [x.astype(np.float32)[:, None] for _, x in views],
        size,
        None,
        None,
        flags=cv2.CALIB_FIX_K1 | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3 | cv2.CALIB_ZERO_TANGENT_DIST,
    )
    poses = np.column_stack([np.reshape(turns, (-1, 3)), np.reshape(shifts, (-1, 3))])
    lens = [matrix[0, 0], 0.0, matrix[1, 1], matrix[0, 2], matrix[1, 2]]
    free = np.r_[[0, 3, 4] + ([1, 2] if skewed else []), [5 + c for c in coefficients]].astype(int)

    def whole(values: Floats) -> Floats:
        out = np.zeros(10)
        out[free] = values
        out[2] = out[2] if skewed else out[0]
        return out

    def residuals(values: Floats) -> Floats:
        row, place = whole(values[: len(free)]), values[len(free) :].reshape(-1, 6)
        out = []
        for points, (_, pixels), pose in zip(plane, views, place, strict=True):
            camera = points @ rotation_from_vector(pose[:3]).T + pose[3:]
            ideal = distort(camera[:, :2] / camera[:, 2:], row[5:])
            out.append(ideal @ np.array([[row[0], row[1]], [0, row[2]]]).T + row[3:5] - pixels)
        return np.concatenate(out).ravel()

    start = np.concatenate([np.r_[lens, np.zeros(5)][free], poses.ravel()])
    found = least_squares(residuals, start, method="lm", x_scale="jac", xtol=1e-14, ftol=1e-14)
    rms = np.sqrt((found.fun.reshape(-1, 2) ** 2).sum(axis=1).mean())
    return np.append(whole(found.x[: len(free)]), rms)
