"""What `write` leaves in its folder: one file of each kind for a plate, and templates drawn for a measured printer."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.export.example_plates import TILTED, bracket
from tests.export.pdf_pages import pages

from elbowroom.app.cli import main
from elbowroom.export.step import can_write_step
from elbowroom.shared.scene import Check, PrintBatch, Scene
from elbowroom.shared.store import SceneFile

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; 8.5 x 11 in


@pytest.fixture
def job(tmp_path: Path) -> Path:
    batches = (
        PrintBatch(name="A", bar_x_mm=99.5, bar_y_mm=100.5, measured=True),
        PrintBatch(name="B"),
    )
    path = tmp_path / "job.elbow"
    plate = bracket(TILTED)
    passed = Check(plate=plate.name, rows=(), passes=True)
    scene = Scene(name="spot", plates=(plate,), checks=(passed,), batches=batches)
    with SceneFile.create(path, scene, author="me"):
        pass
    return path


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_kind_of_file_is_written(job: Path, tmp_path: Path, paper: str) -> None:
    assert main(["write", str(job), str(tmp_path / "out"), "--paper", paper]) == 0
    names = {p.name for p in (tmp_path / "out").iterdir() if p.is_file()}
    tails = {"_mm.dxf", "_inch.dxf", "_geometry_mm.dxf", "_geometry_mm_R12.dxf", ".svg", ".stl", ".3mf"}
    tails |= {"_template.pdf"} | ({".step"} if can_write_step() else set())
    assert names == {"scene.glb"} | {f"ram_mount{tail}" for tail in tails}
    (page,) = pages(tmp_path / "out" / "ram_mount_template.pdf")
    assert page.size == pytest.approx(np.array(PAPERS[paper]), abs=0.01)


def test_templates_are_drawn_for_the_printer_asked_for(
    job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["write", str(job), str(tmp_path / "out"), "--batch", "A"]) == 0
    assert "100.50 % wide" in " ".join(capsys.readouterr().out.split())  # 100 / 99.5
    (page,) = pages(tmp_path / "out" / "ram_mount_template.pdf")
    assert "Drawn 100.50 % wide, 99.50 % high" in page.words()
    assert "Clearance check: PASS" in page.words()


@pytest.mark.parametrize("batch", ["B", "no such"])
def test_a_batch_without_measured_bars_is_refused(
    job: Path, tmp_path: Path, batch: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["write", str(job), str(tmp_path / "out"), "--batch", batch]) == 2
    assert f"value {batch}; limit there are: A" in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out").exists()


def test_a_way_of_cutting_is_told(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "out")
    assert main(["write", str(job), out, "--process", "hand", "--no-overlays"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "hole A, 13.5 mm, is under the least hole for hand" in text
    assert "slot tab is widened by" in text
    assert main(["write", str(job), out, "--kerf"]) == 2
    assert "say --process too" in capsys.readouterr().err
