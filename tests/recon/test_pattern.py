"""The target's pattern against OpenCV's drawing of it."""

import cv2
import numpy as np
import pytest

from elbowroom.recon.reading.pattern import (
    CORNERS,
    MODULES,
    check_family,
    edge_samples,
    modules,
    predefined_family,
)
from elbowroom.shared.errors import InputError

FAMILIES = [cv2.aruco.DICT_APRILTAG_36h11, cv2.aruco.DICT_6X6_250]


@pytest.mark.parametrize("code", FAMILIES)
@pytest.mark.parametrize("target", [0, 17, 103])
def test_modules_are_opencvs_drawing_with_a_black_ring(code: int, target: int) -> None:
    drawn = predefined_family(code).generateImageMarker(target, 80)
    np.testing.assert_array_equal(modules(target, predefined_family(code)), drawn[5::10, 5::10] > 127)
    ring = np.ones((MODULES, MODULES), dtype=bool)
    ring[1:-1, 1:-1] = False
    assert not modules(target, predefined_family(code))[ring].any()


@pytest.mark.parametrize("code", FAMILIES)
@pytest.mark.parametrize("target", [0, 17, 103])
def test_each_sample_has_black_on_one_side_and_white_on_the_other(code: int, target: int) -> None:
    family = predefined_family(code)
    drawn = np.pad(family.generateImageMarker(target, 400), 50, constant_values=255)
    samples, step = edge_samples(target, family), 0.25 / MODULES

    def grey(points: np.ndarray) -> np.ndarray:
        column, row = np.floor(250 + 400 * points[:, 0]), np.floor(250 - 400 * points[:, 1])
        return drawn[row.astype(int), column.astype(int)]

    assert (grey(samples.points - step * samples.normals) == 0).all()
    assert (grey(samples.points + step * samples.normals) == 255).all()


@pytest.mark.parametrize("target", [0, 17, 103, 586])
def test_samples_number_as_the_boundaries_do(target: int) -> None:
    cells = np.pad(modules(target), 1, constant_values=1.0)
    boundaries = np.abs(np.diff(cells, axis=0)).sum() + np.abs(np.diff(cells, axis=1)).sum()
    assert len(edge_samples(target).points) == 3 * boundaries
    # every boundary closes on itself: the outward normals of all of them add up to nothing
    np.testing.assert_allclose(edge_samples(target).normals.sum(axis=0), 0)


def test_corners_go_round_clockwise_as_printed() -> None:
    np.testing.assert_array_equal(CORNERS, [[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])


def test_a_family_of_other_size_is_refused() -> None:
    with pytest.raises(InputError, match="value 6 modules a side; limit 8 modules"):
        check_family(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
