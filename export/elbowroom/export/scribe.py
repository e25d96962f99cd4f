"""Edges of plates and obstacles as lines in the picture: bent by the lens, sorted into seen and hidden, painted."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from elbowroom.export.creases import Creased
from elbowroom.export.labels import Colour, Label
from elbowroom.export.sight import NEAR_MM, Depths, Grid
from elbowroom.shared.arrays import Floats, Image, Points2, Points3
from elbowroom.shared.frames import Camera, PlateFrame, Rigid, World
from elbowroom.shared.lens import project_points
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Lens, Obstacle, Plate

Mask = npt.NDArray[np.bool_]
Runs = npt.NDArray[np.int64]

BEHIND = 0.004
"""Share of the distance by which a thing must lie behind another to be hidden: 3 mm at 0.8 m, for touching faces."""

STEP_PX = 5.0
"""Edges are drawn through points this far apart, so that the lens bends them."""

MOST_STEPS = 2000
"""Steps along one edge at most: enough for any edge inside the picture, few enough for one that runs far out."""

STEADY = 4
"""Points on either side of one that vote on whether it is hidden."""

DASH_PX, GAP_PX = 16.0, 11.0
CHORD_MM = 0.2

SCRIBED: Colour = (238, 246, 255)
AMBER: Colour = (255, 190, 60)
TOOL_ORANGE: Colour = (255, 130, 70)
SHADE: Colour = (14, 20, 28)


@dataclass(slots=True)
class View:
    """One photo being drawn on: lens, pose, picture scale, and the depth rasters of what may hide what."""

    lens: Lens
    camera_from_world: Rigid[Camera, World]
    scale: float
    grid: Grid
    lines: dict[str, list[Points2]] = field(default_factory=dict)
    labels: list[Label] = field(default_factory=list)

    def picture_points(self, points_camera: Points3) -> Points2:
        """Return picture pixels (n, 2) of camera points (n, 3); NaN where the lens sees nothing."""
        return (project_points(points_camera, self.lens) + 0.5) * self.scale - 0.5


def _sampled(view: View, lines_world: Floats) -> tuple[Points3, Runs, Points2]:
    """Return camera points along edges (k, 2, 3), the edge each belongs to, and their picture pixels."""
    ends = view.camera_from_world.apply(lines_world.reshape(-1, 3)).reshape(-1, 2, 3)
    kept = np.flatnonzero((ends[:, :, 2] > NEAR_MM).any(axis=1))
    if not len(kept):
        return np.zeros((0, 3)), np.zeros(0, dtype=np.int64), np.zeros((0, 2))
    ends = _cut_near(ends[kept])
    flat = ends[:, :, :2] / ends[:, :, 2:] * view.lens.focal_px * view.scale
    length = np.linalg.norm(flat[:, 1] - flat[:, 0], axis=1)
    counts = np.clip(np.ceil(length / STEP_PX), 1, MOST_STEPS).astype(np.int64) + 1
    edge = np.repeat(np.arange(len(ends)), counts)
    step = np.arange(len(edge)) - (np.cumsum(counts) - counts)[edge]
    share = (step / (counts[edge] - 1))[:, None]
    # equal steps in the picture, not along the edge, keep the points close where the edge comes near
    near, far = ends[edge, 0], ends[edge, 1]
    weight = share * near[:, 2:] / (share * near[:, 2:] + (1 - share) * far[:, 2:])
    points = near + weight * (far - near)
    return points, kept[edge], view.picture_points(points)


def _cut_near(ends: Floats) -> Floats:
    """Return edges (k, 2, 3), camera, of which at least one end is ahead, with the other moved to the near plane."""
    out = ends.copy()
    for one, other in ((0, 1), (1, 0)):
        behind = ends[:, one, 2] <= NEAR_MM
        a, b = ends[behind, one], ends[behind, other]
        share = (1.001 * NEAR_MM - a[:, 2:]) / (b[:, 2:] - a[:, 2:])
        out[behind, one] = a + share * (b - a)
    return out


def _hidden(view: View, points_camera: Points3, run: Runs, depths: Depths) -> Mask:
    """Say for camera points along edges whether something of the raster is in front of them and all round them."""
    if not len(points_camera):
        return np.zeros(0, dtype=np.bool_)
    place = np.rint(view.grid.at(points_camera)).astype(np.int64)
    inside = np.all((place >= 1) & (place < np.array([view.grid.columns, view.grid.rows]) - 1), axis=1)
    column, row = np.where(inside[:, None], place, 1).T
    around = [depths.inverse[row + dr, column + dc] for dr in (-1, 0, 1) for dc in (-1, 0, 1)]
    farthest, nearest = np.min(around, axis=0), np.max(around, axis=0)
    # where surfaces fall away steeply towards a hollow corner, the corner is still seen: carry the slope on
    limit = (2 * farthest - nearest) * (1 - BEHIND)
    return _steadied(inside & (1 / points_camera[:, 2] < limit), run)


def _steadied(flags: Mask, run: Runs) -> Mask:
    """Return flags along edges with flickers shorter than STEADY points taken out, by majority about each point.

    Where an edge lies in another thing's surface the raster's grain would break it into crumbs.
    """
    votes = flags.astype(np.int64)
    total, count = votes.copy(), np.ones(len(votes), dtype=np.int64)
    for step in range(1, STEADY + 1):
        same = run[step:] == run[:-step]
        total[step:] += votes[:-step] * same
        total[:-step] += votes[step:] * same
        count[step:] += same
        count[:-step] += same
    return 2 * total > count


def _pieces(points_px: Points2, run: Runs, keep: Mask) -> list[Points2]:
    """Return the stretches of two or more points that are kept, finite, and of one run."""
    good = keep & np.isfinite(points_px).all(axis=1)
    breaks = np.flatnonzero(~good[1:] | ~good[:-1] | (run[1:] != run[:-1])) + 1
    return [
        points_px[a:b]
        for a, b in zip([0, *breaks], [*breaks, len(run)], strict=True)
        if b - a > 1 and good[a]
    ]


def obstacle_lines(view: View, lines_world: Floats, obstacle: Obstacle, body: Depths, steel: Depths) -> None:
    """Collect an obstacle's lines from edges (k, 2, 3): those seen, and those only a plate hides."""
    points, edge, pixels = _sampled(view, lines_world)
    if not len(points):
        return
    free, under = ~_hidden(view, points, edge, body), _hidden(view, points, edge, steel)
    room = obstacle.part == "tool room"
    view.lines.setdefault("room" if room else "obstacle", []).extend(_pieces(pixels, edge, free & ~under))
    view.lines.setdefault("faint", []).extend(_pieces(pixels, edge, free & under))


def plate_lines(view: View, plate: Plate, solid: Creased, body: Depths, steel: Depths) -> None:
    """Collect a plate's edges: seen ones, and those of its near face that an obstacle hides, dashed."""
    world_from_plate: Rigid[World, PlateFrame] = plate.world_from_plate.rigid()
    camera_from_plate = view.camera_from_world @ world_from_plate
    eye = camera_from_plate.inverse().shift
    near_z = plate.thickness_mm if eye[2] > plate.thickness_mm / 2 else 0.0
    outlines = [Outline.of_loop(plate.outer).counter_clockwise()]
    outlines += [Outline.of_loop(h.loop).counter_clockwise().reversed() for h in plate.holes]
    for ring in (o.flatten(CHORD_MM) for o in outlines):
        shut = np.vstack([ring, ring[:1]])
        walls = np.diff(shut, axis=0)[:, ::-1] * [1, -1]  # outward of the steel: to the right of the way
        towards = ((eye[:2] - ring) * walls).sum(axis=1) > 0
        for z in (0.0, plate.thickness_mm):
            world = world_from_plate.apply(np.column_stack([shut, np.full(len(shut), z)]))
            # the far face's edge is seen only below a wall that faces the camera
            chosen = np.flatnonzero(towards | (z == near_z))
            lines = np.stack([world[:-1], world[1:]], axis=1)[chosen]
            run = np.cumsum(np.diff(chosen, prepend=chosen[:1]) > 1, dtype=np.int64)
            _add_steel(view, lines, run, body, steel, dashed=z == near_z)
    upright = solid.lines_seen_from(view.camera_from_world.inverse().shift)
    along = np.abs((upright[:, 1] - upright[:, 0]) @ world_from_plate.rotation[:, 2])
    points, edge, pixels = _sampled(view, upright[along > 0.5 * plate.thickness_mm])
    seen = ~_hidden(view, points, edge, body) & ~_hidden(view, points, edge, steel)
    view.lines.setdefault("thickness", []).extend(_pieces(pixels, edge, seen))
    for bend in plate.bends:
        ends = np.array([[*bend.from_mm, near_z], [*bend.to_mm, near_z]])
        points, edge, pixels = _sampled(view, world_from_plate.apply(ends)[None])
        seen = ~_hidden(view, points, edge, body) & ~_hidden(view, points, edge, steel)
        view.lines.setdefault("thickness", []).extend(_pieces(pixels, edge, seen))


def _add_steel(
    view: View, lines_world: Floats, runs: Runs, body: Depths, steel: Depths, *, dashed: bool
) -> None:
    """Collect edges (k, 2, 3) of one ring of a plate; edges of one run are joined end to end."""
    points, edge, pixels = _sampled(view, lines_world)
    if not len(points):
        return
    run = runs[edge]
    itself, hidden = _hidden(view, points, run, steel), _hidden(view, points, run, body)
    view.lines.setdefault("plate", []).extend(_pieces(pixels, run, ~itself & ~hidden))
    if dashed:
        along = np.concatenate([[0.0], np.cumsum(np.nan_to_num(np.hypot(*np.diff(pixels, axis=0).T)))])
        on = np.mod(along, DASH_PX + GAP_PX) < DASH_PX
        view.lines.setdefault("hidden", []).extend(_pieces(pixels, run, ~itself & hidden & on))


STYLES: dict[str, tuple[Colour, float, float]] = {
    "faint": (AMBER, 1.0, 0.45),
    "room": (TOOL_ORANGE, 0.9, 0.8),
    "obstacle": (AMBER, 1.1, 1.0),
    "thickness": (SCRIBED, 1.0, 0.8),
    "hidden": (SCRIBED, 1.5, 0.8),
    "plate": (SCRIBED, 1.9, 1.0),
}
"""Colour, width in thousandths of the picture's width, and strength of each sort of line, painted in this order."""


def paint_lines(picture: Image, lines: dict[str, list[Points2]]) -> None:
    """Paint all collected lines, each sort with a dark rim to stand out from any ground."""
    unit = picture.shape[1] / 1000
    for name, (colour, width, strength) in STYLES.items():
        pieces = [np.rint(p * 8).astype(np.int32) for p in lines.get(name, [])]
        if not pieces:
            continue
        ground = picture.copy() if strength < 1 else picture
        if name != "faint":
            rim = max(2, round((width + 1.1) * unit))
            cv2.polylines(ground, pieces, False, SHADE, rim, cv2.LINE_AA, 3)
        cv2.polylines(ground, pieces, False, colour, max(1, round(width * unit)), cv2.LINE_AA, 3)
        if strength < 1:
            cv2.addWeighted(ground, strength, picture, 1 - strength, 0, dst=picture)
