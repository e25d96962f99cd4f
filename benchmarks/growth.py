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

from elbowroom.recon.network.joins import join_readings, settled_lenses
from elbowroom.recon.network.prints import Print
from elbowroom.recon.network.solution import solve_network
from elbowroom.recon.reading.detect import Sighting
from elbowroom.recon.reading.edges import Corners, Edges
from elbowroom.recon.reading.pattern import CORNERS
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.arrays import Floats
from elbowroom.shared.frames import Camera, Rigid, Target, World, frame_on_plane
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import Lens, Photo, Scene, TypedDistance

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


def readings_of(made: Wall) -> list[Reading]:
    """Return what the photos show, without boundary points: nothing here fits corners again."""
    doubt = NOISE_PX**2 * np.eye(8)
    none = Edges(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2)))
    return [
        Reading(
            Photo(name=name, media="0" * 64, width_px=4000, height_px=3000, lens=GUESS.name),
            tuple(Sighting(t, none, Corners(c, doubt, 0.0, NOISE_PX)) for t, c in seen.items()),
            (),
        )
        for name, seen in made.seen.items()
    ]


def scene_of(made: Wall) -> Scene:
    """Return the scene with one distance measured by tape, from end to end."""
    first, last = min(made.targets), max(made.targets)
    length = float(np.linalg.norm(made.targets[last].shift - made.targets[first].shift))
    return Scene(
        distances=(TypedDistance(name="tape", from_target=first, to_target=last, mm=length, sd_mm=0.01),)
    )


def solve(made: Wall) -> tuple[dict[int, Floats], float, float]:
    """Return the adjusted target centres, and seconds of joining and of adjusting."""
    readings, prints = readings_of(made), {t: Print(SIDE_MM, 0.0, "") for t in made.targets}
    begun = time.perf_counter()
    lenses = settled_lenses(readings, {GUESS.name: GUESS}, prints)
    joined, start, _ = join_readings(readings, lenses, prints)
    ready = time.perf_counter()
    solution = solve_network(scene_of(made), joined, start, lenses=lenses, prints=prints)
    done = time.perf_counter()
    return {t: solution.centre(t) for t in start.targets}, ready - begun, done - ready


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
