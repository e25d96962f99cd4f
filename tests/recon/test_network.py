"""Planar resections against OpenCV's, and first values joined from them."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from tests.recon.made_network import SIDE_MM, seen_corners, true_state

from elbowroom.recon.network.resection import BEHIND, focal_guess, misses, resect
from elbowroom.recon.network.start import groups, start_network
from elbowroom.recon.reading.pattern import CORNERS
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.lens import undistort_points
from elbowroom.shared.scene import Lens

Floats = npt.NDArray[np.float64]
LENS = Lens(
    name="made", width_px=4000, height_px=3000, focal_px=3050.0, cx_px=2010.0, cy_px=1490.0,
    k1=0.08, k2=-0.2, k3=0.05, p1=3e-4, p2=-2e-4,
)  # fmt: skip


def seen_by(stations: int = 6, noise_px: float = 0.05) -> dict[str, dict[int, Floats]]:
    state, rng = true_state(), np.random.default_rng(0)
    return {
        f"{i}.jpg": {
            j: undistort_points(seen_corners(state, i, j) + rng.normal(0, noise_px, (4, 2)), LENS)
            for j in range(8)
        }
        for i in range(stations)
    }


def test_both_poses_of_a_target_are_opencvs() -> None:
    ideal = np.array([c for targets in seen_by(noise_px=0.5).values() for c in targets.values()])
    ours = resect(ideal, np.full(len(ideal), SIDE_MM))
    flat = np.column_stack([CORNERS * SIDE_MM, np.zeros(4)])
    for i, corners in enumerate(ideal):
        _, turns, shifts, _ = cv2.solvePnPGeneric(
            flat, corners[:, None], np.eye(3), None, flags=cv2.SOLVEPNP_IPPE_SQUARE
        )
        for way in range(2):
            np.testing.assert_allclose(
                ours.rotations[i, way], rotation_from_vector(np.ravel(turns[way])), atol=1e-5
            )
            np.testing.assert_allclose(ours.shifts[i, way], np.ravel(shifts[way]), rtol=1e-4, atol=1e-2)


def test_an_exact_view_comes_back_exactly() -> None:
    state = true_state()
    ideal = np.array([undistort_points(seen_corners(state, 0, j), LENS) for j in range(8)])
    found = resect(ideal, np.full(8, SIDE_MM))
    for j in range(8):
        rotation = state.station_rotations[0] @ state.target_rotations[j]
        shift = state.station_rotations[0] @ state.target_shifts[j] + state.station_shifts[0]
        np.testing.assert_allclose(found.rotations[j, 0], rotation, atol=1e-5)
        np.testing.assert_allclose(found.shifts[j, 0], shift, atol=1e-3)
    assert (found.misses[:, 0] < 1e-7).all()


def test_a_target_seen_square_on_has_one_pose_twice() -> None:
    found = resect(SIDE_MM * CORNERS[None] * [1, -1] / 500, np.array([SIDE_MM]))
    for way in range(2):
        np.testing.assert_allclose(found.rotations[0, way], np.diag([1.0, -1, -1]), atol=1e-6)
        np.testing.assert_allclose(found.shifts[0, way], [0, 0, 500], atol=1e-6)


def test_what_lies_behind_misses_by_far() -> None:
    points = np.array([[[0, 0, -5.0], [1, 0, 5], [1, 1, 5], [0, 1, 5]]])
    assert misses(points, np.zeros((4, 2))) == [BEHIND]


@pytest.mark.parametrize("focal", [2200.0, 3050.0, 5200.0])
def test_the_focal_length_is_guessed_from_the_targets(focal: float) -> None:
    state = true_state()
    lens = LENS.model_copy(update={"focal_px": focal, "k1": 0.0, "k2": 0.0, "k3": 0.0})
    corners = []
    for i in range(8):
        for j in range(8):
            ideal = undistort_points(seen_corners(state, i, j), LENS)
            corners.append(lens.focal_px * ideal + [1999.5, 1499.5])
    guess = focal_guess(corners, [SIDE_MM] * len(corners), 4000, 3000)
    # seven trials from best / 1.2 to best x 1.2 are 6 % apart
    assert guess == pytest.approx(focal, rel=0.05)


def test_photos_are_grouped_by_shared_targets() -> None:
    corners = np.zeros((4, 2))
    seen = {
        "a": {1: corners},
        "b": {2: corners},
        "c": {1: corners, 3: corners},
        "d": {3: corners},
        "e": {2: corners},
    }
    assert groups(seen) == [["a", "c", "d"], ["b", "e"]]


def test_first_values_are_near_the_truth() -> None:
    state, seen = true_state(), seen_by()
    start = start_network(seen, dict.fromkeys(range(8), SIDE_MM), dict.fromkeys(seen, 3050.0))
    assert sorted(start.stations) == sorted(seen)
    assert sorted(start.targets) == list(range(8))
    centres = np.array([start.targets[j].shift for j in range(8)])
    true = state.target_shifts
    for a in range(8):
        for b in range(a):
            wanted = float(np.linalg.norm(true[a] - true[b]))
            assert np.linalg.norm(centres[a] - centres[b]) == pytest.approx(wanted, abs=0.03 * wanted + 2)


def test_a_target_that_fits_nowhere_is_left_out() -> None:
    seen = seen_by()
    for photo, targets in seen.items():  # target 7 jumps about
        targets[7] = targets[7] + np.array([0.2 * int(photo[0]), -0.1])
    start = start_network(seen, dict.fromkeys(range(8), SIDE_MM), dict.fromkeys(seen, 3050.0))
    assert sorted(start.targets) == list(range(7))
