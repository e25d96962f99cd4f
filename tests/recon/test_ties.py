"""Tie points among photos whose truth is known: spots projected by OpenCV, their grains drawn; things that moved."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from tests.recon.grains import grain_patch
from tests.recon.made_network import network_of, seen_by_opencv, true_state

from elbowroom.recon.equations import Network, State
from elbowroom.recon.keypoints import PATCH, Keypoints
from elbowroom.recon.spotrays import ideal_of
from elbowroom.recon.ties import LEAST_PHOTOS, MOST_TIES, View, epipolar_px, find_ties, partners, tracks_of
from elbowroom.shared.arrays import Floats

POINTS, SIZE = 80, np.array([4020.0, 2980.0])
TIE_PX = 0.4


def spots_of(
    state: State, station: int, points: Floats, described: Floats, rng: np.random.Generator
) -> Keypoints:
    """Return how a station shows points (n, 3) mm: each with its own description and grains, in any order."""
    true = seen_by_opencv(state, station, points) + rng.normal(0, TIE_PX, (len(points), 2))
    rough = true + rng.normal(
        0, 0.2, true.shape
    )  # small: one flat picture stands for every view of the grains
    order = rng.permutation(np.flatnonzero(((rough > 40) & (rough < SIZE - 40)).all(axis=1)))
    rows = described[order] + rng.normal(0, 0.02, (len(order), 128))
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    patches = [grain_patch(i, true[i], np.eye(2), rough[i]) for i in order]
    shape = np.full(len(order), 8.0), np.zeros(len(order))
    stack = np.array(patches, dtype=np.uint8).reshape(-1, PATCH, PATCH)
    return Keypoints(rough[order], rows.astype(np.float32), *shape, stack)


@lru_cache(maxsize=2)
def job(seed: int, *, moving: int = 0, by_mm: float = 15.0) -> tuple[State, Network, list[View], Floats]:
    """Return a network, its photos with spots, and the points; the last `moving` stand elsewhere in every other photo."""
    rng = np.random.default_rng(seed)
    state = true_state(seed, stations=10, targets=4)
    network = network_of(state, rng)
    points = rng.uniform([-220, -160, -60], [220, 160, 60], (POINTS, 3))
    described = rng.normal(size=(POINTS, 128))
    described /= np.linalg.norm(described, axis=1, keepdims=True)
    views = []
    for i in range(10):
        there = points.copy()
        there[POINTS - moving :] += by_mm * (i % 2) * np.array([0.6, 0.8, 0])
        views.append(View(0, i, SIZE, spots_of(state, i, there, described, rng)))
    return state, network, views, points


def test_ties_are_the_points_that_were_seen() -> None:
    state, network, views, points = job(0)
    ties = find_ties(views, state, network)
    assert ties is not None
    assert len(ties.points_world) > 0.5 * POINTS
    assert np.bincount(ties.picks.point).min() >= LEAST_PHOTOS
    assert np.bincount(ties.picks.station).max() <= MOST_TIES
    away = np.linalg.norm(ties.points_world[:, None] - points[None], axis=2).min(axis=1)
    assert np.percentile(away, 95) < 0.5  # 0.4 px at 0.2 mm a pixel, rays from one side
    assert ties.unit_px == pytest.approx(TIE_PX, rel=0.3)


def test_moving_things_make_no_ties_between_their_places() -> None:
    state, network, views, points = job(1, moving=20)
    ties = find_ties(views, state, network)
    assert ties is not None
    there = np.vstack([points, points[-20:] + 15.0 * np.array([0.6, 0.8, 0])])
    away = np.linalg.norm(ties.points_world[:, None] - there[None], axis=2)
    assert away.min(axis=1).max() < 2.0  # where it stood in some of the photos, never half-way
    for point in np.flatnonzero(np.isin(away.argmin(axis=1), np.r_[60:100])):
        parity = ties.picks.station[ties.picks.point == point] % 2
        assert len(set(parity.tolist())) == 1


def test_nothing_alike_makes_no_ties() -> None:
    state, network, views, _ = job(0)
    rng = np.random.default_rng(0)
    shuffled = []
    for v in views:
        rows = rng.normal(size=v.spots.descriptions.shape).astype(np.float32)
        rows /= np.linalg.norm(rows, axis=1, keepdims=True)
        s = v.spots
        shuffled.append(View(0, v.station, SIZE, Keypoints(s.pixels, rows, s.sizes, s.turns, s.patches)))
    assert find_ties(shuffled, state, network) is None
    bare = [View(0, v.station, SIZE, Keypoints.none()) for v in views]
    assert find_ties(bare, state, network) is None


def test_epipolar_distance_is_zero_where_opencv_projects_one_point() -> None:
    state, _, views, points = job(0)
    a, b = (ideal_of(seen_by_opencv(state, i, points), state.lenses[0])[0] for i in (0, 1))
    off = epipolar_px(views[0], views[1], a, b, state)
    assert np.abs(np.diag(off)).max() < 1e-2  # float32
    assert np.median(off) > 20


def test_photos_from_opposite_sides_are_no_partners() -> None:
    state, _, views, _ = job(0)
    looks = state.station_rotations[:, 2]
    for i, j in partners(views, state):
        assert np.rad2deg(np.arccos(looks[i] @ looks[j])) <= 60.0


def test_a_track_with_two_spots_in_one_photo_is_dropped() -> None:
    pairs = [
        (0, 1, np.array([[5, 6], [7, 8]])),
        (1, 2, np.array([[6, 4], [8, 9]])),
        (0, 2, np.array([[5, 4], [11, 9]])),  # 11 and 7 of photo 0 would be one
        (0, 3, np.array([[20, 21]])),  # two photos only
    ]
    tracks = tracks_of(pairs)
    assert sorted(map(tuple, tracks[:, :2].tolist())) == [(0, 5), (1, 6), (2, 4)]
    assert set(tracks[:, 2].tolist()) == {0}
