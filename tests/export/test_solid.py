"""Solids read back by trimesh; volumes against closed forms."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from tests.export.example_plates import TILTED, bracket, bracket_area, round_hole

from elbowroom.export.solid import plate_mesh, write_glb, write_stl
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.media import digest, mesh_bytes
from elbowroom.shared.scene import Obstacle

SHARE = 1e-3  # volume within 0.1 % of area times thickness
POSITION_MM = 1e-3  # GLB holds 32-bit floats: 6e-5 mm at a metre, and a scale by 1000


def _box(name: str, part: Any = "body") -> tuple[Obstacle, dict[str, bytes]]:
    box = trimesh.creation.box(bounds=[[-10, -20, 200], [30, 55, 290]])
    data = mesh_bytes(np.asarray(box.vertices), np.asarray(box.faces))
    obstacle = Obstacle(
        name=name,
        kind="box",
        part=part,
        meshes=(digest(data),),
        convex=True,
        clearance_mm=6.5,
        covariance_mm2=((0, 0, 0), (0, 0, 0), (0, 0, 0)),
    )
    return obstacle, {digest(data): data}


@pytest.mark.parametrize(("chord", "share"), [(0.05, SHARE), (0.001, 1e-5)])
def test_plate_is_watertight_and_has_its_volume(chord: float, share: float) -> None:
    vertices, faces = plate_mesh(bracket(TILTED), chord)
    mesh = trimesh.Trimesh(vertices, faces)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(bracket_area()[1] * 9.525, rel=share)  # positive: faces look outward
    assert mesh.euler_number == 2 - 2 * 3  # three openings right through


def test_plate_lies_where_its_pose_says() -> None:
    plate = bracket(TILTED)
    vertices, _ = plate_mesh(plate)
    in_plate = TILTED.rigid().inverse().apply(vertices)
    assert in_plate.min(axis=0) == pytest.approx([0, 0, 0], abs=1e-9)
    assert in_plate.max(axis=0) == pytest.approx([160, 90, 9.525], abs=1e-9)


def test_glb_in_metres_y_up_with_names_and_extras(tmp_path: Path) -> None:
    box, media = _box("gear case")
    room, more = _box("nut 1", "tool room")
    write_glb(tmp_path / "s.glb", [bracket(TILTED), bracket(TILTED)], [box, room], {**media, **more})
    scene = trimesh.load(tmp_path / "s.glb", force="scene")
    assert set(scene.geometry) == {"ram mount", "ram mount (2)", "gear case", "nut 1 tool room"}
    low, high = _bounds(scene, "gear case")
    # world x y z mm to glTF x z -y m (glTF 2.0: metres, y up)
    assert low * 1000 == pytest.approx([-10, 200, -55], abs=POSITION_MM)
    assert high * 1000 == pytest.approx([30, 290, 20], abs=POSITION_MM)
    plate = scene.geometry["ram mount"].copy()
    plate.merge_vertices()
    assert plate.is_watertight
    assert plate.volume == pytest.approx(bracket_area()[1] * 9.525, rel=SHARE)
    tree = _tree(tmp_path / "s.glb")
    nodes = {n["name"]: n for n in tree["nodes"] if "name" in n}
    assert nodes["gear case"]["extras"]["clearance_mm"] == 6.5
    assert nodes["ram mount"]["extras"]["thickness_mm"] == 9.525
    modes = {m["name"]: m["alphaMode"] for m in tree["materials"]}
    assert modes["nut 1 tool room"] == "BLEND"
    assert modes["gear case"] == "OPAQUE"


def test_stl_in_mm_lying_flat(tmp_path: Path) -> None:
    write_stl(bracket(TILTED, name="solid кронштейн"), tmp_path / "p.stl")
    data = (tmp_path / "p.stl").read_bytes()
    assert (
        len(data) == 84 + 50 * struct.unpack("<I", data[80:84])[0]
    )  # binary STL: header, count, 50 a triangle
    assert not data.startswith(b"solid")  # how text STL begins
    assert b"unit mm" in data[:80]
    mesh = trimesh.load(tmp_path / "p.stl")
    assert mesh.is_watertight
    assert mesh.euler_number == 2 - 2 * 3
    assert mesh.volume == pytest.approx(bracket_area()[1] * 9.525, rel=SHARE)  # positive: faces look outward
    assert mesh.bounds == pytest.approx(np.array([[0, 0, 0], [160, 90, 9.525]]), abs=POSITION_MM)
    written = np.frombuffer(data[84:], dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    a, b, c = (written["v"][:, k].astype(float) for k in range(3))
    cross = np.cross(b - a, c - a)
    size = np.linalg.norm(cross, axis=1, keepdims=True)
    wide = size[:, 0] > 1e-6  # a sliver's direction is lost in 32 bits
    assert wide.mean() > 0.99
    assert written["n"][wide] == pytest.approx((cross / size)[wide], abs=1e-3)


def test_stl_of_bad_plates_is_refused(tmp_path: Path) -> None:
    outside = bracket().model_copy(update={"holes": (round_hole("C", (158, 45), 10.0),)})
    with pytest.raises(InputError, match=r"opening C.*inside the plate"):
        write_stl(outside, tmp_path / "p.stl")
    with pytest.raises(ExportError, match="could not be written"):
        write_stl(bracket(), tmp_path / "no" / "p.stl")
    assert list(tmp_path.iterdir()) == []


def test_bad_input_is_named(tmp_path: Path) -> None:
    box, _ = _box("gear case")
    with pytest.raises(InputError, match="nothing to write"):
        write_glb(tmp_path / "s.glb", [], [], {})
    with pytest.raises(InputError, match=r"gear case.*not in the scene"):
        write_glb(tmp_path / "s.glb", [], [box], {})


def _bounds(scene: Any, name: str) -> tuple[Any, Any]:
    matrix, geometry = scene.graph[name]
    points = trimesh.transform_points(scene.geometry[geometry].vertices, matrix)
    return points.min(axis=0), points.max(axis=0)


def _tree(path: Path) -> Any:
    """Return the JSON chunk of a GLB file (glTF 2.0, section 4.4)."""
    data = path.read_bytes()
    magic, version, _, length, kind = struct.unpack("<4sIII4s", data[:20])
    assert (magic, version, kind) == (b"glTF", 2, b"JSON")
    return json.loads(data[20 : 20 + length])
