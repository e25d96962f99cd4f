"""Scans from elsewhere: PLY, OBJ, STL and GLB bytes read within limits, as triangles (open or closed) or as points."""

from __future__ import annotations

import io
import json
import re
import struct
from typing import TYPE_CHECKING, Any

import numpy as np

from elbowroom.recon.scans.meshfiles import FARTHEST_MM, LARGEST_BYTES, READABLE, TINY_MM
from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.arrays import Faces, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import ScanTag

if TYPE_CHECKING:
    import trimesh

UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Millimetres in each unit a scan may be written in. The inch is exact. Source: international yard and pound, 1959."""

MOST = 8_000_000
"""Most triangles, or points: thinning this many takes some 3 GB."""

MOST_NODES = 10_000
"""Most nodes of a GLB: each places a whole mesh, so a few bytes could stand for millions of triangles."""

HUGE_MM = 100_000.0
"""A scan larger than 100 m is not of a spot for a bracket: its unit is wrong, or it has strays far off."""


def read_scan_file(data: bytes, tag: ScanTag) -> MeshArrays:
    """Return a scan's vertices (n, 3) in mm (the file's numbers times its unit) and triangles (m, 3).

    Without triangles (m = 0) it is a scan of points. Equal vertices are joined; nothing else is changed.

    Raises
    ------
    InputError
        Too large, of no format read here, broken, empty, a coordinate not finite, a size that can't be right.
    """
    if len(data) > LARGEST_BYTES:
        raise InputError(
            "the scan file is too large",
            value=len(data),
            limit=f"{LARGEST_BYTES} bytes",
            todo="cut it to what lies near the spot, or write it as binary PLY",
        )
    vertices, faces = _joined(_geometries(data, _kind(data, tag.file)))
    _check_numbers(vertices, faces)
    vertices = vertices * UNIT_MM[tag.unit]
    _check_size(vertices, tag.unit)
    return _welded(vertices, faces)


def _kind(data: bytes, file: str | None) -> str:
    """Return the reader's name for the format: by its mark, else by the file's ending."""
    if data.startswith(b"glTF"):
        _check_glb(data)
        return "glb"
    if data.startswith(b"ply"):
        _check_ply(data)
        return "ply"
    ending = (file or "").rsplit(".", 1)[-1].lower()
    if ending in ("stl", "obj") and data:
        return ending
    raise InputError(
        "the scan file is empty" if not data else "not a format that is read here",
        value=file,
        limit="PLY, OBJ, STL, GLB",
        todo="export it again as binary PLY",
    )


def _check_ply(data: bytes) -> None:
    """Refuse counts that the file has no room for before anything is set aside for them."""
    counts = [int(c) for c in re.findall(rb"^element\s+\S+\s+(\d+)", data[:20_000], re.MULTILINE)]
    if any(c > len(data) for c in counts):
        raise InputError("the PLY file is cut short", value=f"{max(counts)} rows in {len(data)} bytes")


def _check_glb(data: bytes) -> None:
    """Refuse a GLB whose few bytes would unfold into more than can be held."""
    try:
        length = struct.unpack_from("<I", data, 12)[0]
        tree: dict[str, Any] = json.loads(data[20 : 20 + length])
        counts = [int(a["count"]) for a in tree.get("accessors", [])]
        nodes = tree.get("nodes", [])
        placed = sum(_triangles(tree, n["mesh"]) for n in nodes if "mesh" in n)
    except READABLE as e:
        raise InputError("can't be read as GLB", todo="export it again as binary PLY") from e
    if len(nodes) > MOST_NODES or max([placed, *counts], default=0) > 3 * MOST:
        raise InputError(
            "the GLB file unfolds into too much",
            value=f"{len(nodes)} nodes, {max([placed, *counts], default=0)} corners",
            limit=f"{MOST_NODES} nodes, {3 * MOST} corners",
        )


def _triangles(tree: dict[str, Any], mesh: int) -> int:
    parts = tree["meshes"][mesh]["primitives"]
    used = (p.get("indices", p.get("attributes", {}).get("POSITION")) for p in parts)
    return sum(int(tree["accessors"][i]["count"]) for i in used if i is not None)


def _geometries(data: bytes, kind: str) -> list[trimesh.Trimesh | trimesh.PointCloud]:
    """Return what the file holds, each part where its place in the file's tree puts it; textures stay unread."""
    import trimesh

    try:
        scene = trimesh.load_scene(io.BytesIO(data), file_type=kind, process=False, skip_materials=True)
        found = scene.dump()
    except (*READABLE, UnicodeDecodeError, MemoryError) as e:
        raise InputError(f"can't be read as {kind.upper()}: {e}", todo="export it again as binary PLY") from e
    return [g for g in found if isinstance(g, trimesh.Trimesh | trimesh.PointCloud)]


def _joined(parts: list[trimesh.Trimesh | trimesh.PointCloud]) -> tuple[Points3, Faces]:
    vertices = [np.asarray(p.vertices, dtype=np.float64).reshape(-1, 3) for p in parts]
    firsts = np.cumsum([0, *(len(v) for v in vertices)])
    faces = [
        np.asarray(getattr(p, "faces", ()), dtype=np.int64).reshape(-1, 3) + first
        for p, first in zip(parts, firsts, strict=False)
    ]
    if not len(vertices) or not firsts[-1]:
        raise InputError("the scan holds neither triangles nor points", todo="export a mesh or points")
    return np.concatenate(vertices), np.concatenate(faces)


def _check_numbers(vertices: Points3, faces: Faces) -> None:
    if max(len(faces), len(vertices) // 3) > MOST:
        raise InputError(
            "too many triangles or points",
            value=max(len(faces), len(vertices)),
            limit=MOST,
            todo="cut it to what lies near the spot",
        )
    bad = ~np.isfinite(vertices).all(axis=1)
    if bad.any():
        raise InputError(
            "coordinates that are not finite numbers",
            value=f"{int(bad.sum())} of {len(vertices)} points, first is number {int(bad.argmax())}",
            todo="export it without invalid points",
        )
    if len(faces) and (faces.min() < 0 or faces.max() >= len(vertices)):
        raise InputError("a triangle names a vertex that isn't there", limit=len(vertices) - 1)


def _check_size(vertices: Points3, unit: str) -> None:
    size = float(np.ptp(vertices, axis=0).max())
    if TINY_MM <= size <= HUGE_MM and np.abs(vertices).max() <= FARTHEST_MM:
        return
    raise InputError(
        f"a size that can't be right when the file is in {unit}",
        value=f"{size:.3g} mm across",
        limit=f"{TINY_MM:g} to {HUGE_MM:g} mm, no further than {FARTHEST_MM:g} mm from its origin",
        todo="say the file's true unit, or cut off strays",
    )


def _welded(vertices: Points3, faces: Faces) -> MeshArrays:
    """Join vertices of equal coordinates and drop those of no triangle (unless there are none): STL repeats each."""
    if len(faces):
        used = np.zeros(len(vertices), dtype=bool)
        used[faces] = True
        faces = (np.cumsum(used) - 1)[faces]
        vertices = vertices[used]
    order = np.lexsort(vertices.T)
    new = np.r_[True, (np.diff(vertices[order], axis=0) != 0).any(axis=1)]
    of = np.empty(len(vertices), dtype=np.int64)
    of[order] = np.cumsum(new) - 1
    faces = of[faces]
    whole = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return vertices[order][new], faces[whole]
