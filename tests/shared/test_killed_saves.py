"""Saves cut off by a kill or a full disk: nothing acknowledged is lost (SQLite's "Atomic Commit" is the promise held)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import killed_saves
import pytest

from elbowroom.shared.errors import StoreError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile


@pytest.mark.slow
def test_killed_at_random_moments(tmp_path: Path) -> None:
    states = [killed_saves.killed_once(tmp_path, seed) for seed in range(20)]
    assert {state for state, _ in states} == {"whole"}
    assert sum(n for _, n in states) > 20, (
        "some were killed after a save, so that there was something to lose"
    )


def test_full_disks(tmp_path: Path) -> None:
    states = [killed_saves.full_once(tmp_path, seed) for seed in range(10)]
    assert {state for state, _ in states} == {"whole"}


def test_the_judge_sees_a_lost_revision(tmp_path: Path) -> None:
    path = tmp_path / "a.elbow"
    SceneFile.create(path, Scene(name="start"), author="me").close()
    assert killed_saves.state_of(path, 1, 200) == "lost: 1 acknowledged, 0 there"
    path.write_bytes(path.read_bytes()[:5000])
    assert "does not open" in killed_saves.state_of(path, 0, 200)


@pytest.mark.skipif(os.name != "posix", reason="a limit on a file's size is set by the shell here")
def test_a_file_that_may_grow_no_further(tmp_path: Path) -> None:
    """Writes fail in the middle of a transaction: the system refuses bytes past a limit (POSIX RLIMIT_FSIZE)."""
    path = tmp_path / "a.elbow"
    SceneFile.create(path, Scene(name="start"), author="me").close()
    code = (
        "import resource, signal, runpy, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000)); "
        f"exec(compile({killed_saves.SAVER!r}, 'saver', 'exec'))"
    )
    command = [sys.executable, "-c", code, str(path), "20000"]
    run = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert "StoreError" in run.stderr
    assert "file is as it was before" in run.stderr
    said = [int(line) for line in run.stdout.split() if line.isdigit()]
    assert len(said) > 3
    assert killed_saves.state_of(path, len(said), 20_000) == "whole"


def test_a_job_whose_making_was_cut_off_can_be_made_again(tmp_path: Path) -> None:
    """Leftovers of a killed `new`, a half-written file and a journal that fits no file, are not played into the next."""
    (tmp_path / "a.elbow.part").write_bytes(b"half")
    (tmp_path / "a.elbow.part-journal").write_bytes(bytes.fromhex("d9d505f920a163d7") + bytes(600))
    data = b"photo"
    with SceneFile.create(tmp_path / "a.elbow", Scene(name="b"), author="me") as job:
        job.save(Scene(name="c"), {digest(data): data}, author="me", reason="more")
    with SceneFile.open(tmp_path / "a.elbow") as job:
        assert job.scene().name == "c"
    assert [p.name for p in tmp_path.iterdir()] == ["a.elbow"]


def test_a_job_in_no_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"no.a\.elbow: can't"):
        SceneFile.create(tmp_path / "no" / "a.elbow", Scene(), author="me")
