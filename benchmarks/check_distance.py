"""How far the check's gaps are from python-fcl's, and what they cost, on random plates and meshes of our own.

Run from the repository root: ``python benchmarks/check_distance.py``. Prints one JSON object.
"""

from __future__ import annotations

import json
import platform
import time

import fcl
import numpy as np
import trimesh
from shapely.geometry import Polygon

from elbowroom.fit.check_gap import least_gap
from elbowroom.fit.check_solid import plate_solid
from elbowroom.fit.check_tree import mesh_tree
from elbowroom.shared.arrays import Floats
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, PlateHole, Pose

CASES = 150
SIZES = {"1k": 3, "10k": 5, "100k": 6}  # subdivisions of an icosphere: 1280, 20480, 81920 triangles
LIMIT_MM = 1e-3
FCL_CHORD_MM = 5e-5


def random_plate(rng: np.random.Generator) -> Plate:
    while True:
        n = int(rng.integers(5, 10))
        turns = np.arange(n) * 2 * np.pi / n + rng.uniform(-0.2, 0.2, n)
        radii, bulges = rng.uniform(50, 110, n), np.where(rng.random(n) < 0.4, 0, rng.uniform(-0.3, 0.5, n))
        outer = Outline(np.column_stack([radii * np.cos(turns), radii * np.sin(turns)]), bulges)
        hole = Outline.circle((0, 0), rng.uniform(4, 12))
        if not outer.self_crossings() and outer.distance_to(hole) > 1:
            break
    opening = PlateHole(name="hole", kind="round", loop=hole.loop(), centre_mm=(0, 0))
    return Plate(
        name="plate",
        world_from_plate=Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 0)),
        thickness_mm=rng.uniform(4, 16),
        material="A36",
        outer=outer.loop(),
        holes=(opening,),
    )


def random_mesh(rng: np.random.Generator, kind: int) -> trimesh.Trimesh:
    if kind == 0:
        ball = trimesh.creation.icosphere(subdivisions=2, radius=rng.uniform(10, 60))
        ball.vertices *= rng.uniform(0.5, 1.5, 3)
        return ball
    if kind == 1:
        return trimesh.creation.box(rng.uniform(10, 150, 3))
    return trimesh.creation.cylinder(rng.uniform(5, 20), rng.uniform(20, 200), sections=48)


def fcl_model(mesh: trimesh.Trimesh) -> fcl.BVHModel:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.vertices), len(mesh.faces))
    model.addSubModel(mesh.vertices, mesh.faces)
    model.endModel()
    return model


def fcl_steel(plate: Plate) -> fcl.CollisionObject:
    rings = [Outline.of_loop(loop).flatten(FCL_CHORD_MM) for loop in (plate.outer, plate.holes[0].loop)]
    steel = trimesh.creation.extrude_polygon(Polygon(rings[0], [rings[1]]), plate.thickness_mm)
    return fcl.CollisionObject(fcl_model(steel), fcl.Transform())


def random_pose(rng: np.random.Generator, low: float, high: float) -> tuple[Floats, Floats]:
    away = rng.normal(size=3)
    return rotation_from_vector(rng.normal(size=3)), away / np.linalg.norm(away) * rng.uniform(low, high)


def agreement() -> dict[str, float]:
    worst, contacts, missed = 0.0, 0, 0
    for seed in range(CASES):
        rng = np.random.default_rng(seed)
        plate, mesh = random_plate(rng), random_mesh(rng, seed % 3)
        rotation, shift = random_pose(rng, 60, 220)
        found = least_gap(plate_solid(plate), mesh_tree([(mesh.vertices, mesh.faces)]), rotation, shift)
        one, other = fcl_steel(plate), fcl.CollisionObject(fcl_model(mesh), fcl.Transform(rotation, shift))
        if fcl.collide(one, other, fcl.CollisionRequest(), fcl.CollisionResult()):
            contacts, missed = contacts + 1, missed + (found.gap > 0)
        else:
            reference = fcl.distance(one, other, fcl.DistanceRequest(), fcl.DistanceResult())
            worst = max(worst, abs(found.gap - reference))
    return {
        "cases": CASES,
        "worst_mm": worst,
        "limit_mm": LIMIT_MM,
        "contacts": contacts,
        "contacts_missed": missed,
    }


def timing(subdivisions: int, poses: int = 12) -> dict[str, float]:
    rng = np.random.default_rng(7)
    plate, mesh = random_plate(rng), trimesh.creation.icosphere(subdivisions=subdivisions, radius=60)
    solid, steel, model = plate_solid(plate), fcl_steel(plate), fcl_model(mesh)
    start = time.perf_counter()
    tree = mesh_tree([(mesh.vertices, mesh.faces)])
    build, ours, theirs = time.perf_counter() - start, 0.0, 0.0
    for _ in range(poses):
        rotation, shift = random_pose(rng, 200, 260)
        start = time.perf_counter()
        least_gap(solid, tree, rotation, shift)
        ours += time.perf_counter() - start
        other = fcl.CollisionObject(model, fcl.Transform(rotation, shift))
        start = time.perf_counter()
        fcl.distance(steel, other, fcl.DistanceRequest(), fcl.DistanceResult())
        theirs += time.perf_counter() - start
    return {
        "triangles": len(mesh.faces),
        "build_ms": build * 1e3,
        "ours_ms": ours / poses * 1e3,
        "fcl_ms": theirs / poses * 1e3,
        "ratio": ours / theirs,
    }


def main() -> None:
    result = {
        "machine": f"{platform.machine()} {platform.system()} Python {platform.python_version()}",
        "agreement": agreement(),
        "times": {name: timing(subdivisions) for name, subdivisions in SIZES.items()},
    }
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
