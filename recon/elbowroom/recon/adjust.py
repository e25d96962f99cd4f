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

from elbowroom.recon.equations import Equations, Network, State, normal_equations, sightings, white_residuals
from elbowroom.shared.arrays import Bools, Floats
from elbowroom.shared.errors import SolveError

REJECT_SIGMA = 4.5
"""A sighting goes when a standardised residual passes this: 7 in a million by chance."""

ROBUST_STEPS, PLAIN_STEPS = 30, 20
"""Iteration caps of the robust start and of each plain pass; a phone network needs 8 and 4."""

LEAST_UNIT = 0.05
"""Least robust unit and least sigma0: perfect data would otherwise be rejected for rounding and for the lens's prior."""

DATUM_FREEDOMS = 6
"""Freedoms of the world frame that no observation fixes (the scale is fixed by sides or distances)."""

WORST_DAMPING = 1e8
"""Damping beyond which no step helps any more."""

REJECTION_ROUNDS = 4
"""Rounds of rejecting and adjusting again; the set of sightings kept settles in two."""

CONVERGED = 1e-8
"""Stop when the cost falls by less than this share."""

SCALE_ROUNDS = 3
"""Rounds of the corners' scale: its hat matrix moves by the few freedoms that priors hold."""

ROUGHLY_CONVERGED = 1e-4
"""...and for the robust start, which plain steps follow."""


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
        first = self.state.target_start + 6 * target
        return slice(first + 3, first + 6)


def robust_state(start: State, network: Network, *, cancelled: Callable[[], bool] | None = None) -> State:
    """Return the state near the least sum from first values that gross errors have pulled about (Cauchy weights).

    Raises
    ------
    SolveError
        When cancelled, or when the normal matrix is singular.
    """
    every = np.ones(len(network.station), dtype=bool)
    return _iterate(start, network, every, robust=True, cancelled=cancelled)


def adjust(start: State, network: Network, *, cancelled: Callable[[], bool] | None = None) -> Adjusted:
    """Adjust a network by plain least squares from a state near it, rejecting gross errors round by round.

    Raises
    ------
    SolveError
        When cancelled, when the normal matrix is singular, or when too few sightings survive.
    """
    state, used = start, np.ones(len(network.station), dtype=bool)
    for turn in range(REJECTION_ROUNDS):
        keep = _kept(state, network, used)
        if turn and (keep == used).all():
            break
        used = keep
        state = _iterate(state, network, used, robust=False, cancelled=cancelled)
    return _finish(state, network, used, cancelled)


def _kept(state: State, network: Network, used: Bools) -> Bools:
    """Return the sightings (m,) whose largest standardised residual is within bounds."""
    white = np.abs(white_residuals(state, network))
    unit = max(1.4826 * float(np.median(white[used])), LEAST_UNIT)
    keep = white.max(axis=1) < REJECT_SIGMA * unit
    if keep.sum() < 2:
        raise SolveError(
            "almost every sighting was rejected",
            where="adjustment",
            value=f"{int(keep.sum())} of {len(keep)} kept",
            limit="2",
            todo="check that all photos show the same, unmoved targets",
        )
    return keep


def _finish(state: State, network: Network, used: Bools, cancelled: Callable[[], bool] | None) -> Adjusted:
    """Return the result once the corners' doubt is scaled to what the residuals say it is."""
    white = white_residuals(state, network)[used]
    sigma0 = _sigma0(state, network, used, float((white**2).sum()))
    scaled = _scaled(network, sigma0)
    state = _iterate(state, scaled, used, robust=False, cancelled=cancelled)
    covariance = _inverse(normal_equations(state, scaled, used, robust=False).normal)
    residuals = sightings(state, network)[0]
    return Adjusted(state, covariance, used, residuals, sigma0, _redundancy(state, network, used))


def _scaled(network: Network, sigma0: float) -> Network:
    """Return the network with the corners' doubt, and theirs alone, scaled by `sigma0`."""
    return replace(network, whitening=network.whitening / max(sigma0, LEAST_UNIT))


def _sigma0(state: State, network: Network, used: Bools, squares: float) -> float:
    """Return the scale of the corners' doubt: the root of `squares` over what of them the unknowns don't take up.

    Cards, typed distances and priors take part in the unknowns but keep their own doubt, so the corners lose fewer
    freedoms than there are unknowns: the trace of the sightings' hat matrix, which hangs on the scale itself.

    Source: variance component estimation by iterated expectation, F. R. Helmert 1907 (from memory).
    """
    _, jacobian, columns = (part[used] for part in sightings(state, network))
    lever = network.whitening[used] @ jacobian
    freedoms, scale = float(lever.shape[0] * lever.shape[1]), 1.0
    for _ in range(SCALE_ROUNDS):
        weighed = _scaled(network, scale)
        covariance = _inverse(normal_equations(state, weighed, used, robust=False).normal)
        blocks = covariance[columns[:, :, None], columns[:, None, :]]
        taken = float(((lever @ blocks) * lever).sum()) / max(scale, LEAST_UNIT) ** 2
        scale = float(np.sqrt(squares / max(freedoms - taken, 1.0)))
    return scale


def _redundancy(state: State, network: Network, used: Bools) -> int:
    """Return observations, distances among them, less unknowns; priors stand against lenses and side factors."""
    places = len(np.unique(network.station[used])) + len(np.unique(network.target[used]))
    return 8 * int(used.sum()) + len(network.distances_mm) - (6 * places - DATUM_FREEDOMS)


def _inverse(normal: Floats) -> Floats:
    scale = 1 / np.sqrt(np.diag(normal))
    inverse = np.linalg.inv(normal * scale[:, None] * scale) * scale[:, None] * scale
    return np.asarray(0.5 * (inverse + inverse.T), dtype=np.float64)


def _iterate(
    state: State, network: Network, used: Bools, *, robust: bool, cancelled: Callable[[], bool] | None
) -> State:
    """Return the state after Levenberg-Marquardt steps (Cauchy weights when robust)."""
    steps, enough = (ROBUST_STEPS, ROUGHLY_CONVERGED) if robust else (PLAIN_STEPS, CONVERGED)
    damping = 1e-3 if robust else 1e-7
    now = normal_equations(state, network, used, robust=robust)
    for _ in range(steps):
        if cancelled is not None and cancelled():
            raise SolveError("cancelled", where="adjustment", todo="start the measurement again when ready")
        moved = state.moved(_step(now, damping))
        trial = normal_equations(moved, network, used, robust=robust)
        if not trial.cost <= now.cost * (1 + 1e-12):  # NaN is refused too
            damping = max(damping, 1e-7) * 10
            if damping > WORST_DAMPING:
                break
            continue
        gain, state, now = now.cost - trial.cost, moved, trial
        if gain <= enough * (now.cost + gain) and damping < 1e-2:
            break
        damping = max(damping / 10, 1e-12)
    return state


def _step(equations: Equations, damping: float) -> Floats:
    """Return the damped step of all unknowns, solved in units in which the matrix has ones on its diagonal."""
    scale = 1 / np.sqrt(np.diag(equations.normal))
    damped = equations.normal * scale[:, None] * scale + damping * np.eye(len(scale))
    try:
        return np.asarray(scale * np.linalg.solve(damped, scale * equations.gradient), dtype=np.float64)
    except np.linalg.LinAlgError as error:
        raise SolveError(
            "the network is undetermined",
            where="adjustment",
            value=f"{len(scale)} unknowns",
            todo="take more photos, each with three or more targets that other photos show",
        ) from error
