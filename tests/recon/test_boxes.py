"""Boxes: exact picks of a turned box, doubt against repeated noisy picks, and corners that aren't square."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.true_job import job, pick, typed, volume_of

from elbowroom.recon.obstacles.boxes import measure_box
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.scene import BoxTag

CORNER, TURN, SIZE = (
    np.array([10.0, -20, 5]),
    rotation_from_vector(np.array([0.2, -0.3, 0.5])),
    (70.0, 40.0, 25.0),
)


def box(
    rng: np.random.Generator | None = None,
    photos: tuple[str, ...] = ("north", "east", "top"),
    flip: float = 1,
) -> BoxTag:
    ends = [CORNER + TURN[:, k] * SIZE[k] * (flip if k == 2 else 1) for k in range(3)]
    corner, x, y, z = (pick(p, photos, rng) for p in (CORNER, *ends))
    return BoxTag(name="bar", corner=corner, along_x=x, along_y=y, along_z=z)


@pytest.mark.parametrize("flip", [1, -1])
def test_exact_corners_give_the_box_either_handed(flip: float) -> None:
    found = measure_box(box(flip=flip), job())
    assert found.corner_world == pytest.approx(CORNER, abs=1e-5)
    assert found.edges_world == pytest.approx(TURN * SIZE * np.array([1, 1, flip]), abs=1e-5)
    assert volume_of(*found.mesh) == pytest.approx(70 * 40 * 25, rel=1e-6)
    assert found.findings == ()


def test_noisy_corners_give_a_square_box_within_its_doubt() -> None:
    rng, scene, squares = np.random.default_rng(5), job(), []
    far = CORNER + TURN @ SIZE
    for _ in range(60):
        found = measure_box(box(rng), scene)
        e = found.edges_world / np.linalg.norm(found.edges_world, axis=0)
        assert np.abs(e.T @ e - np.eye(3)).max() < 1e-9
        off = found.corner_world + found.edges_world.sum(axis=1) - far
        squares.append(off @ np.linalg.solve(found.covariance, off))
    # the far corner is the least known: chi-square of 3 degrees, mean 3, sd of the mean sqrt(6 / 60) = 0.32
    assert 1.5 < np.mean(squares) < 4.3


def test_corners_that_are_not_square_are_found() -> None:
    tag = BoxTag(
        name="bar",
        corner=pick((0, 0, 0)),
        along_x=pick((60, 0, 0)),
        along_y=pick((15, 60, 0)),
        along_z=pick((0, 0, 30)),
    )
    (finding,) = measure_box(tag, job()).findings
    assert finding.code == "tag-box-not-square"
    assert finding.numbers["off_mm"] > 3


@pytest.mark.parametrize(
    ("x", "y", "z", "message"),
    [
        ((0.1, 0, 0), (0, 9, 0), (0, 0, 9), "no length"),
        ((9, 0, 0), (0, 9, 0), (9, 9, 0.1), "almost in one plane"),
    ],
)
def test_flat_boxes_are_refused(
    x: tuple[float, ...], y: tuple[float, ...], z: tuple[float, ...], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        measure_box(
            BoxTag(
                name="bar", corner=typed(0, 0, 0), along_x=typed(*x), along_y=typed(*y), along_z=typed(*z)
            ),
            job(),
        )
