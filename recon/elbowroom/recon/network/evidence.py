"""Which lens model the photos ask for: terms they don't show are left out, a focal length per photo is let in.

A term or a freedom pays for itself when it takes more than two from the sum of squares, in units of the corners' own
variance, for each parameter it adds.

Source: H. Akaike, A new look at the statistical model identification, 1974.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
from scipy.linalg import solve

from elbowroom.recon.network.adjust import Adjusted, scaled_network
from elbowroom.recon.network.equations import LENS, LENS_PRIOR, Network, State
from elbowroom.recon.network.normal import normal_equations
from elbowroom.recon.network.reduced import held_columns, kept_covariance, promised, reduced, step_of
from elbowroom.shared.arrays import Bools, Floats

REFOCUS_SD = 0.003
"""Focusing moves a phone's focal length by a few tenths of a percent (common practice, no source)."""

PRICE = 2.0
"""What a parameter must take from the sum of squares (Akaike)."""

K2, K3, P1, P2 = 4, 5, 6, 7
"""Places of the terms that may be left out among a lens's parameters; k1 is there in every phone."""

SPARED = [(*radial, *tangential) for radial, tangential in product(((), (K3,), (K2, K3)), ((), (P1, P2)))]
"""Terms that may be left out together, none first: no higher radial term without the lower one."""


def asked_model(adjusted: Adjusted, network: Network) -> tuple[State, Network]:
    """Return state and network of the model the photos ask for; the same network when that is the one adjusted."""
    held = np.array([_spare(adjusted, network, i) for i in range(len(network.lens_held))])
    refocus = REFOCUS_SD if _asks_for_refocus(adjusted, network) else 0.0
    if (held == network.lens_held).all() and refocus == network.refocus_sd:
        return adjusted.state, network
    lenses = np.where(held, network.lens_start, adjusted.state.lenses)
    return replace(adjusted.state, lenses=lenses), replace(network, lens_held=held, refocus_sd=refocus)


def _spare(adjusted: Adjusted, network: Network, lens: int) -> Bools:
    """Return which parameters (8,) of a lens the photos don't show."""
    held = network.lens_held[lens].copy()
    if network.lens_information[lens, K3, K3] > 1.01 / LENS_PRIOR[K3] ** 2:
        return held  # known from before, with a doubt of its own
    off = adjusted.state.lenses[lens] - network.lens_start[lens]
    own = slice(LENS * lens, LENS * (lens + 1))
    covariance = adjusted.lens_covariance[own, own]
    worth = [_squares(off, covariance, list(terms)) - PRICE * len(terms) for terms in SPARED]
    held[list(SPARED[int(np.argmin(worth))])] = True
    return held


def _squares(off: Floats, covariance: Floats, terms: list[int]) -> float:
    """Return what leaving terms out adds to the sum of squares."""
    if not terms:
        return 0.0
    return float(off[terms] @ solve(covariance[np.ix_(terms, terms)], off[terms], assume_a="pos"))


def _asks_for_refocus(adjusted: Adjusted, network: Network) -> bool:
    """Return whether a focal length per photo would pay for itself: one step tells, nothing is adjusted again."""
    state, used = adjusted.state, np.concatenate([adjusted.used, adjusted.used_picks])
    free = replace(scaled_network(network, adjusted.sigma0), refocus_sd=REFOCUS_SD)
    equations = normal_equations(state, free, used, robust=False)
    solved = reduced(equations, held_columns(state, free, used))
    gain = promised(equations, step_of(solved, state.unknowns), 0.0)
    rows = equations.layout.row[state.focus_columns]
    taken = float((1 - np.diag(kept_covariance(solved))[rows] / REFOCUS_SD**2).sum())
    return gain > PRICE * taken
