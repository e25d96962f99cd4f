"""STEP read back: by Open CASCADE's own reader, measured, and as text against ISO 10303-21's entity names."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.export.example_plates import TILTED, bent_tab, bracket, bracket_area, round_hole

from elbowroom.export import step
from elbowroom.export.step import write_step
from elbowroom.shared.errors import InputError

OCP = pytest.importorskip("OCP.STEPControl", reason="the extra `step` is not installed", exc_type=ImportError)

SHARE = 1e-9  # STEP holds 15 digits; volumes of planes and cylinders are integrated exactly


def _read(path: Path) -> Any:
    from OCP.IFSelect import IFSelect_ReturnStatus

    reader = OCP.STEPControl_Reader()
    assert reader.ReadFile(str(path)) == IFSelect_ReturnStatus.IFSelect_RetDone
    reader.TransferRoots()
    return reader.OneShape()


def _volume(shape: Any) -> float:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, found)
    return float(found.Mass())


def _faces(shape: Any) -> Counter[str]:
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    kinds: Counter[str] = Counter()
    face = getattr(TopoDS, "Face", None) or TopoDS.Face_s  # named otherwise in versions before 8
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        kinds[BRepAdaptor_Surface(face(walk.Current())).GetType().name] += 1
        walk.Next()
    return kinds


def _box(shape: Any) -> Any:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(shape, box, False, False)
    low, high = box.CornerMin(), box.CornerMax()
    return np.array([[low.X(), low.Y(), low.Z()], [high.X(), high.Y(), high.Z()]])


def test_volume_and_true_faces(tmp_path: Path) -> None:
    write_step([bracket(TILTED)], tmp_path / "p.step")
    shape = _read(tmp_path / "p.step")
    assert _volume(shape) == pytest.approx(bracket_area()[1] * 9.525, rel=SHARE)
    # two flats; outline: 5 straight edges and 5 arcs; slot: 2 and 2; two round holes, a cylinder each
    assert _faces(shape) == {"GeomAbs_Plane": 2 + 5 + 2, "GeomAbs_Cylinder": 5 + 2 + 2}
    assert _box(shape) == pytest.approx(np.array([[0, 0, 0], [160, 90, 9.525]]), abs=1e-5)


def test_in_the_world_and_several(tmp_path: Path) -> None:
    write_step([bracket(TILTED), bent_tab()], tmp_path / "p.step", in_world=True)
    shape = _read(tmp_path / "p.step")
    tab = (60 * 40 - np.pi / 4 * 25) * 4.763
    assert _volume(shape) == pytest.approx(bracket_area()[1] * 9.525 + tab, rel=SHARE)
    write_step([bracket(TILTED)], tmp_path / "p.step", in_world=True)
    # the corner of the slab that reaches lowest and highest, from the straight edges' ends and the slab's pose
    from elbowroom.export.solid import plate_mesh

    points, _ = plate_mesh(bracket(TILTED), 0.0005)
    box = _box(_read(tmp_path / "p.step"))
    assert box == pytest.approx(np.array([points.min(axis=0), points.max(axis=0)]), abs=0.001)


def test_text_says_millimetres_name_and_schema(tmp_path: Path) -> None:
    write_step([bracket()], tmp_path / "p.step")
    text = (tmp_path / "p.step").read_text()
    assert text.startswith("ISO-10303-21;")
    assert "SI_UNIT(.MILLI.,.METRE.)" in text
    assert "PRODUCT('ram mount'" in text
    assert text.count("CYLINDRICAL_SURFACE(") == 9
    assert "B_SPLINE" not in text
    assert str(tmp_path) not in text


def test_names_in_any_script(tmp_path: Path) -> None:
    """Apostrophes doubled, other letters as UTF-16 between \\X2\\ and \\X0\\: ISO 10303-21, 6.4.3 (from memory)."""
    write_step([bracket(name="Bob's кронштейн ½"), bent_tab()], tmp_path / "p.step")
    text = (tmp_path / "p.step").read_text(encoding="ascii")
    found = re.findall(r"PRODUCT\('((?:[^']|'')*)'", text)
    plain = [
        re.sub(r"\\X2\\([0-9A-F]+)\\X0\\", lambda m: bytes.fromhex(m[1]).decode("utf-16-be"), n)
        for n in found
    ]
    assert plain == ["Bob''s кронштейн ½", "tab"]
    assert _volume(_read(tmp_path / "p.step")) > 0, "the reader takes the names"


def test_nothing_is_printed(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    write_step([bracket()], tmp_path / "p.step")
    assert capfd.readouterr().out == ""


def test_bad_plates_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outside = bracket().model_copy(update={"holes": (round_hole("C", (158, 45), 10.0),)})
    with pytest.raises(InputError, match=r"opening C.*inside the plate"):
        write_step([outside], tmp_path / "p.step")
    with pytest.raises(InputError, match="nothing to write"):
        write_step([], tmp_path / "p.step")
    monkeypatch.setattr(step, "can_write_step", lambda: False)
    with pytest.raises(InputError, match=r"install elbowroom\[step\]"):
        write_step([bracket()], tmp_path / "p.step")
    assert list(tmp_path.iterdir()) == []
