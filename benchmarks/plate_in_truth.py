"""The demo's plate among the true meshes: is every clearance asked for kept where the steel really is?

Runs the demo job (photos to plate), lays the measured world on the true one by the target centres (rigid, least
squares), and measures the plate's solid against each true mesh over its true travel with python-fcl, which the
product does not use. Prints the least distance beside the clearance asked for; exit code 1 when one is not kept.

Usage: python benchmarks/plate_in_truth.py [JOB.elbow]
"""

from __future__ import annotations

import json
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import fcl
import numpy as np
import trimesh
from rigid_fit import rigid_fit

from elbowroom.app.cli import main as elbowroom
from elbowroom.export import plate_mesh
from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.frames import Rigid, World, rotation_from_vector
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile

DEMO = Path(__file__).resolve().parent.parent / "fixtures" / "demo"

CONTACTS = {"frame_rail", "tab", "tab_welds"}
"""What the plate is welded to and slides over: contact is asked for, so only crossing counts."""


@dataclass(frozen=True)
class TrueGap:
    """Least distance (mm) from the plate to one true mesh over its travel, and the clearance asked for."""

    name: str
    gap_mm: float
    clearance_mm: float


def run_demo(folder: Path) -> Path:
    """Run the demo job; returns its scene file."""
    if elbowroom(["demo", str(folder)]) != 0:
        raise SystemExit("the demo did not pass its own check")
    return folder / "ram_mount.elbow"


def truth_from_measured(scene: Scene, truth: dict[str, object]) -> Rigid[World, World]:
    """Return the rigid transform that lays measured target centres on the true ones."""
    true = {t["id"]: np.array(t["world_from_target"])[:3, 3] for t in truth["targets"]}  # type: ignore[attr-defined]
    measured = np.array([m.world_from_target.shift_mm for m in scene.measured])
    wanted = np.array([true[m.id] for m in scene.measured])
    return Rigid(*rigid_fit(measured, wanted))


def true_gaps(scene: Scene, steps: int = 49) -> list[TrueGap]:
    """Return the plate's least distance to every true mesh."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    move = truth_from_measured(scene, truth)
    vertices, faces = plate_mesh(scene.plates[0], chord_mm=0.001)
    steel = _body(move.apply(vertices), faces)
    asked = {o.name.replace(" ", "_"): o.clearance_mm for o in scene.obstacles if o.part == "body"}
    out = []
    for thing in truth["objects"]:
        mesh = trimesh.load(DEMO / thing["mesh"], process=False)
        body = _body(np.asarray(mesh.vertices), np.asarray(mesh.faces))
        turns = (
            _turns(truth["tie_rod"], steps)
            if thing["name"].startswith("tie_rod")
            else [(np.eye(3), np.zeros(3))]
        )
        gap = min(_distance(steel, body, rotation, shift) for rotation, shift in turns)
        clearance = 0.0 if thing["name"] in CONTACTS else asked.get(thing["name"], min(asked.values()))
        out.append(TrueGap(thing["name"], gap, clearance))
    return sorted(out, key=lambda g: g.gap_mm - g.clearance_mm)


def _turns(rod: dict[str, object], steps: int) -> list[tuple[Floats, Floats]]:
    point = np.array(rod["hinge_point"], dtype=float)
    axis = np.array(rod["hinge_direction"], dtype=float)
    out = []
    for angle in np.radians(np.linspace(float(rod["from_deg"]), float(rod["to_deg"]), steps)):  # type: ignore[arg-type]
        rotation = rotation_from_vector(axis / np.linalg.norm(axis) * angle)
        out.append((rotation, point - rotation @ point))
    return out


def _body(vertices: Points3, faces: Faces) -> fcl.BVHModel:
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(faces))
    model.addSubModel(np.asarray(vertices), np.asarray(faces))
    model.endModel()
    return model


def _distance(steel: fcl.BVHModel, body: fcl.BVHModel, rotation: Floats, shift: Floats) -> float:
    a = fcl.CollisionObject(steel, fcl.Transform())
    b = fcl.CollisionObject(body, fcl.Transform(rotation, shift))
    if fcl.collide(a, b, fcl.CollisionRequest(), fcl.CollisionResult()):
        return -1.0
    result = fcl.DistanceResult()
    fcl.distance(a, b, fcl.DistanceRequest(enable_nearest_points=True), result)
    return float(result.min_distance)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[1]) if len(sys.argv) > 1 else run_demo(Path(folder))
        with SceneFile.open(path) as file:
            gaps = true_gaps(file.scene())
    print(f"{'true thing':16s} {'gap mm':>8s} {'asked mm':>9s}")
    for g in gaps:
        print(
            f"{g.name:16s} {g.gap_mm:8.3f} {g.clearance_mm:9.2f}{'' if g.gap_mm >= g.clearance_mm else '  NOT KEPT'}"
        )
    return 0 if all(g.gap_mm >= g.clearance_mm or g.name in CONTACTS for g in gaps) else 1


if __name__ == "__main__":
    sys.exit(main())
