"""From which directions the photos look: bearings round the spot, and heights above it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.shared.arrays import Floats, Ints, Points3
from elbowroom.shared.frames import Rigid, Target, World
from elbowroom.shared.scene import Scene

SECTORS = 8
"""Bearings told apart: every 45 degrees."""

HEIGHTS_DEG = (60.0, 30.0, 0.0)
"""Lowest heights of the rows above one another: high, middle, low; below lies what looks from behind."""


@dataclass(frozen=True, eq=False)
class Coverage:
    """Photos by where they look from: `counts` (heights, `SECTORS`), the first row those from overhead side by side.

    Rows are heights over 60, 30 to 60, 0 to 30 degrees and below; sectors are centred on the bearings 0, 45 ... 315
    degrees, from the world's x axis (laid into the targets' mean plane) round their mean normal, counter-clockwise.
    """

    counts: Ints


def axes_round(normals_world: Points3) -> Floats:
    """Return the axes (3, 3), rows, that bearings and heights are told in: the targets' mean normal is the third."""
    up = normals_world.mean(axis=0)
    up = np.array([0.0, 0.0, 1.0]) if np.linalg.norm(up) < 1e-9 else up / np.linalg.norm(up)
    first = np.eye(3)[0] if abs(up[0]) < 0.9 else np.eye(3)[1]
    first = first - (first @ up) * up
    first /= np.linalg.norm(first)
    return np.vstack([first, np.cross(up, first), up])


def _angles(eyes_world: Points3, centres_world: Points3, normals_world: Points3) -> tuple[Floats, Floats]:
    away = (eyes_world - centres_world.mean(axis=0)) @ axes_round(normals_world).T
    heights = np.rad2deg(np.arctan2(away[:, 2], np.hypot(away[:, 0], away[:, 1])))
    return np.rad2deg(np.arctan2(away[:, 1], away[:, 0])), heights


def coverage_of(scene: Scene) -> Coverage | None:
    """Return from where a measured scene's photos look, None when it isn't measured."""
    eyes = [p.camera_from_world.rigid().inverse().shift for p in scene.photos if p.camera_from_world]
    if not eyes or not scene.measured:
        return None
    places: list[Rigid[World, Target]] = [m.world_from_target.rigid() for m in scene.measured]
    bearings, heights = _angles(
        np.array(eyes), np.array([p.shift for p in places]), np.array([p.rotation[:, 2] for p in places])
    )
    rows = np.searchsorted(-np.array(HEIGHTS_DEG), -heights)
    sectors = np.round(bearings / (360 / SECTORS)).astype(int) % SECTORS
    counts = np.zeros((len(HEIGHTS_DEG) + 1, SECTORS), dtype=np.int64)
    np.add.at(counts, (rows, sectors), 1)
    return Coverage(counts)
