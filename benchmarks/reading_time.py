"""Time of measuring against decoding the same JPEGs, wall clock and CPU, and the memory it takes.

24 photos of 12 MP: the demo's, the first ten twice under other names, as stored (progressive) and as baseline copies.
Decoding uses as many threads as measuring does. Exit code 1 when measuring takes more than twice as long, or more than
1.5 GB.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import cv2
from measure_demo import DEMO, baseline, demo_scene

from elbowroom.recon import measure
from elbowroom.recon.reading.detect import read_grey
from elbowroom.recon.reading.readings import read_photos
from elbowroom.shared import Scene

RATIO_LIMIT, MEMORY_LIMIT_MB, PHOTOS = 2.0, 1500.0, 24


def main() -> int:
    """Print the figures; return 1 when one is beyond its limit."""
    cv2.setNumThreads(1)
    scene, media = demo_scene(json.loads((DEMO / "truth.json").read_text()))
    again = [p.model_copy(update={"name": f"again_{p.name}"}) for p in scene.photos]
    scene = scene.model_copy(update={"photos": (*scene.photos, *again)[:PHOTOS]})
    worst = max(compared("progressive", scene, media), compared("baseline", scene, baseline(scene, media)))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {memory:.0f} MB (limit {MEMORY_LIMIT_MB:.0f}); ratio limit {RATIO_LIMIT:g}")
    return 0 if worst <= RATIO_LIMIT and memory <= MEMORY_LIMIT_MB else 1


def compared(kind: str, scene: Scene, media: dict[str, bytes]) -> float:
    """Print one kind's times; return measuring over decoding, wall clock."""
    threads = os.cpu_count() or 1

    def decode() -> None:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(lambda p: read_grey(media[p.media], where=p.name).shape, scene.photos))

    decoded, read, measured = (
        timed(f) for f in (decode, lambda: read_photos(scene.photos, media), lambda: measure(scene, media))
    )
    print(
        f"{kind}: {len(scene.photos)} photos, {threads} threads: decoding {decoded[0]:.2f} s wall {decoded[1]:.2f} s CPU; "
        f"reading {read[0] / decoded[0]:.2f} and {read[1] / decoded[1]:.2f} times that; "
        f"measuring {measured[0] / decoded[0]:.2f} and {measured[1] / decoded[1]:.2f} times"
    )
    return measured[0] / decoded[0]


def timed(work: Callable[[], object], runs: int = 2) -> tuple[float, float]:
    """Return the least wall and CPU seconds of some runs."""
    took = []
    for _ in range(runs):
        wall, cpu = time.perf_counter(), time.process_time()
        work()
        took.append((time.perf_counter() - wall, time.process_time() - cpu))
    return min(w for w, _ in took), min(c for _, c in took)


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
