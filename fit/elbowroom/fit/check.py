"""The second opinion: least distances in 3D between a plate and everything round it, over the whole travel.

Nothing here knows how the profile was found: the plate is the solid its lines, arcs and thickness say, obstacles are
the triangles of their meshes, and the gap is what a feeler gauge would read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from elbowroom.fit.check_gap import Gap, least_gap, swallowed
from elbowroom.fit.check_solid import PlateSolid, plate_solid
from elbowroom.fit.check_tree import MeshTree, mesh_tree
from elbowroom.fit.sweep import motion_at, obstacle_meshes, poses
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Check, GapRow, Obstacle, Plate, vec3

GAP_STEP_MM = 0.0005
"""Refining stops when a finer step can't move anything further than this near the minimum: half of 0.001 mm."""

CONTACT_MM = 0.5
"""How deep a plate may seem to stand in what it is welded to, besides its doubt: a fitted edge is dressed by that much."""

MARGIN_MM = 1e-6
"""A gap this much under what is required still passes: rounding of a chain of transforms, not room."""

MOST_BRACKETS = 5
"""Low spots of the coarse steps that are refined, lowest possible gap first."""

GOLDEN = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """One obstacle set against one plate: mesh tree in plate coordinates at rest."""

    solid: PlateSolid
    tree: MeshTree
    obstacle: Obstacle
    world_from_plate: Rigid[World, PlateFrame]

    def gap(self, value: float, hint: int) -> Gap:
        """Return the gap at a travel value."""
        back = self.world_from_plate.inverse()
        move = back @ motion_at(self.obstacle, value) @ self.world_from_plate
        found = least_gap(self.solid, self.tree, move.rotation, move.shift, hint)
        return swallowed(self.solid, self.tree, move.rotation, move.shift, found)


def check_plate(
    plate: Plate,
    obstacles: Sequence[Obstacle],
    media: Media,
    *,
    sigmas: float,
    travel_steps: int = 25,
    progress: Callable[[float], None] | None = None,
) -> Check:
    """Return the least gap of a plate to every obstacle over its travel, and the verdict.

    Gaps are right to 0.001 mm at each position looked at. A moving obstacle is looked at in `travel_steps` even
    steps; the lowest spots (up to five) are refined by golden section. A dip between two steps that shows in neither
    can't be deeper than (g1 + g2 - way) / 2, g being the gaps at the steps and way what the farthest point of the
    obstacle moves between them: raise `travel_steps` for a long arm. Figures below zero estimate how deep the obstacle
    stands in the steel.

    What is required is the obstacle's clearance plus `sigmas` standard deviations of the gap, sqrt(n' (Co + Cp) n) with
    n the gap's direction and Co, Cp the covariances of obstacle and plate.

    Parameters
    ----------
    plate, obstacles, media : Plate, Sequence[Obstacle], Media
        World and plate frames as in the scene.
    sigmas : float
        Standard deviations of doubt kept free.
    progress : Callable
        Told the share done, 0 to 1.

    Raises
    ------
    InputError
        For sigmas below zero, fewer than one step, a missing mesh or axis.
    """
    if not (math.isfinite(sigmas) and sigmas >= 0):
        raise InputError("the number of standard deviations can't be negative", where="check", value=sigmas)
    if travel_steps < 1:
        raise InputError("a travel needs one step or more", where="check", value=travel_steps, limit=1)
    solid = plate_solid(plate)
    world_from_plate: Rigid[World, PlateFrame] = plate.world_from_plate.rigid()
    rows: list[GapRow] = []
    for k, obstacle in enumerate(obstacles):
        meshes = obstacle_meshes(obstacle, media)
        back = world_from_plate.inverse()
        tree = mesh_tree([(back.apply(vertices), faces) for vertices, faces in meshes])
        scene = _Scene(solid, tree, obstacle, world_from_plate)
        value, gap = _least_over_travel(scene, travel_steps, _teller(progress, k, len(obstacles)))
        rows.append(_row(plate, obstacle, world_from_plate, value, gap, sigmas))
    rows.sort(key=lambda row: row.gap_mm - row.required_mm)
    return Check(plate=plate.name, rows=tuple(rows), passes=all(passes(row) for row in rows))


def passes(row: GapRow) -> bool:
    """Whether a row is as it should be: clear, sliding without cutting into the steel, or a contact asked for."""
    return row.verdict in ("clear", "touches", "slides over")


def _teller(progress: Callable[[float], None] | None, done: int, count: int) -> Callable[[float], None]:
    """Return what takes an obstacle's share done and tells the share of all."""

    def tell(share: float) -> None:
        if progress:
            progress((done + share) / count)

    return tell


def _row(
    plate: Plate,
    obstacle: Obstacle,
    world_from_plate: Rigid[World, PlateFrame],
    value: float,
    gap: Gap,
    sigmas: float,
) -> GapRow:
    normal_world = world_from_plate.turn(_direction(gap))
    covariance = np.array(obstacle.covariance_mm2) + np.array(plate.position_covariance_mm2)
    sd = math.sqrt(max(0.0, float(normal_world @ covariance @ normal_world)))
    required = obstacle.clearance_mm + sigmas * sd
    at_plate, at_obstacle = world_from_plate.apply(np.array([gap.at_plate, gap.at_mesh]))
    return GapRow(
        plate=plate.name,
        obstacle=obstacle.name,
        part=obstacle.part,
        gap_mm=gap.gap,
        clearance_mm=obstacle.clearance_mm,
        required_mm=required,
        sd_mm=sd,
        at_plate_mm=vec3(at_plate),
        at_obstacle_mm=vec3(at_obstacle),
        worst_travel=None if obstacle.travel_kind == "none" else value,
        verdict=_verdict(plate, obstacle, gap.gap, required),
    )


def _direction(gap: Gap) -> Floats:
    """Return the unit direction of the gap; along the plate's normal where the points are one."""
    away = gap.at_mesh - gap.at_plate
    size = float(np.linalg.norm(away))
    return away / size if size > 1e-9 else np.array([0.0, 0.0, 1.0])


def _verdict(plate: Plate, obstacle: Obstacle, gap: float, required: float) -> str:
    if obstacle.name in plate.touches and obstacle.part == "body":
        doubt = required - obstacle.clearance_mm
        return "touches" if gap >= -(CONTACT_MM + doubt) else "cuts"
    if gap <= 0:
        return "cuts"
    if obstacle.name in plate.slides_over:
        return "slides over"
    return "clear" if gap >= required - MARGIN_MM else "tight"


def _least_over_travel(scene: _Scene, steps: int, tell: Callable[[float], None]) -> tuple[float, Gap]:
    """Return the travel value of the least gap and the gap there."""
    values = [value for value, _ in poses(scene.obstacle, steps)]
    found: list[Gap] = []
    for k, value in enumerate(values):
        found.append(scene.gap(value, found[-1].row if found else -1))
        tell((k + 1) / len(values) * (1 if len(values) == 1 else 0.6))
    k = min(range(len(values)), key=lambda i: found[i].gap)
    best = (values[k], found[k])
    if len(values) == 1:
        return best
    reach = _reach(scene)
    gaps = np.array([g.gap for g in found])
    for count, i in enumerate(_low_spots(gaps, abs(values[1] - values[0]) * reach)[:MOST_BRACKETS]):
        low, high = values[max(i - 1, 0)], values[min(i + 1, len(values) - 1)]
        best = _golden(scene, (low, high), GAP_STEP_MM / max(reach, 1e-9), best, found[i].row)
        tell(0.6 + 0.4 * (count + 1) / MOST_BRACKETS)
    return best


def _low_spots(gaps: Floats, way: float) -> list[int]:
    """Return the steps at or beside which the least gap may lie, the lowest possible gap first."""
    padded = np.concatenate([[np.inf], gaps, [np.inf]])
    lower = (gaps <= padded[:-2]) & (gaps <= padded[2:])
    possible = np.minimum(gaps, (gaps + np.minimum(padded[:-2], padded[2:]) - way) / 2)
    spots = [int(i) for i in np.flatnonzero(lower) if possible[i] < gaps.min()]
    return sorted(spots, key=lambda i: float(possible[i]))


def _reach(scene: _Scene) -> float:
    """Return how far the obstacle's farthest point moves per degree or mm of travel."""
    if scene.obstacle.travel_kind == "slide":
        return 1.0
    corners = scene.world_from_plate.apply(scene.tree.triangles.reshape(-1, 3))
    along = np.array(scene.obstacle.motion_direction) / np.linalg.norm(
        np.array(scene.obstacle.motion_direction)
    )
    away = corners - np.array(scene.obstacle.hinge_point_mm)
    away -= (away @ along)[:, None] * along
    return math.radians(1) * float(np.sqrt((away**2).sum(axis=1)).max())


def _golden(
    scene: _Scene, span: tuple[float, float], least: float, best: tuple[float, Gap], hint: int
) -> tuple[float, Gap]:
    """Return the better of `best` and the minimum that golden section finds in the span of travel values.

    The gap changes by no more than GAP_STEP_MM over a span of `least`. Every position looked at counts.
    """
    low, high = span
    inner = [high - GOLDEN * (high - low), low + GOLDEN * (high - low)]
    gaps = [scene.gap(v, hint) for v in inner]
    while True:
        for value, gap in zip(inner, gaps, strict=True):
            best = (value, gap) if gap.gap < best[1].gap else best
        if high - low <= least:
            return best
        if gaps[0].gap <= gaps[1].gap:
            high, fresh = inner[1], inner[1] - GOLDEN * (inner[1] - low)
            inner, gaps = [fresh, inner[0]], [scene.gap(fresh, gaps[0].row), gaps[0]]
        else:
            low, fresh = inner[0], inner[0] + GOLDEN * (high - inner[0])
            inner, gaps = [inner[1], fresh], [gaps[1], scene.gap(fresh, gaps[1].row)]
