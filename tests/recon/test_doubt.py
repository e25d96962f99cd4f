"""The network's doubt carried to a place: closed forms for shift, turn and scale of the whole network."""

import numpy as np
import numpy.typing as npt
import pytest

from elbowroom.recon.network.doubt import NetworkDoubt

Floats = npt.NDArray[np.float64]
CENTRES = np.array([[x, y, z] for x in (-200, 200) for y in (-150, 150) for z in (-80, 90.0)])
PLACES = [(0, 0, 0), (120, -60, 30), (300, 200, 100.0)]


def doubt_of(patterns: list[Floats]) -> NetworkDoubt:
    """Return the doubt of errors that are these patterns (8, 3) with independent unit amplitudes."""
    rows = np.array([p.ravel() for p in patterns])
    return NetworkDoubt(CENTRES, rows.T @ rows)


@pytest.mark.parametrize("place", PLACES)
def test_a_common_shift_is_carried_whole(place: tuple[float, float, float]) -> None:
    shifts = [np.tile(row, (8, 1)) for row in np.diag([0.1, 0.2, 0.3])]
    np.testing.assert_allclose(
        doubt_of(shifts).point_covariance(np.array(place)), np.diag([0.01, 0.04, 0.09]), atol=1e-12
    )


@pytest.mark.parametrize("place", PLACES)
def test_a_scale_error_grows_with_distance_from_where_it_is_none(place: tuple[float, float, float]) -> None:
    covariance = doubt_of([1e-3 * CENTRES]).point_covariance(np.array(place))
    np.testing.assert_allclose(covariance, 1e-6 * np.outer(place, place), atol=1e-12)


@pytest.mark.parametrize("place", PLACES)
def test_a_small_turn_moves_a_place_across_its_arm(place: tuple[float, float, float]) -> None:
    axis = 1e-3 * np.array([0.2, -0.5, 0.8])
    moved = np.cross(axis, place)
    covariance = doubt_of([np.cross(axis, CENTRES)]).point_covariance(np.array(place))
    np.testing.assert_allclose(covariance, np.outer(moved, moved), atol=1e-12)


def test_independent_errors_average_in_the_middle_and_grow_outside() -> None:
    doubt = NetworkDoubt(CENTRES, 0.04 * np.eye(24))
    # closed form: the mean of 8 independent errors of 0.2 mm
    np.testing.assert_allclose(doubt.point_covariance(CENTRES.mean(axis=0)), 0.04 / 8 * np.eye(3), atol=1e-12)
    far = doubt.point_covariance(np.array([2000.0, 0, 0]))
    assert far[0, 0] > 10 * 0.04 / 8


def test_a_flat_network_says_nothing_across_itself_but_stays_finite() -> None:
    flat = NetworkDoubt(CENTRES * [1, 1, 0], 0.04 * np.eye(24))
    assert np.isfinite(flat.point_covariance(np.array([0, 0, 500.0]))).all()
    np.testing.assert_allclose(flat.weights(np.array([0, 0, 0.0])).sum(), 1.0)


def test_doubt_comes_back_from_its_bytes() -> None:
    doubt = doubt_of([1e-3 * CENTRES])
    back = NetworkDoubt.of_bytes(doubt.to_bytes())
    np.testing.assert_array_equal(back.centres_world, doubt.centres_world)
    np.testing.assert_array_equal(back.covariance_mm2, doubt.covariance_mm2)
