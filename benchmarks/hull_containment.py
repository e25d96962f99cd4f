"""How often, over many hands, an outlined volume holds the true thing, and how much more it takes up.

    python benchmarks/hull_containment.py [seeds]

Outlines of the demo's true meshes in 2 to 8 photos, drawn `clicks.OUTSIDE_PX` outside, every click off by 1 px (normal),
seed by seed; a line that crosses itself is drawn again. Every vertex of the true mesh is tried against the volume by
winding number, which shares nothing with the
boolean that made it. Printed as one JSON object.
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

from elbowroom.recon.hull import hull_of  # noqa: E402
from elbowroom.shared.scene import PhotoOutline, VolumeTag  # noqa: E402

NOISE_PX = 1.0
THINGS = {"hose_fitting": (2, 3, 6), "tab": (3,), "rail_bolt": (3, 8), "steering_box": (6,)}


def drawn(hand: clicks.Hand, mesh: trimesh.Trimesh, photos: int) -> list[tuple[str, np.ndarray]]:
    """Return (photo, ring px) of the exact lines the hand follows, before noise."""
    whole = [s for s in hand.stations if hand._inside(s, mesh.vertices)]
    rows = []
    for s in hand._spread(whole, mesh.centroid, photos):
        shape = clicks.silhouette(s, mesh).buffer(clicks.OUTSIDE_PX).simplify(clicks.OUTSIDE_PX)
        rows.append((s.photo, np.array(shape.exterior.coords)[:-1]))
    return rows


def clicked(ring: np.ndarray, rng: np.random.Generator) -> tuple[tuple[tuple[float, float], ...], int]:
    """Return the ring as clicked, and how often it was drawn again because its noise made it cross itself."""
    for again in range(100):
        noisy = ring + rng.normal(0, NOISE_PX, ring.shape)
        if shapely.Polygon(noisy).is_valid:
            return tuple((float(x), float(y)) for x, y in noisy), again
    raise ValueError("a hand this shaky can't draw that outline")


def run(name: str, photos: int, seeds: int) -> dict[str, Any]:
    hand, scene = clicks.Hand(0), true_scene(read_truth())
    mesh = hand.meshes[name]
    rings = drawn(hand, mesh, photos)
    lost, redrawn, excess, seconds = 0, 0, [], 0.0
    for seed in range(seeds):
        rng, rows = np.random.default_rng(seed), []
        for photo, ring in rings:
            points, again = clicked(ring, rng)
            rows.append(PhotoOutline(photo=photo, points_px=points))
            redrawn += again
        start = time.perf_counter()
        hull = hull_of(VolumeTag(name=name, outlines=tuple(rows), pick_sd_px=NOISE_PX), scene)
        seconds += time.perf_counter() - start
        lost += int((winding(np.asarray(mesh.vertices), hull.vertices_world, hull.faces) < 0.5).any())
        excess.append(hull.volume_mm3 / mesh.volume - 1)
    return {
        "thing": name,
        "photos": len(rings),
        "clicks": sum(len(r) for _, r in rings),
        "volumes": seeds,
        "lost": lost,
        "outlines_redrawn": redrawn,
        "excess_median": round(float(np.median(excess)), 3),
        "excess_over_hull_median": round(
            float((np.median(excess) + 1) * mesh.volume / mesh.convex_hull.volume - 1), 3
        ),
        "seconds_each": round(seconds / seeds, 3),
    }


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rows = []
    for name, counts in THINGS.items():
        for photos in counts:
            rows.append(run(name, photos, seeds))
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
