"""Spots in photos: where drawn blobs and warped textures, whose places are known, are found."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from tests.recon.grains import grain_patch

from elbowroom.recon.keypoints import COMPARED, PATCH, Keypoints, alike, keypoints, refined
from elbowroom.shared.arrays import Floats, Image


def blobs(places: Floats, size: tuple[int, int], sd: float) -> Image:
    """Return dark round blobs on grey; (0, 0) is the middle of the top-left pixel."""
    out = np.full(size[::-1], 180.0)
    reach = np.arange(-int(5 * sd), int(5 * sd) + 1)
    for px, py in places:
        x, y = round(px) + reach, round(py) + reach
        out[y[:, None], x] -= 120 * np.exp(-((x - px) ** 2 + (y[:, None] - py) ** 2) / (2 * sd**2))
    return np.asarray(np.round(out), dtype=np.uint8)


@pytest.mark.parametrize("size", [(640, 480), (3200, 2400)])
def test_spots_lie_where_the_blobs_are(size: tuple[int, int]) -> None:
    """Symmetric blobs have their middle where they were drawn, on a photo that is reduced too: no half-pixel shift."""
    factor = max(1, round(max(size) / 2000))
    rng = np.random.default_rng(0)
    grid = np.stack(np.meshgrid(np.arange(1, 6), np.arange(1, 5)), axis=-1).reshape(-1, 2) * 90.0 * factor
    places = grid + rng.uniform(-5, 5, grid.shape)
    found = keypoints(blobs(places, size, 4.0 * factor), ())
    off = [found.pixels[np.linalg.norm(found.pixels - p, axis=1).argmin()] - p for p in places]
    assert np.abs(np.mean(off, axis=0)).max() < 0.05
    assert np.abs(off).max() < 0.5


def test_no_spot_lies_on_a_target() -> None:
    rng = np.random.default_rng(1)
    image = np.asarray(
        cv2.GaussianBlur(rng.uniform(0, 255, (600, 800)), (0, 0), 2.5) * 3 - 250, dtype=np.uint8
    )
    quad = np.array([[300.0, 200.0], [420, 210], [410, 330], [290, 320]])
    free, kept = keypoints(image, ()), keypoints(image, (quad,))
    inside = [
        cv2.pointPolygonTest(quad.astype(np.float32), tuple(map(float, p)), False) >= 0 for p in free.pixels
    ]
    assert sum(inside) > 10
    assert not any(
        cv2.pointPolygonTest(quad.astype(np.float32), tuple(map(float, p)), False) >= 0 for p in kept.pixels
    )


def one_spot(pixel: Floats, patch: Image, turn: float = 0.0, size: float = 8.0) -> Keypoints:
    described = np.zeros((1, 128), dtype=np.float32)
    return Keypoints(pixel[None], described, np.array([size]), np.array([turn]), patch[None])


def test_a_patch_is_found_again_turned_stretched_and_lit_otherwise() -> None:
    """Grains are a closed form of place, so where they are in the other photo is known exactly."""
    rng, off = np.random.default_rng(2), []
    for seed in range(12):
        turn, grown = rng.uniform(-np.pi, np.pi), rng.uniform(0.8, 1.25)
        true, rough = rng.uniform(100, 200, 2), rng.normal(0, 0.8, 2)
        stretch = np.eye(2) + rng.normal(0, 0.04, (2, 2))
        shape = grown * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ stretch
        here = np.array([140.3, 90.7])
        one = one_spot(here, grain_patch(seed, here, np.eye(2), here))
        other = one_spot(
            true + rough, grain_patch(seed, true, shape, true + rough, gain=0.7, offset=20), turn, 8 * grown
        )
        found = refined(one, 0, other, 0)
        assert found is not None
        off.append(found - true)
    assert np.sqrt(np.mean(np.square(off))) < 0.05  # no tie is believed better than 0.3 px
    assert np.abs(off).max() < 0.1


def test_another_patch_is_refused() -> None:
    here = np.array([50.0, 60.0])
    others = [one_spot(here, grain_patch(s, here, np.eye(2), here)) for s in range(1, 9)]
    one = one_spot(here, grain_patch(0, here, np.eye(2), here))
    assert all(refined(one, 0, other, 0) is None for other in others)
    assert COMPARED < PATCH


def test_likeness_must_be_mutual_clear_and_on_the_line() -> None:
    rows = np.eye(128, dtype=np.float32)[:4]
    pixels, no = np.zeros((4, 2)), np.ones(4)
    spots = Keypoints(pixels, rows, no, no, np.zeros((4, PATCH, PATCH), dtype=np.uint8))
    off = np.zeros((4, 4))
    off[2, 2] = 9.0
    assert alike(spots, spots, off, 3.0).tolist() == [[0, 0], [1, 1], [3, 3]]
    twins = rows.copy()
    twins[1] = twins[0]
    doubled = Keypoints(pixels, twins, no, no, spots.patches)
    assert [0, 0] not in alike(spots, doubled, np.zeros((4, 4)), 3.0).tolist()
