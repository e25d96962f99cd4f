"""Keep-outs against distances measured by a collision library, on meshes made here.

Along each keep-out's edge the true distance from the slab's upright line to the mesh is asked of python-fcl (boxes of no
width against the mesh): where it is below the clearance the keep-out is too small; how far one must walk inward until it
is reached says how much it is too large.

    python benchmarks/keepout_section.py [points per case]
"""

from __future__ import annotations

import json
import platform
import sys
import time

import fcl
import numpy as np
import shapely
import trimesh

from elbowroom.fit import keepout_section

THICKNESS = 8.0
THIN = 1e-9


def cases() -> list[tuple[str, trimesh.Trimesh, float]]:
    """Return name, mesh in the plate frame, clearance: convex and not, tilted, grazing, inside out of the slab."""
    rng = np.random.default_rng(7)
    turn = trimesh.transformations.random_rotation_matrix(rng.random(3))
    tilted = trimesh.creation.box((60, 25, 40), transform=turn)
    bar = trimesh.creation.cylinder(12.5, segment=[(-200, -30, -20), (180, 60, 34)], sections=48)
    ring = trimesh.creation.torus(40, 9, major_sections=64, minor_sections=24)
    ring.apply_transform(turn)
    low = trimesh.creation.icosphere(3, 20)
    low.apply_translation((0, 0, -28))
    angle = trimesh.boolean.union([trimesh.creation.box((80, 10, 60)), trimesh.creation.box((10, 80, 60))])
    angle.apply_transform(trimesh.transformations.rotation_matrix(0.4, (1, 0.3, 0)))
    pipe = trimesh.creation.annulus(30, 36, 90, sections=64)
    rough = trimesh.creation.icosphere(4, 30)
    rough.vertices *= (1 + 0.08 * rng.standard_normal(len(rough.vertices)))[:, None]
    return [
        ("box on its corner", tilted, 10.0),
        ("box, no clearance", tilted, 0.0),
        ("long leaning bar", bar, 12.0),
        ("long leaning bar, wide", bar, 40.0),
        ("leaning ring", ring, 6.0),
        ("ball below, grazing", low, 10.0),
        ("angle section", angle, 8.0),
        ("upright pipe", pipe, 5.0),
        ("rough ball", rough, 6.0),
    ]


class Gauge:
    """Distances from upright lines to a mesh."""

    def __init__(self, mesh: trimesh.Trimesh) -> None:
        model = fcl.BVHModel()
        model.beginModel(len(mesh.vertices), len(mesh.faces))
        model.addSubModel(np.array(mesh.vertices), np.array(mesh.faces))
        model.endModel()
        self.mesh = fcl.CollisionObject(model)
        line = fcl.BVHModel()
        line.beginModel(3, 1)
        line.addSubModel(np.array([[0, 0, 0], [THIN, 0, 0], [0, 0, THICKNESS]]), np.array([[0, 1, 2]]))
        line.endModel()
        self.line = line

    def __call__(self, x: float, y: float) -> float:
        at = fcl.CollisionObject(self.line, fcl.Transform(np.eye(3), np.array([x, y, 0.0])))
        return float(fcl.distance(at, self.mesh, fcl.DistanceRequest(), fcl.DistanceResult()))


def errors(section: shapely.MultiPolygon, gauge: Gauge, clearance: float, points: int) -> tuple[float, float]:
    """Return how far the keep-out is too small (mm of clearance) and too large (mm in the plane), worst points."""
    under, over = 0.0, 0.0
    for ring in (r for p in section.geoms for r in (p.exterior, *p.interiors)):
        for at in np.linspace(0, ring.length, points, endpoint=False):
            p, q = np.array(ring.interpolate(at).coords[0]), np.array(ring.interpolate(at + 1e-4).coords[0])
            along = (q - p) / np.linalg.norm(q - p)
            left = np.array([-along[1], along[0]])
            inward = left if ring.is_ccw == (ring in {p.exterior for p in section.geoms}) else -left
            gap = gauge(*p)
            under = max(under, clearance - gap)
            if gap > clearance:
                over = max(over, _walk(p, inward, gauge, clearance))
    return under, over


def _walk(p: np.ndarray, inward: np.ndarray, gauge: Gauge, clearance: float) -> float:
    """Return how far inward the clearance is reached, mm, to 0.0005."""
    low, high = 0.0, 0.2
    if gauge(*(p + high * inward)) > clearance:
        return high
    while high - low > 5e-4:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if gauge(*(p + middle * inward)) > clearance else (low, middle)
    return high


def main(points: int) -> int:
    rows = {}
    for name, mesh, clearance in cases():
        start = time.process_time()
        vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
        section = keepout_section(vertices, faces, thickness_mm=THICKNESS, clearance_mm=clearance)
        seconds = time.process_time() - start
        under, over = errors(section, Gauge(mesh), clearance, points)
        rows[name] = {
            "triangles": len(faces), "cpu_s": round(seconds, 3), "too_small_mm": round(under, 6),
            "too_large_mm": round(over, 4),
        }  # fmt: skip
        print(f"{name:24} {rows[name]}", flush=True)
    small, large = (max(r[k] for r in rows.values()) for k in ("too_small_mm", "too_large_mm"))
    print(
        json.dumps({"machine": platform.platform(), "worst_too_small_mm": small, "worst_too_large_mm": large})
    )
    return int(small > 1e-5 or large > 0.05)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 300))
