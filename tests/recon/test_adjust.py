"""The adjustment on networks whose truth is known: derivatives, precision, honest doubt, gross errors, free datum."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from tests.recon.made_network import LENS, NOISE_PX, network_of, seen_corners, shaken, true_state

from elbowroom.recon.network.adjust import Adjusted, adjust, robust_state
from elbowroom.recon.network.equations import Network, Picks, State, point_sightings, sightings
from elbowroom.recon.network.normal import Equations, normal_equations
from elbowroom.recon.network.reduced import covariance_of, held_columns, kept_covariance, reduced, step_of
from elbowroom.shared.errors import SolveError

Floats = npt.NDArray[np.float64]


def solved(network: Network, start: State) -> Adjusted:
    return adjust(robust_state(start, network), network)


def distances(state: State) -> Floats:
    pairs = combinations(range(len(state.target_shifts)), 2)
    return np.array([np.linalg.norm(state.target_shifts[a] - state.target_shifts[b]) for a, b in pairs])


def test_prediction_is_opencvs_projection() -> None:
    state = true_state()
    residuals, _, _ = sightings(state, network_of(state, np.random.default_rng(0), noise_px=0.0))
    np.testing.assert_allclose(residuals, 0, atol=1e-7)  # corners made by cv2.projectPoints


def test_derivatives_are_those_of_the_prediction() -> None:
    state = true_state(stations=3, targets=3)
    network = network_of(state, np.random.default_rng(0))
    _, jacobian, columns = sightings(state, network)
    # steps that move corners about a pixel's hundredth, in each unknown's own unit
    steps = np.full(state.unknowns, 1e-5)
    steps[:8] = [1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-5, 1e-6, 1e-6]
    for unknown in range(state.unknowns):
        step = np.zeros(state.unknowns)
        step[unknown] = steps[unknown]
        ahead, behind = (sightings(state.moved(s), network)[0] for s in (step, -step))
        difference = -(ahead - behind) / (2 * steps[unknown])
        analytic = np.where(columns[:, None] == unknown, jacobian, 0.0).sum(axis=2)
        np.testing.assert_allclose(difference, analytic, rtol=1e-5, atol=1e-4 * np.abs(analytic).max() + 1e-6)


def test_a_perfect_network_comes_back_exactly() -> None:
    state = true_state()
    rng = np.random.default_rng(1)
    out = solved(network_of(state, rng, noise_px=0.0), shaken(state, rng))
    np.testing.assert_allclose(distances(out.state), distances(state), atol=1e-4)
    assert out.state.lenses[0, 0] == pytest.approx(LENS[0], abs=1e-2)
    assert out.used.all()


@pytest.fixture(scope="module")
def networks() -> list[tuple[State, Adjusted]]:
    """Twenty networks at 0.05 px, each adjusted from shaken first values."""
    out = []
    for seed in range(20):
        rng, state = np.random.default_rng(seed), true_state(seed)
        out.append((state, solved(network_of(state, rng), shaken(state, rng))))
    return out


def test_predicted_doubt_holds_over_many_networks(networks: list[tuple[State, Adjusted]]) -> None:
    z = np.concatenate([standardised(state, out) for state, out in networks])
    # 560 distances, correlated within each network: the rms of 20 independent groups scatters by some 15 %
    assert 0.75 < np.sqrt((z**2).mean()) < 1.3
    assert 0.9 < (np.abs(z) < 1.96).mean() <= 1.0  # 95 % intervals
    focal = [(o.state.lenses[0, 0] - LENS[0]) / np.sqrt(o.lens_covariance[0, 0]) for _, o in networks]
    assert 0.6 < np.sqrt(np.mean(np.square(focal))) < 1.5


def standardised(state: State, out: Adjusted) -> Floats:
    """Return the errors of all distances between centres over their predicted standard deviations."""
    z = []
    for a, b in combinations(range(len(state.target_shifts)), 2):
        arm = out.state.target_shifts[b] - out.state.target_shifts[a]
        row = np.concatenate([-arm, arm]) / np.linalg.norm(arm)
        columns = np.r_[out.centre_columns(a), out.centre_columns(b)]
        sd = np.sqrt(row @ out.centre_covariance[np.ix_(columns, columns)] @ row)
        true = np.linalg.norm(state.target_shifts[b] - state.target_shifts[a])
        z.append((np.linalg.norm(arm) - true) / sd)
    return np.array(z)


def test_sigma0_is_one_when_the_corners_doubt_is_true(networks: list[tuple[State, Adjusted]]) -> None:
    # closed form: chi squared over its degrees of freedom, sd sqrt(2 / 400) a network
    assert np.mean([o.sigma0 for _, o in networks]) == pytest.approx(1.0, abs=0.03)
    assert {o.redundancy for _, o in networks} == {8 * 64 + 1 - (6 * 16 - 6)}


def test_gross_errors_are_rejected_and_leave_the_result_alone() -> None:
    state, rng = true_state(3), np.random.default_rng(3)
    clean = network_of(state, rng)
    start = shaken(state, rng)
    spoiled = clean.corners_px.copy()
    wrong = [5, 20, 41]  # 5 % of 64 sightings
    spoiled[wrong[0]] += 30.0
    spoiled[wrong[1], 2] += [0.0, -8.0]
    spoiled[wrong[2]] = spoiled[wrong[2]][[1, 2, 3, 0]]
    whole = solved(clean, start)
    out = solved(replace(clean, corners_px=spoiled), start)
    assert not out.used[wrong].any()
    assert out.used.sum() >= 60
    change = np.abs(distances(out.state) - distances(whole.state)).max()
    assert change < np.abs(distances(whole.state) - distances(state)).max() + 0.01
    np.testing.assert_allclose(distances(out.state), distances(state), atol=0.06)


def test_the_free_datum_leaves_the_mean_place_and_turn_alone(networks: list[tuple[State, Adjusted]]) -> None:
    _, out = networks[0]
    columns = np.concatenate([np.r_[out.centre_columns(i)] for i in range(8)])
    covariance = out.centre_covariance[np.ix_(columns, columns)]
    centres = out.state.target_shifts - out.state.target_shifts.mean(axis=0)
    shift = np.tile(np.eye(3), (8, 1)) / np.sqrt(8)
    turn = np.cross(np.eye(3)[:, None], centres[None]).transpose(1, 2, 0).reshape(24, 3)
    turn /= np.linalg.norm(turn, axis=0)
    typical = np.trace(covariance) / 24
    # inner constraints: no variance along a common shift or turn of all centres
    for direction in np.column_stack([shift, turn]).T:
        assert direction @ covariance @ direction < 1e-3 * typical


def test_a_target_without_sightings_leaves_the_doubt_of_the_rest_alone() -> None:
    state, rng = true_state(5), np.random.default_rng(5)
    network = network_of(state, rng)
    without = network.target != 7
    parts = {
        name: getattr(network, name)[without]
        for name in ("lens", "station", "target", "corners_px", "whitening")
    }
    lost = solved(replace(network, **parts), state)
    fewer = replace(state, target_rotations=state.target_rotations[:7], target_shifts=state.target_shifts[:7])
    never = solved(replace(network, **parts, sides_mm=network.sides_mm[:7], batch=network.batch[:7]), fewer)
    sds = np.sqrt(np.diag(never.centre_covariance))
    np.testing.assert_allclose(np.sqrt(np.diag(lost.centre_covariance))[:21], sds, rtol=1e-3)
    assert np.isnan(lost.centre_covariance[21:]).all()
    np.testing.assert_allclose(lost.lens_covariance, never.lens_covariance, rtol=1e-2)


def test_where_the_network_lies_does_not_matter() -> None:
    state, rng = true_state(4), np.random.default_rng(4)
    network = network_of(state, rng)
    moved = replace(
        state,
        target_shifts=state.target_shifts + np.array([5000.0, -3000, 800]),
        station_shifts=state.station_shifts - state.station_rotations @ np.array([5000.0, -3000, 800]),
    )
    np.testing.assert_allclose(
        distances(solved(network, state).state), distances(solved(network, moved).state), atol=1e-5
    )


def whole(equations: Equations) -> tuple[Floats, Floats]:
    """Return the normal matrix and gradient of all unknowns."""
    n = len(equations.layout.row)
    matrix, gradient, kept = np.zeros((n, n)), np.zeros(n), equations.layout.kept
    matrix[np.ix_(kept, kept)], gradient[kept] = equations.kept, equations.gradient
    for blocks, columns in zip(equations.blocks, equations.layout.blocks, strict=True):
        for i, own in enumerate(columns):
            matrix[np.ix_(own, own)], gradient[own] = blocks.matrix[i], blocks.gradient[i]
            matrix[np.ix_(own, kept)], matrix[np.ix_(kept, own)] = blocks.cross[i], blocks.cross[i].T
    return matrix, gradient


def test_elimination_gives_what_the_whole_matrix_gives() -> None:
    state = true_state()
    network, every = with_points(network_of(state, np.random.default_rng(0)), state)
    state = replace(shaken(state, np.random.default_rng(1)), points=every)
    used = np.ones(len(network), dtype=bool)
    equations, held = normal_equations(state, network, used, robust=False), held_columns(state, network, used)
    matrix, gradient = whole(equations)
    np.testing.assert_allclose(matrix, matrix.T, rtol=1e-9, atol=1e-6 * np.abs(matrix).max())
    free = np.flatnonzero(~held)
    solved = reduced(equations, held)
    step = step_of(solved, state.unknowns)
    scale = 1 / np.sqrt(np.diag(matrix))[free]
    inverse = np.linalg.inv(matrix[np.ix_(free, free)] * scale[:, None] * scale) * scale[:, None] * scale
    np.testing.assert_allclose(step[free] / scale, inverse @ gradient[free] / scale, rtol=1e-4, atol=1e-3)
    assert not step[held].any()
    mine = covariance_of(solved, kept_covariance(solved), free)
    sds = np.sqrt(np.diag(inverse))
    np.testing.assert_allclose(mine / sds[:, None] / sds, inverse / sds[:, None] / sds, atol=1e-4)


def with_points(network: Network, state: State) -> tuple[Network, Floats]:
    """Return the network with three free points seen exactly in four photos each, and the points."""
    points = np.array([[10.0, 20, 5], [-80, 60, -10], [90, -40, 30]])
    station, point = np.repeat(np.arange(4), 3), np.tile(np.arange(3), 4)
    picks = Picks(np.zeros(12, dtype=np.int64), station, point, np.zeros((12, 2)), np.full(12, 0.5))
    pixels = -point_sightings(replace(state, points=points), replace(network, picks=picks))[0]
    return replace(network, picks=replace(picks, pixels=pixels)), points


def test_free_points_are_found_where_opencv_projects_them_from() -> None:
    state, rng = true_state(2), np.random.default_rng(2)
    network, points = with_points(network_of(state, rng, noise_px=0.0), state)
    turn, _ = cv2.Rodrigues(state.station_rotations[0])
    k1, k2, k3, p1, p2 = LENS[3:]
    camera = np.array([[LENS[0], 0, LENS[1]], [0, LENS[0], LENS[2]], [0, 0, 1]])
    pixels, _ = cv2.projectPoints(
        points, turn, state.station_shifts[0], camera, np.array([k1, k2, p1, p2, k3])
    )
    np.testing.assert_allclose(network.picks.pixels[:3], pixels.reshape(-1, 2), atol=1e-7)
    start = replace(shaken(state, rng), points=points + rng.normal(0, 20, points.shape))
    out = solved(network, start).state
    found = np.linalg.norm(out.points[:, None] - out.target_shifts[None], axis=2)
    true = np.linalg.norm(points[:, None] - state.target_shifts[None], axis=2)
    np.testing.assert_allclose(found, true, atol=1e-3)


def test_a_photo_that_focused_elsewhere_is_found() -> None:
    state, rng = true_state(6), np.random.default_rng(6)
    refocus = np.zeros(8)
    refocus[3] = 0.004  # 12 px of 3050
    moved = replace(state, refocus=refocus)
    network = replace(network_of(state, rng), refocus_sd=0.01)
    seen = -sightings(moved, replace(network, corners_px=np.zeros_like(network.corners_px)))[0]
    noisy = seen.reshape(-1, 4, 2) + rng.normal(0, NOISE_PX, (64, 4, 2))
    out = solved(replace(network, corners_px=noisy), shaken(state, rng))
    others = np.delete(out.state.refocus, 3)  # their common part is the lens's focal length
    assert out.state.refocus[3] - others.mean() == pytest.approx(0.004, abs=4 * out.refocus_sds[3])
    assert out.refocus_sds[3] < 0.01


def test_cancelling_stops_the_adjustment() -> None:
    state, rng = true_state(), np.random.default_rng(0)
    with pytest.raises(SolveError, match="adjustment: cancelled; start the measurement again"):
        adjust(shaken(state, rng), network_of(state, rng), cancelled=lambda: True)


def test_a_network_of_nonsense_is_refused() -> None:
    state = true_state()
    network = network_of(state, np.random.default_rng(0))
    bent = network.corners_px.copy()
    bent[:, 0, 0] += 500.0  # one corner of every sighting somewhere else
    with pytest.raises(
        SolveError, match="almost every sighting was rejected; value 0 of 64 kept; limit 2; check that"
    ):
        adjust(state, replace(network, corners_px=bent))


def test_noise_is_what_it_says() -> None:
    state = true_state()
    network = network_of(state, np.random.default_rng(0))
    off = network.corners_px - [
        seen_corners(state, i, j) for i, j in zip(network.station, network.target, strict=True)
    ]
    assert np.std(off) == pytest.approx(NOISE_PX, rel=0.1)
