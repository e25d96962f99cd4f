"""Outlines that follow edges: drawn shapes whose outline is known, and a demo photo whose thing is known in space."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import shapely
from tests.recon.drawn_shapes import ellipse, picture

from elbowroom.recon.picks.magnetic import Traced, cut_out, simplified, trace_between
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.errors import InputError

Image = npt.NDArray[np.uint8]
DEMO = Path(__file__).parents[2] / "fixtures" / "demo"


def off_ellipse(points: Points2, centre: Floats, axes: tuple[float, float], angle: float) -> Floats:
    """Distances (n,) px from an ellipse, by its outline as a fine polygon."""
    u = np.linspace(0, 2 * np.pi, 4000)
    c, s = np.cos(angle), np.sin(angle)
    ring = centre + np.column_stack([axes[0] * np.cos(u), axes[1] * np.sin(u)]) @ np.array([[c, s], [-s, c]])
    return np.asarray(shapely.distance(shapely.LinearRing(ring), shapely.points(points)))


def chords(traced: Traced, closed: bool) -> Points2:
    """Points all along an outline, its chords too."""
    line = shapely.LinearRing(traced.points_px) if closed else shapely.LineString(traced.points_px)
    return np.asarray(shapely.get_coordinates(line.segmentize(1.0)))


def test_a_trace_follows_an_ellipse_between_clicks() -> None:
    centre, axes, turn = np.array([210.0, 160.0]), (150.0, 90.0), 0.4
    image = picture([(ellipse(centre, axes, turn), 0.08)], (420, 320), noise=3)
    u = np.array([0.3, 1.6, 2.9])
    c, s = np.cos(turn), np.sin(turn)
    on = centre + np.column_stack([axes[0] * np.cos(u), axes[1] * np.sin(u)]) @ np.array([[c, s], [-s, c]])
    traced = trace_between(image, on + np.array([[3.0, -2], [-2, 3], [2, 2]]))  # clicked some px off
    inner = chords(traced, False)
    ends = np.minimum(*(np.linalg.norm(inner - p, axis=1) for p in (on[0], on[2])))
    off = off_ellipse(inner, centre, axes, turn)
    assert off[ends > 8].max() < 2.0
    assert np.sqrt(np.mean(off[ends > 8] ** 2)) < traced.pick_sd_px
    assert len(traced.points_px) < 40  # simplified
    assert traced.followed > 0.9


def test_a_trace_goes_round_a_corner() -> None:
    image = picture([(lambda x, y: (np.abs(x - 150) < 80) & (np.abs(y - 120) < 60), 0.08)], (300, 240))
    traced = trace_between(image, np.array([[72.0, 121.0], [151.0, 62.0]]))
    ring = shapely.box(70, 60, 230, 180).exterior
    inner = chords(traced, False)
    assert shapely.distance(ring, shapely.points(inner)).max() < 2.0 + 1e-9
    assert np.linalg.norm(inner - [70, 60], axis=1).min() < 2.5


def test_a_closed_trace_comes_back() -> None:
    centre = np.array([120.0, 100.0])
    image = picture([(ellipse(centre, (60, 50), 0.0), 0.6)], (240, 200), ground=0.1)
    clicks = centre + np.array([[60.0, 0], [0, 50], [-60, 0], [0, -50]])
    traced = trace_between(image, clicks, closed=True)
    assert off_ellipse(chords(traced, True), centre, (60, 50), 0.0).max() < 2.0
    assert shapely.Polygon(traced.points_px).area == pytest.approx(np.pi * 60 * 50, rel=0.02)


def colour(image: Image, tint: tuple[float, float, float]) -> Image:
    return np.clip(image[:, :, None] * np.array(tint), 0, 255).astype(np.uint8)


def test_a_thing_is_cut_out_of_a_rough_loop() -> None:
    centre, axes, turn = np.array([200.0, 150.0]), (110.0, 70.0), -0.3
    image = picture([(ellipse(centre, axes, turn), 0.1)], (400, 300), noise=4)
    u = np.linspace(0, 2 * np.pi, 9)[:-1]
    c, s = np.cos(turn), np.sin(turn)
    loop = centre + 1.25 * np.column_stack([axes[0] * np.cos(u), axes[1] * np.sin(u)]) @ np.array(
        [[c, s], [-s, c]]
    )
    found = cut_out(colour(image, (0.9, 1.0, 1.1)), loop)
    assert found is not None
    assert off_ellipse(chords(found, True), centre, axes, turn).max() < 3.0
    assert shapely.Polygon(found.points_px).is_valid


def test_a_large_thing_is_cut_out_just_as_well() -> None:
    """Searched at a fraction of its size, laid on the edge at full size."""
    centre, axes = np.array([700.0, 500.0]), (500.0, 330.0)
    small = picture([(ellipse(centre / 4, (125.0, 82.5), 0.0), 0.08)], (350, 250), blur=0.5, noise=0)
    image = cv2.resize(small, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)  # pixel k lies at 4 k + 1.5
    image = np.clip(image + np.random.default_rng(0).normal(0, 3, image.shape), 0, 255).astype(np.uint8)
    u = np.linspace(0, 2 * np.pi, 10)[:-1]
    loop = centre + 1.2 * np.column_stack([axes[0] * np.cos(u), axes[1] * np.sin(u)])
    found = cut_out(colour(image, (1.0, 1.0, 1.0)), loop)
    assert found is not None
    assert off_ellipse(chords(found, True), centre + 1.5, axes, 0.0).max() < 3.0


def test_nothing_set_off_is_none_or_kept_within_the_loop() -> None:
    loop = np.array([[40.0, 40], [160, 40], [160, 160], [40, 160]])
    assert cut_out(np.full((200, 200, 3), 120, np.uint8), loop) is None


def test_chords_stray_no_more_than_the_tolerance() -> None:
    """Hausdorff distance by shapely, for an open and a closed line."""
    u = np.linspace(0, 2 * np.pi, 500)[:-1]
    points = np.column_stack([200 * np.cos(u) + 20 * np.cos(5 * u), 150 * np.sin(u)])
    for closed, line in ((False, shapely.LineString), (True, shapely.LinearRing)):
        for tolerance in (0.5, 2.0, 10.0):
            kept = simplified(points, tolerance, closed=closed)
            off = shapely.distance(line(kept), shapely.points(points)).max()
            assert off <= tolerance + 1e-9
            assert len(kept) < len(points) / 5


def demo_square(number: int, photo: str) -> Points2:
    """A target's black square in a demo photo, 39 points a side, by the known pose, station and lens and OpenCV."""
    truth = json.loads((DEMO / "truth.json").read_text())
    lens, target = truth["lens"], next(t for t in truth["targets"] if t["id"] == number)
    camera = np.array([[lens["focal_px"], 0, lens["cx_px"]], [0, lens["focal_px"], lens["cy_px"]], [0, 0, 1]])
    bend = np.array([lens[k] for k in ("k1", "k2", "p1", "p2", "k3")])
    pose = np.array(target["world_from_target"])
    station = np.array(next(p for p in truth["photos"] if p["name"] == photo)["camera_from_world"])
    h = target["side_mm"] / 2
    corners = np.array([[-h, h, 0], [h, h, 0], [h, -h, 0], [-h, -h, 0]])
    ring = np.vstack([np.linspace(a, b, 40)[:-1] for a, b in pairwise([*corners, corners[0]])])
    turn = cv2.Rodrigues(station[:3, :3])[0]
    world = ring @ pose[:3, :3].T + pose[:3, 3]
    return np.asarray(
        cv2.projectPoints(world.reshape(-1, 1, 3), turn, station[:3, 3], camera, bend)[0]
    ).reshape(-1, 2)


@pytest.mark.parametrize(("number", "photo"), [(1, "spot_03.jpg"), (17, "spot_01.jpg"), (12, "spot_04.jpg")])
def test_squares_in_demo_photos_are_outlined_both_ways(number: int, photo: str) -> None:
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    image = np.asarray(cv2.imread(str(DEMO / "photos" / photo), flags), np.uint8)
    truth = demo_square(number, photo)
    ring, corners = shapely.LinearRing(truth), truth[::39]
    traced = trace_between(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), corners, closed=True)
    assert shapely.distance(ring, shapely.points(chords(traced, True))).max() < 2.0
    found = cut_out(image, corners.mean(axis=0) + 1.12 * (corners - corners.mean(axis=0)))
    assert found is not None
    assert shapely.distance(ring, shapely.points(chords(found, True))).max() < 3.0


@pytest.mark.parametrize(
    ("clicks", "tolerance", "message"),
    [
        ([[5.0, 5.0]], 1.0, "too few points.*value 1.*2 or more"),
        ([[5.0, 5.0], [900.0, 5.0]], 1.0, "outside the photo.*100 x 80"),
        ([[5.0, 5.0], [50.0, 5.0]], 0.0, "tolerance must be above 0"),
    ],
)
def test_bad_clicks_are_refused(clicks: list[list[float]], tolerance: float, message: str) -> None:
    with pytest.raises(InputError, match=message):
        trace_between(np.zeros((80, 100), np.uint8), np.array(clicks), tolerance_px=tolerance)


def test_bad_loops_are_refused() -> None:
    photo = np.zeros((80, 100, 3), np.uint8)
    with pytest.raises(InputError, match="8-bit colour photo"):
        cut_out(photo[:, :, 0], np.array([[5.0, 5], [50, 5], [50, 50]]))
    with pytest.raises(InputError, match="loop is too small"):
        cut_out(photo, np.array([[5.0, 5], [9, 5], [9, 9]]))
