"""Meshes and arrays as bytes, and the bag of bytes a scene refers to by digest.

Rooms that make media (recon makes meshes) return it beside the scene; the store writes both in one transaction.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from typing import TypeAlias

import numpy as np

from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.errors import InputError

Media: TypeAlias = Mapping[str, bytes]
"""SHA-256 hex digest to bytes."""


def digest(data: bytes) -> str:
    """Return the SHA-256 hex digest that names `data` in a scene."""
    return hashlib.sha256(data).hexdigest()


def mesh_bytes(vertices_world: Points3, faces: Faces) -> bytes:
    """Return a mesh as binary little-endian PLY with double coordinates.

    Parameters
    ----------
    vertices_world : Points3
        (n, 3) mm, world.
    faces : Faces
        (m, 3) vertex indices, counter-clockwise from outside.
    """
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(vertices_world)}\nproperty double x\nproperty double y\nproperty double z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("n", "u1"), ("v", "<i4", (3,))])
    rows["n"], rows["v"] = 3, faces
    return head.encode() + np.ascontiguousarray(vertices_world, dtype="<f8").tobytes() + rows.tobytes()


def read_mesh(data: bytes) -> tuple[Points3, Faces]:
    """Return vertices (n, 3) mm and faces (m, 3) of a PLY written by `mesh_bytes`.

    Raises
    ------
    InputError
        When the bytes are not such a file or are cut short.
    """
    end = data.find(b"end_header\n")
    if end < 0 or not data.startswith(b"ply\nformat binary_little_endian 1.0\n"):
        raise InputError("not a mesh this scene wrote", where="scene media")
    counts = [int(line.split()[2]) for line in data[:end].decode().splitlines() if line.startswith("element")]
    body, n, m = data[end + 11 :], counts[0], counts[1]
    if len(body) != n * 24 + m * 13:
        raise InputError("the mesh is cut short", where="scene media", value=len(body), limit=n * 24 + m * 13)
    vertices = np.frombuffer(body, dtype="<f8", count=n * 3).reshape(n, 3).astype(np.float64)
    rows = np.frombuffer(body, dtype=[("n", "u1"), ("v", "<i4", (3,))], count=m, offset=n * 24)
    faces = rows["v"].astype(np.int64)
    if m and (faces.min() < 0 or faces.max() >= n):
        raise InputError("a face names a vertex that isn't there", where="scene media")
    return vertices, faces


def arrays_bytes(arrays: Mapping[str, Floats]) -> bytes:
    """Return named arrays as an npz file's bytes."""
    out = io.BytesIO()
    np.savez_compressed(out, **{k: np.asarray(v) for k, v in arrays.items()})  # type: ignore[arg-type]
    return out.getvalue()


def read_arrays(data: bytes) -> dict[str, Floats]:
    """Return the named arrays of `arrays_bytes`; pickled objects are refused."""
    with np.load(io.BytesIO(data), allow_pickle=False) as z:
        return {k: np.asarray(z[k], dtype=np.float64) for k in z.files}
