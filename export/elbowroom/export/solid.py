"""Plates as watertight solids (STL), and the whole spot as one GLB file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from elbowroom.export.files import write_whole
from elbowroom.export.soundness import check_openings
from elbowroom.shared.arrays import Faces, Points3, check_positive
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.media import Media, read_mesh
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Obstacle, Plate

SOLID_CHORD_MM = 0.02
"""Greatest distance between an arc and the chords that stand for it in a solid: then an area is right to what moving its
outline by 0.01 mm would change, measured on 100 random plates."""

PLATE_COLOUR = (0.24, 0.47, 0.78, 1.0)
OBSTACLE_COLOURS = {
    "volume": (0.55, 0.55, 0.53, 1.0),
    "tube": (0.47, 0.53, 0.50, 1.0),
    "box": (0.58, 0.54, 0.49, 1.0),
    "bolt": (0.66, 0.60, 0.44, 1.0),
    "mesh": (0.50, 0.50, 0.55, 1.0),
    "scan": (0.52, 0.50, 0.50, 1.0),
}
TOOL_ROOM_COLOUR = (0.93, 0.60, 0.20, 0.30)
"""Linear red, green, blue and opacity, as glTF's base colour has them; tool room is translucent."""

METRES_Y_UP = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]]) * np.array(
    [[1e-3], [1e-3], [1e-3], [1.0]]
)
"""Root node: world millimetres with z up to metres with y up. Source: glTF 2.0, sections 3.4 and 3.5."""


def plate_mesh(plate: Plate, chord_mm: float = SOLID_CHORD_MM) -> tuple[Points3, Faces]:
    """Return a plate as a closed triangle mesh.

    Parameters
    ----------
    plate : Plate
        Its bends are not folded: the mesh is the flat plate.
    chord_mm : float
        Greatest distance between an arc and its chords, mm.

    Returns
    -------
    vertices_world : Points3
        (n, 3) mm, world.
    faces : Faces
        (m, 3) vertex indices, counter-clockwise from outside.

    Raises
    ------
    ExportError
        When the openings leave no plate.
    """
    vertices_plate, faces = plate_mesh_in_plate(plate, chord_mm)
    world_from_plate: Rigid[World, PlateFrame] = plate.world_from_plate.rigid()
    return world_from_plate.apply(vertices_plate), faces


def plate_mesh_in_plate(plate: Plate, chord_mm: float = SOLID_CHORD_MM) -> tuple[Points3, Faces]:
    """Return a plate as a closed triangle mesh in its own frame, mm; see `plate_mesh`."""
    from manifold3d import CrossSection, FillRule

    check_positive(chord_mm, where="chord_mm")
    rings = [Outline.of_loop(plate.outer).counter_clockwise().flatten(chord_mm)]
    rings += [Outline.of_loop(h.loop).counter_clockwise().reversed().flatten(chord_mm) for h in plate.holes]
    solid = CrossSection(rings, FillRule.Positive).extrude(plate.thickness_mm)
    if solid.is_empty():
        raise ExportError(
            "nothing is left of the plate", where=f"plate {plate.name}", todo="check its openings"
        )
    mesh = solid.to_mesh64()
    vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    return vertices, np.array(mesh.tri_verts, dtype=np.int64)


def obstacle_mesh(obstacle: Obstacle, media: Media) -> tuple[Points3, Faces]:
    """Return an obstacle's meshes as one list of triangles: vertices (n, 3) mm, world, and faces (m, 3).

    Raises
    ------
    InputError
        When a mesh it names is not in `media`.
    """
    parts = [read_mesh(mesh_bytes_of(obstacle, name, media)) for name in obstacle.meshes]
    starts = np.cumsum([0, *(len(v) for v, _ in parts)])
    if not parts:
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    return (
        np.vstack([v for v, _ in parts]),
        np.vstack([f + start for (_, f), start in zip(parts, starts, strict=False)]),
    )


def mesh_bytes_of(obstacle: Obstacle, name: str, media: Media) -> bytes:
    """Return the bytes of one of an obstacle's meshes.

    Raises
    ------
    InputError
        When the mesh is not in `media`.
    """
    if name not in media:
        raise InputError(
            "its mesh is not in the scene",
            where=f"obstacle {obstacle.name}",
            value=name[:12],
            todo="measure the obstacle again",
        )
    return media[name]


def write_glb(path: Path | str, plates: Sequence[Plate], obstacles: Sequence[Obstacle], media: Media) -> None:
    """Write plates and obstacles as one GLB file: a named, coloured node for each thing.

    Meshes hold world millimetres; the root node turns them into metres with y up, as glTF wants. Each node's
    extras say what it is, its unit and, of an obstacle, the clearance it asks. Tool room is translucent.

    Parameters
    ----------
    path : Path
        The file; replaced whole.
    plates, obstacles : sequences
        What to write; names are made unique with " (2)" and so on.
    media : Media
        The scene's bytes by digest, holding the obstacles' meshes.

    Raises
    ------
    InputError
        When there is nothing to write or a mesh is missing.
    ExportError
        When the file can't be written.
    """
    import trimesh

    if not plates and not obstacles:
        raise InputError("nothing to write", where=str(path), todo="give a plate or an obstacle")
    scene = trimesh.Scene(base_frame="scene")
    scene.graph.update(frame_to="world mm", frame_from="scene", matrix=METRES_Y_UP)
    used: set[str] = set()
    for plate in plates:
        extras = {
            "what": "plate",
            "unit": "mm",
            "material": plate.material,
            "thickness_mm": plate.thickness_mm,
        }
        mesh = _mesh(*plate_mesh(plate), PLATE_COLOUR, plate.name)
        _add(scene, mesh, _unique(plate.name, used), extras)
    for obstacle in obstacles:
        room = obstacle.part == "tool room"
        name = f"{obstacle.name} tool room" if room else obstacle.name
        extras = {
            "what": obstacle.part,
            "unit": "mm",
            "kind": obstacle.kind,
            "clearance_mm": obstacle.clearance_mm,
        }
        colour = TOOL_ROOM_COLOUR if room else OBSTACLE_COLOURS[obstacle.kind]
        _add(scene, _mesh(*obstacle_mesh(obstacle, media), colour, name), _unique(name, used), extras)
    write_whole(path, bytes(scene.export(file_type="glb")))


def write_stl(plate: Plate, path: Path | str, *, chord_mm: float = SOLID_CHORD_MM) -> None:
    """Write a plate as binary STL in millimetres, in its own frame: lying on z = 0, its bends not folded.

    STL has no unit of its own; the header says mm.

    Parameters
    ----------
    plate : Plate
        What to write.
    path : Path
        The file; replaced whole.
    chord_mm : float
        Greatest distance between an arc and its chords, mm.

    Raises
    ------
    InputError
        An outline that crosses itself, an opening outside its plate.
    ExportError
        When the file can't be written.

    Source: the binary STL layout as commonly described (80 bytes, a count, 50 bytes a triangle; from memory).
    """
    check_openings(plate)
    vertices, faces = plate_mesh_in_plate(plate, chord_mm)
    corners = vertices.astype("<f4")[faces]  # normals of what is written, not of what was meant
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).astype(np.float64)
    sizes = np.linalg.norm(normals, axis=1)
    rows = np.zeros(len(faces), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    rows["normal"] = normals / np.where(sizes > 0, sizes, 1.0)[:, None]
    rows["corners"] = corners
    # a binary file must not begin with "solid", which is how text ones begin
    words = f"Elbowroom plate {plate.name}, unit mm".encode("ascii", errors="replace")[:80]
    write_whole(path, words.ljust(80) + np.array(len(faces), dtype="<u4").tobytes() + rows.tobytes())


def _unique(name: str, used: set[str]) -> str:
    out, n = name, 1
    while out in used:
        n += 1
        out = f"{name} ({n})"
    used.add(out)
    return out


def _add(scene: Any, mesh: Any, name: str, extras: Mapping[str, object]) -> None:
    scene.add_geometry(
        mesh, node_name=name, geom_name=name, parent_node_name="world mm", metadata=dict(extras)
    )


def _mesh(vertices: Points3, faces: Faces, colour: tuple[float, ...], name: str) -> Any:
    """Return a trimesh with flat-shaded look and a plain material."""
    import trimesh
    from trimesh.visual.material import PBRMaterial

    see_through = colour[3] < 1
    material = PBRMaterial(
        name=name,
        baseColorFactor=[round(255 * c) for c in colour],
        metallicFactor=0.1,
        roughnessFactor=0.8,
        alphaMode="BLEND" if see_through else "OPAQUE",
        doubleSided=see_through,
    )
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    mesh.visual = trimesh.visual.TextureVisuals(material=material)
    return mesh
