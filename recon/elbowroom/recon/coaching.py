"""Which photo to take next: where the directions of view leave a gap."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.solution import Solution
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import Photo

LEAST_SPAN_DEG = 40.0
"""Least angle between the two views furthest apart: at 40 degrees depth is measured nearly three times as badly as
the rest (two rays meet with doubts in the ratio 1 / tan of half their angle), below it worse."""

STEP_DEG = 45.0
"""How far round the next photo should be taken."""

WAYS = {
    (-1, 0): "the left",
    (1, 0): "the right",
    (0, 1): "high up",
    (0, -1): "low down",
    (-1, 1): "the left, high",
    (1, 1): "the right, high",
    (-1, -1): "the left, low",
    (1, -1): "the right, low",
}
"""Ways to go, right and up in the photo that looks from the middle of them."""

UPRIGHT: Mapping[int, tuple[tuple[int, int], tuple[int, int]]] = {
    1: ((1, 0), (0, -1)),
    2: ((-1, 0), (0, -1)),
    3: ((-1, 0), (0, 1)),
    4: ((1, 0), (0, 1)),
    5: ((0, 1), (-1, 0)),
    6: ((0, -1), (-1, 0)),
    7: ((0, -1), (1, 0)),
    8: ((0, 1), (1, 0)),
}
"""Where a viewer's right and up lie in a photo as stored (x right, y down), by EXIF orientation.

Source: CIPA DC-008 (EXIF), tag 274 Orientation: which side of the scene the first row and the first column show."""


def coaching_findings(solution: Solution, photos: Sequence[Photo]) -> list[Finding]:
    """Return a finding when all photos look from about the same side, with the side to add."""
    used = sorted(set(solution.network.station[solution.adjusted.used].tolist()))
    if len(used) < 2:
        return []
    state = solution.adjusted.state
    middle = state.target_shifts.mean(axis=0)
    rotations = state.station_rotations[used]
    eyes = -(rotations.transpose(0, 2, 1) @ state.station_shifts[used][:, :, None])[:, :, 0]
    views = (eyes - middle) / np.linalg.norm(eyes - middle, axis=1, keepdims=True)
    span = float(np.rad2deg(np.arccos(np.clip(views @ views.T, -1, 1).min())))
    if span >= LEAST_SPAN_DEG:
        return []
    mean = views.mean(axis=0)
    first = int(np.argmax(views @ mean))
    name = solution.index.photos[used[first]]
    orientation = next((p.orientation for p in photos if p.name == name), 1)
    right, up = seen_axes(rotations[first], views[first], orientation)
    return [_narrow(span, name, best_way(views, views[first], right, up))]


def seen_axes(rotation: Floats, view: Floats, orientation: int) -> tuple[Floats, Floats]:
    """Return a photo's right and up as its viewer sees them, unit vectors (3,) square to the direction of view."""
    out = []
    for x, y in UPRIGHT[orientation]:
        axis = rotation.T @ np.array([x, y, 0.0])
        axis = axis - (axis @ view) * view
        out.append(axis / np.linalg.norm(axis))
    return out[0], out[1]


def best_way(views: Floats, middle: Floats, right: Floats, up: Floats) -> str:
    """Return in words the way to go from the middle view that lies furthest from the views (n, 3) there are, on average."""

    def gap(way: tuple[int, int]) -> float:
        aside = way[0] * right + way[1] * up
        step = np.deg2rad(STEP_DEG)
        there = np.cos(step) * middle + np.sin(step) * aside / np.linalg.norm(aside)
        return float(np.arccos(np.clip(views @ there, -1, 1)).mean())

    return WAYS[max(WAYS, key=gap)]


def _narrow(span_deg: float, photo: str, way: str) -> Finding:
    return Finding(
        code="views-narrow",
        severity="warning",
        subject="photos",
        message=f"all photos look from about the same side: the two furthest apart are {span_deg:.0f} degrees apart "
        f"(at least {LEAST_SPAN_DEG:.0f}), so depth is measured badly. Take one more from {way}, as seen in {photo}: "
        f"{STEP_DEG:.0f} degrees round from there. Then take one from the opposite side.",
        numbers={"span_deg": span_deg},
    )
