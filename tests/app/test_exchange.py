"""Jobs between people: copies sent, changed and merged. Photos' EXIF is read back by Pillow, sizes by OpenCV."""

from __future__ import annotations

import io
import shutil
import sqlite3
from collections import Counter
from pathlib import Path

import cv2
import damaged_copies
import numpy as np
import pytest
from PIL import ExifTags, Image
from tests.recon.drawn import spot
from tests.recon.sightings import readings_of, spot_scene

from elbowroom.app.cli import main
from elbowroom.recon.measure import measure_readings
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Photo, Scene
from elbowroom.shared.sending import picture_of, without_paths
from elbowroom.shared.store import SceneFile

Capture = pytest.CaptureFixture[str]
SIZE = (2601, 1900)


def photo_bytes(grey: int) -> bytes:
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif[ExifTags.Base.Model] = "phone"
    exif.get_ifd(0x8825).update({1: "N", 2: (50.0, 30.0, 12.0), 3: "E", 4: (9.0, 1.0, 2.0)})
    out = io.BytesIO()
    Image.fromarray(np.full((SIZE[1], SIZE[0], 3), grey, np.uint8)).save(out, "JPEG", exif=exif)
    return out.getvalue()


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job with two photos, which say where they were taken, and two revisions."""
    path, media = tmp_path / "job.elbow", {digest(d): d for d in (photo_bytes(90), photo_bytes(91))}
    photos = tuple(
        Photo(name=f"{n}.jpg", media=m, width_px=SIZE[0], height_px=SIZE[1], orientation=6, lens="x")
        for n, m in enumerate(media)
    )
    with SceneFile.create(path, Scene(name="mount"), author="me") as file:
        file.save(Scene(name="mount", photos=photos), media, author="me", reason="added 2 photos")
    return path


def tags(tmp_path: Path, path: Path, text: str) -> None:
    file = tmp_path / "tags.yaml"
    file.write_text(text)
    assert main(["tags", str(path), str(file)]) == 0


def scene(path: Path, revision: int | None = None) -> Scene:
    with SceneFile.open(path) as file:
        return file.scene(revision)


@pytest.mark.parametrize("kept", ["history", "no-history"])
@pytest.mark.parametrize("photos", ["full", "reduced", "none"])
def test_a_copy_says_no_place_and_merges_back(job: Path, tmp_path: Path, photos: str, kept: str) -> None:
    sent = tmp_path / "sent.elbow"
    assert main(["share", str(job), str(sent), "--photos", photos, f"--{kept}"]) == 0
    with SceneFile.open(sent) as file:
        assert len(file.history()) == (2 if kept == "history" else 1)
        assert len(file.media()) == (0 if photos == "none" else 2)
        entity = file.scene().photos[0]
        if photos != "none":
            data = picture_of(entity, file.media())
            image = Image.open(io.BytesIO(data))
            assert not image.getexif().get_ifd(0x8825)
            assert image.getexif().get(ExifTags.Base.Orientation) == 6
            stored = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_IGNORE_ORIENTATION)
            assert max(np.asarray(stored).shape) == (2000 if photos == "reduced" else 2601)
    tags(tmp_path, sent, "distances: [{name: rail, from_target: 1, to_target: 2, mm: 300}]")
    tags(tmp_path, job, "default_side_mm: 40")
    assert main(["merge", str(job), str(sent)]) == 0
    after = scene(job)
    assert after.default_side_mm == 40
    assert [d.name for d in after.distances] == ["rail"]
    assert after.photos[0].shown is None
    with SceneFile.open(job) as file:
        assert digest(file.media()[after.photos[0].media]) == after.photos[0].media
        assert len(file.media()) == 2, "small pictures of photos held here are not taken over"
        assert file.history()[-1].merged is not None
    assert main(["merge", str(job), str(sent)]) == 0
    assert scene(job) == after, "nothing new the second time"


def test_measuring_in_a_copy_without_full_photos_is_refused_in_words(
    job: Path, tmp_path: Path, capsys: Capture
) -> None:
    sent = tmp_path / "sent.elbow"
    assert main(["share", str(job), str(sent), "--photos", "reduced"]) == 0
    assert "measuring photos and snapping picks need the full one" in capsys.readouterr().out
    tags(tmp_path, sent, "default_side_mm: 40")
    assert main(["measure", str(sent)]) == 2
    assert "to look at, not to measure in" in capsys.readouterr().err


def test_both_changed_one_thing(job: Path, tmp_path: Path, capsys: Capture) -> None:
    other = tmp_path / "other.elbow"
    shutil.copy(job, other)
    tags(tmp_path, job, "distances: [{name: rail, from_target: 1, to_target: 2, mm: 300}]")
    tags(
        tmp_path,
        other,
        "distances: [{name: rail, from_target: 1, to_target: 2, mm: 301}]\ndefault_side_mm: 40",
    )
    capsys.readouterr()
    assert main(["merge", str(job), str(other)]) == 1
    out = capsys.readouterr().out
    assert "distance rail: added here, added in the other copy" in out
    assert "default side: added, 40 mm" in out
    merged = scene(job)
    assert (merged.distances[0].mm, merged.default_side_mm) == (300, 40)
    with SceneFile.open(job) as file:
        branch = file.history()[-1].merged
        assert file.scene(branch).distances[0].mm == 301, "theirs is a branch of the history"
    assert main(["show", str(job)]) == 0
    assert "to settle: distance rail" in capsys.readouterr().out
    assert main(["settle", str(job)]) == 0
    assert main(["settle", str(job), "1", "--take", "theirs"]) == 0
    assert scene(job).distances[0].mm == 301
    assert scene(job).conflicts == ()


def test_one_side_only_is_taken_over(job: Path, tmp_path: Path, capsys: Capture) -> None:
    other = tmp_path / "other.elbow"
    shutil.copy(job, other)
    tags(tmp_path, other, "default_side_mm: 40")
    before = len(_history(job))
    assert main(["merge", str(job), str(other)]) == 0
    assert "taken over" in capsys.readouterr().out
    assert scene(job) == scene(other)
    assert len(_history(job)) == before + 1
    assert main(["differences", str(job), str(other)]) == 0
    assert main(["undo", str(job)]) == 0
    assert main(["differences", str(job), str(other)]) == 1
    assert "default side: added, 40 mm" in capsys.readouterr().out


def _history(path: Path) -> list[str]:
    with SceneFile.open(path) as file:
        return [r.uid for r in file.history()]


def test_copies_merged_back_and_forth_meet(job: Path, tmp_path: Path) -> None:
    """The common revision after a merge is the merge: an old change undone by hand is not brought back."""
    other = tmp_path / "other.elbow"
    shutil.copy(job, other)
    tags(tmp_path, other, "default_side_mm: 40")
    tags(tmp_path, job, "default_thickness_mm: 1")
    assert main(["merge", str(job), str(other)]) == 0
    tags(tmp_path, job, "default_side_mm: 50")
    tags(tmp_path, other, "batches: [{name: A}]")
    assert main(["merge", str(job), str(other)]) == 0
    assert (scene(job).default_side_mm, len(scene(job).batches)) == (50, 1)
    assert main(["merge", str(other), str(job)]) == 0
    assert scene(other) == scene(job)


BOX = """
tags:
- {name: %s, kind: box, corner: {world_mm: [%d, 0, 50]}, along_x: {world_mm: [%d, 0, 50]},
   along_y: {world_mm: [%d, 40, 50]}, along_z: {world_mm: [%d, 0, 90]}}
"""


def box(name: str, x: int) -> str:
    return BOX % (name, x, x + 30, x, x)


def test_obstacles_of_both_are_measured_in_one_frame(tmp_path: Path, capsys: Capture) -> None:
    """Each side has one box more, 30 x 40 x 40 mm by its typed corners; after the merge both stand, measured."""
    readings = readings_of([spot()] * 5)
    measured, media = measure_readings(spot_scene(readings), readings, progress=lambda *_: None)
    path, other = tmp_path / "job.elbow", tmp_path / "other.elbow"
    with SceneFile.create(path, measured, author="me") as file:
        file.save(measured, media, author="me", reason="measured")
    assert main(["share", str(path), str(other), "--photos", "none", "--no-history"]) == 0
    tags(tmp_path, path, box("pump", 0))
    tags(tmp_path, other, box("hose", 200))
    assert main(["merge", str(path), str(other)]) == 0
    merged = scene(path)
    assert merged.accuracy == measured.accuracy
    assert sorted(o.name for o in merged.obstacles) == ["hose", "pump"]
    capsys.readouterr()
    assert main(["show", str(path)]) == 0
    assert capsys.readouterr().out.count("40.00 x 40.00 x 30.00") == 2
    # the other way round, from the copies as they were: the same tags, the same frame
    assert main(["merge", str(other), str(path)]) == 0
    assert sorted(t.name for t in scene(other).tags) == ["hose", "pump"]
    assert scene(other).measured == merged.measured


def test_a_new_datum_there_and_an_obstacle_here_void_the_measurement(tmp_path: Path, capsys: Capture) -> None:
    readings = readings_of([spot()] * 5)
    measured, media = measure_readings(spot_scene(readings), readings, progress=lambda *_: None)
    path, other = tmp_path / "job.elbow", tmp_path / "other.elbow"
    with SceneFile.create(path, measured, author="me") as file:
        file.save(measured, media, author="me", reason="measured")
    shutil.copy(path, other)
    tags(tmp_path, path, box("pump", 0))
    tags(tmp_path, other, "default_thickness_mm: 3")
    assert main(["merge", str(path), str(other)]) == 0
    merged = scene(path)
    assert merged.accuracy is None
    assert merged.obstacles == ()
    assert [t.name for t in merged.tags] == ["pump"]
    assert [f.code for f in merged.findings] == ["measure-again"]
    assert "Measure the job again" in capsys.readouterr().out


def test_a_revision_that_does_not_read_is_refused(job: Path, tmp_path: Path, capsys: Capture) -> None:
    other = tmp_path / "other.elbow"
    shutil.copy(job, other)
    tags(tmp_path, other, "default_side_mm: 40")
    for text in ('{"shown": [', "[" * 100_000 + '"shown"', '{"photos": [{"shown": 3}]}'):
        db = sqlite3.connect(other)
        with db:
            db.execute("UPDATE revision SET scene = ? WHERE id = 3", (text,))
        db.close()
        assert main(["merge", str(job), str(other)]) == 2
        assert "does not read" in capsys.readouterr().err
    assert len(_history(job)) == 2


def test_strangers_are_refused(job: Path, tmp_path: Path, capsys: Capture) -> None:
    SceneFile.create(tmp_path / "x.elbow", Scene(name="mount"), author="me").close()
    assert main(["merge", str(job), str(tmp_path / "x.elbow")]) == 2
    assert "no revision in common" in capsys.readouterr().err
    assert main(["share", str(job), str(job)]) == 2
    assert "own place" in capsys.readouterr().err
    assert len(_history(job)) == 2


@pytest.mark.parametrize(
    ("text", "sent"),
    [
        ("/home/someone/jobs/rail.stl", "rail.stl"),
        (r"C:\Users\someone\jobs\rail.stl", "rail.stl"),
        ("tags from /tmp/a/job.yaml, twice", "tags from job.yaml, twice"),
        ("1/2 in bolt, 3 mm/m", "1/2 in bolt, 3 mm/m"),
        ("M12 and 5/8-11", "M12 and 5/8-11"),
    ],
)
def test_paths_are_cut_to_names(text: str, sent: str) -> None:
    assert without_paths(text) == sent


def test_damaged_copies_are_refused_or_merged_and_spoil_nothing(tmp_path: Path) -> None:
    path, copy = damaged_copies.two_copies(tmp_path)
    states = Counter(damaged_copies.merged_once(path, copy, seed) for seed in range(80))
    assert states.keys() == {"merged", "refused"}
