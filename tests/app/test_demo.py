"""The demo job end to end, as a new user runs it, and what it leaves behind.

The photos are rendered with known truth (fixtures/README.md); limits come from the figures this project promises.
"""

from __future__ import annotations

import io
import json
import shutil
from itertools import combinations
from pathlib import Path

import numpy as np
import plate_in_truth
import pyogrio
import pytest
import shapely
import trimesh
from PIL import Image

from elbowroom.app.cli import main
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile

pytestmark = pytest.mark.slow

DEMO = plate_in_truth.DEMO


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("demo")
    assert main(["demo", str(made)]) == 0
    return made


@pytest.fixture(scope="module")
def scene(folder: Path) -> Scene:
    with SceneFile.open(folder / "ram_mount.elbow") as file:
        return file.scene()


def test_distances_between_targets_are_true(scene: Scene) -> None:
    """Promised: rms at most 0.05 mm, scale within 0.02 %, against the renderer's truth."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    true = {t["id"]: np.array(t["world_from_target"])[:3, 3] for t in truth["targets"]}
    found = {m.id: np.array(m.world_from_target.shift_mm) for m in scene.measured}
    assert len(found) == len(true)
    pairs = list(combinations(sorted(found), 2))
    got = np.array([np.linalg.norm(found[a] - found[b]) for a, b in pairs])
    want = np.array([np.linalg.norm(true[a] - true[b]) for a, b in pairs])
    assert np.sqrt(((got - want) ** 2).mean()) <= 0.05
    assert abs(got @ want / (want @ want) - 1) <= 2e-4


def test_nothing_is_called_a_fault_in_a_job_without_one(scene: Scene) -> None:
    """The renderer planted none: sizes, prints and photos are what they say."""
    assert [f.message for f in scene.findings if f.severity == "fault"] == []
    assert all(abs(p.scale - 1) <= 3 * p.scale_sd for p in scene.measured_prints)


def test_every_clearance_is_kept_in_truth(scene: Scene) -> None:
    """python-fcl measures the plate against the true meshes, over the true travel of the tie rod."""
    for gap in plate_in_truth.true_gaps(scene):
        if gap.name in plate_in_truth.CONTACTS:
            assert gap.gap_mm > -0.5, gap
        else:
            assert gap.gap_mm >= gap.clearance_mm, gap


@pytest.mark.parametrize(("name", "mm_per_unit"), [("ram_plate_mm.dxf", 1.0), ("ram_plate_inch.dxf", 25.4)])
def test_the_drawing_read_by_gdal(folder: Path, scene: Scene, name: str, mm_per_unit: float) -> None:
    """GDAL's DXF driver did not write it: closed, same area and length within 0.01 %."""
    meta, _, shapes, fields = pyogrio.raw.read(folder / name)
    layer = fields[list(meta["fields"]).index("Layer")]
    cut = [shapely.from_wkb(g) for g, n in zip(shapes, layer, strict=True) if n == "CUT"]
    plate = scene.plates[0]
    wanted = [Outline.of_loop(plate.outer), *(Outline.of_loop(h.loop) for h in plate.holes)]
    assert len(cut) == len(wanted)
    assert all(c.is_closed if hasattr(c, "is_closed") else c.is_valid for c in cut)
    area = sorted(shapely.Polygon(shapely.get_coordinates(c)).area * mm_per_unit**2 for c in cut)
    length = sorted(c.length * mm_per_unit for c in cut)
    # GDAL shows arcs as chords of 4 degrees at most: allow what such chords leave out of a full circle
    assert area == pytest.approx(sorted(abs(o.area()) for o in wanted), rel=1e-3)
    assert length == pytest.approx(sorted(o.length() for o in wanted), rel=1e-3)
    assert area[-1] == pytest.approx(wanted[0].area(), rel=1e-4)
    assert length[-1] == pytest.approx(wanted[0].length(), rel=1e-4)


def test_the_solid_read_by_trimesh(folder: Path, scene: Scene) -> None:
    loaded = trimesh.load(folder / "scene.glb")
    plate = scene.plates[0]
    area = Outline.of_loop(plate.outer).area() - sum(abs(Outline.of_loop(h.loop).area()) for h in plate.holes)
    steel = next(g for n, g in loaded.geometry.items() if plate.name in n)
    assert abs(steel.volume) == pytest.approx(area * plate.thickness_mm, rel=1e-3)  # mm below the root node
    assert 0.5 < np.ptp(loaded.bounds, axis=0).max() < 1.0  # and metres above it, as glTF wants


def test_every_measured_photo_is_drawn_over(folder: Path, scene: Scene) -> None:
    pictures = sorted((folder / "photos").glob("*.png"))
    assert len(pictures) == len(scene.photos) == 14
    for photo, path in zip(scene.photos, pictures, strict=True):
        with Image.open(path) as picture:
            upright = photo.orientation < 5
            assert (picture.width > picture.height) == upright


def test_no_place_is_left_in_the_scene_file(scene: Scene, folder: Path) -> None:
    with SceneFile.open(folder / "ram_mount.elbow") as file:
        for photo in scene.photos:
            data = file.media()[photo.media]
            assert not Image.open(io.BytesIO(data)).getexif().get_ifd(0x8825)
            assert b"GPS" not in data[:4000]


def test_history_says_what_was_done(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", str(folder / "ram_mount.elbow")]) == 0
    text = capsys.readouterr().out
    for step in (
        "new job",
        "added 14 photos",
        "tags from tags.yaml",
        "measured",
        "fitted ram plate",
        "checked ram plate",
    ):
        assert step in text


def test_a_changed_intent_voids_the_plate_until_it_is_fitted_again(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "job.elbow"
    shutil.copy(folder / "ram_mount.elbow", job)
    with SceneFile.open(job) as file:
        intents = [file.scene().intents[0].model_dump(mode="json") | {"min_web_mm": 19.0}]
    tags = tmp_path / "tags.json"
    tags.write_text(json.dumps({"intents": intents}))
    void = "its intent has changed; fit it again"
    assert main(["tags", str(job), str(tags)]) == 0
    assert void in capsys.readouterr().out
    for step in ("fit", "check"):
        assert main([step, str(job)]) == 0
    capsys.readouterr()
    assert main(["show", str(job)]) == 0
    text = capsys.readouterr().out
    assert void not in text
    assert "clearance check: PASS" in text


def test_measuring_again_answers_the_call_for_it(folder: Path, tmp_path: Path) -> None:
    job = tmp_path / "job.elbow"
    shutil.copy(folder / "ram_mount.elbow", job)
    tags = tmp_path / "tags.yaml"
    tags.write_text("default_thickness_mm: 1.1\n")
    codes = []
    for step in (["tags", str(job), str(tags)], ["measure", str(job)]):
        assert main(step) == 0
        with SceneFile.open(job) as file:
            codes.append([f.code for f in file.scene().findings])
    assert codes[0] == ["measure-again"]
    assert "measure-again" not in codes[1]
