"""Meshes from elsewhere: STL, PLY, OBJ and GLB bytes read within limits, checked closed and right side out."""

from __future__ import annotations

import io
import struct
from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import MeshTag

if TYPE_CHECKING:
    import trimesh

LARGEST_BYTES = 200_000_000
"""Largest mesh file read: two million triangles of ASCII STL."""

MOST_TRIANGLES = 1_000_000
"""Most triangles: the fit cuts every one of them, about 5 s for 100 000."""

FARTHEST_MM = 1e6
"""A vertex further than a kilometre from the origin is not in this job's world."""

TINY_MM = 3.0
"""A thing smaller than this all round was most likely written in metres."""

READABLE = (
    ValueError,
    KeyError,
    IndexError,
    TypeError,
    AttributeError,
    NotImplementedError,
    struct.error,
    EOFError,
)
"""What the mesh reader raises on broken files; anything else is our own fault and must show."""


def read_mesh_file(data: bytes, tag: MeshTag) -> tuple[MeshArrays, tuple[Finding, ...]]:
    """Return the closed mesh in a file's bytes, in world mm as its numbers say, and what was done to it.

    Raises
    ------
    InputError
        Too large, unreadable, no triangles, a coordinate not finite or far away, open edges.
    """
    where = f"mesh {tag.name}"
    if len(data) > LARGEST_BYTES:
        raise InputError(
            "the mesh file is too large", where=where, value=len(data), limit=f"{LARGEST_BYTES} bytes"
        )
    mesh = _load(data, _kind(data, tag.file), where)
    _check_numbers(mesh, where)
    findings = (*_check_closed(mesh, where), *_check_size(mesh, where))
    return (np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int64)), findings


def _kind(data: bytes, file: str | None) -> str:
    """Return the reader's name for the format: by its mark, else by the file's ending, else STL."""
    if data.startswith(b"glTF"):
        return "glb"
    if data.startswith(b"ply"):
        return "ply"
    ending = (file or "").rsplit(".", 1)[-1].lower()
    return ending if ending in ("stl", "obj") else "stl"


def _load(data: bytes, kind: str, where: str) -> trimesh.Trimesh:
    import trimesh

    try:
        mesh = trimesh.load_mesh(io.BytesIO(data), file_type=kind, process=True, skip_materials=True)
        if isinstance(mesh, trimesh.Scene):
            mesh = mesh.to_mesh()
    except READABLE as e:
        raise InputError(
            f"can't be read as {kind.upper()}: {e}", where=where, todo="export it again as binary STL"
        ) from e
    if not isinstance(mesh, trimesh.Trimesh) or len(mesh.faces) == 0:
        raise InputError("holds no triangles", where=where, todo="export a mesh, not points or curves")
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    return mesh


def _check_numbers(mesh: trimesh.Trimesh, where: str) -> None:
    if len(mesh.faces) > MOST_TRIANGLES:
        raise InputError(
            "too many triangles",
            where=where,
            value=len(mesh.faces),
            limit=MOST_TRIANGLES,
            todo="thin it out first",
        )
    vertices = np.asarray(mesh.vertices)
    if not np.isfinite(vertices).all() or np.abs(vertices).max() > FARTHEST_MM:
        raise InputError(
            "a vertex is not finite or not in this world", where=where, limit=f"{FARTHEST_MM:.0f} mm"
        )


def _check_closed(mesh: trimesh.Trimesh, where: str) -> tuple[Finding, ...]:
    """Refuse open meshes; turn inside-out ones and say so."""
    import trimesh

    if not mesh.is_watertight:
        edges = np.unique(np.sort(mesh.edges, axis=1), axis=0, return_counts=True)[1]
        raise InputError(
            "the mesh is not closed",
            where=where,
            value=f"{int((edges != 2).sum())} open or doubled edges",
            todo="close its holes",
        )
    if mesh.is_winding_consistent and mesh.volume > 0:
        return ()
    trimesh.repair.fix_normals(mesh, multibody=True)
    if not mesh.volume > 0:
        raise InputError("the mesh holds no volume", where=where, value=f"{mesh.volume:.3g} mm3")
    message = f"{where}: some of its triangles were inside out; they were turned to face outward"
    return (Finding(code="tag-mesh-turned", severity="note", subject=where, message=message),)


def _check_size(mesh: trimesh.Trimesh, where: str) -> tuple[Finding, ...]:
    size = float(np.ptp(mesh.vertices, axis=0).max())
    if size >= TINY_MM:
        return ()
    message = (
        f"{where}: only {size:.3g} mm large; coordinates are taken as millimetres: was it written in metres?"
    )
    return (
        Finding(
            code="tag-mesh-tiny",
            severity="warning",
            subject=where,
            message=message,
            numbers={"size_mm": size},
        ),
    )
