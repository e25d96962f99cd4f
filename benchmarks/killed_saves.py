"""Processes killed at random moments of their saves, and full disks: what was acknowledged must be in the file.

A child makes a job and saves revision after revision, each with a medium of its own, and says each one's number on its
output only after `save` has returned. It is killed (SIGKILL, or TerminateProcess on Windows) at a random moment. The
file must then open, hold every revision that was acknowledged with its medium, and take another.

    python benchmarks/killed_saves.py [kills] [full disks] [first seed]
"""

from __future__ import annotations

import json
import platform
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from elbowroom.shared.errors import StoreError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile

SAVER = """
import sys
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile
path, size = sys.argv[1], int(sys.argv[2])
with SceneFile.open(path) as job:
    print("ready", flush=True)
    for n in range(100000):
        data = b"%d " % n * (size // 8)
        job.save(Scene(name=f"step {n}"), {digest(data): data}, author="saver", reason=f"save {n}")
        print(n, flush=True)
"""

LONGEST_S = 0.4
"""The kill comes at a random moment up to this long after the first save may have begun: a few saves at each size."""

SIZES = (200, 20_000, 2_000_000)
"""Bytes of a save's medium: a scene alone, a mesh, a photo."""


def medium(n: int, size: int) -> bytes:
    return b"%d " % n * (size // 8)


def killed_once(folder: Path, seed: int) -> tuple[str, int]:
    """Return what became of one job whose saver was killed ("whole", or what was wrong), and how many saves it had."""
    dice = random.Random(seed)
    path, size = folder / f"{seed}.elbow", dice.choice(SIZES)
    SceneFile.create(path, Scene(name="start"), author="me").close()
    command = [sys.executable, "-c", SAVER, str(path), str(size)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(dice.random() * LONGEST_S)
        child.kill()
        said = [line for line in child.stdout.read().split("\n") if line.strip().isdigit()]
    acknowledged = int(said[-1]) + 1 if said else 0
    return state_of(path, acknowledged, size), acknowledged


def state_of(path: Path, acknowledged: int, size: int) -> str:
    """Return "whole" when a file opens, holds all that was acknowledged and takes more, else what is wrong."""
    try:
        with SceneFile.open(path) as job:
            reasons = [r.reason for r in job.history()]
            if reasons[1 : acknowledged + 1] != [f"save {n}" for n in range(acknowledged)]:
                return f"lost: {acknowledged} acknowledged, {len(reasons) - 1} there"
            media = job.media()
            for n in range(len(reasons) - 1):
                data = medium(n, size)
                if media[digest(data)] != data:
                    return "a medium is wrong"
            if job.scene().name != (f"step {len(reasons) - 2}" if len(reasons) > 1 else "start"):
                return "the head is not the last revision"
            job.save(Scene(name="after"), {}, author="me", reason="after")
    except StoreError as error:
        return f"does not open: {error}"
    return "whole"


def full_once(folder: Path, seed: int) -> tuple[str, int]:
    """Save until a cap on the file's pages, a stand-in for a full disk, refuses one; then look at the file."""
    dice = random.Random(seed)
    path, size, done = folder / f"full {seed}.elbow", dice.choice(SIZES[:2]), 0
    with SceneFile.create(path, Scene(name="start"), author="me") as job:
        pages = dice.randint(15, 200)
        job._db.execute(f"PRAGMA max_page_count = {pages}")
        try:
            for done in range(100_000):
                data = medium(done, size)
                job.save(
                    Scene(name=f"step {done}"), {digest(data): data}, author="saver", reason=f"save {done}"
                )
        except StoreError as error:
            if "disk is full" not in str(error):
                return f"says: {error}", done
        else:
            return f"never full at {pages} pages", done
    return state_of(path, done, size), done


def main(kills: int, fulls: int, first: int) -> int:
    with tempfile.TemporaryDirectory() as name:
        killed = [killed_once(Path(name), seed) for seed in range(first, first + kills)]
        full = [full_once(Path(name), seed) for seed in range(first, first + fulls)]
    rows = {
        "killed": dict(Counter(state for state, _ in killed)),
        "saves acknowledged before the kills": sum(n for _, n in killed),
        "full disks": dict(Counter(state for state, _ in full)),
        "saves acknowledged before the disk was full": sum(n for _, n in full),
        "machine": platform.platform(),
    }
    print(json.dumps(rows, indent=1))
    return int(any(state != "whole" for state, _ in (*killed, *full)))


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]] + [200, 50, 1][len(sys.argv) - 1 :]
    sys.exit(main(*given))
