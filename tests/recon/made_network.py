"""Networks without photos: stations round targets, corners by OpenCV's projectPoints, noise as asked."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt
from synthetic import look_at

from elbowroom.recon.equations import Network, State, wide_prior
from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane, rotation_from_vector

Floats = npt.NDArray[np.float64]
LENS = np.array([3050.0, 2010.0, 1490.0, 0.08, -0.2, 0.05, 3e-4, -2e-4])
START = np.array([[3000.0, 1999.5, 1499.5, 0, 0, 0, 0, 0]])
NOISE_PX = 0.05
SIDE_MM = 40.0


def true_state(seed: int = 0, stations: int = 8, targets: int = 8) -> State:
    """Return stations on a dome, some rolled, round targets in a 400 x 300 x 120 mm box."""
    rng = np.random.default_rng(seed)
    cameras = []
    for i in range(stations):
        bearing = 2 * np.pi * i / stations + rng.uniform(-0.2, 0.2)
        eye = np.array([500 * np.cos(bearing), 500 * np.sin(bearing), rng.uniform(350, 700)])
        cameras.append(look_at(eye, rng.normal(0, 20, 3), roll=(0.0, 1.57)[i % 2]))
    places: list[Rigid[World, Target]] = [
        frame_on_plane(
            rng.uniform([-200, -150, -60], [200, 150, 60]),
            np.array([0, 0, 1.0]) + rng.normal(0, 0.25, 3),
            rng.normal(size=3),
        )
        for _ in range(targets)
    ]
    return State(
        LENS[None].copy(),
        np.array([c.rotation for c in cameras]),
        np.array([c.shift for c in cameras]),
        np.array([p.rotation for p in places]),
        np.array([p.shift for p in places]),
        np.ones(1),
    )


def seen_corners(state: State, station: int, target: int) -> Floats:
    """Return where OpenCV projects a target's corners (4, 2) px."""
    flat = np.column_stack([CORNERS * SIDE_MM * state.factors[0], np.zeros(4)])
    return seen_by_opencv(
        state, station, flat @ state.target_rotations[target].T + state.target_shifts[target]
    )


def seen_by_opencv(state: State, station: int, world: Floats) -> Floats:
    """Return where OpenCV projects points (n, 3) mm, (n, 2) px."""
    focal, cx, cy, k1, k2, k3, p1, p2 = state.lenses[0]
    turn, _ = cv2.Rodrigues(state.station_rotations[station])
    pixels, _ = cv2.projectPoints(
        world,
        turn,
        state.station_shifts[station],
        np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1]]),
        np.array([k1, k2, p1, p2, k3]),
    )
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def network_of(state: State, rng: np.random.Generator, noise_px: float = NOISE_PX) -> Network:
    """Return a network in which every station sees every target, and one distance is known to 0.02 mm."""
    pairs = [(i, j) for i in range(len(state.station_shifts)) for j in range(len(state.target_shifts))]
    corners = np.array([seen_corners(state, i, j) for i, j in pairs])
    length = float(np.linalg.norm(state.target_shifts[1] - state.target_shifts[0]))
    return Network(
        lens=np.zeros(len(pairs), dtype=np.int64),
        station=np.array([i for i, _ in pairs]),
        target=np.array([j for _, j in pairs]),
        corners_px=corners + rng.normal(0, 1, corners.shape) * noise_px,
        whitening=np.tile(np.eye(8) / NOISE_PX, (len(pairs), 1, 1)),
        sides_mm=np.full(len(state.target_shifts), SIDE_MM),
        batch=np.zeros(len(state.target_shifts), dtype=np.int64),
        distance_ends=np.array([[0, 1]]),
        distances_mm=np.array([length + rng.normal(0, 0.02) * bool(noise_px)]),
        distance_sds_mm=np.array([0.02]),
        factor_sds=np.array([0.02]),
        lens_start=START,
        lens_information=wide_prior(START),
        lens_held=np.zeros(START.shape, dtype=bool),
    )


def shaken(state: State, rng: np.random.Generator) -> State:
    """Return first values as bad as a start leaves them: degrees, centimetres, no distortion."""

    def turned(rotations: Floats) -> Floats:
        return np.array([rotation_from_vector(rng.normal(0, 0.02, 3)) @ r for r in rotations])

    return replace(
        state,
        lenses=START.copy(),
        station_rotations=turned(state.station_rotations),
        station_shifts=state.station_shifts + rng.normal(0, 8, state.station_shifts.shape),
        target_rotations=turned(state.target_rotations),
        target_shifts=state.target_shifts + rng.normal(0, 5, state.target_shifts.shape),
    )
