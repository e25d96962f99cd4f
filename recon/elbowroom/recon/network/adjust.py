"""Bundle adjustment of lenses, stations, rigid square targets, free points and distances, with the covariance asked for.

Weighted least squares with analytic derivatives; a Cauchy start, then rejection of gross errors, then plain least
squares. The datum is free: the covariance is that of the frame all target centres hold, not of one fixed by chance.

Source: B. Triggs et al., Bundle Adjustment: A Modern Synthesis, 2000 (normal equations, inner constraints, robust
weights); W. Baarda, A testing procedure for use in geodetic networks, 1968 (rejecting by standardised residual).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.network.equations import TARGET, Network, State, sightings, white_residuals
from elbowroom.recon.network.normal import UNSEEN, normal_equations
from elbowroom.recon.network.reduced import (
    Reduced,
    covariance_of,
    free_datum,
    held_columns,
    kept_covariance,
    promised,
    reduced,
    step_of,
)
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.errors import SolveError

REJECT_SIGMA = 4.5
"""A sighting goes when a standardised residual passes this: 7 in a million by chance."""

ROBUST_STEPS, PLAIN_STEPS = 60, 20
"""Iteration caps of the robust start and of each plain pass; a phone network needs 8 and 4, a row of 300 photos 30."""

LEAST_UNIT = 0.05
"""Least robust unit and least sigma0: perfect data would otherwise be rejected for rounding and for the lens's prior."""

DATUM_FREEDOMS = 6
"""Freedoms of the world frame that no observation fixes (the scale is fixed by sides or distances)."""

WORST_DAMPING = 1e8
"""Damping beyond which no step helps any more."""

LEAST_DAMPING = 1e-12
"""Damping below which it is lost in rounding."""

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
    """The adjusted state, its doubt, and how well it fits.

    `used` (m,) marks the sightings kept, `used_picks` (q,) the picks; `residuals_px` (m, 8) are those of all sightings.
    `sigma0` scales the corners' own covariance. `centre_covariance` (3t, 3t) mm² is that of the target centres in the
    frame their mean place and turn hold; targets that lost all their sightings have none there (not a number).
    `lens_covariance` (8l, 8l), `factor_covariance` (b, b) and `refocus_sds` (s,) need no frame.
    """

    state: State
    used: Bools
    used_picks: Bools
    residuals_px: Floats
    sigma0: float
    redundancy: int
    centre_covariance: Floats
    lens_covariance: Floats
    factor_covariance: Floats
    refocus_sds: Floats

    def centre_columns(self, target: int) -> slice:
        """Return the columns of a target in the centres' covariance."""
        return slice(3 * target, 3 * target + 3)


def robust_state(start: State, network: Network, *, cancelled: Callable[[], bool] | None = None) -> State:
    """Return the state near the least sum from first values that gross errors have pulled about (Cauchy weights).

    Raises
    ------
    SolveError
        When cancelled, or when the normal matrix is singular.
    """
    every = np.ones(len(network), dtype=bool)
    return _iterate(start, network, every, robust=True, cancelled=cancelled)


def adjust(start: State, network: Network, *, cancelled: Callable[[], bool] | None = None) -> Adjusted:
    """Adjust a network by plain least squares from a state near it, rejecting gross errors round by round.

    Raises
    ------
    SolveError
        When cancelled, when the normal matrix is singular, or when too few sightings survive.
    """
    state, used = start, np.ones(len(network), dtype=bool)
    for turn in range(REJECTION_ROUNDS):
        keep = _kept(state, network, used)
        if turn and (keep == used).all():
            break
        used = keep
        state = _iterate(state, network, used, robust=False, cancelled=cancelled)
    return _finish(state, network, used, cancelled)


def _kept(state: State, network: Network, used: Bools) -> Bools:
    """Return the sightings and picks (m + q,) whose largest standardised residual is within bounds."""
    corners, picks = (np.abs(white) for white in white_residuals(state, network))
    seen = used[: len(corners)]
    unit = max(1.4826 * float(np.median(corners[seen])), LEAST_UNIT)
    keep = corners.max(axis=1) < REJECT_SIGMA * unit
    if keep.sum() < 2:
        raise SolveError(
            "almost every sighting was rejected",
            where="adjustment",
            value=f"{int(keep.sum())} of {len(keep)} kept",
            limit="2",
            todo="check that all photos show the same, unmoved targets",
        )
    return np.concatenate([keep, picks.max(axis=1, initial=0.0) < REJECT_SIGMA * max(unit, 1.0)])


def _finish(state: State, network: Network, used: Bools, cancelled: Callable[[], bool] | None) -> Adjusted:
    """Return the result once the corners' doubt is scaled to what the residuals say it is."""
    corners, picks = white_residuals(state, network)
    m = len(corners)
    seen, picked = used[:m], used[m:]
    squares = float((corners[seen] ** 2).sum() + (picks[picked] ** 2).sum())
    sigma0 = _sigma0(state, network, used, squares)
    scaled = scaled_network(network, sigma0)
    state = _iterate(state, scaled, used, robust=False, cancelled=cancelled)
    solved = _solved(state, scaled, used)
    kept = kept_covariance(solved)
    lenses, factors = np.arange(state.station_start), np.arange(state.factor_start, state.point_start)
    rows = solved.equations.layout.row
    return Adjusted(
        state,
        seen,
        picked,
        sightings(state, network)[0],
        sigma0,
        _redundancy(state, network, used),
        _centre_covariance(solved, kept, state, np.unique(network.target[seen])),
        kept[np.ix_(rows[lenses], rows[lenses])],
        kept[np.ix_(rows[factors], rows[factors])],
        np.sqrt(np.diag(kept)[rows[state.focus_columns]]),
    )


def _centre_covariance(solved: Reduced, kept: Floats, state: State, seen: Ints) -> Floats:
    """Return the covariance (3t, 3t) of the target centres, not a number for those not `seen`."""
    columns = (state.target_start + TARGET * seen[:, None] + 3 + np.arange(3)).ravel()
    inner = free_datum(covariance_of(solved, kept, columns), state.target_shifts[seen])
    places = (3 * seen[:, None] + np.arange(3)).ravel()
    out = np.full((3 * len(state.target_shifts),) * 2, np.nan)
    out[np.ix_(places, places)] = inner
    return out


def _solved(state: State, network: Network, used: Bools) -> Reduced:
    equations = normal_equations(state, network, used, robust=False)
    return reduced(equations, held_columns(state, network, used))


def scaled_network(network: Network, sigma0: float) -> Network:
    """Return the network with the doubt of what the photos show, and that alone, scaled by `sigma0`."""
    scale = max(sigma0, LEAST_UNIT)
    picks = replace(network.picks, sds_px=network.picks.sds_px * scale)
    return replace(network, whitening=network.whitening / scale, picks=picks)


def _sigma0(state: State, network: Network, used: Bools, squares: float) -> float:
    """Return the scale of the photos' doubt: the root of `squares` over what of them the unknowns don't take up.

    Cards, typed distances and priors take part in the unknowns but keep their own doubt, so the photos lose fewer
    freedoms than there are unknowns: the trace of their hat matrix, which hangs on the scale itself. It is the number
    of unknowns less the trace of the covariance times what is known beside the photos.

    Source: variance component estimation by iterated expectation, F. R. Helmert 1907 (from memory).
    """
    m = len(network.station)
    freedoms, scale = float(8 * used[:m].sum() + 2 * used[m:].sum()), 1.0
    for _ in range(SCALE_ROUNDS):
        solved = _solved(state, scaled_network(network, scale), used)
        kept = kept_covariance(solved)
        seen = sum(
            b.matrix.shape[1] * int((b.matrix.trace(axis1=1, axis2=2) > 1e3 * UNSEEN).sum())
            for b in solved.equations.blocks
        )
        taken = len(solved.free) - float((solved.equations.known * kept).sum()) + seen
        scale = float(np.sqrt(squares / max(freedoms - taken, 1.0)))
    return scale


def _redundancy(state: State, network: Network, used: Bools) -> int:
    """Return observations, distances among them, less unknowns; priors stand against lenses and side factors."""
    m = len(network.station)
    places = len(np.unique(network.station[used[:m]])) + len(np.unique(network.target[used[:m]]))
    points = len(np.unique(network.picks.point[used[m:]]))
    seen = 8 * int(used[:m].sum()) + 2 * int(used[m:].sum())
    return seen + len(network.distances_mm) - (6 * places + 3 * points - DATUM_FREEDOMS)


def _iterate(
    state: State, network: Network, used: Bools, *, robust: bool, cancelled: Callable[[], bool] | None
) -> State:
    """Return the state after Levenberg-Marquardt steps (Cauchy weights when robust).

    Source: K. Madsen, H. B. Nielsen, O. Tingleff, Methods for non-linear least squares problems, 2004 (damping by gain).
    """
    steps, enough = (ROBUST_STEPS, ROUGHLY_CONVERGED) if robust else (PLAIN_STEPS, CONVERGED)
    damping, growth, held = (1e-3 if robust else 1e-7), 2.0, held_columns(state, network, used)
    now = normal_equations(state, network, used, robust=robust)
    for _ in range(steps):
        if cancelled is not None and cancelled():
            raise SolveError("cancelled", where="adjustment", todo="start the measurement again when ready")
        step = step_of(reduced(now, held, damping), state.unknowns)
        moved = state.moved(step)
        trial = normal_equations(moved, network, used, robust=robust)
        gain = now.cost - trial.cost
        if not gain >= -1e-12 * now.cost:  # NaN is refused too
            damping, growth = damping * growth, 2 * growth
            if damping > WORST_DAMPING:
                break
            continue
        share = gain / max(promised(now, step, damping), 1e-300)
        state, now = moved, trial
        if gain <= enough * (now.cost + gain) and damping < 1e-2:
            break
        damping, growth = max(damping * max(0.1, 1 - (2 * share - 1) ** 3), LEAST_DAMPING), 2.0
    return state
