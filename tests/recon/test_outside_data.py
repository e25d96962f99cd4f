"""Photos and calibrations nobody here made: OpenCV's tutorial pictures, a printed grid, Zhang's data."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import minimize_scalar
from tests.recon.outside import calibrate, folder

from elbowroom.recon.measure import measure
from elbowroom.recon.reading.detect import Sighting, detect, find_targets, read_grey
from elbowroom.recon.reading.pattern import check_family, predefined_family
from elbowroom.recon.reading.photos import import_photo
from elbowroom.shared.scene import Scene

Floats = npt.NDArray[np.float64]

BLACK_PIXEL = 0.5
"""The gold corners are whole pixels, the outermost black ones: half a pixel inside the boundary between pixels."""

PITCH_MM, SIDE_MM = (
    38.578946,
    30.863157,
)  # chessboard_config.json beside the photos: side, and side plus spacing


def tutorial_family(place: Path) -> Any:
    store = cv2.FileStorage(str(place / "tutorial_dict.yml"), cv2.FILE_STORAGE_READ)
    family = cv2.aruco.Dictionary()
    family.readDictionary(store.root())
    return check_family(family)


def six_by_six(_: Path) -> Any:
    return predefined_family(cv2.aruco.DICT_6X6_250)


def inset(corners: Floats, by_px: float) -> Floats:
    """Return the corners (4, 2) of a quadrilateral whose four sides moved inward."""
    sides = np.roll(corners, -1, axis=0) - corners
    inward = np.column_stack([-sides[:, 1], sides[:, 0]]) / np.linalg.norm(sides, axis=1)[:, None]
    inward *= np.sign(((corners.mean(axis=0) - corners) * inward).sum(axis=1))[:, None]
    moved = corners + by_px * inward
    out = []
    for i in range(4):
        walls = np.array([inward[i - 1], inward[i]])
        out.append(np.linalg.solve(walls, [inward[i - 1] @ moved[i - 1], inward[i] @ moved[i]]))
    return np.array(out)


def as_black_pixels(seen: Sighting) -> Floats:
    """Return where the outermost black pixels' centres are: inside the boundary, and where the edge shift put it."""
    return inset(seen.corners.corners_px, BLACK_PIXEL - seen.corners.shift_px)


def measured_and_gold(
    picture: str, gold_name: str, family: Any
) -> tuple[dict[int, Sighting], dict[int, Floats]]:
    place = folder("opencv_tutorial")
    gold = json.loads((place / "gold_corners.json").read_text())[gold_name]["corners"]
    image = read_grey((place / picture).read_bytes(), where=picture)
    seen, _ = detect(image, family(place))
    return {s.target: s for s in seen}, {int(k): np.reshape(v, (4, 2)).astype(float) for k, v in gold.items()}


@pytest.mark.parametrize(
    ("picture", "gold_name", "count"),
    [
        ("singlemarkersoriginal.jpg", "singlemarkersoriginal", 6),
        ("choriginal.jpg", "choriginal", 17),
        ("chocclusion_original.jpg", "chocclusion", 13),
    ],
)
def test_all_targets_are_measured_within_a_pixel_of_their_gold_corners(
    picture: str, gold_name: str, count: int
) -> None:
    # OpenCV 4.12's own tests give these corners with a tolerance of 1 px
    seen, gold = measured_and_gold(picture, gold_name, six_by_six)
    assert len(gold) == count
    assert set(gold) <= set(seen)
    for target, corners in gold.items():
        assert np.abs(as_black_pixels(seen[target]) - corners).max() < 1.0


def test_slanted_board_is_measured_better_than_its_gold_corners() -> None:
    # The gold corners of this slanted board are whole pixels of unrefined outlines, up to 1.6 px off ours. What
    # decides: the board is a regular 5 x 7 grid of squares (OpenCV's tutorial; the gap isn't told), so one homography
    # must fit. Measured: 0.44 px rms for our corners, 0.68 px for the gold ones, on paper that isn't quite flat.
    seen, gold = measured_and_gold("gboriginal.jpg", "gboriginal", tutorial_family)
    assert len(gold) == 35
    assert set(gold) <= set(seen)
    difference = np.concatenate([as_black_pixels(seen[i]) - gold[i] for i in gold])
    assert np.sqrt((difference**2).mean()) < 0.5
    ours = grid_misfit({i: seen[i].corners.corners_px for i in gold})
    assert ours < 0.5
    assert ours < 0.75 * grid_misfit(gold)


def grid_misfit(corners: dict[int, Floats]) -> float:
    """Return the rms (px) at which a grid of squares, pitch 1 and the best side, fits corners by one homography."""

    def misfit(side: float) -> float:
        square = side * np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
        board = np.concatenate([square + np.array([i % 5, i // 5]) for i in corners])
        pixels = np.concatenate(list(corners.values()))
        h, _ = cv2.findHomography(board, pixels)
        mapped = cv2.perspectiveTransform(board[:, None], h)[:, 0]
        return float(np.sqrt(((mapped - pixels) ** 2).sum(axis=1).mean()))

    return float(minimize_scalar(misfit, bounds=(0.7, 0.95), method="bounded").fun)


def test_ids_that_repeat_in_a_picture_are_reported_and_left_out() -> None:
    # three diamonds of OpenCV's tutorial share targets 10, 11 and 12; 2, 3 and 4 appear once
    place = folder("opencv_tutorial")
    image = read_grey((place / "diamondmarkers.jpg").read_bytes(), where="diamondmarkers.jpg")
    seen, twice = detect(image, tutorial_family(place))
    assert twice == [10, 11, 12]
    assert {s.target for s in seen} <= {2, 3, 4}
    assert len(find_targets(image, tutorial_family(place))) >= 11


@pytest.fixture(scope="module")
def printed_grid() -> Scene:
    media, photos, lenses = {}, [], {}
    for path in sorted(folder("grid24_print").glob("*.jpg")):
        photo, lens, data, _ = import_photo(path.name, path.read_bytes())
        media[photo.media], lenses[lens.name] = data, lens
        photos.append(photo)
    scene = Scene(
        name="printed grid", photos=tuple(photos), lenses=tuple(lenses.values()), default_side_mm=SIDE_MM
    )
    return measure(scene, media, family=predefined_family(cv2.aruco.DICT_6X6_250))[0]


def test_independent_squares_fall_on_the_printed_grid(printed_grid: Scene) -> None:
    assert [len(p.targets_read) for p in printed_grid.photos] == [24, 24, 24, 24, 24, 23, 24]
    scale, errors = against_grid(printed_grid)
    # 0.059 mm rms and a scale 0.002 % off, measured here; asked: 0.12 mm, and what a print may be off in scale
    assert np.sqrt((errors**2).sum(axis=1).mean()) < 0.12
    assert abs(scale - 1) < 3 * printed_grid.accuracy.scale_sd  # type: ignore[union-attr]
    # the edge shift at work: sides alone give the pitch to a thousandth (1 to 2 % off by corner refinement alone)
    assert abs(scale - 1) < 1e-3


def test_the_grid_lies_within_its_predicted_doubt(printed_grid: Scene) -> None:
    _, errors = against_grid(printed_grid)
    sds = np.array([np.sqrt(np.trace(np.array(m.covariance_mm2)) / 3) for m in printed_grid.measured])
    assert np.sqrt((errors**2).mean()) < 2 * np.median(sds)


def against_grid(scene: Scene) -> tuple[float, Floats]:
    """Return the scale and the errors (n, 3) mm of the centres laid on the grid with that scale (Umeyama 1991)."""
    ids = np.array([m.id for m in scene.measured])
    assert list(ids) == list(range(24))
    centres = np.array([m.world_from_target.shift_mm for m in scene.measured])
    grid = PITCH_MM * np.column_stack([ids % 6, -(ids // 6), 0 * ids])
    x, y = centres - centres.mean(axis=0), grid - grid.mean(axis=0)
    u, s, vt = np.linalg.svd(x.T @ y)
    signs = np.array([1, 1, np.sign(np.linalg.det(u @ vt))])
    scale = float((s * signs).sum() / (x**2).sum())
    return scale, scale * x @ (u * signs @ vt) - y


def test_zhangs_calibration_is_reproduced() -> None:
    # Z. Zhang, A flexible new technique for camera calibration, 2000: his data, his result (file beside the data)
    place = folder("zhang2000")
    model = np.loadtxt(place / "Model.txt").reshape(-1, 2)
    views = [(model, np.loadtxt(place / f"data{i}.txt").reshape(-1, 2)) for i in range(1, 6)]
    found = calibrate(views, skewed=True, coefficients=(0, 1))
    published = [832.5, 0.204494, 832.53, 303.959, 206.585, -0.228601, 0.190353]
    # printed with 5 or 6 digits; his optimiser stopped a little short of the least sum, in the 5th digit of gamma
    np.testing.assert_allclose(found[:7], published, rtol=3e-5)
    assert found[-1] == pytest.approx(0.336, abs=0.001)


def test_opencvs_chessboard_focal_length_is_reproduced() -> None:
    # left_intrinsics.yml beside the photos: f 535.91573, rms 0.3926 px (fixed aspect ratio, all five coefficients)
    place = folder("opencv_chess")
    views = []
    for path in sorted(place.glob("left[0-9]*.jpg")):
        image = read_grey(path.read_bytes(), where=path.name)
        found, corners = cv2.findChessboardCorners(image, (9, 6))
        assert found, path.name
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        corners = cv2.cornerSubPix(image, np.asarray(corners).reshape(-1, 1, 2), (11, 11), (-1, -1), stop)
        board = 25.0 * np.array([[i % 9, i // 9] for i in range(54)], dtype=np.float64)
        views.append((board, corners.reshape(-1, 2).astype(np.float64)))
    lens = calibrate(views, skewed=False, coefficients=(0, 1, 2, 3, 4))
    assert lens[0] == pytest.approx(535.91573, rel=1e-3)
    assert lens[-1] < 0.42
