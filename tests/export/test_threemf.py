"""3MF read back by lib3mf, the library of those who publish the format; volumes against closed forms."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from tests.export.example_plates import TILTED, bent_tab, bracket, bracket_area, round_hole

from elbowroom.export.solid import plate_mesh
from elbowroom.export.threemf import write_3mf
from elbowroom.shared.errors import InputError

SHARE = 1e-3  # chords 0.05 mm off the arcs take up to this of the volume
POSITION_MM = 1e-4  # lib3mf holds 32-bit floats


def _read(path: Path) -> tuple[str, dict[str, trimesh.Trimesh]]:
    """Return the unit and the objects by name, as lib3mf reads them, strictly."""
    lib3mf: Any = pytest.importorskip("lib3mf")
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    found, objects = {}, model.GetMeshObjects()
    while objects.MoveNext():
        thing = objects.GetCurrentMeshObject()
        assert thing.IsManifoldAndOriented()
        points = [tuple(v.Coordinates) for v in thing.GetVertices()]
        faces = [tuple(t.Indices) for t in thing.GetTriangleIndices()]
        found[thing.GetName()] = trimesh.Trimesh(points, faces, process=False)
    return lib3mf.ModelUnit(model.GetUnit()).name, found


def test_read_by_lib3mf(tmp_path: Path) -> None:
    write_3mf([bracket(TILTED), bent_tab()], tmp_path / "p.3mf")
    unit, found = _read(tmp_path / "p.3mf")
    assert unit == "MilliMeter"
    assert set(found) == {"ram mount", "tab"}
    mesh = found["ram mount"]
    assert mesh.volume == pytest.approx(bracket_area()[1] * 9.525, rel=SHARE)
    assert mesh.euler_number == 2 - 2 * 3
    assert mesh.bounds == pytest.approx(np.array([[0, 0, 0], [160, 90, 9.525]]), abs=POSITION_MM)
    assert found["tab"].volume == pytest.approx((60 * 40 - np.pi / 4 * 25) * 4.763, rel=SHARE)


def test_in_the_world(tmp_path: Path) -> None:
    write_3mf([bracket(TILTED)], tmp_path / "p.3mf", in_world=True)
    points, _ = plate_mesh(bracket(TILTED))
    _, found = _read(tmp_path / "p.3mf")
    assert found["ram mount"].bounds == pytest.approx(
        np.array([points.min(axis=0), points.max(axis=0)]), abs=POSITION_MM
    )


def test_same_plates_same_bytes_and_odd_names(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_3mf([bracket(name='<кронштейн & "½">')], tmp_path / name)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    names = zipfile.ZipFile(tmp_path / "a").namelist()
    assert names == ["[Content_Types].xml", "_rels/.rels", "3D/plates.model"]
    assert b"<object" in zipfile.ZipFile(tmp_path / "a").read("3D/plates.model")


def test_bad_plates_are_refused(tmp_path: Path) -> None:
    outside = bracket().model_copy(update={"holes": (round_hole("C", (158, 45), 10.0),)})
    with pytest.raises(InputError, match=r"opening C.*inside the plate"):
        write_3mf([outside], tmp_path / "p.3mf")
    with pytest.raises(InputError, match="nothing to write"):
        write_3mf([], tmp_path / "p.3mf")
