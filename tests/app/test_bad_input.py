"""Bad input at the command line: each a message that says what, where, value, limit and what to do; nothing lost.

The cases are those a phone, a disk and a hurried hand make (common practice, no source).
"""

from __future__ import annotations

import io
import json
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import synthetic
import true_scene
from PIL import Image

from elbowroom.app.cli import main
from elbowroom.recon.detect import find_targets
from elbowroom.shared.frames import frame_on_plane
from elbowroom.shared.scene import Lens, Scene
from elbowroom.shared.store import SceneFile

Capture = pytest.CaptureFixture[str]
LENS = Lens(name="t", width_px=800, height_px=600, focal_px=700, cx_px=399.5, cy_px=299.5)


def run(capsys: Capture, *arguments: object) -> tuple[int, str]:
    code = main([str(a) for a in arguments])
    captured = capsys.readouterr()
    text = captured.out + captured.err
    assert "Traceback" not in text
    return code, " ".join(text.split())


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "job.elbow"
    SceneFile.create(path, Scene(name="bad input", default_side_mm=40), author="me").close()
    return path


def revisions(path: Path) -> int:
    with SceneFile.open(path) as file:
        return len(file.history())


def photo_of(path: Path, places: dict[int, tuple[float, float]], seed: int = 1) -> Path:
    """Draw a small photo of targets lying flat at places (mm), seen from above."""
    layout = synthetic.Layout(
        dict.fromkeys(places, 40.0),
        {
            i: frame_on_plane(np.array([x, y, 0.0]), np.array([0, 0, 1.0]), np.array([1.0, 0, 0]))
            for i, (x, y) in places.items()
        },
    )
    station = synthetic.look_at(np.array([20.0 * seed, -60.0, 300.0]), np.zeros(3))
    path.write_bytes(synthetic.draw(layout, LENS, station, np.random.default_rng(seed), synthetic.Look()))
    return path


def plain_photo(path: Path, seed: int) -> Path:
    grey = np.random.default_rng(seed).integers(80, 120, (480, 640), dtype=np.uint8)
    Image.fromarray(grey).save(path, quality=90)
    return path


def test_no_targets(job: Path, tmp_path: Path, capsys: Capture) -> None:
    run(capsys, "add", job, plain_photo(tmp_path / "a.jpg", 1), plain_photo(tmp_path / "b.jpg", 2))
    before = revisions(job)
    code, text = run(capsys, "measure", job)
    assert code == 2
    assert "no coded target was found in any photo; value 2 photos" in text
    assert "elbowroom targets" in text
    assert revisions(job) == before


def test_one_photo(job: Path, tmp_path: Path, capsys: Capture) -> None:
    run(capsys, "add", job, photo_of(tmp_path / "a.jpg", {1: (-40, 0), 2: (40, 0)}))
    code, text = run(capsys, "measure", job)
    assert code == 2
    assert "value 1 photo(s); limit 2, better 8 to 24; add photos" in text


def test_photos_that_share_nothing(job: Path, tmp_path: Path, capsys: Capture) -> None:
    a = photo_of(tmp_path / "a.jpg", {1: (-40, 0), 2: (40, 0)})
    b = photo_of(tmp_path / "b.jpg", {3: (-40, 0), 4: (40, 0)}, 2)
    run(capsys, "add", job, a, b)
    code, text = run(capsys, "measure", job)
    assert code == 2
    assert "share no target" in text
    assert "take photos that overlap" in text


def test_the_same_id_twice_in_a_photo(job: Path, tmp_path: Path, capsys: Capture) -> None:
    """The doubled target is left out and named; the rest measures."""
    for k, name in enumerate(("a.jpg", "b.jpg", "c.jpg")):
        photo = photo_of(tmp_path / name, {1: (-80, 0), 2: (80, 0), 5: (0, -60), 6: (0, 60)}, k + 1)
        if k == 0:
            with Image.open(photo) as image:
                grey = np.array(image)
                found = dict(find_targets(grey))[1].astype(int)
                low, high = found.min(axis=0) - 14, found.max(axis=0) + 15
                patch = grey[low[1] : high[1], low[0] : high[0]].copy()
                grey[20 : 20 + len(patch), 20 : 20 + len(patch[0])] = (
                    patch  # target 1 once more, in the corner
                )
            Image.fromarray(grey).save(photo, quality=92)
        run(capsys, "add", job, photo)
    code, text = run(capsys, "measure", job)
    assert "appears more than once" in text
    assert "Take one of the two prints away" in text
    assert code == 0


def test_truncated_jpeg_beside_a_good_one(job: Path, tmp_path: Path, capsys: Capture) -> None:
    good, bad = plain_photo(tmp_path / "good.jpg", 1), plain_photo(tmp_path / "bad.jpg", 2)
    bad.write_bytes(bad.read_bytes()[:-3000])
    code, text = run(capsys, "add", job, good, bad)
    assert code == 2
    assert "bad.jpg: the photo is cut short" in text
    assert "copy it from the phone again" in text
    with SceneFile.open(job) as file:
        assert [p.name for p in file.scene().photos] == ["good.jpg"], "the good one is kept"


def test_two_hundred_megapixels(job: Path, tmp_path: Path, capsys: Capture) -> None:
    """A PNG header that claims 16384 x 12288 pixels: refused before anything is unpacked (PNG, ISO/IEC 15948)."""
    header = struct.pack(">IIBBBBB", 16384, 12288, 8, 0, 0, 0, 0)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    big = tmp_path / "big.png"
    big.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b""))
        + chunk(b"IEND", b"")
    )
    code, text = run(capsys, "add", job, big)
    assert code == 2
    assert "too many pixels; value 16384 x 12288 = 201 megapixels; limit 110 megapixels" in text


def test_heic_without_its_reader(
    job: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    photo = tmp_path / "a.heic"
    photo.write_bytes(b"\x00\x00\x00\x18ftypheic" + bytes(64))
    code, text = run(capsys, "add", job, photo)
    assert code == 2
    assert "HEIC" in text
    assert "elbowroom[heic]" in text
    assert "JPEG" in text


def test_text_named_jpg_and_missing_file(job: Path, tmp_path: Path, capsys: Capture) -> None:
    page = tmp_path / "page.jpg"
    page.write_text("<html>not a photo</html>")
    assert "not a photo this program reads" in run(capsys, "add", job, page)[1]
    assert "no such photo or folder" in run(capsys, "add", job, tmp_path / "none.jpg")[1]
    assert revisions(job) == 1


# --- tags and fits on a measured scene: the demo's, with its true stations ---------------------------------------


@pytest.fixture
def measured(tmp_path: Path) -> Path:
    path = tmp_path / "measured.elbow"
    truth = true_scene.read_truth()
    scene = true_scene.true_scene(truth)
    from elbowroom.shared.scene import Accuracy

    accuracy = Accuracy(
        sigma0_px=1,
        rms_px=0,
        redundancy=1,
        observations=8,
        rejected=0,
        scale_source="target sides",
        scale_sd=0,
        typical_sd_mm=0,
    )
    SceneFile.create(path, scene.model_copy(update={"accuracy": accuracy}), author="me").close()
    return path


def tag_file(tmp_path: Path, **content: Any) -> Path:
    path = tmp_path / "tags.json"
    path.write_text(json.dumps(content))
    return path


SQUARE = [[1900, 1400], [2100, 1400], [2100, 1600], [1900, 1600]]
BOW = [[1900, 1400], [2100, 1600], [2100, 1400], [1900, 1600]]


def refused(capsys: Capture, measured: Path, path: Path, *words: str) -> None:
    before = revisions(measured)
    code, text = run(capsys, "tags", measured, path)
    assert code == 2
    for word in words:
        assert word in text
    assert revisions(measured) == before, "nothing of the file is taken in"


def test_tag_names_a_photo_that_is_not_there(measured: Path, tmp_path: Path, capsys: Capture) -> None:
    outlines = [{"photo": "spot_01.jpg", "points_px": SQUARE}, {"photo": "spot_99.jpg", "points_px": SQUARE}]
    path = tag_file(tmp_path, tags=[{"kind": "volume", "name": "box", "outlines": outlines}])
    refused(
        capsys,
        measured,
        path,
        "volume box",
        "isn't in the job; value spot_99.jpg",
        "spot_01.jpg",
        "mend its name",
    )


def test_outline_that_crosses_itself(measured: Path, tmp_path: Path, capsys: Capture) -> None:
    outlines = [{"photo": "spot_01.jpg", "points_px": BOW}, {"photo": "spot_05.jpg", "points_px": SQUARE}]
    path = tag_file(tmp_path, tags=[{"kind": "volume", "name": "box", "outlines": outlines}])
    refused(capsys, measured, path, "volume box", "spot_01.jpg", "crosses or touches itself", "draw it again")


def test_obstacle_seen_in_one_photo_only(measured: Path, tmp_path: Path, capsys: Capture) -> None:
    outlines = [{"photo": "spot_01.jpg", "points_px": SQUARE}]
    path = tag_file(tmp_path, tags=[{"kind": "volume", "name": "box", "outlines": outlines}])
    refused(
        capsys,
        measured,
        path,
        "volume box",
        "outlined in spot_01.jpg only",
        "outline it in a photo taken from another side",
    )


def test_hole_inside_a_keep_out(measured: Path, tmp_path: Path, capsys: Capture) -> None:
    """A 20 mm tube standing where the hole is asked for: short by more than its radius."""
    tube = {
        "kind": "tube",
        "name": "post",
        "diameter_mm": 20,
        "axis": [{"world_mm": [0, 80, -60]}, {"world_mm": [0, 80, 60]}],
    }
    holes = [
        {"name": "pin", "at_mm": [0, 80], "diameter_mm": 12},
        {"name": "other", "at_mm": [80, 80], "diameter_mm": 12},
    ]
    intent = {"name": "mount", "plane": {"kind": "datum"}, "thickness_mm": 8, "holes": holes}
    assert run(capsys, "tags", measured, tag_file(tmp_path, tags=[tube], intents=[intent]))[0] == 0
    before = revisions(measured)
    code, text = run(capsys, "fit", measured)
    assert code == 2
    assert "post" in text
    assert "pin" in text
    assert "mm short" in text
    assert revisions(measured) == before


def test_full_disk_during_a_save(
    job: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite answers a full disk with SQLITE_FULL; `max_page_count` makes it do so here (sqlite.org, PRAGMA)."""
    from elbowroom.shared import sceneformat, store

    connect = sceneformat.connect

    def cramped(path: Path) -> Any:
        db = connect(path)
        pages = db.execute("PRAGMA page_count").fetchone()[0]
        db.execute(f"PRAGMA max_page_count = {pages + 2}")
        return db

    monkeypatch.setattr(store, "connect", cramped)
    code, text = run(capsys, "add", job, plain_photo(tmp_path / "a.jpg", 1))
    assert code == 2
    assert "the disk is full: free some space and save again; the file is as it was before" in text
    monkeypatch.undo()
    assert revisions(job) == 1


def test_a_stranger_s_file_is_no_job(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "x.elbow"
    path.write_bytes(io.BytesIO(b"PK\x03\x04").getvalue())
    assert run(capsys, "show", path) == (
        2,
        f"error: {path}: not a scene file; limit an .elbow file; check the name",
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ["bar", "JOB", "batch 1", "3 mm", "100"],
        ["bar", "JOB", "batch 1", "ten", "100"],
        ["measure"],
        ["wishes"],
        ["targets", "x.pdf", "--ids", "5-2"],
    ],
)
def test_wrong_words_are_explained(arguments: list[str], job: Path, capsys: Capture) -> None:
    code, text = run(capsys, *[str(job) if a == "JOB" else a for a in arguments])
    assert code == 2
    assert text.startswith("error: ")


def test_two_photos_of_one_name_are_both_kept(job: Path, tmp_path: Path, capsys: Capture) -> None:
    """Two phones both number from one: neither photo may push the other out."""
    for k, name in enumerate(("one", "two")):
        (tmp_path / name).mkdir()
        plain_photo(tmp_path / name / "a.jpg", k)
    code, text = run(capsys, "add", job, tmp_path / "one", tmp_path / "two")
    assert code == 0
    assert "called a (2).jpg there" in text
    with SceneFile.open(job) as file:
        assert [p.name for p in file.scene().photos] == ["a.jpg", "a (2).jpg"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"thread": "M13"}, "plate mount, hole pin: no such thread"),
        ({"bolt": "nope"}, "plate mount, hole pin: names a bolt that isn't tagged; value nope"),
    ],
)
def test_names_are_checked_when_the_tags_come_in(
    change: dict[str, str], words: str, job: Path, tmp_path: Path, capsys: Capture
) -> None:
    hole = {"name": "pin", "at_mm": [0, 0], "diameter_mm": 12} | change
    hole.pop("diameter_mm" if "thread" in change else "at_mm")
    intent = {"name": "mount", "plane": {"kind": "datum"}, "thickness_mm": 8, "holes": [hole]}
    code, text = run(capsys, "tags", job, tag_file(tmp_path, intents=[intent]))
    assert code == 2
    assert words in text


def test_new_bars_void_what_was_measured(measured: Path, tmp_path: Path, capsys: Capture) -> None:
    """A plate must not pass on a scale that has since been corrected."""
    run(capsys, "tags", measured, tag_file(tmp_path, batches=[{"name": "A"}]))
    with SceneFile.open(measured) as file:
        assert file.scene().accuracy is None, "a batch named after measuring counts as a change too"
    assert run(capsys, "bar", measured, "B", "100", "100")[0] == 2
    assert run(capsys, "bar", measured, "A", "99.5", "99.6")[0] == 0
    assert "not measured yet" in run(capsys, "fit", measured)[1]


def test_a_folder_that_is_a_file(job: Path, tmp_path: Path, capsys: Capture) -> None:
    code, text = run(capsys, "schema", tmp_path / "none" / "x.json")
    assert code == 2
    assert "can't be read or written" in text
