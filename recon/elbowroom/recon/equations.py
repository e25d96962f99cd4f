"""The observations of a network: what each corner and each free point should show, and how that changes.

The unknowns are ordered lenses (8 each), stations (rotation vector, shift, refocus: 7 each), targets (rotation vector,
shift: 6 each), side factors, free points (3 each). `normal` makes normal equations of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.frames import rotations_from_vectors
from elbowroom.shared.lens import distort, distort_derivative

LENS, STATION, TARGET, POINT = 8, 7, 6, 3
"""Unknowns of a lens (focal, cx, cy, k1, k2, k3, p1, p2), of a station, of a target, of a free point."""

LENS_PRIOR = np.array([0.5, 0.02, 0.02, 0.3, 0.6, 1.0, 0.005, 0.005])
"""Prior standard deviations: focal, cx, cy relative to the focal length, the rest as they are: wide for a phone."""


@dataclass(frozen=True, eq=False)
class State:
    """Lenses (l, 8), stations and targets as rotations (n, 3, 3) and shifts (n, 3) mm, side factors (b,).

    `refocus` (s,) are the stations' relative changes of focal length, `points` (p, 3) mm the free points.
    """

    lenses: Floats
    station_rotations: Floats
    station_shifts: Floats
    target_rotations: Floats
    target_shifts: Floats
    factors: Floats
    refocus: Floats = field(default_factory=lambda: np.zeros(0))
    points: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    def __post_init__(self) -> None:
        if len(self.refocus) != len(self.station_shifts):
            object.__setattr__(self, "refocus", np.zeros(len(self.station_shifts)))

    @property
    def station_start(self) -> int:
        """First column of the stations among the unknowns."""
        return LENS * len(self.lenses)

    @property
    def focus_columns(self) -> Ints:
        """Columns (s,) of the stations' changes of focal length among the unknowns."""
        return self.station_start + STATION * np.arange(len(self.refocus)) + STATION - 1

    @property
    def target_start(self) -> int:
        """First column of the targets among the unknowns."""
        return self.station_start + STATION * len(self.station_shifts)

    @property
    def factor_start(self) -> int:
        """First column of the side factors among the unknowns."""
        return self.target_start + TARGET * len(self.target_shifts)

    @property
    def point_start(self) -> int:
        """First column of the free points among the unknowns."""
        return self.factor_start + len(self.factors)

    @property
    def unknowns(self) -> int:
        """Number of unknowns, the six of the datum included."""
        return self.point_start + POINT * len(self.points)

    def moved(self, step: Floats) -> State:
        """Return the state after a step of all unknowns; rotations turn by a left-multiplied rotation vector."""
        ends = [self.station_start, self.target_start, self.factor_start, self.point_start]
        lens, station, target, factor, point = np.split(step, ends)
        station, target = station.reshape(-1, STATION), target.reshape(-1, TARGET)
        return State(
            self.lenses + lens.reshape(-1, LENS),
            _turned(self.station_rotations, station[:, :3]),
            self.station_shifts + station[:, 3:6],
            _turned(self.target_rotations, target[:, :3]),
            self.target_shifts + target[:, 3:],
            self.factors + factor,
            self.refocus + station[:, 6],
            self.points + point.reshape(-1, POINT),
        )


@dataclass(frozen=True, eq=False)
class Picks:
    """Sightings of free points: lens, photo and point by index (q,), pixels (q, 2) and their sds (q,) px."""

    lens: Ints
    station: Ints
    point: Ints
    pixels: Floats
    sds_px: Floats

    def __len__(self) -> int:
        return len(self.point)

    @classmethod
    def none(cls) -> Picks:
        """Return no picks."""
        no = np.zeros(0, dtype=np.int64)
        return cls(no, no, no, np.zeros((0, 2)), np.zeros(0))


@dataclass(frozen=True, eq=False)
class Network:
    """What was observed, by index.

    `lens`, `station`, `target` (m,) name the lens, photo and target of each sighting; `corners_px` (m, 4, 2) and
    `whitening` (m, 8, 8) turn a pixel residual into one of unit variance. `sides_mm` and `batch` are per target.
    `distance_ends` (d, 2) targets, `distances_mm`, `distance_sds_mm` (d,). `factor_sds` (b,) are the priors of the
    printed sides' scale; `lens_start` (l, 8) and `lens_information` (l, 8, 8) that of the lenses. `lens_held` (l, 8)
    marks lens parameters that stay as they are; `refocus_sd` is the prior of each photo's relative change of focal
    length, 0 for none. `picks` are the sightings of free points.
    """

    lens: Ints
    station: Ints
    target: Ints
    corners_px: Floats
    whitening: Floats
    sides_mm: Floats
    batch: Ints
    distance_ends: Ints
    distances_mm: Floats
    distance_sds_mm: Floats
    factor_sds: Floats
    lens_start: Floats
    lens_information: Floats
    lens_held: Bools
    refocus_sd: float = 0.0
    picks: Picks = field(default_factory=Picks.none)

    def __len__(self) -> int:
        return len(self.station) + len(self.picks)


def wide_prior(lens_start: Floats) -> Floats:
    """Return the information (l, 8, 8) of a phone lens about which nothing but `lens_start` (l, 8) is known."""
    sds = np.tile(LENS_PRIOR, (len(lens_start), 1))
    sds[:, :3] *= lens_start[:, :1]
    return np.asarray(np.eye(LENS) / sds[:, None] ** 2)


def white_residuals(state: State, network: Network) -> tuple[Floats, Floats]:
    """Return the residuals of all sightings (m, 8) and all picks (q, 2) in units of their own doubt."""
    corners = (network.whitening @ sightings(state, network)[0][:, :, None])[:, :, 0]
    return np.asarray(corners), point_sightings(state, network)[0] / network.picks.sds_px[:, None]


def sightings(state: State, network: Network) -> tuple[Floats, Floats, Ints]:
    """Return residuals (m, 8) px, derivatives (m, 8, 22) of the prediction, and their columns (m, 22).

    The 22 are the lens's 8, the station's 7, the side factor, and the target's 6.
    """
    m, batch = len(network.station), network.batch[network.target]
    rt, tt = state.target_rotations[network.target], state.target_shifts[network.target]
    unit = np.column_stack([CORNERS, np.zeros(4)])[None] * network.sides_mm[network.target][:, None, None]
    per_factor = unit @ rt.transpose(0, 2, 1)  # (m, 4, 3): the corner's arm in the world for factor 1
    arm = per_factor * state.factors[batch][:, None, None]
    seen = _seen(state, arm + tt[:, None], network.lens, network.station)
    jacobian = np.concatenate(
        [
            seen.by_lens,
            seen.by_station,
            seen.by_world @ per_factor[..., None],
            -seen.by_world @ _cross(arm),
            seen.by_world,
        ],
        axis=3,
    )
    columns = np.concatenate(
        [
            _camera_columns(state, network.lens, network.station),
            state.factor_start + batch[:, None],
            state.target_start + TARGET * network.target[:, None] + np.arange(TARGET),
        ],
        axis=1,
    )
    return (network.corners_px - seen.pixels).reshape(m, 8), jacobian.reshape(m, 8, -1), columns


def point_sightings(state: State, network: Network) -> tuple[Floats, Floats, Ints]:
    """Return residuals (q, 2) px, derivatives (q, 2, 18) of the prediction, and their columns (q, 18).

    The 18 are the lens's 8, the station's 7, and the point's 3.
    """
    picks = network.picks
    seen = _seen(state, state.points[picks.point][:, None], picks.lens, picks.station)
    jacobian = np.concatenate([seen.by_lens, seen.by_station, seen.by_world], axis=3)[:, 0]
    columns = np.concatenate(
        [
            _camera_columns(state, picks.lens, picks.station),
            state.point_start + POINT * picks.point[:, None] + np.arange(POINT),
        ],
        axis=1,
    )
    return picks.pixels - seen.pixels[:, 0], jacobian, columns


@dataclass(frozen=True, eq=False)
class _Seen:
    """Pixels (m, c, 2) of c points in each of m sightings, and their derivatives (m, c, 2, ...)."""

    pixels: Floats
    by_lens: Floats
    by_station: Floats
    by_world: Floats


def _seen(state: State, points_world: Floats, lens: Ints, station: Ints) -> _Seen:
    """Return how points (m, c, 3) mm, world, appear, each row through its own lens (m,) from its own station (m,)."""
    rotations, shifts = state.station_rotations[station], state.station_shifts[station]
    turned = points_world @ rotations.transpose(0, 2, 1)
    camera = turned + shifts[:, None]
    z = np.where(np.abs(camera[..., 2]) < 1e-6, 1e-6, camera[..., 2])
    ideal = camera[..., :2] / z[..., None]
    lenses, zoom = state.lenses[lens].copy(), 1 + state.refocus[station]
    focal = lenses[:, 0].copy()
    lenses[:, 0] *= zoom
    pixels, by_ideal, by_lens = _through_lens(ideal, lenses)
    by_refocus = by_lens[..., :1] * focal[:, None, None, None]
    by_lens[..., 0] *= zoom[:, None, None]
    by_camera = np.empty((*ideal.shape, 3))
    by_camera[..., :2] = by_ideal / z[..., None, None]
    by_camera[..., 2] = -(by_ideal @ ideal[..., None])[..., 0] / z[..., None]
    by_station = np.concatenate([-by_camera @ _cross(turned), by_camera, by_refocus], axis=3)
    return _Seen(pixels, by_lens, by_station, by_camera @ rotations[:, None])


def _camera_columns(state: State, lens: Ints, station: Ints) -> Ints:
    """Return the columns (m, 15) of lens and station."""
    return np.concatenate(
        [
            LENS * lens[:, None] + np.arange(LENS),
            state.station_start + STATION * station[:, None] + np.arange(STATION),
        ],
        axis=1,
    )


def _through_lens(ideal: Floats, lens: Floats) -> tuple[Floats, Floats, Floats]:
    """Return pixels (m, c, 2), d px/d ideal (m, c, 2, 2) and d px/d lens (m, c, 2, 8) of ideal points (m, c, 2)."""
    shape = ideal.shape
    points, rows = ideal.reshape(-1, 2), np.repeat(lens, shape[1], axis=0)
    focal, coefficients = rows[:, :1], rows[:, 3:].T  # each point with its own photo's lens
    distorted = distort(points, coefficients)
    x, y = points.T
    r2 = x * x + y * y
    slope = np.zeros((len(points), 2, LENS))
    slope[:, :, 0] = distorted
    slope[:, 0, 1] = slope[:, 1, 2] = 1.0
    for k in range(3):
        slope[:, :, 3 + k] = focal * points * (r2 ** (k + 1))[:, None]
    slope[:, 0, 6] = slope[:, 1, 7] = 2 * focal[:, 0] * x * y
    slope[:, 1, 6] = focal[:, 0] * (r2 + 2 * y * y)
    slope[:, 0, 7] = focal[:, 0] * (r2 + 2 * x * x)
    by_ideal = focal[:, :, None] * distort_derivative(points, coefficients)
    pixels = focal * distorted + rows[:, 1:3]
    return pixels.reshape(shape), by_ideal.reshape(*shape, 2), slope.reshape(*shape, LENS)


def _cross(v: Floats) -> Floats:
    """Return the matrices [v]x of vectors (..., 3) as (..., 3, 3)."""
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def _turned(rotations: Floats, vectors: Floats) -> Floats:
    return rotations_from_vectors(vectors) @ rotations
