"""The demo job from photos to DXF: seconds of each step, and peak memory.

Promised on 2 cores: at most 20 s from photos to DXF (of 12 photos; the demo has 14), `measure` at most 3 times the
time of decoding the same JPEGs to grey (see measure_demo.py for that ratio alone).

Usage: python benchmarks/job_time.py
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from elbowroom.app import job as steps
from elbowroom.app.writing import write_job
from elbowroom.export import write_dxf
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile

DEMO = Path(__file__).resolve().parent.parent / "fixtures" / "demo"
PROMISED_S = 20.0


def timed(name: str, run: Callable[[], object], rows: list[tuple[str, float]]) -> None:
    """Run a step and keep its seconds."""
    start = time.perf_counter()
    run()
    rows.append((name, time.perf_counter() - start))


def peak_mb() -> float | None:
    """Return the process's peak resident memory in MB where the system tells it."""
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak / 1e3


def main() -> int:
    rows: list[tuple[str, float]] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "job.elbow"
        with SceneFile.create(path, Scene(name="timed"), author="benchmark") as file:
            job = steps.Job(file, "benchmark")
            photos = steps.photo_paths([DEMO / "photos"])
            timed("add photos", lambda: steps.add_photos(job, photos), rows)
            timed("tags", lambda: steps.take_tags(job, DEMO / "tags.yaml"), rows)
            timed("measure", lambda: steps.measure_job(job), rows)
            timed("fit", lambda: steps.fit_job(job), rows)
            timed("check", lambda: steps.check_job(job), rows)
            timed("DXF", lambda: write_dxf(file.scene().plates, Path(folder) / "plate.dxf"), rows)
            total = sum(seconds for _, seconds in rows)
            timed("overlays, GLB and the rest (not counted)", lambda: write_job(job, Path(folder)), rows)
    for name, seconds in rows:
        print(f"{name:42s} {seconds:7.2f} s")
    peak = peak_mb()
    print(f"photos to DXF, {len(photos)} photos: {total:.1f} s (promised {PROMISED_S:.0f} s)")
    print(f"peak memory: {peak:.0f} MB" if peak else "peak memory: not told by this system")
    return 0 if total <= PROMISED_S else 1


if __name__ == "__main__":
    sys.exit(main())
