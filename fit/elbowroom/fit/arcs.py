"""Discs that stand for the stretches of blockers a taut band touches: few, no tighter than asked, clear of the plate."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.shared.arrays import Floats, Points2

LOSS_SHARE = 0.15
"""An arc may stand off the stretch it replaces by this share of its radius: one clean arc beats three tight ones."""

LOSS_LEAST_MM, LOSS_MOST_MM = 0.6, 4.0
"""Bounds of that: below 0.6 mm no one sees it, above 4 mm it wastes steel."""

MARGIN_MM = 0.004
"""Discs reach this far past the points they cover, so that flattening never reads as a lost clearance."""

APART_MM = 0.004
"""Discs stay this far from what must be inside the plate."""

SHARP_STEPS = (1.0, 0.7, 0.5, 0.3, 0.15, 0.05)
"""Shares of the wanted inside radius tried in turn where there is no room for more."""


def discs_for_run(
    before: Floats, run: Points2, after: Floats, shape: Polygon, *, radius: float
) -> list[Floats]:
    """Return discs (3,), in order along the band, that cover the run of points a band touches.

    Parameters
    ----------
    before, after : Floats
        (2,) mm: where the band comes from and goes to.
    run : Points2
        (k, 2) mm: the touched corners, plate on the left.
    shape : Polygon
        What the discs must stay clear of.
    radius : float
        Smallest radius wanted, mm. Where there is no room a smaller one comes back.
    """
    disc, loss = _fitted(before, run, after, radius)
    allowed = min(max(LOSS_SHARE * disc[2], LOSS_LEAST_MM), LOSS_MOST_MM)
    if loss <= allowed and _clear(disc, shape):
        return [disc]
    if len(run) == 1:
        return [_tight_disc(before, run, after, shape, radius)]
    cut = _cut(before, run, after)
    left = discs_for_run(before, run[:cut], run[cut], shape, radius=radius)
    return left + discs_for_run(run[cut - 1], run[cut:], after, shape, radius=radius)


def fitted_disc(points: Points2, normals: Points2, radius: float) -> Floats:
    """Return the disc (3,) that fits points with outward normals best, covers them all, and is no tighter than asked.

    Least squares of c + R n - p: R = sum (p - p0).(n - n0) / sum |n - n0|^2, c = p0 - R n0.
    """
    p0, n0 = points.mean(axis=0), normals.mean(axis=0)
    spread = float(((normals - n0) ** 2).sum())
    best = float(((points - p0) * (normals - n0)).sum()) / spread if spread > 1e-9 else radius
    r = max(best, radius)
    centre = p0 - r * n0
    reach = float(np.sqrt(((points - centre) ** 2).sum(axis=1)).max())
    return np.array([centre[0], centre[1], max(reach + MARGIN_MM, radius)])


def _fitted(before: Floats, run: Points2, after: Floats, radius: float) -> tuple[Floats, float]:
    """Return the disc for a whole run and how far it stands off the run."""
    path = np.vstack([before, run, after])
    normals = _left_normals(path)
    disc = fitted_disc(np.repeat(run, 2, axis=0), np.repeat(normals, 2, axis=0)[1:-1], radius)
    if len(run) == 1:
        return disc, 0.0
    line = shapely.linestrings(run)
    nearest = shapely.distance(shapely.points(disc[:2]), line)
    return disc, float(disc[2] - nearest)


def _left_normals(path: Points2) -> Points2:
    step = np.diff(path, axis=0)
    step /= np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)[:, None]
    return np.column_stack([-step[:, 1], step[:, 0]])


def _clear(disc: Floats, shape: Polygon) -> bool:
    return bool(shapely.distance(shapely.points(disc[:2]), shape) >= disc[2] + APART_MM)


def _tight_disc(before: Floats, run: Points2, after: Floats, shape: Polygon, radius: float) -> Floats:
    disc = np.zeros(3)
    for share in SHARP_STEPS:
        disc, _ = _fitted(before, run, after, share * radius)
        if _clear(disc, shape):
            return disc
    return disc


def _cut(before: Floats, run: Points2, after: Floats) -> int:
    """Return where to part a run: at an edge much longer than the others, else half-way round the turn."""
    edges = np.hypot(*np.diff(run, axis=0).T)
    longest = int(edges.argmax())
    if len(run) == 2 or edges[longest] > 3 * np.median(edges):
        return longest + 1
    normals = _left_normals(np.vstack([before, run, after]))
    turn = np.abs(
        np.arctan2(
            normals[:-1, 0] * normals[1:, 1] - normals[:-1, 1] * normals[1:, 0],
            (normals[:-1] * normals[1:]).sum(axis=1),
        )
    )
    half = int(np.searchsorted(np.cumsum(turn), 0.5 * turn.sum()))
    return min(max(half, 1), len(run) - 1)
