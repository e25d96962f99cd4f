"""The lens model follows the evidence: terms that aren't there are left out, those that are stay, focusing is noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from tests.recon.made_network import LENS, NOISE_PX, START, network_of, shaken, true_state

from elbowroom.recon.network.adjust import Adjusted, adjust, robust_state
from elbowroom.recon.network.equations import Network, State, sightings
from elbowroom.recon.network.evidence import K2, K3, P1, P2, asked_model

Floats = npt.NDArray[np.float64]
SEEDS = range(20)


def asked(state: State, network: Network, seed: int) -> tuple[State, Network, Adjusted]:
    """Return the model asked for, and the adjustment it was asked by."""
    first = adjust(robust_state(shaken(state, np.random.default_rng(seed)), network), network)
    return *asked_model(first, network), first


def with_lens(seed: int, **terms: float) -> State:
    """Return a true network through a lens of these terms alone."""
    row = START[0].copy()
    row[:3] = LENS[:3]
    for name, value in terms.items():
        row[{"k1": 3, "k2": K2, "k3": K3, "p1": P1, "p2": P2}[name]] = value
    return replace(true_state(seed), lenses=row[None])


@pytest.mark.parametrize(
    ("terms", "kept"),
    [
        ({"k1": 0.1, "k2": -0.2, "p1": 5e-4, "p2": -5e-4}, {K2, P1, P2}),
        ({"k1": 0.1}, set()),
    ],
)
def test_terms_that_are_there_stay_and_others_mostly_go(terms: dict[str, float], kept: set[int]) -> None:
    left_out = []
    for seed in SEEDS:
        state = with_lens(seed, **terms)
        network = network_of(state, np.random.default_rng(seed))
        _, model, _ = asked(state, network, seed)
        held = set(np.flatnonzero(model.lens_held[0]))
        assert not held & kept
        left_out.append(len(held) / (4 - len(kept)))
    # closed form: a term that is not there passes for one when chi squared (1) exceeds 2, 16 times in 100
    assert np.mean(left_out) > 0.7


def test_what_is_left_out_is_exactly_nothing_and_has_no_doubt() -> None:
    state = with_lens(0, k1=0.1)
    network = network_of(state, np.random.default_rng(0))
    start, model, first = asked(state, network, 0)
    assert model.lens_held[0, K3]
    out = adjust(start, model)
    held = model.lens_held[0]
    assert not out.state.lenses[0, held].any()
    assert not out.lens_covariance[held].any()
    # fewer unknowns can't be known worse
    assert (
        out.lens_covariance[0, 0] <= first.lens_covariance[0, 0] * (out.sigma0 / first.sigma0) ** 2 * 1.0001
    )


def refocused(seed: int, sd: float) -> Network:
    """Return a network whose photos each focus their own way."""
    state, rng = true_state(seed), np.random.default_rng(seed)
    moved = replace(state, refocus=rng.normal(0, 1, 8) * sd)
    network = network_of(state, rng)
    seen = -sightings(moved, replace(network, corners_px=np.zeros_like(network.corners_px)))[0]
    return replace(network, corners_px=seen.reshape(-1, 4, 2) + rng.normal(0, NOISE_PX, (len(seen), 4, 2)))


def test_photos_that_focus_each_their_own_way_get_a_focal_length_each() -> None:
    for seed in SEEDS:
        _, model, _ = asked(true_state(seed), refocused(seed, 0.001), seed)
        assert model.refocus_sd > 0, seed


def test_photos_of_one_focus_seldom_get_more_than_one_focal_length() -> None:
    wrong = [asked(true_state(s), refocused(s, 0.0), s)[1].refocus_sd > 0 for s in SEEDS]
    # closed form: chi squared (8) exceeds 16 four times in a hundred; 4 of 20 or more once in a hundred tries
    assert sum(wrong) < 4


def test_doubt_of_distances_holds_with_a_focal_length_each() -> None:
    z = []
    for seed in SEEDS:
        state, network = true_state(seed), refocused(seed, 0.001)
        start, model, _ = asked(state, network, seed)
        out = adjust(start, model)
        off = np.linalg.norm(np.diff(out.state.target_shifts[:2], axis=0)) - np.linalg.norm(
            np.diff(state.target_shifts[:2], axis=0)
        )
        arm = out.state.target_shifts[1] - out.state.target_shifts[0]
        row = np.r_[-arm, arm] / np.linalg.norm(arm)
        z.append(off / np.sqrt(row @ out.centre_covariance[:6, :6] @ row))
    assert np.sqrt(np.mean(np.square(z))) < 1.5  # of 20 normal errors: 1 +- 0.16
