"""Bundle adjustment of lenses, stations, rigid square targets and distances, with its full covariance.

Weighted least squares with analytic derivatives; a Cauchy start, then rejection of gross errors, then plain least
squares. The datum is free: inner constraints over the target centres, so that nothing is held fixed by chance.

Source: B. Triggs et al., Bundle Adjustment: A Modern Synthesis, 2000 (normal equations, inner constraints, robust
weights); W. Baarda, A testing procedure for use in geodetic networks, 1968 (rejecting by standardised residual).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.errors import SolveError
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.lens import distort, distort_derivative

LENS = 8
"""Parameters of a lens: focal, cx, cy, k1, k2, k3, p1, p2."""

LENS_PRIOR = np.array([0.5, 0.02, 0.02, 0.3, 0.6, 1.0, 0.005, 0.005])
"""Prior standard deviations: focal, cx, cy relative to the focal length, the rest as they are: wide for a phone."""

REJECT_SIGMA = 4.5
"""A sighting goes when a standardised residual passes this: 7 in a million by chance."""

ROBUST_STEPS, PLAIN_STEPS = 30, 20
"""Iteration caps of the robust start and of each plain pass; a phone network needs 8 and 4."""

INNER_WEIGHT = 1e4
"""Weight of the inner constraints over that of a target's place: what they leave to the datum is a hundredth of a sigma."""

UNSEEN = 1e-9
"""Weight (1/mm², 1/rad²) that keeps a target whose sightings were all rejected from making the normal matrix singular."""

CONVERGED = 1e-8
"""Stop when the cost falls by less than this share."""


@dataclass(frozen=True, eq=False)
class State:
    """Lenses (l, 8), stations and targets as rotations (n, 3, 3) and shifts (n, 3) mm, side factors (b,)."""

    lenses: Floats
    station_rotations: Floats
    station_shifts: Floats
    target_rotations: Floats
    target_shifts: Floats
    factors: Floats


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
class Adjusted:
    """The adjusted state, its covariance over all parameters, and how well it fits.

    `covariance` follows the order lenses, stations, targets (rotation then shift each), factors. `used` (m,) marks
    the sightings kept, `residuals_px` (m, 8) are those of all. `sigma0` scales the corners' own covariance.
    """

    state: State
    covariance: Floats
    used: Bools
    residuals_px: Floats
    sigma0: float
    redundancy: int

    def target_columns(self, target: int) -> slice:
        """Return the columns of a target's shift in the covariance."""
        first = LENS * len(self.state.lenses) + 6 * len(self.state.station_shifts) + 6 * target
        return slice(first + 3, first + 6)


def adjust(
    start: State, network: Network, *, cancelled: Callable[[], bool] | None = None, robust: bool = True
) -> Adjusted:
    """Adjust a network from first values.

    Raises
    ------
    SolveError
        When cancelled, when the normal matrix is singular, or when too few sightings survive.
    """
    state, used = start, np.ones(len(network.station), dtype=bool)
    if robust:
        state = _iterate(state, network, used, ROBUST_STEPS, True, cancelled)
    for _ in range(4):
        sizes, scale = _sizes(state, network, used)
        keep = sizes < REJECT_SIGMA * scale
        if (keep == used).all() and not robust:
            break
        used, robust = keep, False
        if used.sum() < 2:
            raise SolveError(
                "almost every sighting was rejected",
                where="adjustment",
                value=int(used.sum()),
                todo="check that all photos show the same, unmoved targets",
            )
        state = _iterate(state, network, used, PLAIN_STEPS, False, cancelled)
    return _finish(state, network, used, cancelled)


def _finish(state: State, network: Network, used: Bools, cancelled: Callable[[], bool] | None) -> Adjusted:
    residuals, _, _ = _sightings(state, network)
    unknowns = _unknowns(state) - 6
    redundancy = (
        8 * int(used.sum())
        + len(network.distances_mm)
        - unknowns
        + LENS * len(state.lenses)
        + len(state.factors)
    )
    sigma0 = float(np.sqrt((_white(residuals, network)[used] ** 2).sum() / max(redundancy, 1)))
    scaled = replace(network, whitening=network.whitening / max(sigma0, 1e-6))
    state = _iterate(state, scaled, used, PLAIN_STEPS, False, cancelled)
    normal, _, _ = _normal(state, scaled, used, False)
    residuals, _, _ = _sightings(state, network)
    return Adjusted(state, _invert(normal), used, residuals, sigma0, redundancy)


def _invert(normal: Floats) -> Floats:
    scale = 1 / np.sqrt(np.diag(normal))
    inverse: Floats = (
        np.linalg.inv(normal * scale[:, None] * scale[None, :]) * scale[:, None] * scale[None, :]
    )
    return 0.5 * (inverse + inverse.T)


def _iterate(
    state: State,
    network: Network,
    used: Bools,
    steps: int,
    robust: bool,
    cancelled: Callable[[], bool] | None,
) -> State:
    """Return the state after Levenberg-Marquardt steps (Cauchy weights when robust)."""
    damping = 1e-3 if robust else 1e-7
    normal, gradient, cost = _normal(state, network, used, robust)
    for _ in range(steps):
        if cancelled is not None and cancelled():
            raise SolveError("cancelled", where="adjustment", todo="start the measurement again when ready")
        diagonal = np.diag(normal)
        scale = 1 / np.sqrt(diagonal)
        damped = normal * scale[:, None] * scale[None, :] + damping * np.eye(len(normal))
        step = scale * np.linalg.solve(damped, scale * gradient)
        moved = _moved(state, step)
        trial = _normal(moved, network, used, robust)
        if not np.isfinite(trial[2]) or trial[2] > cost * (1 + 1e-12):
            damping = max(damping, 1e-7) * 10
            if damping > 1e8:
                break
            continue
        done = cost - trial[2] <= CONVERGED * cost and damping < 1e-2
        state, (normal, gradient, cost) = moved, trial
        damping = max(damping / 10, 1e-12)
        if done:
            break
    return state


def _unknowns(state: State) -> int:
    return (
        LENS * len(state.lenses)
        + 6 * (len(state.station_shifts) + len(state.target_shifts))
        + len(state.factors)
    )


def _moved(state: State, step: Floats) -> State:
    """Return the state after a step of all parameters; rotations turn by a left-multiplied rotation vector."""
    n, s, t = len(state.lenses), len(state.station_shifts), len(state.target_shifts)
    a, b, c = LENS * n, LENS * n + 6 * s, LENS * n + 6 * (s + t)
    station, target = step[a:b].reshape(s, 6), step[b:c].reshape(t, 6)

    def turn(rotations: Floats, vectors: Floats) -> Floats:
        return np.array([rotation_from_vector(v) @ r for r, v in zip(rotations, vectors, strict=True)])

    return State(
        state.lenses + step[:a].reshape(n, LENS),
        turn(state.station_rotations, station[:, :3]),
        state.station_shifts + station[:, 3:],
        turn(state.target_rotations, target[:, :3]),
        state.target_shifts + target[:, 3:],
        state.factors + step[c:],
    )


def _cross(v: Floats) -> Floats:
    """Return the matrices [v]x of vectors (..., 3) as (..., 3, 3)."""
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def _sightings(state: State, network: Network) -> tuple[Floats, Floats, Ints]:
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
    n, s, t = len(state.lenses), len(state.station_shifts), len(state.target_shifts)
    return np.concatenate(
        [
            LENS * network.lens[:, None] + np.arange(LENS),
            LENS * n + 6 * network.station[:, None] + np.arange(6),
            LENS * n + 6 * s + 6 * network.target[:, None] + np.arange(6),
            LENS * n + 6 * (s + t) + batch[:, None],
        ],
        axis=1,
    )


def _through_lens(ideal: Floats, lens: Floats) -> tuple[Floats, Floats, Floats]:
    """Return pixels (m, 4, 2), d px/d ideal (m, 4, 2, 2) and d px/d lens (m, 4, 2, 8)."""
    pixels, by_ideal = np.empty_like(ideal), np.empty((*ideal.shape, 2))
    by_lens = np.zeros((*ideal.shape, LENS))
    for row in np.unique(lens, axis=0):
        pick = (lens == row).all(axis=1)
        points, focal, coefficients = ideal[pick].reshape(-1, 2), row[0], row[3:]
        shape = (-1, 4, 2)
        distorted = distort(points, coefficients)
        pixels[pick] = (focal * distorted + row[1:3]).reshape(shape)
        by_ideal[pick] = (focal * distort_derivative(points, coefficients)).reshape(-1, 4, 2, 2)
        x, y = points[:, 0], points[:, 1]
        r2 = x * x + y * y
        slope = np.zeros((len(points), 2, LENS))
        slope[:, :, 0] = distorted
        slope[:, 0, 1] = slope[:, 1, 2] = 1.0
        for k in range(3):
            slope[:, :, 3 + k] = focal * points * (r2 ** (k + 1))[:, None]
        slope[:, 0, 6], slope[:, 1, 6] = focal * 2 * x * y, focal * (r2 + 2 * y * y)
        slope[:, 0, 7], slope[:, 1, 7] = focal * (r2 + 2 * x * x), focal * 2 * x * y
        by_lens[pick] = slope.reshape(-1, 4, 2, LENS)
    return pixels, by_ideal, by_lens


def _white(residuals: Floats, network: Network) -> Floats:
    return (network.whitening @ residuals[:, :, None])[:, :, 0]


def _sizes(state: State, network: Network, used: Bools) -> tuple[Floats, float]:
    """Return each sighting's largest standardised residual (m,) and the robust unit they are in."""
    white = _white(_sightings(state, network)[0], network)
    scale = 1.4826 * float(np.median(np.abs(white[used])))
    return np.abs(white).max(axis=1), max(scale, 1e-3)


def _normal(state: State, network: Network, used: Bools, robust: bool) -> tuple[Floats, Floats, float]:
    """Return the normal matrix, the gradient and the cost at a state."""
    size = _unknowns(state)
    normal, gradient = np.zeros((size, size)), np.zeros(size)
    residuals, jacobian, columns = _sightings(state, network)
    residuals, jacobian, columns = residuals[used], jacobian[used], columns[used]
    whitening = network.whitening[used]
    white = (whitening @ residuals[:, :, None])[:, :, 0]
    lever = whitening @ jacobian
    squared = (white**2).mean(axis=1)
    if robust:
        unit = max(1.0, float(np.median(squared)))
        weight = 1 / (1 + squared / (4 * unit))
        cost = float(8 * 4 * unit * np.log1p(squared / (4 * unit)).sum())
    else:
        weight, cost = np.ones(len(squared)), float(8 * squared.sum())
    weighted = lever * weight[:, None, None]
    np.add.at(normal, (columns[:, :, None], columns[:, None, :]), weighted.transpose(0, 2, 1) @ lever)
    np.add.at(gradient, columns, (weighted.transpose(0, 2, 1) @ white[:, :, None])[:, :, 0])
    normal[np.arange(size), np.arange(size)] += UNSEEN
    cost += _add_distances(state, network, normal, gradient)
    cost += _add_priors(state, network, normal, gradient)
    _add_inner_constraints(state, normal)
    return normal, gradient, cost


def _add_distances(state: State, network: Network, normal: Floats, gradient: Floats) -> float:
    cost = 0.0
    first = LENS * len(state.lenses) + 6 * len(state.station_shifts)
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


def _add_inner_constraints(state: State, normal: Floats) -> None:
    """Hold the mean place and turn of the target centres: six conditions that no observation speaks about."""
    first, t = LENS * len(state.lenses) + 6 * len(state.station_shifts), len(state.target_shifts)
    centred = state.target_shifts - state.target_shifts.mean(axis=0)
    reach = max(float(np.sqrt((centred**2).sum(axis=1).mean())), 1.0)
    columns = (first + 6 * np.arange(t)[:, None] + 3 + np.arange(3)).ravel()
    rows = np.concatenate([np.tile(np.eye(3), (1, t)), np.concatenate(list(_cross(centred / reach)), axis=1)])
    weight = float(np.median(np.diag(normal)[columns])) * INNER_WEIGHT
    normal[np.ix_(columns, columns)] += weight * rows.T @ rows
