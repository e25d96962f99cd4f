"""The strength check and bends at the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.fit.plates import tongue

from elbowroom.app.cli import main
from elbowroom.shared.scene import DatumPlane, FaceTag, HoleIntent, PickedPoint, PlateIntent, Scene
from elbowroom.shared.store import SceneFile

Capture = pytest.CaptureFixture[str]


def run(capsys: Capture, *arguments: object) -> tuple[int, str]:
    code = main([str(a) for a in arguments])
    captured = capsys.readouterr()
    text = captured.out + captured.err
    assert "Traceback" not in text
    return code, " ".join(text.split())


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job whose plate is fitted already."""
    plate = tongue()
    corners = [PickedPoint(world_mm=p) for p in ((0.0, 0.0, 0.0), (0.0, 9.0, 0.0), (0.0, 0.0, 9.0))]
    face = FaceTag(name="rail", points=tuple(corners))
    intent = PlateIntent(
        name=plate.name, plane=DatumPlane(), thickness_mm=plate.thickness_mm, weld_edges=plate.weld_edges,
        holes=(HoleIntent(name="eye", at_mm=(170.0, 20.0), thread="M16"),),
    )  # fmt: skip
    scene = Scene(name="arm", faces=(face,), intents=(intent,), plates=(plate,))
    path = tmp_path / "arm.elbow"
    SceneFile.create(path, scene, author="test").close()
    return path


def loads(job: Path, text: str) -> Path:
    path = job.parent / "loads.yaml"
    path.write_text(text, encoding="utf-8")
    return path


CASE = "load_cases:\n- {name: lift, plate: tongue, loads: [{hole: eye, force_n: [0, 0, %d]}]}\n"


def test_a_plate_that_holds(job: Path, capsys: Capture) -> None:
    assert run(capsys, "tags", job, loads(job, CASE % 300))[0] == 0
    code, text = run(capsys, "strength", job, "--pictures", job.parent / "pictures")
    assert code == 0, text
    for words in (
        "least factor",
        "moves 1.",
        "at weld edge root",
        "factors kept",
        "not an approval",
        "licensed practice",
    ):
        assert words in text
    assert (job.parent / "pictures" / "tongue_lift_stress.png").stat().st_size > 10_000


def test_a_plate_that_does_not(job: Path, capsys: Capture) -> None:
    run(capsys, "tags", job, loads(job, CASE % 3000))
    code, text = run(capsys, "strength", job, "--plate", "tongue")
    assert code == 1
    assert "HOLD (yield at weld edge root" in text
    assert "not an approval" in text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("load_cases: [{name: a, plate: arm, loads: [{hole: eye, force_n: [1, 0, 0]}]}]", "names a plate that isn't"),
        ("load_cases: [{name: a, plate: tongue, loads: [{hole: ear, force_n: [1, 0, 0]}]}]", "names a hole that isn't"),
        (
            "load_cases: [{name: a, plate: tongue, supports: [q], loads: [{hole: eye, force_n: [1, 0, 0]}]}]",
            "names a support that isn't",
        ),
        ("load_cases: [{name: a, plate: tongue, loads: []}]", "at least 1"),
        ("load_cases: [{name: a, plate: tongue, loads: [{hole: eye}]}]", "this load is zero"),
        ("load_cases: [{name: a, plate: tongue, loads: [{hole: eye, force_n: [1, 0, .nan]}]}]", "finite number"),
    ],
)  # fmt: skip
def test_bad_load_cases(job: Path, capsys: Capture, text: str, words: str) -> None:
    code, said = run(capsys, "tags", job, loads(job, text))
    assert code == 2
    assert words in said


def test_no_load_case(job: Path, capsys: Capture) -> None:
    code, said = run(capsys, "strength", job)
    assert code == 2
    assert "no load case" in said


def test_a_bend(capsys: Capture) -> None:
    """Machinery's Handbook 31 p. 1421: T 1/8, R 3/8, 180 degrees takes 1.338 in; setback 90 degrees is R + T."""
    code, said = run(capsys, "bend", 180, "--thickness", '1/8"', "--radius", '3/8"')
    assert code == 0
    assert "1.3375 in" in said
    assert "setback" not in said
    assert "setback 12.700 mm" in run(capsys, "bend", 90, "--thickness", '1/8"', "--radius", '3/8"')[1]
    assert "0.2827 in" in run(capsys, "bend", 90, "--thickness", '1/8"', "--radius", '1/8"', "--k", 0.44)[1]
    code, said = run(capsys, "bend", 200, "--thickness", "3", "--radius", "3")
    assert code == 2
    assert "a bend's angle can't be that" in said
