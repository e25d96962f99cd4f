"""How the adjustment grows: long simulated networks of phone photos along a wall of targets, solved from scratch.

No images: true corners through a true lens, plus 0.05 px noise. Prints, for 12 to 300 photos, seconds of joining and
adjusting, seconds a photo, and the rms error of the target centres after a best rigid fit. Promised: 300 photos and
500 targets in under 60 s, time a photo flat.

Usage: python benchmarks/growth.py [PHOTOS ...]
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
from rigid_fit import rigid_fit

from elbowroom.recon.adjust import adjust, robust_state
from elbowroom.recon.equations import Network, State
from elbowroom.recon.network import start_network
from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Floats
from elbowroom.shared.frames import Camera, Rigid, Target, World, frame_on_plane
from elbowroom.shared.lens import project_points, undistort_points
from elbowroom.shared.scene import Lens

LENS = Lens(
    name="true", width_px=4000, height_px=3000, focal_px=3050, cx_px=2010, cy_px=1490, k1=0.06, k2=-0.1
)
GUESS = LENS.model_copy(update={"focal_px": 3000.0, "cx_px": 1999.5, "cy_px": 1499.5, "k1": 0.0, "k2": 0.0})
SIDE_MM, NOISE_PX, LIMIT_S = 40.0, 0.05, 60.0


@dataclass(frozen=True)
class Wall:
    """True stations and targets, and the corners (4, 2) px seen by photo name and target."""

    stations: dict[str, Rigid[Camera, World]]
    targets: dict[int, Rigid[World, Target]]
    seen: dict[str, dict[int, Floats]]


def wall(photos: int, rng: np.random.Generator) -> Wall:
    """Return a wall of targets 30 mm a photo wide or more, and photos all along it."""
    count = max(18, photos * 5 // 3)
    width = max(700.0, 32.0 * photos)
    targets: dict[int, Rigid[World, Target]] = {}
    for i in range(count):
        place = np.array([width * (i + 0.5) / count, rng.uniform(-60, 60), rng.uniform(-250, 250)])
        normal = np.array([rng.normal(0, 0.35), -1.0, rng.normal(0, 0.35)])
        targets[i] = frame_on_plane(place, normal, np.array([1.0, 0, 0.3 * rng.normal()]))
    stations, seen = {}, {}
    for k in range(photos):
        along = width * (k + 0.5) / photos
        eye = np.array([along + rng.normal(0, 120), -rng.uniform(650, 1000), rng.uniform(-350, 450)])
        aim = np.array([along + rng.normal(0, 80), 0.0, rng.normal(0, 40)])
        world_from_camera: Rigid[World, Camera] = frame_on_plane(
            eye, aim - eye, np.cross(aim - eye, [0, 0.2 * rng.normal(), 1.0])
        )
        name = f"p{k:03d}"
        stations[name] = world_from_camera.inverse()
        seen[name] = _visible(stations[name], targets, rng)
    return Wall(stations, targets, seen)


def _visible(
    station: Rigid[Camera, World], targets: dict[int, Rigid[World, Target]], rng: np.random.Generator
) -> dict[int, Floats]:
    square = np.column_stack([CORNERS * SIDE_MM, np.zeros(4)])
    out = {}
    for i, place in targets.items():
        camera = station @ place
        if (
            camera.shift[2] < 100
            or camera.rotation[:, 2] @ camera.shift / np.linalg.norm(camera.shift) > -0.35
        ):
            continue
        pixels = project_points(camera.apply(square), LENS)
        if np.isfinite(pixels).all() and (pixels > 10).all() and (pixels < [3990, 2990]).all():
            out[i] = pixels + rng.normal(0, NOISE_PX, (4, 2))
    return out


def solve(made: Wall) -> tuple[dict[int, Floats], float, float]:
    """Return the adjusted target centres, and seconds of joining and of adjusting."""
    begun = time.perf_counter()
    ideal = {p: {t: undistort_points(c, GUESS) for t, c in s.items()} for p, s in made.seen.items()}
    sides = dict.fromkeys(made.targets, SIDE_MM)
    start = start_network(ideal, sides, dict.fromkeys(made.seen, GUESS.focal_px))
    joined = time.perf_counter()
    photos, targets = sorted(start.stations), sorted(start.targets)
    sighted = [(p, t) for p in photos for t in made.seen[p] if t in start.targets]
    lens = np.array([[GUESS.focal_px, GUESS.cx_px, GUESS.cy_px, 0, 0, 0, 0, 0]])
    state = State(
        lens,
        np.array([start.stations[p].rotation for p in photos]),
        np.array([start.stations[p].shift for p in photos]),
        np.array([start.targets[t].rotation for t in targets]),
        np.array([start.targets[t].shift for t in targets]),
        np.ones(1),
    )
    network = Network(
        lens=np.zeros(len(sighted), dtype=np.int64),
        station=np.array([photos.index(p) for p, _ in sighted]),
        target=np.array([targets.index(t) for _, t in sighted]),
        corners_px=np.array([made.seen[p][t] for p, t in sighted]),
        whitening=np.tile(np.eye(8) / NOISE_PX, (len(sighted), 1, 1)),
        sides_mm=np.full(len(targets), SIDE_MM),
        batch=np.zeros(len(targets), dtype=np.int64),
        distance_ends=np.zeros((0, 2), dtype=np.int64),
        distances_mm=np.zeros(0),
        distance_sds_mm=np.zeros(0),
        factor_sds=np.array([1e-4]),
        lens_start=lens,
    )
    adjusted = adjust(robust_state(state, network), network)
    done = time.perf_counter()
    centres = {t: adjusted.state.target_shifts[i] for i, t in enumerate(targets)}
    return centres, joined - begun, done - joined


def rms_error(centres: dict[int, Floats], made: Wall) -> float:
    """Return the rms distance (mm) of the centres from truth after the best rigid fit."""
    a = np.array(list(centres.values()))
    b = np.array([made.targets[t].shift for t in centres])
    turn, shift = rigid_fit(a, b)
    return float(np.sqrt(((a @ turn.T + shift - b) ** 2).sum(axis=1).mean()))


def main() -> int:
    sizes = [int(a) for a in sys.argv[1:]] or [12, 50, 100, 300]
    worst = 0.0
    print("photos targets sightings  join s  adjust s  s/photo  rms mm")
    for photos in sizes:
        made = wall(photos, np.random.default_rng(7))
        centres, joining, adjusting = solve(made)
        sightings = sum(map(len, made.seen.values()))
        total = joining + adjusting
        worst = max(worst, total)
        print(
            f"{photos:6d} {len(centres):3d}/{len(made.targets):3d} {sightings:9d} {joining:7.2f} {adjusting:9.2f} "
            f"{total / photos:8.3f} {rms_error(centres, made):7.3f}",
            flush=True,
        )
    return 0 if worst < LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())
