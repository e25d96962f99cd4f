"""What a newcomer types first: printing, making a job, tag files taken in, measuring; and what is printed back."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from tests.recon.drawn import spot
from tests.recon.sightings import readings_of, spot_scene

from elbowroom.app.cli import main
from elbowroom.recon.measure import measure_readings
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import FaceTag, PickedPoint, Scene, TagFile
from elbowroom.shared.store import SceneFile
from elbowroom.shared.tagfile import tag_changes

Capture = pytest.CaptureFixture[str]


@pytest.mark.parametrize("card", [[], ["--card", "100-103"]], ids=["alone", "card"])
def test_what_was_printed_is_said_as_a_tag_file_takes_it(
    card: list[str], tmp_path: Path, capsys: Capture
) -> None:
    assert main(["targets", str(tmp_path / "a.pdf"), "--ids", "1-3,7", "--side", "30", *card]) == 0
    given = TagFile.model_validate(yaml.safe_load(capsys.readouterr().out.split("for the tag file:")[1]))
    assert [(t.id, t.side_mm, t.batch) for t in given.targets] == [(i, 30.0, "A") for i in (1, 2, 3, 7)]
    assert [b.name for b in given.batches] == ["A"]
    assert [[t.id for t in c.targets] for c in given.cards] == ([[100, 101, 102, 103]] if card else [])


@pytest.mark.parametrize("name", ["x.txt", "x"])
def test_a_job_ends_in_elbow(name: str, tmp_path: Path, capsys: Capture) -> None:
    assert main(["new", str(tmp_path / name)]) == 2
    assert "call it x.elbow" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_tags_says_what_changed(tmp_path: Path, capsys: Capture) -> None:
    job, tags = tmp_path / "job.elbow", tmp_path / "tags.yaml"
    assert main(["new", str(job)]) == 0
    rows = "".join(f"- {{id: {i}, side_mm: 30}}\n" for i in range(1, 6))
    tags.write_text(f"default_side_mm: 40\ntargets:\n{rows}")
    capsys.readouterr()
    assert main(["tags", str(job), str(tags)]) == 0
    assert capsys.readouterr().out == "added: targets 1 to 5; default side\n"
    tags.write_text(
        f"default_side_mm: 40\ntargets:\n{rows}".replace("id: 2, side_mm: 30", "id: 2, side_mm: 31")
    )
    assert main(["tags", str(job), str(tags)]) == 0
    assert capsys.readouterr().out == "replaced: target 2\nunchanged: targets 1, 3, 4, 5; default side\n"
    tags.write_text("{}")
    assert main(["tags", str(job), str(tags)]) == 0
    assert "nothing added" in capsys.readouterr().out


def face(x_mm: float) -> FaceTag:
    corners = ((x_mm, 0.0, 0.0), (x_mm, 90.0, 0.0), (x_mm, 0.0, 90.0))
    return FaceTag(name="rail", points=tuple(PickedPoint(world_mm=c) for c in corners))


def test_changes_are_told_by_name() -> None:
    changes = tag_changes(Scene(faces=(face(0.0),)), TagFile(faces=(face(1.0),)))
    assert (changes.added, changes.replaced, changes.unchanged) == ({}, {"face": ("rail",)}, {})


@pytest.mark.parametrize("broken", [False, True])
def test_measuring_is_one_revision_and_outlives_a_tag_that_fails(
    broken: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    readings = readings_of([spot()] * 5)
    made = measure_readings(spot_scene(readings), readings, progress=lambda *_: None)
    path = tmp_path / "job.elbow"
    with SceneFile.create(path, spot_scene(readings, faces=(face(0.0),)), author="a") as file:
        before = len(file.history())
    out = made[0].model_copy(update={"faces": (face(0.0),)}), made[1]

    def tagged(scene: Scene, *_: object, **__: object) -> tuple[Scene, dict[str, bytes]]:
        if broken:
            raise InputError("no such face", where="face rail")
        return scene.model_copy(update={"name": "tagged"}), {}

    monkeypatch.setattr("elbowroom.recon.measure", lambda *_, **__: out)
    monkeypatch.setattr("elbowroom.recon.measure_tags", tagged)
    assert main(["measure", str(path)]) == (2 if broken else 0)
    with SceneFile.open(path) as file:
        assert [r.reason for r in file.history()][before:] == ["measured"]
        assert file.scene().accuracy is not None
        assert (file.scene().name == "tagged") is not broken


def test_show_has_a_row_for_every_photo_and_where_they_look_from(tmp_path: Path, capsys: Capture) -> None:
    readings = readings_of([spot()] * 6)
    lost = readings[2].only({s.target for s in readings[2].sightings} - {100, 101})
    readings = [*readings[:2], lost, *readings[3:]]
    scene, _ = measure_readings(spot_scene(readings), readings, progress=lambda *_: None)
    stray = scene.photos[5].model_copy(update={"name": "z.jpg", "camera_from_world": None, "rms_px": None})
    found = Finding(code="not-joined", severity="fault", subject="y.jpg, z.jpg", message="apart")
    update = {"photos": (*scene.photos, stray), "findings": (*scene.findings, found)}
    path = tmp_path / "job.elbow"
    SceneFile.create(path, scene.model_copy(update=update), author="a").close()
    assert main(["show", str(path)]) == 0
    rows = {
        line.split()[0]: line.split()[1:]
        for line in capsys.readouterr().out.splitlines()
        if ".jpg" in line[:8]
    }
    read = len(lost.sightings)
    assert rows["c.jpg"][0] == f"{read}/{read + 2}"
    assert rows["c.jpg"][-1] == "used"
    assert " ".join(rows["z.jpg"][-5:]) == "not used: joins no other"
