"""Scan files written by trimesh's exporters and by hand, whole and broken."""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np
import pytest
import trimesh
from PIL import Image
from tests.recon.scans import file_of, surface

from elbowroom.recon.scans import file as scanfile
from elbowroom.recon.scans.file import read_scan_file
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import ScanTag

POINTS, FACES = surface(12)


def tag(file: str = "axle.ply", unit: str = "mm") -> ScanTag:
    pair = {"scan": (0, 0, 0), "world": {"world_mm": (0, 0, 0)}}
    return ScanTag.model_validate({"name": "axle", "file": file, "unit": unit, "pairs": [pair] * 3})


def area_of(vertices: Any, faces: Any) -> float:
    return float(trimesh.Trimesh(vertices, faces, process=False).area)


@pytest.mark.parametrize("ending", ["ply", "obj", "stl", "glb"])
def test_open_triangles_come_in_whole(ending: str) -> None:
    vertices, faces = read_scan_file(file_of(POINTS, FACES, ending), tag(f"axle.{ending}"))
    assert (len(vertices), len(faces)) == (len(POINTS), len(FACES))  # STL's repeated corners are joined again
    assert area_of(vertices, faces) == pytest.approx(
        area_of(POINTS, FACES), rel=1e-5
    )  # some are single precision
    assert vertices.min(axis=0) == pytest.approx(POINTS.min(axis=0), abs=1e-4)


@pytest.mark.parametrize("ending", ["ply", "glb", "obj"])
def test_points_come_in(ending: str) -> None:
    data = (
        file_of(POINTS, None, ending)
        if ending != "obj"
        else b"".join(b"v %f %f %f\n" % tuple(p) for p in POINTS)
    )
    vertices, faces = read_scan_file(data, tag(f"axle.{ending}"))
    assert (len(vertices), len(faces)) == (len(POINTS), 0)
    assert np.sort(vertices, axis=0) == pytest.approx(np.sort(POINTS, axis=0), abs=1e-4)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("inch", 25.4)])
def test_units_become_millimetres(unit: str, mm: float) -> None:
    vertices, _ = read_scan_file(file_of(POINTS / mm, FACES), tag(unit=unit))
    assert np.ptp(vertices, axis=0) == pytest.approx(np.ptp(POINTS, axis=0), rel=1e-5)


def test_parts_of_a_glb_are_placed() -> None:
    scene = trimesh.Scene()
    for x in (0, 50):
        move = trimesh.transformations.translation_matrix([x, 0, 0])
        scene.add_geometry(trimesh.creation.box((10, 10, 10)), transform=move)
    vertices, faces = read_scan_file(scene.export(file_type="glb"), tag("axle.glb"))
    assert len(faces) == 24
    assert np.ptp(vertices, axis=0) == pytest.approx([60, 10, 10])


def glb(tree: dict[str, Any]) -> bytes:
    """Return a GLB of a JSON chunk alone. Source: glTF 2.0, section 4.4 (binary layout)."""
    text = json.dumps(tree).encode()
    text += b" " * (-len(text) % 4)
    return struct.pack("<4sIIII", b"glTF", 2, 20 + len(text), len(text), 0x4E4F534A) + text


def bomb(count: int, nodes: int) -> bytes:
    return glb(
        {
            "asset": {"version": "2.0"},
            "scenes": [{"nodes": list(range(nodes))}],
            "nodes": [{"mesh": 0}] * nodes,
            "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
            "accessors": [{"componentType": 5126, "count": count, "type": "VEC3"}],
        }
    )


def ply(head: str, body: bytes = b"") -> bytes:
    xyz = "property float x\nproperty float y\nproperty float z\n"
    return f"ply\nformat binary_little_endian 1.0\n{head.replace('XYZ', xyz)}end_header\n".encode() + body


def with_nan() -> bytes:
    points = POINTS.copy()
    points[5] = np.nan
    return file_of(points, FACES)


BROKEN = [
    (b"", "a.ply", "empty"),
    (b"LASF" + bytes(300), "a.las", "not a format that is read here; value a.las; limit PLY, OBJ, STL, GLB"),
    (with_nan(), "a.ply", "not finite numbers; value 1 of 144 points, first is number 5"),
    (file_of(POINTS, FACES)[:900], "a.ply", "can't be read as PLY"),
    (ply("element vertex 900000000000\nXYZ"), "a.ply", "cut short"),
    (ply("element vertex 0\nXYZ"), "a.ply", "can't be read|neither triangles nor points"),
    (ply("element vertex 1\nXYZ", bytes(12)), "a.ply", "size that can't be right"),
    (b"ply\nformat", "a.ply", "can't be read"),
    (b"v 1 2\nf 1 2 9\n", "a.obj", "can't be read|neither|isn't there"),
    (b"solid nothing\nendsolid nothing\n", "a.stl", "can't be read|neither"),
    (b"glTF" + bytes(40), "a.glb", "can't be read as GLB"),
    (glb({"asset": {"version": "2.0"}}), "a.glb", "can't be read|neither"),
    (bomb(2_000_000_000, 1), "a.glb", "unfolds into too much"),
    (bomb(1_000_000, 9_000), "a.glb", "unfolds into too much"),
    (bomb(3, 20_000), "a.glb", "unfolds into too much"),
    (file_of(POINTS / 1000, FACES), "a.ply", "size that can't be right when the file is in mm.*0.4 mm across"),
    (file_of(POINTS + np.array([5e6, 0, 0]), FACES), "a.ply", "size that can't be right"),
]  # fmt: skip


@pytest.mark.parametrize(("data", "file", "message"), BROKEN)
def test_broken_files_are_refused(data: bytes, file: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_scan_file(data, tag(file))


def test_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scanfile, "MOST", 100)
    with pytest.raises(InputError, match="too many triangles or points"):
        read_scan_file(file_of(POINTS, FACES), tag())
    monkeypatch.setattr(scanfile, "LARGEST_BYTES", 100)
    with pytest.raises(InputError, match="too large"):
        read_scan_file(file_of(POINTS, FACES), tag())


def test_a_textures_pixels_are_never_unfolded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A picture of few bytes can hold billions of pixels: reading a scan must not open it."""
    image = Image.new("RGB", (4, 4))
    material = trimesh.visual.material.PBRMaterial(baseColorTexture=image)
    look = trimesh.visual.TextureVisuals(uv=np.zeros((len(POINTS), 2)), material=material)
    data = trimesh.Trimesh(POINTS, FACES, visual=look, process=False).export(file_type="glb")

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a texture was opened")

    monkeypatch.setattr(Image, "open", refuse)
    assert len(read_scan_file(data, tag("axle.glb"))[1]) == len(FACES)
