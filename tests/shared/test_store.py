"""The scene file: what is acknowledged stays, history goes back and forth, strangers' files are refused in words.

SQLite's documented behaviour (sqlite.org: "Atomic Commit", `max_page_count` standing in for a full disk) is the
outside reference here.
"""

import sqlite3
from pathlib import Path

import pytest

from elbowroom.shared.errors import StoreError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile, copy_scene_file


@pytest.fixture
def job(tmp_path: Path) -> SceneFile:
    return SceneFile.create(tmp_path / "job.elbow", Scene(name="mount"), author="me")


def test_round_trip_with_media(job: SceneFile) -> None:
    blob = b"photo bytes" * 1000
    job.save(Scene(name="second"), {digest(blob): blob}, author="me", reason="added a photo")
    job.close()
    with SceneFile.open(job.path) as again:
        assert again.scene() == Scene(name="second")
        assert again.media()[digest(blob)] == blob
        assert [r.reason for r in again.history()] == ["new job", "added a photo"]


def test_undo_redo_and_branch(job: SceneFile) -> None:
    for name in ("a", "b"):
        job.save(Scene(name=name), {}, author="me", reason=name)
    assert job.undo().reason == "a"
    assert job.scene().name == "a"
    assert job.redo().reason == "b"
    job.undo()
    job.save(Scene(name="c"), {}, author="me", reason="another way")
    assert job.scene().name == "c"
    with pytest.raises(StoreError, match="nothing to redo"):
        job.redo()
    assert job.undo().reason == "a"
    assert len(job.history()) == 4, "undo forgets nothing"
    job.undo()
    with pytest.raises(StoreError, match="first revision"):
        job.undo()


def test_full_disk_loses_nothing(job: SceneFile) -> None:
    pages = job._db.execute("PRAGMA page_count").fetchone()[0]
    job._db.execute(f"PRAGMA max_page_count = {pages + 2}")
    blob = bytes(range(256)) * 4000
    with pytest.raises(StoreError, match="disk is full"):
        job.save(Scene(name="big"), {digest(blob): blob}, author="me", reason="too big")
    assert job.scene().name == "mount"
    job.close()
    with SceneFile.open(job.path) as again:
        assert again.scene().name == "mount"
        assert len(again.history()) == 1


def test_refuses_what_is_no_scene_file(tmp_path: Path) -> None:
    text = tmp_path / "a.elbow"
    text.write_text("not a database")
    with pytest.raises(StoreError, match="not a scene file"):
        SceneFile.open(text)
    with pytest.raises(StoreError, match="no such scene file"):
        SceneFile.open(tmp_path / "b.elbow")
    other = tmp_path / "c.elbow"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE t (x)")
    with pytest.raises(StoreError, match="not a scene file"):
        SceneFile.open(other)


def test_refuses_foreign_triggers_and_newer_formats(job: SceneFile) -> None:
    job._db.execute("CREATE TRIGGER t AFTER INSERT ON revision BEGIN DELETE FROM medium; END")
    job.close()
    with pytest.raises(StoreError, match="don't belong there"):
        SceneFile.open(job.path)
    with sqlite3.connect(job.path) as db:
        db.execute("DROP TRIGGER t")
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreError, match="newer version"):
        SceneFile.open(job.path)


def test_damaged_medium_is_named(job: SceneFile) -> None:
    blob = b"mesh"
    job.save(Scene(), {digest(blob): blob}, author="me", reason="mesh")
    job._db.execute("UPDATE medium SET bytes = x'00'")
    with pytest.raises(StoreError, match="damaged"):
        job.media()[digest(blob)]


def test_cut_short_file(job: SceneFile) -> None:
    job.close()
    data = job.path.read_bytes()
    job.path.write_bytes(data[: len(data) // 2])
    with pytest.raises(StoreError, match=r"damaged|can't read"), SceneFile.open(job.path) as again:
        again.scene()


def test_copy_is_whole(job: SceneFile, tmp_path: Path) -> None:
    copy_scene_file(job, tmp_path / "copy.elbow")
    with SceneFile.open(tmp_path / "copy.elbow") as again:
        assert again.scene() == job.scene()


def test_any_revision_can_be_gone_back_to(job: SceneFile) -> None:
    """After an undo and an edit the branch that was left is still in the history, and can be reached."""
    left = job.save(Scene(name="left"), {}, author="me", reason="left")
    job.undo()
    job.save(Scene(name="other"), {}, author="me", reason="other")
    assert job.go_to(left).reason == "left"
    assert job.scene().name == "left"
    with pytest.raises(StoreError, match="no such revision"):
        job.go_to(99)


FORMAT_1 = """
PRAGMA application_id = 1164730991;
PRAGMA user_version = 1;
CREATE TABLE medium (digest TEXT PRIMARY KEY, bytes BLOB NOT NULL);
CREATE TABLE revision (id INTEGER PRIMARY KEY AUTOINCREMENT, parent INTEGER REFERENCES revision(id), \
author TEXT NOT NULL, time TEXT NOT NULL, reason TEXT NOT NULL, scene TEXT NOT NULL);
CREATE TABLE head (only INTEGER PRIMARY KEY CHECK (only = 1), revision INTEGER NOT NULL REFERENCES revision(id));
INSERT INTO revision VALUES (1, NULL, 'me', '2026-01-01', 'new job', '{"name": "one"}');
INSERT INTO revision VALUES (2, 1, 'me', '2026-01-02', 'more', '{"name": "two"}');
INSERT INTO revision VALUES (3, 1, 'me', '2026-01-03', 'another way', '{"name": "three"}');
INSERT INTO head VALUES (1, 2);
"""
"""A file as the first version of the program wrote it."""


def test_an_older_file_is_brought_up_to_date(tmp_path: Path) -> None:
    for name in ("a.elbow", "b.elbow"):
        db = sqlite3.connect(tmp_path / name)
        db.executescript(FORMAT_1)
        db.close()
    with SceneFile.open(tmp_path / "a.elbow") as a, SceneFile.open(tmp_path / "b.elbow") as b:
        assert [r.uid for r in a.history()] == [r.uid for r in b.history()], "copies know each other"
        assert len({r.uid for r in a.history()}) == 3
        assert [(r.id, r.parent, r.reason) for r in a.history()][2] == (3, 1, "another way")
        assert (a.head(), a.scene().name, a.scene(3).name) == (2, "two", "three")
        assert a.save(Scene(name="four"), {}, author="me", reason="on") == 4
    with SceneFile.open(tmp_path / "a.elbow") as again:
        assert again.scene().name == "four"
