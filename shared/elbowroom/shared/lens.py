"""The lens model: pinhole with Brown's radial k1 k2 k3 and tangential p1 p2 distortion.

Source: D. C. Brown, Close-Range Camera Calibration, Photogrammetric Engineering 37(8), 1971; same signs and order
as OpenCV. Pixel (0, 0) is the centre of the top-left pixel.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from elbowroom.shared.arrays import Floats, Points2, Points3, check_points
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Lens

UNDISTORT_STEPS = 25
"""Newton steps before giving up; a phone lens needs 3 to 5."""

UNDISTORT_TOLERANCE = 1e-12
"""Stop when the normalised coordinate moves less: 4e-9 px at 4000 px focal length."""


def distort(normalised: Points2, coefficients: Floats) -> Points2:
    """Return distorted normalised coordinates (n, 2) of ideal ones (n, 2).

    `coefficients` is k1, k2, k3, p1, p2.
    """
    k1, k2, k3, p1, p2 = coefficients
    x, y = normalised[:, 0], normalised[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.column_stack(
        [
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        ]
    )


def distort_derivative(normalised: Points2, coefficients: Floats) -> Floats:
    """Return d(distorted)/d(ideal) as (n, 2, 2)."""
    k1, k2, k3, p1, p2 = coefficients
    x, y = normalised[:, 0], normalised[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * r2 * k3))
    out = np.empty((len(x), 2, 2))
    out[:, 0, 0] = radial + x * x * slope + 2 * p1 * y + 6 * p2 * x
    out[:, 0, 1] = x * y * slope + 2 * p1 * x + 2 * p2 * y
    out[:, 1, 0] = out[:, 0, 1]
    out[:, 1, 1] = radial + y * y * slope + 6 * p1 * y + 2 * p2 * x
    return out


def coefficients_of(lens: Lens) -> Floats:
    """Return k1, k2, k3, p1, p2 as an array (5,)."""
    return np.array([lens.k1, lens.k2, lens.k3, lens.p1, lens.p2])


def project_points(points_camera: Points3, lens: Lens) -> Points2:
    """Return the pixels (n, 2) at which points (n, 3) mm of the camera frame appear.

    Points at or behind the projection centre (z <= 0) give NaN. Points far outside the photo, where the radial
    polynomial folds back, give NaN too, so that nothing invisible is ever drawn inside the photo.
    """
    points = check_points(points_camera, 3, where="project_points")
    z = points[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        ideal = np.where(z[:, None] > 0, points[:, :2] / z[:, None], np.nan)
        coefficients = coefficients_of(lens)
        pixels = lens.focal_px * distort(ideal, coefficients) + [lens.cx_px, lens.cy_px]
        folded = (
            ~(np.linalg.det(distort_derivative(ideal, coefficients)) > 0)
            | ~(_radial_slope(ideal, coefficients) > 0)
            | ~((ideal**2).sum(axis=1) < _fold_radius2(coefficients))
        )
    pixels[folded] = np.nan
    return pixels


def _radial_slope(ideal: Points2, coefficients: Floats) -> Floats:
    k1, k2, k3 = coefficients[:3]
    r2 = (ideal**2).sum(axis=1)
    return 1 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3))


def _fold_radius2(coefficients: Floats) -> float:
    """Return the squared radius at which the radial polynomial first turns back (infinity if never)."""
    return _first_fold(*(float(k) for k in coefficients[:3]))


@lru_cache(maxsize=64)  # asked once a call, for the few lenses of a job
def _first_fold(k1: float, k2: float, k3: float) -> float:
    roots = np.roots([7 * k3, 5 * k2, 3 * k1, 1.0])
    real = [r.real for r in roots if abs(r.imag) < 1e-12 * (1 + abs(r.real)) and r.real > 0]
    return min(real) if real else float("inf")


def undistort_points(points_px: Points2, lens: Lens) -> Points2:
    """Return the ideal normalised image coordinates (n, 2) of pixels (n, 2); Newton on the exact model.

    Raises
    ------
    InputError
        When a pixel lies where the lens model has no inverse (far outside the photo).
    """
    pixels = check_points(points_px, 2, where="undistort_points")
    coefficients = coefficients_of(lens)
    wanted = (pixels - [lens.cx_px, lens.cy_px]) / lens.focal_px
    ideal = wanted.copy()
    for _ in range(UNDISTORT_STEPS):
        step = np.linalg.solve(
            distort_derivative(ideal, coefficients), (wanted - distort(ideal, coefficients))[:, :, None]
        )[:, :, 0]
        ideal += step
        if not len(step) or np.abs(step).max() < UNDISTORT_TOLERANCE:
            break
    beyond = (ideal**2).sum(axis=1) >= _fold_radius2(
        coefficients
    )  # Newton fell on the polynomial's other branch
    bad = beyond | ~(np.abs(step).max(axis=1) < UNDISTORT_TOLERANCE)
    if not bad.any():
        return ideal
    worst = int(np.flatnonzero(bad)[0])
    raise InputError(
        "the lens model can't be inverted there",
        where=f"lens {lens.name}, pixel {pixels[worst].round(1).tolist()}",
        limit=f"photo is {lens.width_px} x {lens.height_px} px",
        todo="pick inside the photo, or measure the lens again with targets near the photo's edges",
    )
