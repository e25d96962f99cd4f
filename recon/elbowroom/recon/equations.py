"""The observations of a network and their normal equations: residuals, derivatives, distances, priors, datum.

The unknowns are ordered lenses (8 each), stations and targets (rotation vector, then shift, 6 each), side factors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.lens import distort, distort_derivative

LENS = 8
"""Parameters of a lens: focal, cx, cy, k1, k2, k3, p1, p2."""

LENS_PRIOR = np.array([0.5, 0.02, 0.02, 0.3, 0.6, 1.0, 0.005, 0.005])
"""Prior standard deviations: focal, cx, cy relative to the focal length, the rest as they are: wide for a phone."""

INNER_WEIGHT = 1e4
"""Weight of the inner constraints over that of a target's place: what they leave to the datum is a hundredth of a sigma."""

UNSEEN = 1e-9
"""Weight (1/mm², 1/rad²) that keeps a target whose sightings were all rejected from making the normal matrix singular."""


@dataclass(frozen=True, eq=False)
class State:
    """Lenses (l, 8), stations and targets as rotations (n, 3, 3) and shifts (n, 3) mm, side factors (b,)."""

    lenses: Floats
    station_rotations: Floats
    station_shifts: Floats
    target_rotations: Floats
    target_shifts: Floats
    factors: Floats

    @property
    def target_start(self) -> int:
        """First column of the targets among the unknowns."""
        return LENS * len(self.lenses) + 6 * len(self.station_shifts)

    @property
    def unknowns(self) -> int:
        """Number of unknowns, the six of the datum included."""
        return self.target_start + 6 * len(self.target_shifts) + len(self.factors)

    def moved(self, step: Floats) -> State:
        """Return the state after a step of all unknowns; rotations turn by a left-multiplied rotation vector."""
        a, b = LENS * len(self.lenses), self.target_start
        c = b + 6 * len(self.target_shifts)
        station, target = step[a:b].reshape(-1, 6), step[b:c].reshape(-1, 6)
        return State(
            self.lenses + step[:a].reshape(-1, LENS),
            _turned(self.station_rotations, station[:, :3]),
            self.station_shifts + station[:, 3:],
            _turned(self.target_rotations, target[:, :3]),
            self.target_shifts + target[:, 3:],
            self.factors + step[c:],
        )


@dataclass(frozen=True, eq=False)
class Network:
    """What was observed, by index.

    `lens`, `station`, `target` (m,) name the lens, photo and target of each sighting; `corners_px` (m, 4, 2) and
    `whitening` (m, 8, 8) turn a pixel residual into one of unit variance. `sides_mm` and `batch` are per target.
    `distance_ends` (d, 2) targets, `distances_mm`, `distance_sds_mm` (d,). `factor_sds` (b,) are the priors of the
    printed sides' scale; `lens_start` (l, 8) that of the lenses.
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


@dataclass(frozen=True, eq=False)
class Equations:
    """Normal matrix (n, n), gradient (n,) and cost at a state."""

    normal: Floats
    gradient: Floats
    cost: float


def normal_equations(state: State, network: Network, used: Bools, *, robust: bool) -> Equations:
    """Return the normal equations of the used sightings, the distances, the priors and the free datum.

    With `robust`, sightings weigh as by Cauchy's distribution: far ones count little.
    """
    size = state.unknowns
    residuals, jacobian, columns = sightings(state, network)
    whitening = network.whitening[used]
    white = (whitening @ residuals[used, :, None])[:, :, 0]
    lever, columns = whitening @ jacobian[used], columns[used]
    weight, cost = _weights((white**2).mean(axis=1), robust)
    weighted = (lever * weight[:, None, None]).transpose(0, 2, 1)
    places = columns[:, :, None] * size + columns[:, None, :]
    normal = _summed(places, weighted @ lever, size * size).reshape(size, size)
    gradient = _summed(columns, weighted @ white[:, :, None], size)
    normal[np.arange(size), np.arange(size)] += UNSEEN
    cost += _add_distances(state, network, normal, gradient)
    cost += _add_priors(state, network, normal, gradient)
    _add_inner_constraints(state, normal, np.unique(network.target[used]))
    return Equations(normal, gradient, cost)


def _summed(places: Ints, values: Floats, size: int) -> Floats:
    """Return the sums (size,) of values by place."""
    return np.asarray(np.bincount(places.ravel(), values.ravel(), size), dtype=np.float64)


def _weights(squared: Floats, robust: bool) -> tuple[Floats, float]:
    """Return the weights (m,) of sightings whose mean squares are given, and their cost."""
    if not robust:
        return np.ones(len(squared)), float(8 * squared.sum())
    unit = 4 * max(1.0, float(np.median(squared)))
    return 1 / (1 + squared / unit), float(8 * unit * np.log1p(squared / unit).sum())


def white_residuals(state: State, network: Network) -> Floats:
    """Return the residuals (m, 8) of all sightings in units of their own doubt."""
    return np.asarray((network.whitening @ sightings(state, network)[0][:, :, None])[:, :, 0])


def sightings(state: State, network: Network) -> tuple[Floats, Floats, Ints]:
    """Return residuals (m, 8) px, derivatives (m, 8, 21) of the prediction, and their columns (m, 21).

    The 21 are the lens's 8, the station's 6, the target's 6 and the side factor.
    """
    m = len(network.station)
    rs, ts = state.station_rotations[network.station], state.station_shifts[network.station]
    rt, tt = state.target_rotations[network.target], state.target_shifts[network.target]
    batch = network.batch[network.target]
    unit = np.column_stack([CORNERS, np.zeros(4)])[None] * network.sides_mm[network.target][:, None, None]
    per_factor = unit @ rt.transpose(0, 2, 1)  # (m, 4, 3): the corner's arm in the world for factor 1
    arm = per_factor * state.factors[batch][:, None, None]
    turned = (arm + tt[:, None]) @ rs.transpose(0, 2, 1)
    camera = turned + ts[:, None]
    z = np.where(np.abs(camera[..., 2]) < 1e-6, 1e-6, camera[..., 2])
    ideal = camera[..., :2] / z[..., None]
    lens = state.lenses[network.lens]
    residuals, by_ideal, by_lens = _through_lens(ideal, lens)
    by_camera = np.zeros((m, 4, 2, 3))
    by_camera[..., :2] = by_ideal / z[..., None, None]
    by_camera[..., 2] = -(by_ideal @ ideal[..., None])[..., 0] / z[..., None]
    by_world = by_camera @ rs[:, None]
    jacobian = np.empty((m, 4, 2, 21))
    jacobian[..., :8] = by_lens
    jacobian[..., 8:11] = -by_camera @ _cross(turned)
    jacobian[..., 11:14] = by_camera
    jacobian[..., 14:17] = -by_world @ _cross(arm)
    jacobian[..., 17:20] = by_world
    jacobian[..., 20] = (by_world @ per_factor[..., None])[..., 0]
    return (
        (network.corners_px - residuals).reshape(m, 8),
        jacobian.reshape(m, 8, 21),
        _columns(state, network, batch),
    )


def _columns(state: State, network: Network, batch: Ints) -> Ints:
    n, b = LENS * len(state.lenses), state.target_start
    parts = [
        LENS * network.lens[:, None] + np.arange(LENS),
        n + 6 * network.station[:, None] + np.arange(6),
        b + 6 * network.target[:, None] + np.arange(6),
        b + 6 * len(state.target_shifts) + batch[:, None],
    ]
    return np.concatenate(parts, axis=1)


def _through_lens(ideal: Floats, lens: Floats) -> tuple[Floats, Floats, Floats]:
    """Return pixels (m, 4, 2), d px/d ideal (m, 4, 2, 2) and d px/d lens (m, 4, 2, 8)."""
    points, rows = ideal.reshape(-1, 2), np.repeat(lens, 4, axis=0)
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
    return pixels.reshape(-1, 4, 2), by_ideal.reshape(-1, 4, 2, 2), slope.reshape(-1, 4, 2, LENS)


def _cross(v: Floats) -> Floats:
    """Return the matrices [v]x of vectors (..., 3) as (..., 3, 3)."""
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def _turned(rotations: Floats, vectors: Floats) -> Floats:
    return np.array([rotation_from_vector(v) @ r for r, v in zip(rotations, vectors, strict=True)])


def _add_distances(state: State, network: Network, normal: Floats, gradient: Floats) -> float:
    cost = 0.0
    first = state.target_start
    for (a, b), mm, sd in zip(
        network.distance_ends, network.distances_mm, network.distance_sds_mm, strict=True
    ):
        between = state.target_shifts[b] - state.target_shifts[a]
        length = float(np.linalg.norm(between))
        direction = between / max(length, 1e-9) / sd
        columns = np.r_[first + 6 * a + 3 : first + 6 * a + 6, first + 6 * b + 3 : first + 6 * b + 6]
        row, residual = np.concatenate([-direction, direction]), (mm - length) / sd
        normal[np.ix_(columns, columns)] += np.outer(row, row)
        gradient[columns] += row * residual
        cost += float(residual**2)
    return cost


def _add_priors(state: State, network: Network, normal: Floats, gradient: Floats) -> float:
    sds = np.tile(LENS_PRIOR, (len(state.lenses), 1))
    sds[:, :3] *= network.lens_start[:, :1]
    off = (network.lens_start - state.lenses) / sds
    lens = np.arange(off.size)
    normal[lens, lens] += 1 / sds.ravel() ** 2
    gradient[lens] += (off / sds).ravel()
    factor = np.arange(len(gradient) - len(state.factors), len(gradient))
    normal[factor, factor] += 1 / network.factor_sds**2
    gradient[factor] += (1 - state.factors) / network.factor_sds**2
    return float((off**2).sum() + (((1 - state.factors) / network.factor_sds) ** 2).sum())


def _add_inner_constraints(state: State, normal: Floats, seen: Ints) -> None:
    """Hold the mean place and turn of the seen targets' centres: six conditions that no observation speaks about.

    A target whose sightings were all rejected is free to go anywhere and must not take the datum along.
    """
    centres, t = state.target_shifts[seen], len(seen)
    centred = centres - centres.mean(axis=0)
    reach = max(float(np.sqrt((centred**2).sum(axis=1).mean())), 1.0)
    columns = (state.target_start + 6 * seen[:, None] + 3 + np.arange(3)).ravel()
    rows = np.concatenate([np.tile(np.eye(3), (1, t)), np.concatenate(list(_cross(centred / reach)), axis=1)])
    weight = float(np.median(np.diag(normal)[columns])) * INNER_WEIGHT
    normal[np.ix_(columns, columns)] += weight * rows.T @ rows
