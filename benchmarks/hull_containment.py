"""How often, over many hands, an outlined volume holds the true thing, how loose it is said to be, and how much more it
takes up.

    python benchmarks/hull_containment.py [seeds]

Outlines of the demo's true meshes in 2 to 8 photos, drawn `clicks.OUTSIDE_PX` outside, every click off by 1 px (normal),
seed by seed. `open` adds a photo turned until the thing runs off its edge, outlined as far as it shows; `thin` things
are a hose of 6 mm, a sheet of 2 mm and a wire of 0.3 mm laid into the demo's scene, a click every `THIN_CLICK_PX`, whose
lines may cross themselves. Every vertex of the true mesh is tried against the volume by winding number, which shares
nothing with the boolean that made it; `looseness_wrong` counts volumes whose truth does not reach between the volume's plane
and its looseness under it in any of the directions told. Printed as one JSON object.
"""

from __future__ import annotations

import json
import platform
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / room) for room in ("recon", "shared", "fixtures", "")]

import clicks  # noqa: E402
import numpy as np  # noqa: E402
import shapely  # noqa: E402
import trimesh  # noqa: E402
from tests.recon.true_job import winding  # noqa: E402
from true_scene import read_truth, true_scene  # noqa: E402

from elbowroom.recon.obstacles.hull import hull_of  # noqa: E402
from elbowroom.recon.obstacles.looseness import supports  # noqa: E402
from elbowroom.recon.picks.stations import Station  # noqa: E402
from elbowroom.shared.frames import Camera, Rigid  # noqa: E402
from elbowroom.shared.scene import PhotoOutline, Pose, Scene, VolumeTag  # noqa: E402

NOISE_PX = 1.0
THIN_CLICK_PX = 60.0
PLACE = np.array([60.0, 60.0, 80.0])
"""Where the thin things lie, mm, world: seen from all of the demo's photos."""

THINGS = {"hose_fitting": (2, 3, 6), "tab": (3,), "rail_bolt": (3, 8), "steering_box": (6,)}
OPEN = {"hose_fitting": 3, "tab": 3, "steering_box": 4}


def thin_things() -> dict[str, trimesh.Trimesh]:
    made = {
        "hose 6 mm": trimesh.creation.cylinder(radius=3, height=150, sections=24),
        "sheet 2 mm": trimesh.creation.box(extents=(90, 60, 2)),
        "wire 0.3 mm": trimesh.creation.cylinder(radius=0.15, height=120, sections=12),
    }
    for mesh in made.values():
        mesh.apply_transform(trimesh.transformations.euler_matrix(0.4, 0.3, 0.2))
        mesh.apply_translation(PLACE)
    return made


def drawn(
    hand: clicks.Hand, mesh: trimesh.Trimesh, photos: int, *, thin: bool
) -> list[tuple[str, np.ndarray]]:
    """Return (photo, ring px) of the exact lines the hand follows, before noise."""
    whole = [s for s in hand.stations if hand._inside(s, mesh.vertices)]
    rows = []
    for s in hand._spread(whole, mesh.centroid, photos):
        shape = clicks.silhouette(s, mesh)
        if thin:
            shape = shape.simplify(1.0).segmentize(THIN_CLICK_PX)
        else:
            shape = shape.buffer(clicks.OUTSIDE_PX).simplify(clicks.OUTSIDE_PX)
        rows.append((s.photo, np.array(shape.exterior.coords)[:-1]))
    return rows


def turned_away(hand: clicks.Hand, scene: Scene, mesh: trimesh.Trimesh) -> tuple[Scene, np.ndarray]:
    """Return the scene with a photo more, taken from the first one's place but turned until the thing runs off its left
    edge, and the line drawn round what shows of it."""
    first = next(s for s in hand.stations if hand._inside(s, mesh.vertices))
    station, angle = first, 0.0
    while station.project(np.asarray(mesh.centroid)[None])[0, 0] > 0:
        angle += 0.005
        turn = trimesh.transformations.rotation_matrix(-angle, (0, 1, 0))[:3, :3]
        turned: Rigid[Camera, Camera] = Rigid(turn, np.zeros(3))
        station = Station("turned", turned @ first.camera_from_world, first.lens)
    photo = scene.photo(first.photo).model_copy(
        update={"name": "turned", "camera_from_world": Pose.of(station.camera_from_world)}
    )
    frame = shapely.box(0, 0, first.lens.width_px - 1, first.lens.height_px - 1)
    shape = clicks.silhouette(station, mesh).buffer(clicks.OUTSIDE_PX).simplify(clicks.OUTSIDE_PX) & frame
    shape = max(getattr(shape, "geoms", [shape]), key=lambda g: g.area)
    return scene.model_copy(update={"photos": (*scene.photos, photo)}), np.array(shape.exterior.coords)[:-1]


def clicked(
    ring: np.ndarray, rng: np.random.Generator, *, thin: bool
) -> tuple[tuple[tuple[float, float], ...], int]:
    """Return the ring as clicked, and how often it was drawn again because its noise made it cross itself."""
    for again in range(100):
        noisy = ring + rng.normal(0, NOISE_PX, ring.shape)
        if thin or shapely.Polygon(noisy).is_valid:
            return tuple((float(x), float(y)) for x, y in noisy), again
    raise ValueError("a hand this shaky can't draw that outline")


def run(name: str, mesh: trimesh.Trimesh, photos: int, seeds: int, *, kind: str = "whole") -> dict[str, Any]:
    hand, scene, thin = clicks.Hand(0), true_scene(read_truth()), kind == "thin"
    rings = drawn(hand, mesh, photos, thin=thin)
    if kind == "open":
        scene, ring = turned_away(hand, scene, mesh)
        rings = [*rings, ("turned", ring)]
    lost, wrong, redrawn, crossed, excess, loosest, seconds = 0, 0, 0, 0, [], [], 0.0
    true = supports(np.asarray(mesh.vertices))
    for seed in range(seeds):
        rng, rows = np.random.default_rng(seed), []
        for photo, ring in rings:
            points, again = clicked(ring, rng, thin=thin)
            crossed += not shapely.Polygon(points).is_valid
            rows.append(PhotoOutline(photo=photo, points_px=points))
            redrawn += again
        start = time.process_time()
        hull = hull_of(VolumeTag(name="thing", outlines=tuple(rows), pick_sd_px=NOISE_PX), scene)
        seconds += time.process_time() - start
        lost += int((winding(np.asarray(mesh.vertices), hull.vertices_world, hull.faces) < 0.5).any())
        outer = supports(hull.vertices_world)
        wrong += int(((true > outer) | (true < outer - hull.loose_mm)).any())
        excess.append(hull.volume_mm3 / mesh.volume - 1)
        loosest.append(hull.loose_mm.max())
    return {
        "thing": name,
        "kind": kind,
        "photos": len(rings),
        "clicks": sum(len(r) for _, r in rings),
        "volumes": seeds,
        "lost": lost,
        "looseness_wrong": wrong,
        "outlines_redrawn": redrawn,
        "outlines_crossed": crossed,
        "excess_median": round(float(np.median(excess)), 3),
        "excess_over_hull_median": round(
            float((np.median(excess) + 1) * mesh.volume / mesh.convex_hull.volume - 1), 3
        ),
        "loosest_mm_median": round(float(np.median(loosest)), 1),
        "cpu_seconds_each": round(seconds / seeds, 3),
    }


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    meshes, rows = clicks.Hand(0).meshes, []
    settings = [(n, meshes[n], p, "whole") for n, counts in THINGS.items() for p in counts]
    settings += [(n, meshes[n], p, "open") for n, p in OPEN.items()]
    settings += [(n, m, p, "thin") for n, m in thin_things().items() for p in (2, 4)]
    for name, mesh, photos, kind in settings:
        rows.append(run(name, mesh, photos, seeds, kind=kind))
        print(rows[-1], file=sys.stderr, flush=True)
    print(
        json.dumps(
            {
                "machine": platform.processor() or platform.machine(),
                "noise_px": NOISE_PX,
                "drawn_outside_px": clicks.OUTSIDE_PX,
                "rows": rows,
            },
            indent=1,
        )
    )


if __name__ == "__main__":
    main()
