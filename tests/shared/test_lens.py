"""The lens model against OpenCV's projectPoints and undistortPoints, and where it must refuse to answer."""

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from elbowroom.shared.errors import InputError
from elbowroom.shared.lens import distort, distort_derivative, project_points, undistort_points
from elbowroom.shared.scene import Lens

PHONE = Lens(
    name="phone", width_px=4000, height_px=3000, focal_px=3050.0, cx_px=2010.0, cy_px=1490.0,
    k1=0.08, k2=-0.2, k3=0.05, p1=3e-4, p2=-2e-4,
)  # fmt: skip
MATRIX = np.array([[3050.0, 0, 2010.0], [0, 3050.0, 1490.0], [0, 0, 1]])
OPENCV_ORDER = np.array([0.08, -0.2, 3e-4, -2e-4, 0.05])  # k1 k2 p1 p2 k3, as OpenCV's manual has them


def points_in_view(n: int = 300) -> npt.NDArray[np.float64]:
    rng = np.random.default_rng(5)
    depth = rng.uniform(100, 3000, n)
    return np.column_stack([rng.uniform(-0.6, 0.6, n) * depth, rng.uniform(-0.45, 0.45, n) * depth, depth])


def test_projection_is_opencvs() -> None:
    points = points_in_view()
    theirs, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), MATRIX, OPENCV_ORDER)
    np.testing.assert_allclose(project_points(points, PHONE), theirs.reshape(-1, 2), atol=1e-8)


def test_undistortion_is_opencvs() -> None:
    pixels = project_points(points_in_view(), PHONE)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 200, 1e-14)
    theirs = cv2.undistortPoints(pixels[:, None], MATRIX, OPENCV_ORDER, None, None, None, stop)
    # OpenCV iterates to a fixed point, we by Newton: 1e-9 is 3 millionths of a pixel
    np.testing.assert_allclose(undistort_points(pixels, PHONE), theirs.reshape(-1, 2), atol=1e-9)


def test_undistortion_undoes_projection() -> None:
    points = points_in_view()
    back = undistort_points(project_points(points, PHONE), PHONE)
    np.testing.assert_allclose(back, points[:, :2] / points[:, 2:], atol=1e-12)


def test_derivative_is_that_of_the_distortion() -> None:
    ideal, coefficients = points_in_view()[:, :2] / 3000, np.array([0.08, -0.2, 0.05, 3e-4, -2e-4])
    step = 1e-6
    for axis in (0, 1):
        shift = step * np.eye(2)[axis]
        difference = (distort(ideal + shift, coefficients) - distort(ideal - shift, coefficients)) / (
            2 * step
        )
        np.testing.assert_allclose(distort_derivative(ideal, coefficients)[:, :, axis], difference, atol=1e-8)


def test_nothing_behind_the_camera_or_past_the_fold_is_ever_drawn() -> None:
    behind = np.array([[10.0, 20.0, -100.0], [10.0, 20.0, 0.0]])
    assert np.isnan(project_points(behind, PHONE)).all()
    # closed form: r (1 + k1 r2) turns back where 1 + 3 k1 r2 = 0
    barrel = PHONE.model_copy(update={"k1": -0.3, "k2": 0.0, "k3": 0.0, "p1": 0.0, "p2": 0.0})
    fold = np.sqrt(1 / 0.9)  # 1 - 0.9 r2 = 0
    out = project_points(np.array([[0.99 * fold, 0, 1.0], [1.01 * fold, 0, 1.0]]), barrel)
    assert np.isfinite(out[0]).all()
    assert np.isnan(out[1]).all()


BARREL = PHONE.model_copy(update={"k1": -0.3, "k2": 0.0, "k3": 0.0, "p1": 0.0, "p2": 0.0})
# closed form: r (1 - 0.3 r2) is largest, 0.7027, at r2 = 1 / 0.9: no pixel beyond 2010 + 0.7027 * 3050 = 4153 is seen


def test_the_last_pixel_seen_has_its_inverse() -> None:
    ideal = undistort_points(np.array([[4150.0, 1490.0]]), BARREL)
    assert 0.95 < ideal[0, 0] < np.sqrt(1 / 0.9)


def test_a_pixel_without_inverse_is_named() -> None:
    with pytest.raises(InputError, match=r"lens phone, pixel .*; limit photo is 4000 x 3000 px; pick inside"):
        undistort_points(np.array([[4500.0, 1500.0]]), BARREL)


def test_no_pixel_past_the_last_one_seen_gets_an_inverse() -> None:
    with pytest.raises(InputError, match="can't be inverted"):
        undistort_points(np.array([[5000.0, 1500.0]]), BARREL)


def test_points_must_be_finite() -> None:
    with pytest.raises(InputError, match="point 1: a coordinate is not a finite number"):
        undistort_points(np.array([[1.0, 2.0], [np.nan, 3.0]]), PHONE)
