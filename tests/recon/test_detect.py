"""Targets looked for in drawn photos, whose truth is known: small ones, covered ones, and pictures without any."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from backgrounds import GROUNDS, light
from corners import LENS, SIDE_MM, STATION, place
from synthetic import Layout, Look, corners_world, draw

from elbowroom.recon.codes import sample
from elbowroom.recon.detect import detect, find_targets, read_grey
from elbowroom.recon.hidden import covered
from elbowroom.recon.quads import find_quads
from elbowroom.shared.lens import project_points

pytestmark = pytest.mark.slow

Floats = npt.NDArray[np.float64]
Grey = npt.NDArray[np.uint8]
ROOM = LENS.model_copy(update={"width_px": 1000, "height_px": 750, "cx_px": 499.5, "cy_px": 374.5})
BLACK, WHITE = 40, 220


def one(side_px: float, angle_deg: float, look: Look, seed: int = 0) -> tuple[Grey, Floats]:
    """Return a photo of target 7 at the middle and its true corners (4, 2) px."""
    rng = np.random.default_rng(seed)
    middle = np.array([LENS.cx_px, LENS.cy_px])
    placed = place(middle, side_px, np.deg2rad(angle_deg), rng)
    layout = Layout({7: SIDE_MM}, {7: placed})
    image = read_grey(draw(layout, ROOM, STATION, rng, look), where="drawn")
    return image, project_points(corners_world(layout, 7), ROOM)


@pytest.mark.parametrize("angle_deg", [0.0, 60.0])
@pytest.mark.parametrize("look", [Look(blur_px=0.5), Look(blur_px=1.4), Look(sharpen=1.0), Look(ink_mm=0.1)])
def test_a_target_of_25_px_is_read_to_a_sixth_of_a_pixel(angle_deg: float, look: Look) -> None:
    image, true = one(26.0, angle_deg, look, seed=3)
    large = cv2.copyMakeBorder(
        image, 0, 2250, 0, 3000, cv2.BORDER_CONSTANT, value=150
    )  # looked for at half size
    for picture in (image, np.asarray(large, dtype=np.uint8)):
        (seen,) = detect(picture)[0]
        assert seen.target == 7
        # asked of the product: 0.05 px rms over many; 3.3 times that at one corner
        assert np.abs(seen.corners.corners_px - true).max() < 0.165


def test_small_corners_neither_grow_nor_shrink() -> None:
    outward = []
    for seed in range(4):
        image, true = one(30.0, 40.0, Look(blur_px=1.3), seed)
        arms = true - true.mean(axis=0)
        off = detect(image)[0][0].corners.corners_px - true
        outward.append((off * arms).sum(axis=1) / np.linalg.norm(arms, axis=1))
    assert abs(np.mean(outward)) < 0.02  # asked of the product


@pytest.mark.parametrize("kind", ["texture", "clutter", "checks", "writing"])
def test_no_id_is_read_where_there_is_no_target(kind: str) -> None:
    for seed in range(2):
        rng = np.random.default_rng([seed, 5])
        ground = GROUNDS[kind]((750, 1000), rng) * light((750, 1000), rng)
        image = read_grey(draw(Layout({}), ROOM, STATION, rng, Look(), ground=ground), where=kind)
        assert detect(image) == ([], [])


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("grey", [225, 120])
def test_a_target_with_a_covered_corner_is_read_and_honest_about_it(corner: int, grey: int) -> None:
    image, true = one(90.0, 30.0, Look(), seed=2)
    bite = true[corner] + 0.17 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * 90.0
    cv2.fillPoly(image, [np.rint(bite).astype(np.int32)], grey)
    seen = detect(image)[0]
    (one_seen,) = seen
    sd = np.sqrt(np.diag(one_seen.corners.covariance_px2)).reshape(4, 2)
    assert one_seen.target == 7
    assert (np.abs(one_seen.corners.corners_px - true) < 4 * sd + 0.05).all()
    assert sd[corner].max() > sd[(corner + 2) % 4].max()


def test_a_target_half_of_which_is_covered_is_not_taken_for_another() -> None:
    image, true = one(90.0, 20.0, Look(), seed=4)
    cv2.fillPoly(
        image,
        [np.rint([true[0], true[1], true[1:3].mean(axis=0), true[[0, 3]].mean(axis=0)]).astype(np.int32)],
        160,
    )
    assert find_targets(image) == []
    assert covered(detect(image)[0]) == {}


def test_quads_are_found_at_their_edges_and_clockwise() -> None:
    image = np.full((200, 300), WHITE, np.uint8)
    wanted = np.array([[60.0, 40], [180, 60], [170, 150], [50, 120]])
    cv2.fillPoly(image, [wanted.astype(np.int32)], BLACK)
    (quad,) = find_quads(image)
    nearest = np.linalg.norm(quad[:, None] - wanted, axis=2)
    assert nearest.min(axis=1).max() < 1.0  # a pixel drawn by OpenCV reaches half a pixel beyond its middle
    assert (np.diff(np.unwrap(nearest.argmin(axis=1) * np.pi / 2)) > 0).all()


def test_sampling_agrees_with_opencv() -> None:
    rng = np.random.default_rng(1)
    image = rng.integers(0, 255, (40, 60)).astype(np.uint8)
    points = rng.uniform(0, 38, (200, 2))
    there = points.astype(np.float32)
    wanted = cv2.remap(image.astype(np.float32), there[:, :1], there[:, 1:], cv2.INTER_LINEAR)
    # OpenCV rounds places to 1/32 px: 255 greys over a pixel make 8 at most
    assert np.abs(sample(image, points) - wanted[:, 0]).max() < 8.0
    np.testing.assert_allclose(sample(image, np.array([[3.0, 5.0]])), [image[5, 3]])
