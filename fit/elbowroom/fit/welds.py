"""Weld edges: straight edges on a measured face, the strips behind them, and what they may touch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import LineString

from elbowroom.fit.keepouts import Keepout
from elbowroom.fit.pads import Pad, Wall, weld_pad
from elbowroom.fit.plane import face_wall
from elbowroom.fit.sweep import Mesh
from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.scene import PlateIntent, Scene, WeldEdgeIntent

OFF_FACE_MM = 5.0
"""A weld edge typed further than this from its face is a slip of the hand, not a rounded number."""

LEAST_EDGE_MM = 5.0
"""A weld edge shorter than this is a slip of the hand, not a weld."""

TOUCH_MM = 0.5
"""An obstacle whose body comes this near the weld edge belongs to the face it is welded to."""

LEAN_MM = 0.3
"""A face that leans more than this over the thickness is worth telling: the gap is wedge-shaped."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Weld:
    """A weld edge on its wall: from `start` to `end` (2,) mm, plate xy, running so that the plate lies to the left."""

    name: str
    start: Floats
    end: Floats
    wall: Wall
    pad: Pad
    gap: float
    lean: float


def weld_of(
    intent: WeldEdgeIntent, scene: Scene, plate_from_world: Rigid[PlateFrame, World], plate: PlateIntent
) -> Weld:
    """Return a weld edge and the strip it needs.

    Raises
    ------
    InputError
        When the face isn't measured or is parallel to the plate, the edge is shorter than 5 mm or not on the face.
    """
    where = f"weld edge {intent.name}"
    face = scene.face(intent.face)
    wall = face_wall(face, plate_from_world, plate.thickness_mm, intent.gap_mm)
    ends = [
        np.array(p) + float((wall.point - np.array(p)) @ wall.normal) * wall.normal
        for p in (intent.from_mm, intent.to_mm)
    ]
    length = float(np.linalg.norm(ends[1] - ends[0]))
    if length < LEAST_EDGE_MM:
        raise InputError(
            "the weld edge has no length to speak of", where=where, value=f"{length:.2f} mm",
            limit=f"{LEAST_EDGE_MM:g} mm or more", todo="set from_mm and to_mm apart along the face",
        )  # fmt: skip
    off = max(
        abs(float((np.array(p) - wall.point) @ wall.normal) + intent.gap_mm)
        for p in (intent.from_mm, intent.to_mm)
    )
    if off > OFF_FACE_MM:
        raise InputError(
            "the weld edge does not lie on its face", where=where, value=f"{off:.1f} mm off {intent.face}",
            limit=f"{OFF_FACE_MM:g} mm", todo="give from_mm and to_mm in the plate's xy, on the face's trace",
        )  # fmt: skip
    along = np.array([wall.normal[1], -wall.normal[0]])
    start, end = sorted(ends, key=lambda p: float(p @ along))
    pad = weld_pad(
        intent.name, start, end, wall.normal,
        depth=intent.depth_mm, corner=plate.outside_radius_mm, web=plate.min_web_mm,
    )  # fmt: skip
    normal = plate_from_world.turn(np.array(face.normal))
    lean = abs(float(normal[2])) / float(np.hypot(normal[0], normal[1])) * plate.thickness_mm
    return Weld(name=intent.name, start=start, end=end, wall=wall, pad=pad, gap=intent.gap_mm, lean=lean)


def contact_limits(
    keepouts: Sequence[Keepout], welds: Sequence[Weld]
) -> tuple[list[Keepout], list[str], list[Finding]]:
    """Return keep-outs with bodies the welds touch cut off at the face, those bodies' names, and findings.

    A body belongs to the face when it reaches within 0.5 mm of the weld edge (plus what its volume was widened by).
    Only what stands further than that in front of the face still asks for its clearance.
    """
    out, touched = list(keepouts), []
    findings = [_lean_finding(w) for w in welds if w.lean > LEAN_MM]
    for weld in welds:
        edge = LineString([weld.start - weld.gap * weld.wall.normal, weld.end - weld.gap * weld.wall.normal])
        for i, keepout in enumerate(out):
            near = TOUCH_MM + keepout.obstacle.widened_mm
            if keepout.obstacle.part == "body" and _reaches(keepout, edge, near):
                out[i] = _in_front(keepout, weld, near)
                touched.append(keepout.obstacle.name)
                findings.append(_touch_finding(weld, keepout))
    return out, list(dict.fromkeys(touched)), findings


def _reaches(keepout: Keepout, edge: LineString, near: float) -> bool:
    """Say whether the body itself comes within `near` of the weld edge; boxes first, they are quick."""
    if not keepout.reach.intersects(edge):
        return False
    body = keepout.section(keepout.clearance)
    return not body.is_empty and bool(body.distance(edge) <= near)


def _in_front(keepout: Keepout, weld: Weld, near: float) -> Keepout:
    """Return the keep-out of what stands more than `near` in front of the face; all of it where it can't be cut."""
    normal = np.append(weld.wall.normal, 0.0)
    offset = float(weld.wall.normal @ weld.wall.point) - weld.gap + near

    def make() -> list[Mesh]:
        meshes = [_trimmed(v, f, normal, offset) for v, f in keepout.meshes_plate]
        return [m for m in meshes if len(m[1])]

    return replace(keepout, make=make, known={})


def _trimmed(vertices: Points3, faces: Faces, normal: Floats, offset: float) -> Mesh:
    from manifold3d import Error, Manifold, Mesh64

    solid = Manifold(Mesh64(np.array(vertices), np.array(faces, dtype=np.uint64)))
    if solid.status() != Error.NoError:
        return vertices, faces
    mesh = solid.trim_by_plane(tuple(normal), offset).to_mesh64()
    return np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)


def _touch_finding(weld: Weld, keepout: Keepout) -> Finding:
    return Finding(
        code="weld-contact",
        severity="note",
        subject=weld.name,
        message=f"{keepout.name} belongs to the face {weld.wall.name}: the plate may touch it there, "
        f"and only what stands out in front of the face keeps its clearance of {keepout.clearance:.1f} mm",
        numbers={"clearance_mm": keepout.clearance},
    )


def _lean_finding(weld: Weld) -> Finding:
    return Finding(
        code="weld-lean",
        severity="warning",
        subject=weld.name,
        message=f"the face {weld.wall.name} leans: the edge is square to the plate, so the gap opens to {weld.lean:.1f} mm "
        "over the thickness; bevel the edge or fill the root",
        numbers={"lean_mm": weld.lean},
    )
