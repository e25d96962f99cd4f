"""Mesh files written by trimesh's exporters, whole and broken."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from tests.recon.true_job import is_closed, volume_of

from elbowroom.recon.scans import meshfiles
from elbowroom.recon.scans.meshfiles import read_mesh_file
from elbowroom.shared.errors import InputError
from elbowroom.shared.media import mesh_bytes
from elbowroom.shared.scene import MeshTag

BODY = trimesh.creation.capsule(height=40, radius=10)


def tag(ending: str) -> MeshTag:
    return MeshTag(name="pump", file=f"pump.{ending}")


def exported(mesh: trimesh.Trimesh, ending: str) -> bytes:
    data = mesh.export(file_type="stl_ascii" if ending == "txt" else ending)
    return data.encode() if isinstance(data, str) else data


@pytest.mark.parametrize("ending", ["stl", "ply", "obj", "glb"])
def test_closed_meshes_come_in_whole(ending: str) -> None:
    (vertices, faces), findings = read_mesh_file(exported(BODY, ending), tag(ending))
    assert volume_of(vertices, faces) == pytest.approx(
        BODY.volume, rel=1e-5
    )  # STL and GLB hold single precision
    assert is_closed(faces)
    assert findings == ()


def test_ascii_stl_and_our_own_ply() -> None:
    for data in (exported(BODY, "txt"), mesh_bytes(BODY.vertices, BODY.faces)):
        (vertices, faces), _ = read_mesh_file(data, tag("stl"))
        assert volume_of(vertices, faces) == pytest.approx(BODY.volume, rel=1e-5)


def test_an_inside_out_mesh_is_turned_and_said_so() -> None:
    turned = trimesh.Trimesh(BODY.vertices, BODY.faces[:, ::-1], process=False)
    (vertices, faces), findings = read_mesh_file(exported(turned, "stl"), tag("stl"))
    assert volume_of(vertices, faces) == pytest.approx(BODY.volume, rel=1e-5)
    assert [f.code for f in findings] == ["tag-mesh-turned"]


def test_a_mesh_in_metres_is_suspected() -> None:
    small = BODY.copy().apply_scale(0.001)
    assert [f.code for f in read_mesh_file(exported(small, "stl"), tag("stl"))[1]] == ["tag-mesh-tiny"]


def _open() -> bytes:
    return exported(trimesh.Trimesh(BODY.vertices, BODY.faces[:-1], process=False), "stl")


def _endless() -> bytes:
    vertices = np.array(BODY.vertices)
    vertices[3] = np.nan
    return mesh_bytes(vertices, np.asarray(BODY.faces))


@pytest.mark.parametrize(
    ("data", "ending", "message"),
    [
        (_open(), "stl", "not closed; value 3 open"),
        (_endless(), "ply", "not closed|not finite|can't be read"),
        (b"", "stl", "can't be read|no triangles"),
        (b"not a mesh at all", "obj", "can't be read|no triangles"),
        (b"glTF" + bytes(40), "glb", "can't be read as GLB"),
        (exported(BODY, "stl")[:3000], "stl", "can't be read|no triangles"),
        (exported(BODY, "ply")[:2000], "ply", "can't be read|not closed|no triangles"),
        (exported(BODY.copy().apply_translation([1e7, 0, 0]), "ply"), "ply", "not in this world"),
        (exported(trimesh.PointCloud(BODY.vertices), "ply"), "ply", "can't be read|no triangles"),
    ],
    ids=["open", "nan", "empty", "text", "cut glb", "cut stl", "cut ply", "far", "points"],
)
def test_broken_files_are_refused(data: bytes, ending: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        read_mesh_file(data, tag(ending))


def test_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meshfiles, "MOST_TRIANGLES", 100)
    with pytest.raises(InputError, match="too many triangles"):
        read_mesh_file(exported(BODY, "stl"), tag("stl"))
    monkeypatch.setattr(meshfiles, "LARGEST_BYTES", 100)
    with pytest.raises(InputError, match="too large"):
        read_mesh_file(exported(BODY, "stl"), tag("stl"))
