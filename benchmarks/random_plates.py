"""Plates for random crowded spots, each judged by code that shares nothing with the fitter.

Obstacles are upright prisms through the slab, so that their true keep-out is their footprint grown by the clearance: the
judge needs only shapely. Profiles must be one simple loop, hold every hole with its edge distance and every weld edge, keep
every clearance, and stay in one piece when half a web is taken off. Where the fitter says it can't be done, a pad must
truly overlap (the shortfall is compared), or the footprints grown by clearance and half a web must part the pads.

    python benchmarks/random_plates.py [count] [first seed]
"""

from __future__ import annotations

import json
import platform
import sys
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from shapely.geometry import LineString, Point, Polygon, box

from elbowroom.fit import fit_plate
from elbowroom.shared.errors import SolveError
from elbowroom.shared.media import digest, mesh_bytes
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import (
    DatumPlane,
    HoleIntent,
    MeasuredFace,
    Obstacle,
    Plate,
    PlateIntent,
    Scene,
    WeldEdgeIntent,
)

WEB, THICKNESS = 15.0, 8.0
CLEARANCES = (4.0, 6.0, 10.0, 12.0)
FENCE_CLEARANCE = 6.0
ZERO = ((0.0, 0.0, 0.0),) * 3
MISS_MM = 0.001
KIND_MM = 0.06


@dataclass(frozen=True)
class Spot:
    """One random spot: what is asked for, and the footprints with their clearances."""

    intent: PlateIntent
    scene: Scene
    media: dict[str, bytes]
    footprints: dict[str, tuple[Polygon, float]]
    pads: dict[str, shapely.Geometry]


def random_spot(seed: int) -> Spot:
    """Return a spot with 2 to 8 pads and 0 to 12 obstacles; some can't be done."""
    rng = np.random.default_rng(seed)
    hard = rng.random() < 0.4
    weld = WeldEdgeIntent(name="weld", face="rail", from_mm=(40, 0), to_mm=(40 + rng.uniform(60, 200), 0))
    welds = (weld,) if rng.random() < 0.5 else ()
    pads: dict[str, shapely.Geometry] = {
        w.name: box(w.from_mm[0] - 3, 0, w.to_mm[0] + 3, 15.5) for w in welds
    }
    holes: list[HoleIntent] = []
    count = int(rng.integers(2, 9))
    while len(pads) < count:
        x, y = rng.uniform((0, 45), (280, 220))
        edge = float(rng.choice([16.0, 20.0, 24.0, 28.0]))
        shape = Point(x, y).buffer(edge, quad_segs=64)
        if all(shape.distance(p) > 0 for p in pads.values()):
            name = f"hole {len(holes)}"
            pads[name] = shape
            holes.append(HoleIntent(name=name, at_mm=(x, y), diameter_mm=edge / 1.5, edge_distance_mm=edge))
    media: dict[str, bytes] = {}
    obstacles, footprints = [], {}
    fence = _fence(rng, holes) if hard and len(holes) > 1 and rng.random() < 0.5 else []
    loose = [_footprint(rng) for _ in range(int(rng.integers(0, 13 - len(fence))))]
    for k, foot in enumerate(fence + loose):
        clearance = FENCE_CLEARANCE if k < len(fence) else float(rng.choice(CLEARANCES))
        spare = -4.0 if hard and rng.random() < 0.3 else 0.5
        if any(foot.distance(p) < clearance + spare for p in pads.values()) or foot.bounds[1] < 2:
            continue
        name = f"thing {k}"
        data = _prism(foot)
        media[digest(data)] = data
        footprints[name] = (foot, clearance)
        obstacles.append(
            Obstacle(
                name=name, kind="mesh", meshes=(digest(data),), convex=True, clearance_mm=clearance,
                covariance_mm2=ZERO,
            )
        )  # fmt: skip
    face = MeasuredFace(
        name="rail", point_mm=(0, 0, 0), normal=(0, 1, 0), covariance_mm2=ZERO, tilt_sd_rad=0, rms_mm=0, reach_mm=200
    )  # fmt: skip
    intent = PlateIntent(
        name=f"plate {seed}", plane=DatumPlane(), thickness_mm=THICKNESS, holes=tuple(holes), weld_edges=welds,
        min_web_mm=WEB,
    )  # fmt: skip
    scene = Scene(obstacles=tuple(obstacles), measured_faces=(face,))
    return Spot(intent=intent, scene=scene, media=media, footprints=footprints, pads=pads)


def _footprint(rng: np.random.Generator) -> Polygon:
    c = rng.uniform((-20, 10), (300, 240))
    kind = int(rng.integers(3))
    if kind == 0:
        return Point(c).buffer(rng.uniform(4, 28), quad_segs=12)
    if kind == 1:
        return LineString([c, c + rng.uniform(-70, 70, 2)]).buffer(rng.uniform(2, 12), quad_segs=8)
    half = rng.uniform(4, 30, 2)
    return shapely.affinity.rotate(box(*(c - half), *(c + half)), rng.uniform(0, 90))


def _fence(rng: np.random.Generator, holes: list[HoleIntent]) -> list[Polygon]:
    """Return posts all round one hole, with gaps of a little more or less than a web between their keep-outs."""
    x, y = holes[0].at_mm or (0.0, 0.0)
    around = float(holes[0].edge_distance_mm or 0.0) + rng.uniform(20, 34)
    count, gap = int(rng.integers(5, 9)), rng.uniform(11, 18)
    angles = 2 * np.pi * (np.arange(count) + rng.random()) / count
    chord = 2 * around * np.sin(np.pi / count)
    radius = max(2.0, 0.5 * (chord - 2 * FENCE_CLEARANCE - gap))
    return [
        Point(x + around * np.cos(a), y + around * np.sin(a)).buffer(radius, quad_segs=12) for a in angles
    ]


def _prism(foot: Polygon) -> bytes:
    flat = np.array(foot.exterior.coords)[:-1]
    points = np.vstack([np.column_stack([flat, np.full(len(flat), z)]) for z in (-30.0, 40.0)])
    hull = trimesh.convex.convex_hull(points)
    return mesh_bytes(np.array(hull.vertices), np.array(hull.faces))


def faults(spot: Spot, plate: Plate) -> list[str]:
    """Return what is wrong with a plate, found with shapely on a finely flattened outline."""
    outline = Outline.of_loop(plate.outer)
    polygon = Polygon(outline.flatten(0.0005))
    found = [] if polygon.is_valid else ["crosses itself"]
    for name, (foot, clearance) in spot.footprints.items():
        if polygon.distance(foot) < clearance - MISS_MM:
            found.append(f"{polygon.distance(foot):.4f} mm to {name}, asked {clearance}")
    for hole in spot.intent.holes:
        edge = shapely.Point(hole.at_mm).distance(polygon.exterior)
        if not polygon.contains(shapely.Point(hole.at_mm)) or edge < float(hole.edge_distance_mm or 0) - 0.01:
            found.append(f"{hole.name} edge {edge:.3f}")
    for weld in spot.intent.weld_edges:
        line = LineString([weld.from_mm, weld.to_mm])
        if not polygon.exterior.buffer(1e-6).covers(line) or polygon.bounds[1] < -1e-6:
            found.append("weld edge is not on its line")
    core = polygon.buffer(-0.5 * WEB + 0.05)
    if sum(p.area > 1 for p in shapely.get_parts(core)) != 1:
        found.append("a web is too thin")
    short = min(_piece_lengths(outline))
    if short < 0.999:
        found.append(f"short piece {short:.3f}")
    return found + _kinks(spot, outline)


def _piece_lengths(outline: Outline) -> list[float]:
    return [
        float(np.hypot(*np.subtract(p.end, p.start))) if p.is_line else p.radius * abs(p.sweep)
        for p in outline.pieces()
    ]


def _kinks(spot: Spot, outline: Outline) -> list[str]:
    """Return corners where pieces don't meet tangentially, and inside arcs that are too tight."""
    found = []
    pieces = outline.pieces()
    for p, q in zip(pieces, pieces[1:] + pieces[:1], strict=True):
        turn = np.angle(_direction(q, 0.0) / _direction(p, 1.0))
        if abs(turn) > 1e-4:
            found.append(f"kink {np.degrees(turn):.3f} deg")
    tight = [
        p.radius
        for p in pieces
        if not p.is_line and p.sweep < 0 and p.radius < spot.intent.inside_radius_mm - 0.01
    ]
    return found + [f"inside radius {r:.2f}" for r in tight]


def _direction(piece: object, share: float) -> complex:
    if piece.is_line:  # type: ignore[attr-defined]
        d = np.subtract(piece.end, piece.start)  # type: ignore[attr-defined]
        return complex(*(d / np.hypot(*d)))
    angle = piece.from_rad + share * piece.sweep  # type: ignore[attr-defined]
    return complex(np.exp(1j * angle) * 1j * np.sign(piece.sweep))  # type: ignore[attr-defined]


def judged_infeasible(spot: Spot, error: SolveError) -> tuple[bool, float | None]:
    """Say whether a refusal is right, and the error of its shortfall in mm where a closed form exists."""
    worst: dict[str, float] = {}
    for pad, shape in spot.pads.items():
        for foot, clearance in spot.footprints.values():
            short = clearance - shape.distance(foot)
            worst[pad] = max(worst.get(pad, -1.0), short)
    if error.where in worst and worst[error.where] > -0.01:
        told = error.partial[0].mm if error.partial else float("nan")  # type: ignore[index]
        no_form = error.where == "weld" or shape_overlaps(spot, error.where)
        return True, None if no_form else abs(told - worst[error.where])
    return not _can_be_joined(spot), None


def shape_overlaps(spot: Spot, pad: str) -> bool:
    """Say whether a body itself stands in a pad: then the shortfall has no one-line closed form."""
    return any(spot.pads[pad].intersects(foot) for foot, _ in spot.footprints.values())


def _can_be_joined(spot: Spot) -> bool:
    """Say whether the plane less all footprints grown by clearance and half a web, kind by KIND_MM, joins the pads."""
    grown = [f.buffer(c + 0.5 * WEB - KIND_MM, quad_segs=64) for f, c in spot.footprints.values()]
    places = [Point(h.at_mm) for h in spot.intent.holes if h.at_mm]
    if spot.intent.weld_edges:
        level = 0.5 * WEB - KIND_MM
        grown.append(box(-2000, -2000, 2000, level - 1e-6))
        places += [LineString([(p[0], level) for p in (w.from_mm, w.to_mm)]) for w in spot.intent.weld_edges]
    rooms = shapely.get_parts(shapely.difference(box(-2000, -2000, 2000, 2000), shapely.union_all(grown)))
    return any(all(room.intersects(place) for place in places) for room in rooms)


def _spread(values: list[float]) -> dict[str, float]:
    if not values:
        return {}
    low, high = np.percentile(values, (50, 95))
    return {"median": round(low, 3), "95 %": round(high, 3), "worst": round(max(values), 3)}


def main(count: int, first: int) -> int:
    times, refusals, pieces, told = [], [], [], []
    kinds: Counter[str] = Counter()
    for seed in range(first, first + count):
        spot = random_spot(seed)
        start = time.process_time()
        try:
            plate = fit_plate(spot.intent, spot.scene, spot.media)
        except SolveError as error:
            refusals.append(time.process_time() - start)
            right, off = judged_infeasible(spot, error)
            kinds["refused, confirmed" if right else "refused, NOT confirmed"] += 1
            told += [] if off is None else [off]
            if not right or (off is not None and off > 0.1):
                print(f"seed {seed}: {error} (shortfall off by {off})")
            continue
        times.append(time.process_time() - start)
        wrong = faults(spot, plate)
        kinds["valid" if not wrong else "NOT valid"] += 1
        pieces.append(len(plate.outer.vertices_mm))
        if wrong:
            print(f"seed {seed}: {'; '.join(wrong)}")
    result = {
        "machine": platform.platform(),
        "scenes": count,
        **dict(kinds),
        "cpu_s": _spread(times),
        "cpu_s_refused": _spread(refusals),
        "pieces": {"median": int(np.median(pieces or [0])), "most": max(pieces or [0])},
        "shortfall_error_mm": round(max(told), 3) if told else None,
    }
    print(json.dumps(result, indent=2))
    return int(kinds["NOT valid"] + kinds["refused, NOT confirmed"] > 0)


if __name__ == "__main__":
    sys.exit(
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
    )
