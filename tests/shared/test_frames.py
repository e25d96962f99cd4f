"""Rigid transforms against scipy's Rotation, and their laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import (
    Camera,
    Rigid,
    World,
    frame_on_plane,
    identity,
    rotation_from_vector,
    vector_from_rotation,
)

numbers = st.floats(-3.0, 3.0, allow_nan=False)
vectors = st.tuples(numbers, numbers, numbers).map(np.array)


def moved(turn: np.ndarray, shift: np.ndarray) -> Rigid[World, Camera]:
    return Rigid(rotation_from_vector(turn), 100 * shift)


@given(vectors)
def test_rotations_are_scipys(vector: np.ndarray) -> None:
    np.testing.assert_allclose(
        rotation_from_vector(vector), Rotation.from_rotvec(vector).as_matrix(), atol=1e-12
    )


@given(vectors)
def test_a_rotation_vector_comes_back(vector: np.ndarray) -> None:
    rotation = rotation_from_vector(vector)
    np.testing.assert_allclose(rotation_from_vector(vector_from_rotation(rotation)), rotation, atol=1e-9)


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-8, 2e-8, 1e-4, np.pi - 1e-9, np.pi])
def test_tiny_and_half_turns_are_exact(angle: float) -> None:
    vector = angle * np.array([2.0, -1.0, 2.0]) / 3
    np.testing.assert_allclose(
        rotation_from_vector(vector), Rotation.from_rotvec(vector).as_matrix(), atol=1e-14
    )


@given(vectors, vectors, vectors, vectors)
def test_chain_inverse_and_matrix_agree(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> None:
    world_from_camera, point = moved(a, b), 50 * np.atleast_2d(d)
    camera_from_camera: Rigid[Camera, Camera] = Rigid(rotation_from_vector(c), 10 * a)
    chain = world_from_camera @ camera_from_camera
    np.testing.assert_allclose(
        chain.apply(point), world_from_camera.apply(camera_from_camera.apply(point)), atol=1e-9
    )
    np.testing.assert_allclose(chain.inverse().apply(chain.apply(point)), point, atol=1e-9)
    np.testing.assert_allclose(chain.matrix() @ chain.inverse().matrix(), np.eye(4), atol=1e-9)
    np.testing.assert_allclose((world_from_camera @ identity()).matrix(), world_from_camera.matrix())


@given(vectors, vectors, vectors)
def test_distances_and_angles_stay(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> None:
    transform = moved(a, b)
    p, q = transform.apply(np.array([b, c]))
    assert np.linalg.norm(p - q) == pytest.approx(np.linalg.norm(b - c), abs=1e-9)
    assert transform.turn(b) @ transform.turn(c) == pytest.approx(b @ c, abs=1e-9)


def test_a_frame_on_a_plane_lies_in_it() -> None:
    frame: Rigid[World, Camera] = frame_on_plane(
        np.array([1.0, 2, 3]), np.array([0, 0, 5.0]), np.array([1.0, 1, 9])
    )
    half = np.sqrt(0.5)
    expected = [[half, -half, 0], [half, half, 0], [0, 0, 1]]  # closed form: x at 45 degrees in the plane
    np.testing.assert_allclose(frame.rotation, expected, atol=1e-15)
    np.testing.assert_allclose(frame.shift, [1, 2, 3])


@pytest.mark.parametrize(
    ("normal", "along", "message"),
    [
        ([0, 0, 0], [1, 0, 0], "needs a normal of some length"),
        ([0, 0, 2], [0, 0, -3], "parallel to the plane's normal"),
    ],
)
def test_a_plane_without_direction_is_refused(normal: list[float], along: list[float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        frame_on_plane(np.zeros(3), np.array(normal, dtype=float), np.array(along, dtype=float))


@pytest.mark.parametrize(
    ("rotation", "message"),
    [
        (np.diag([1.0, 1, -1]), "not a proper rotation"),  # a mirror
        (1.01 * np.eye(3), "not a proper rotation.*value 0.02.*limit 1e-06"),
        (np.full((3, 3), np.nan), "needs a finite 3 x 3 rotation"),
    ],
)
def test_what_is_no_rotation_is_refused(rotation: np.ndarray, message: str) -> None:
    with pytest.raises(InputError, match=message):
        Rigid(rotation, np.zeros(3))


def test_transforms_can_not_be_changed() -> None:
    transform: Rigid[World, Camera] = identity()
    with pytest.raises(ValueError, match="read-only"):
        transform.rotation[0, 0] = 2.0
