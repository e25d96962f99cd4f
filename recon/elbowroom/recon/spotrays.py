"""Sightings of free points turned into rays by a network's own lenses and stations, and where these meet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from elbowroom.recon.equations import Network, Picks, State, point_sightings
from elbowroom.shared.arrays import Bools, Floats, Points2, Points3
from elbowroom.shared.lens import distort, distort_derivative

NEWTON_STEPS, SETTLED = 8, 1e-9
"""Newton steps through the lens, and by how much (normalised) a pixel may then be missed."""

LEAST_STRETCH = 0.3
"""Where the lens model shrinks the picture below this it is about to fold: first lenses do, far from their targets."""


def ideal_of(pixels: Points2, row: Floats) -> tuple[Points2, Bools]:
    """Return ideal coordinates (n, 2) of pixels through a lens (8,), and which of them the lens model explains."""
    wanted = (pixels - row[1:3]) / row[0]
    ideal = wanted.copy()
    with np.errstate(all="ignore"):
        for _ in range(NEWTON_STEPS):
            slope = distort_derivative(ideal, row[3:])
            det = slope[:, 0, 0] * slope[:, 1, 1] - slope[:, 0, 1] * slope[:, 1, 0]
            x, y = (wanted - distort(ideal, row[3:])).T
            ideal[:, 0] += (slope[:, 1, 1] * x - slope[:, 0, 1] * y) / det
            ideal[:, 1] += (slope[:, 0, 0] * y - slope[:, 1, 0] * x) / det
        left = np.abs(wanted - distort(ideal, row[3:])).max(axis=1, initial=0.0)
    good = (left < SETTLED) & (det > LEAST_STRETCH)
    return np.where(good[:, None], ideal, 0.0), good


def lens_row(state: State, lens: int, station: int) -> Floats:
    """Return a lens (8,) as a station focused it."""
    row = state.lenses[lens].copy()
    row[0] *= 1 + state.refocus[station]
    return row


def rays_of(ideal: Points2, rotation: Floats) -> Points3:
    """Return unit directions (n, 3), world, of ideal coordinates (n, 2) seen from a station turned by (3, 3)."""
    rays = np.column_stack([ideal, np.ones(len(ideal))])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    return np.asarray(rays @ rotation)


def rows_of(picks: Picks, keep: Bools) -> Picks:
    """Return some of the sightings, their points numbered anew."""
    point = np.unique(picks.point[keep], return_inverse=True)[1].astype(np.int64)
    return Picks(picks.lens[keep], picks.station[keep], point, picks.pixels[keep], picks.sds_px[keep])


def both_of(one: Picks, other: Picks, points: int) -> Picks:
    """Return sightings of some points, and after them those of others, which are numbered on from there."""
    return Picks(
        np.concatenate([one.lens, other.lens]),
        np.concatenate([one.station, other.station]),
        np.concatenate([one.point, other.point + points]),
        np.concatenate([one.pixels, other.pixels]),
        np.concatenate([one.sds_px, other.sds_px]),
    )


def meeting_points(picks: Picks, directions: Points3, state: State) -> Points3:
    """Return the points (p, 3) mm nearest to the rays (q, 3) of their sightings."""
    rotations, shifts = state.station_rotations[picks.station], state.station_shifts[picks.station]
    centres = -(rotations.transpose(0, 2, 1) @ shifts[:, :, None])[:, :, 0]
    across = np.eye(3) - directions[:, :, None] * directions[:, None]
    p = int(picks.point.max(initial=-1)) + 1
    matrix, right = np.zeros((p, 3, 3)), np.zeros((p, 3))
    np.add.at(matrix, picks.point, across)
    np.add.at(right, picks.point, (across @ centres[:, :, None])[:, :, 0])
    matrix += 1e-9 * np.eye(
        3
    )  # rays in one line meet anywhere; the angle between them is asked for elsewhere
    return np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0])


def misses_px(picks: Picks, points: Points3, state: State, network: Network) -> Floats:
    """Return how far (q,) px sightings are from their points' pictures; infinite behind the camera."""
    off = point_sightings(replace(state, points=points), replace(network, picks=picks))[0]
    depth = (state.station_rotations[picks.station][:, 2] * points[picks.point]).sum(axis=1)
    depth += state.station_shifts[picks.station][:, 2]
    return np.where(depth > 0, np.linalg.norm(off, axis=1), np.inf)
