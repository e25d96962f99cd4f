"""A scan of a million triangles as an obstacle: time, peak memory, where it comes to lie against truth, its bound kept.

    python benchmarks/scan_registration.py [triangles] [hands]

The scan is a made-up spot of 400 x 400 mm (flat, step, pipe, dome) with 0.1 mm of noise, in metres, in a frame of its own,
laid on five pairs that are off by 0.5 mm (normal, each axis), hand by hand; then refined on two faces and a pipe that
are known to 0.05 mm (the pipe exactly). The bound is tried by Open3D's distances from every vertex and from places spread over the
triangles, which share nothing with what made it. Needs the extra `scan`. Printed as one JSON object.
"""

from __future__ import annotations

import json
import platform
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / room) for room in ("recon", "shared", "")]

import numpy as np  # noqa: E402
import open3d  # noqa: E402
from scipy.special import chdtri  # noqa: E402
from tests.recon.scans import file_of, in_scan, surface  # noqa: E402
from tests.recon.true_job import job, typed  # noqa: E402

from elbowroom.recon.obstacles.tagging import measure_tags  # noqa: E402
from elbowroom.recon.scans.distance import spread_samples  # noqa: E402
from elbowroom.recon.scans.file import read_scan_file  # noqa: E402
from elbowroom.recon.scans.pairs import solve_pairs  # noqa: E402
from elbowroom.recon.scans.scan import Scan, measure_scan, refined_place  # noqa: E402
from elbowroom.shared.arrays import Floats  # noqa: E402
from elbowroom.shared.scene import MeasuredFace, ScanPair, ScanTag, Scene, TubeTag, cov3  # noqa: E402

PLACES = np.array([[-180, -170, 0], [175, -160, 10], [150, 190, 60], [-160, 140, 40], [0, -60, 30.0]])
PAIR_SD = 0.5
FACES = (("flat", (-150, 0, 0), (0, 0, 1), 40), ("step", (-100, 100, 20), (0, -1, 0), 15))
PIPE = TubeTag(name="pipe", axis=(typed(150, -190, 0), typed(150, 190, 0)), diameter_mm=40)


def peak_mb() -> float:
    """Return this process' peak memory, MB; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def scene(known: bool) -> tuple[Scene, dict[str, bytes]]:
    """Return a job with nothing known, or with two faces and the pipe measured, and its media."""
    if not known:
        return job(), {}
    faces = tuple(
        MeasuredFace(
            name=name, point_mm=at, normal=normal, covariance_mm2=cov3(0.05**2 * np.eye(3)),
            tilt_sd_rad=0.001, rms_mm=0.05, reach_mm=reach,
        )
        for name, at, normal, reach in FACES
    )  # fmt: skip
    measured, made = measure_tags(job(tags=(PIPE,)), {})
    return measured.model_copy(update={"measured_faces": faces}), made


def hand(rng: np.random.Generator) -> ScanTag:
    rows = (in_scan(PLACES) + rng.normal(0, PAIR_SD, PLACES.shape)) / 1000
    pairs = tuple(
        ScanPair(scan=tuple(map(float, r)), world=typed(*w)) for r, w in zip(rows, PLACES, strict=True)
    )
    return ScanTag(name="spot", file="spot.ply", unit="m", pairs=pairs, pair_sd_mm=PAIR_SD, sd_mm=0.1)


def farthest(points: Floats, scan: Scan) -> float:
    """Return how far (mm) the farthest of some points is from a scan's mesh, by Open3D."""
    tensor: Any = open3d.core.Tensor
    scene: Any = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(tensor(scan.mesh[0].astype(np.float32)), tensor(scan.mesh[1].astype(np.uint32)))
    return float(scene.compute_distance(tensor(points.astype(np.float32))).numpy().max())


def large(triangles: int) -> dict[str, Any]:
    """Return time, memory and bound of one large scan whose pairs are exact."""
    mesh = surface(int(np.sqrt(triangles / 2)) + 1, 0.1)
    data = file_of(in_scan(mesh[0]) / 1000, mesh[1])
    rows = in_scan(PLACES) / 1000
    pairs = tuple(
        ScanPair(scan=tuple(map(float, r)), world=typed(*w)) for r, w in zip(rows, PLACES, strict=True)
    )
    tag = ScanTag(name="spot", file="spot.ply", unit="m", pairs=pairs, refine=False)
    before, start = peak_mb(), time.process_time()
    scan = measure_scan(tag, data, job(), {})
    seconds, peak = time.process_time() - start, peak_mb()
    points = np.vstack([mesh[0], spread_samples(mesh[0][mesh[1]], 2 * len(mesh[1]))[0]])
    return {
        "triangles": len(mesh[1]), "file_mb": round(len(data) / 1e6, 1), "cpu_s": round(seconds, 1),
        "peak_mb_before": round(before), "peak_mb": round(peak), "kept_triangles": len(scan.mesh[1]),
        "widened_mm": round(scan.widened_mm, 3), "farthest_mm": round(farthest(points, scan), 3),
    }  # fmt: skip


def registration(hands: int) -> dict[str, Any]:
    """Return how far the pairs' true places lie off over many hands' scans, by pairs alone and refined."""
    mesh = surface(120, 0.1)
    data = file_of(in_scan(mesh[0]) / 1000, mesh[1])
    out: dict[str, Any] = {"hands": hands}
    for known in (False, True):
        rng, (where, media) = np.random.default_rng(3), scene(known)
        rows = [_errors(hand(rng), data, where, media) for _ in range(hands)]
        off = np.concatenate([r[0] for r in rows])
        out["refined" if known else "pairs"] = {
            "rms_mm": round(float(np.sqrt(np.mean(off**2))), 3),
            "worst_mm": round(float(off.max()), 3),
            "in_95_percent_ellipsoids": round(float(np.mean(np.concatenate([r[1] for r in rows]))), 3),
        }
    return out


def _errors(tag: ScanTag, data: bytes, where: Scene, media: dict[str, bytes]) -> tuple[Floats, Floats]:
    """Return how far (n,) mm a hand's scan lies off at the pairs' true places, and whether its doubt holds each."""
    mesh = read_scan_file(data, tag)
    placed = refined_place(tag, solve_pairs(tag, where).registration, mesh, where, media).registration
    off = placed.apply(in_scan(PLACES)) - PLACES
    squares = [o @ np.linalg.solve(placed.covariance_at(p), o) for o, p in zip(off, PLACES, strict=True)]
    return np.linalg.norm(off, axis=1), np.array(squares) < chdtri(3, 0.05)


def main(argv: list[str]) -> int:
    triangles = int(argv[0]) if argv else 1_000_000
    hands = int(argv[1]) if len(argv) > 1 else 50
    found = {"machine": platform.platform(), "large": large(triangles), "registration": registration(hands)}
    print(json.dumps(found, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
