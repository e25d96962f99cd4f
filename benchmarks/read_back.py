"""Random plates written as DXF, STEP, 3MF, STL and GLB, read back by readers that did not write them, and measured.

Each plate is a rectangle with four rounded corners of their own radii, a round hollow in its upper edge and round holes
about a grid, so that area, length and places are closed forms. DXF is read by GDAL, STEP by Open CASCADE's
reader, 3MF by lib3mf, STL and GLB by trimesh.

    python benchmarks/read_back.py [plates] [first seed]
"""

from __future__ import annotations

import json
import math
import platform
import sys
import tempfile
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
import trimesh

from elbowroom.export import write_dxf, write_glb, write_stl
from elbowroom.export.solid import SOLID_CHORD_MM
from elbowroom.export.step import write_step
from elbowroom.export.threemf import write_3mf
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Loop, Plate, PlateHole, Pose, Vec2

ARC_STEP_DEG = 0.1
"""GDAL's chords: they take 5e-7 off a circle's area."""

CHORD_MM = 0.001
"""Chords of the meshes here, so that what is measured is the file and not the facets."""


@dataclass(frozen=True)
class Known:
    """A plate and what is known of it in closed form: mm and mm²."""

    plate: Plate
    outer_area: float
    outer_length: float
    net_area: float
    holes: dict[Vec2, float]


def random_plate(seed: int) -> Known:
    """Return a random plate."""
    dice = np.random.default_rng(seed)
    w, h = float(dice.uniform(120, 400)), float(dice.uniform(90, 250))
    r = dice.uniform(2, 25, 4)
    n = float(dice.uniform(5, min(w / 2 - 30, h / 3)))
    quarter = math.tan(math.pi / 8)
    loop = Loop(
        vertices_mm=(
            (r[0], 0), (w - r[1], 0), (w, r[1]), (w, h - r[2]), (w - r[2], h),
            (w / 2 + n, h), (w / 2 - n, h), (r[3], h), (0, h - r[3]), (0, r[0]),
        ),
        bulges=(0, quarter, 0, quarter, 0, -1, 0, quarter, 0, quarter),
    )  # fmt: skip
    area = w * h - (1 - math.pi / 4) * float(np.sum(r**2)) - math.pi * n**2 / 2
    length = 2 * (w + h) - (2 - math.pi / 2) * float(np.sum(r)) - 2 * n + math.pi * n
    holes: list[PlateHole] = []
    found: dict[Vec2, float] = {}
    opened = 0.0
    for x in np.arange(30, w - 30, 30.0):
        if dice.random() < 0.5:
            at, d = (
                (float(x + dice.uniform(-4, 4)), float(dice.uniform(18, h / 3))),
                float(dice.uniform(4, 20)),
            )
            circle = Outline.circle(at, d / 2).loop()
            holes.append(
                PlateHole(name=f"h{len(holes)}", kind="round", loop=circle, centre_mm=at, diameter_mm=d)
            )
            found[at] = d
            opened += math.pi * d**2 / 4
    place = Pose(
        rotation_rad=tuple(dice.uniform(-1.5, 1.5, 3).tolist()),
        shift_mm=tuple(dice.uniform(-500, 500, 3).tolist()),
    )
    plate = Plate(
        name=f"plate {seed}",
        world_from_plate=place,
        thickness_mm=float(dice.uniform(3, 20)),
        material="A36",
        outer=loop,
        holes=tuple(holes),
    )
    return Known(plate, area, length, area - opened, found)


def _dxf(known: Known, path: Path, unit: Any, version: str) -> dict[str, float]:
    """Return the worst misses of a DXF as GDAL reads it, mm and mm²."""
    write_dxf([known.plate], path, unit=unit, version=version, geometry_only=True)
    options = {"OGR_ARC_STEPSIZE": str(ARC_STEP_DEG), "DXF_CLOSED_LINE_AS_POLYGON": "NO"}
    pyogrio.set_gdal_config_options(options)
    _, _, geometry, fields = pyogrio.raw.read(path, columns=["Layer"])
    scale = 1.0 if unit == "mm" else 25.4
    rings = [
        shapely.Polygon(shapely.get_coordinates(g) * scale)
        for layer, g in zip(fields[0], shapely.from_wkb(geometry), strict=True)
        if layer == "CUT"
    ]
    rings.sort(key=lambda p: -p.area)
    places = [min(math.dist(p.centroid.coords[0], c) for p in rings[1:]) for c in known.holes]
    return {
        "outline length": abs(rings[0].length - known.outer_length),
        # an area's miss as the distance the whole outline would have to move for it
        "outline area over length": abs(rings[0].area - known.outer_area) / known.outer_length,
        "hole places": max(places, default=0.0),
        "openings": float(abs(len(rings) - 1 - len(known.plate.holes))),
    }


def _step(known: Known, path: Path) -> dict[str, float]:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps
    from OCP.STEPControl import STEPControl_Reader

    write_step([known.plate], path, in_world=True)
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(reader.OneShape(), found)
    return {"area over length": _volume_miss(known, float(found.Mass()))}


def _volume_miss(known: Known, volume: float) -> float:
    """Return a volume's miss as the distance the outline would have to move for it, mm."""
    return abs(volume / known.plate.thickness_mm - known.net_area) / known.outer_length


def _meshes(known: Known, folder: Path) -> dict[str, dict[str, float]]:
    import lib3mf

    write_stl(known.plate, folder / "p.stl", chord_mm=CHORD_MM)
    write_3mf([known.plate], folder / "p.3mf", chord_mm=CHORD_MM)
    write_glb(folder / "p.glb", [known.plate], [], {})
    model = lib3mf.get_wrapper().CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(folder / "p.3mf"))
    objects = model.GetMeshObjects()
    objects.MoveNext()
    thing = objects.GetCurrentMeshObject()
    points = [tuple(v.Coordinates) for v in thing.GetVertices()]
    faces = [tuple(t.Indices) for t in thing.GetTriangleIndices()]
    solids = {
        "STL": trimesh.load(folder / "p.stl"),
        "3MF": trimesh.Trimesh(points, faces),
        f"GLB (chords {SOLID_CHORD_MM:g})": trimesh.load(folder / "p.glb", force="mesh"),
    }
    out = {}
    for name, solid in solids.items():
        solid.merge_vertices()
        volume = solid.volume * (1e9 if name.startswith("GLB") else 1.0)
        out[name] = {
            "area over length": _volume_miss(known, volume),
            "not closed": float(not solid.is_watertight),
        }
    return out


def main(count: int, first: int) -> int:
    worst: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seed in range(first, first + count):
            known = random_plate(seed)
            rows = {
                f"DXF {version} {unit}": _dxf(known, folder / "p.dxf", unit, version)
                for version in ("R12", "R2010")
                for unit in ("mm", "in")
            }
            rows |= {"STEP": _step(known, folder / "p.step"), **_meshes(known, folder)}
            for kind, misses in rows.items():
                for what, miss in misses.items():
                    worst[kind][what] = max(worst[kind][what], miss)
    shown = {k: {w: float(f"{m:.3g}") for w, m in v.items()} for k, v in worst.items()}
    print(json.dumps({"plates": count, "worst miss, mm": shown, "machine": platform.platform()}, indent=1))
    return 0


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]] + [100, 1][len(sys.argv) - 1 :]
    sys.exit(main(*given))
