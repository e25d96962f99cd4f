"""Copies of a job damaged at random, merged: refused in words or merged, never a crash, and the job stays readable.

Bytes are changed, cut out, put in, set to 255 in a row, or the file is cut short. The job merged into must afterwards
open and read at its head and at every revision of its history.

    python benchmarks/damaged_copies.py [copies] [first seed]
"""

from __future__ import annotations

import json
import platform
import random
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

from elbowroom.app.exchange import merge_job
from elbowroom.app.job import Job
from elbowroom.shared.errors import ElbowroomError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile


def two_copies(folder: Path) -> tuple[Path, bytes]:
    """Make a job and a copy of it with five revisions more; return the job's path and the copy's bytes."""
    job, other, blob = folder / "job.elbow", folder / "other.elbow", b"photo" * 3000
    with SceneFile.create(job, Scene(name="mount"), author="me") as file:
        file.save(Scene(default_side_mm=40.0), {digest(blob): blob}, author="me", reason="side")
    shutil.copy(job, other)
    with SceneFile.open(other) as file:
        for n in range(5):
            file.save(Scene(name=f"mount {n}", default_side_mm=50.0), {}, author="you", reason=f"step {n}")
    return job, other.read_bytes()


def damaged(data: bytes, dice: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(dice.choice([1, 1, 2, 5, 20])):
        kind, at = dice.random(), dice.randrange(len(out))
        if kind < 0.6:
            out[at] = dice.randrange(256)
        elif kind < 0.8:
            out[at : at + dice.randrange(1, 50)] = dice.randbytes(dice.randrange(50))
        elif kind < 0.9:
            out[at : at + 8] = b"\xff" * 8
        else:
            del out[max(at, 100) :]
    return bytes(out)


def merged_once(job: Path, copy: bytes, seed: int) -> str:
    """Return what became of one damaged copy: "merged", "refused", or what went wrong."""
    mine, theirs = job.with_name(f"{seed}.elbow"), job.with_name(f"{seed} theirs.elbow")
    shutil.copy(job, mine)
    theirs.write_bytes(damaged(copy, random.Random(seed)))
    try:
        with SceneFile.open(theirs) as other, SceneFile.open(mine) as file:
            merge_job(Job(file, "me"), other)
        state = "merged"
    except ElbowroomError:
        state = "refused"
    except Exception as error:
        return f"crashed: {error!r}"[:200]
    try:
        with SceneFile.open(mine) as file:
            file.scene()
            for revision in file.history():
                file.scene(revision.id)
    except ElbowroomError as error:
        return f"the job is spoilt: {error}"[:200]
    return state


def main(count: int, first: int) -> int:
    with tempfile.TemporaryDirectory() as name:
        job, copy = two_copies(Path(name))
        states = Counter(merged_once(job, copy, seed) for seed in range(first, first + count))
    print(json.dumps({**states, "machine": platform.platform()}, indent=1))
    return int(bool(states.keys() - {"merged", "refused"}))


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]] + [1000, 1][len(sys.argv) - 1 :]
    sys.exit(main(*given))
