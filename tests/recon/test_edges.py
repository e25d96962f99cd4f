"""Corners fitted to all boundaries of drawn targets: true place known to a thousandth of a pixel."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from synthetic import Layout, Look, corners_world, draw, look_at

from elbowroom.recon.reading.detect import detect, find_targets, measure_targets, read_grey
from elbowroom.recon.reading.edges import Edges, fit_corners, homographies
from elbowroom.recon.reading.pattern import CORNERS, edge_samples
from elbowroom.recon.reading.profiles import find_edges
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import Lens

pytestmark = pytest.mark.slow

Floats = npt.NDArray[np.float64]
PLAIN = Lens(name="plain", width_px=1280, height_px=960, focal_px=1250.0, cx_px=640.0, cy_px=480.0)
BARREL = PLAIN.model_copy(update={"k1": -0.2, "k2": 0.1, "p1": 5e-4})
LOOKS = {
    "sharp": Look(blur_px=0.5),
    "usual": Look(),
    "soft": Look(blur_px=1.5),
    "linear": Look(gamma=1.0),
    "sharpened": Look(sharpen=1.0),
    "ink spread": Look(ink_mm=0.1),
}


def wall() -> Layout:
    """Return eight targets of 40 mm facing a camera 450 mm above, tilted up to 40 degrees."""
    rng = np.random.default_rng(2)
    places: dict[int, Rigid[World, Target]] = {}
    for i in range(8):
        normal = np.append(rng.uniform(-0.6, 0.6, 2), 1.0)
        middle = np.array([(i % 4 - 1.5) * 90, (i // 4 - 0.5) * 90, rng.uniform(-30, 30)])
        places[i] = frame_on_plane(middle, normal, rng.normal(size=3))
    return Layout(dict.fromkeys(places, 40.0), places)


@lru_cache(maxsize=16)
def drawn(look: Look, lens: Lens = PLAIN) -> tuple[npt.NDArray[np.uint8], dict[int, Floats]]:
    camera = look_at(np.array([20.0, -10, 450]), np.array([10.0, 5, 0]))
    image = read_grey(draw(wall(), lens, camera, np.random.default_rng(1), look), where="drawn")
    true = {t: project_points(camera.apply(corners_world(wall(), t)), lens) for t in wall().places}
    return image, true


@pytest.mark.parametrize("name", LOOKS)
def test_corners_are_unbiased_whatever_became_of_the_edges(name: str) -> None:
    image, true = drawn(LOOKS[name])
    seen, twice = detect(image)
    assert [s.target for s in seen] == sorted(true)
    assert not twice
    errors = np.array([s.corners.corners_px - true[s.target] for s in seen])
    arms = np.array([true[s.target] - true[s.target].mean(axis=0) for s in seen])
    outward = (errors * arms).sum(axis=2) / np.linalg.norm(arms, axis=2)
    # asked of the product: no drift and no growing or shrinking above 0.02 px, 0.05 px rms
    assert np.abs(errors.mean(axis=(0, 1))).max() < 0.02
    assert abs(outward.mean()) < 0.02
    assert np.sqrt((errors**2).mean()) < 0.05


def test_ink_spread_is_found_as_the_edge_shift() -> None:
    image, _ = drawn(LOOKS["ink spread"])
    spread = np.array([s.corners.shift_px for s in detect(image)[0]])
    image, _ = drawn(Look())
    usual = np.array([s.corners.shift_px for s in detect(image)[0]])
    # 0.1 mm at 450 mm and 1250 px: 0.28 px further into the white, less where the target is tilted
    assert np.mean(spread - usual) == pytest.approx(0.1 / 450 * 1250, rel=0.15)


def test_predicted_doubt_is_honest() -> None:
    errors, sds = [], []
    for look in (Look(), Look(noise=8.0)):
        image, true = drawn(look)
        for s in detect(image)[0]:
            errors.append((s.corners.corners_px - true[s.target]).ravel())
            sds.append(np.sqrt(np.diag(s.corners.covariance_px2)))
    z = np.array(errors) / np.array(sds)
    assert (
        0.4 < np.sqrt((z**2).mean()) < 1.3
    )  # the floor for unmodelled effects makes it small on clean drawings


def test_distortion_is_left_out_of_the_corners_once_the_lens_is_known() -> None:
    image, true = drawn(Look(), BARREL)
    seen, _ = detect(image)
    start = np.array([s.corners.corners_px for s in seen])
    fitted = fit_corners([s.edges for s in seen], start, BARREL, rounds=2)
    after = np.array([f.corners_px - true[s.target] for f, s in zip(fitted, seen, strict=True) if f])
    before = np.array([s.corners.corners_px - true[s.target] for s in seen])
    assert len(after) == len(seen)
    assert np.sqrt((after**2).mean()) < 0.05
    assert np.sqrt((after**2).mean()) < 0.7 * np.sqrt((before**2).mean())


def test_exact_boundaries_give_exact_corners_and_shift() -> None:
    # closed form: boundary points laid out by a homography, all moved 0.25 px towards white
    corners = np.array([[[100.0, 200], [180, 190], [190, 280], [95, 270]]])
    samples, h = edge_samples(7), homographies(corners)[0]
    mapped = cv2.perspectiveTransform(samples.points[:, None], h)[:, 0]
    along = np.column_stack([-samples.normals[:, 1], samples.normals[:, 0]]) * 1e-6
    ahead = cv2.perspectiveTransform((samples.points + along)[:, None], h)[:, 0]
    into = cv2.perspectiveTransform((samples.points + 1e-6 * samples.normals)[:, None], h)[:, 0]
    normals = np.column_stack([-(ahead - mapped)[:, 1], (ahead - mapped)[:, 0]])
    normals *= np.sign((normals * (into - mapped)).sum(axis=1, keepdims=True))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    (fit,) = fit_corners([Edges(mapped + 0.25 * normals, normals, samples.points)], corners + 1.5)
    assert fit is not None
    np.testing.assert_allclose(fit.corners_px, corners[0], atol=1e-3)
    assert fit.shift_px == pytest.approx(0.25, abs=1e-3)


def test_homographies_take_the_unit_target_to_its_corners() -> None:
    corners = np.random.default_rng(0).normal(0, 5, (6, 4, 2)) + 300 * CORNERS * [1, -1] + 500
    for h, wanted in zip(homographies(corners), corners, strict=True):
        np.testing.assert_allclose(cv2.perspectiveTransform(CORNERS[:, None], h)[:, 0], wanted, atol=1e-9)


def test_a_start_two_pixels_off_ends_where_the_true_one_does() -> None:
    image, true = drawn(Look())
    off = np.random.default_rng(4).uniform(-2, 2, (8, 4, 2))
    ids = sorted(true)
    start = np.array([true[t] for t in ids])
    from_truth, from_off = find_edges(image, ids, start), find_edges(image, ids, start + off)
    for a, b in zip(from_truth, from_off, strict=True):
        assert a is not None
        assert b is not None
        np.testing.assert_allclose(a[1].corners_px, b[1].corners_px, atol=0.02)


def test_what_can_not_be_followed_is_left_out() -> None:
    blank = np.full((400, 400), 180, dtype=np.uint8)
    square = 40 * CORNERS * [1, -1]
    assert measure_targets(blank, [3], [square + 200]) == []  # no contrast
    assert measure_targets(blank, [3], [0.3 * square + 200]) == []  # too small
    assert measure_targets(blank, [3], [square - 500]) == []  # outside
    assert measure_targets(blank, [], []) == []
    assert find_targets(blank) == []
    assert detect(blank) == ([], [])


@pytest.mark.parametrize("target", [1, 3, 5, 6])
def test_a_partly_covered_target_is_fitted_to_what_shows(target: int) -> None:
    image, true = drawn(Look())
    middle = true[target].mean(axis=0)
    covered = image.copy()
    covered[:, : int(middle[0]) - 20] = 120  # a thing in front of its left third
    (seen,) = measure_targets(covered, [target], [true[target]])
    error = seen.corners.corners_px - true[target]
    sd = np.sqrt(np.diag(seen.corners.covariance_px2)).reshape(4, 2)
    assert (np.abs(error) < 4 * sd + 0.05).all()
    assert sd.max() > 1.5 * np.sqrt(np.diag(detect(image)[0][target].corners.covariance_px2)).max()
