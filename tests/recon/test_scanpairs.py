"""A scan's place from pairs, against scipy's rotation fit, closed forms and many noisy hands."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, kstest
from tests.recon.scans import SHIFT, TURN, in_scan
from tests.recon.true_job import job, pick, target, typed

from elbowroom.recon.scans.pairs import PairFit, fit_pairs, motion_jacobian, solve_pairs
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import PickedPoint, ScanPair, ScanTag

PLACES = np.array([[-180, -170, 5], [175, -160, 30], [150, 190, 80], [-160, 140, 45], [10, -60, 120.0]])


def pairs(scan: Floats, world: Floats) -> tuple[ScanPair, ...]:
    return tuple(
        ScanPair(scan=tuple(map(float, s)), world=typed(*w)) for s, w in zip(scan, world, strict=True)
    )


def solved(scan: Floats, world: Floats = PLACES, *, unit: str = "mm", **more: object) -> PairFit:
    fields = {"name": "axle", "unit": unit, "pairs": pairs(scan, world), "pair_sd_mm": 0.5} | more
    return solve_pairs(ScanTag.model_validate(fields), job())


def codes(fit: PairFit) -> list[str]:
    return [f.code for f in fit.findings]


def test_exact_pairs_give_the_motion_back() -> None:
    fit = solved(in_scan(PLACES))
    assert fit.registration.rotation == pytest.approx(TURN.as_matrix(), abs=1e-9)
    assert fit.registration.apply(np.zeros((1, 3)))[0] == pytest.approx(SHIFT, abs=1e-7)
    assert fit.off_mm.max() < 1e-7
    assert fit.findings == ()


@pytest.mark.parametrize("seed", range(4))
def test_equal_weights_give_scipys_rotation(seed: int) -> None:
    """Source: scipy.spatial.transform.Rotation.align_vectors on the centred points."""
    rng = np.random.default_rng(seed)
    scan, world = in_scan(PLACES) + rng.normal(0, 2, PLACES.shape), PLACES
    fit = fit_pairs(scan, world, np.broadcast_to(4 * np.eye(3), (5, 3, 3)), scale_free=False)
    turn, _ = Rotation.align_vectors(world - world.mean(axis=0), scan - scan.mean(axis=0))
    assert fit.registration.rotation == pytest.approx(turn.as_matrix(), abs=1e-6)
    assert fit.registration.apply(scan.mean(axis=0)[None])[0] == pytest.approx(world.mean(axis=0), abs=1e-6)


@pytest.mark.parametrize("unit", ["mm", "cm", "m", "inch"])
def test_units(unit: str) -> None:
    """An inch is 25.4 mm, exactly (international yard and pound agreement, 1959)."""
    in_mm = {"mm": 1, "cm": 10, "m": 1000, "inch": 25.4}[unit]
    fit = solved(in_scan(PLACES) / in_mm, unit=unit)
    assert fit.off_mm.max() < 1e-6


def noisy_hands(covariances: Floats, hands: int, scale_free: bool) -> tuple[Floats, Floats]:
    """Return pose errors (hands, 7) and the covariance claimed of them, over noisy pairs."""
    rng = np.random.default_rng(5)
    roots = np.linalg.cholesky(covariances)
    errors, claimed = [], np.zeros((7, 7))
    for _ in range(hands):
        world = PLACES + np.einsum("nij,nj->ni", roots, rng.normal(size=PLACES.shape))
        found = fit_pairs(in_scan(PLACES), world, covariances, scale_free=scale_free).registration
        turn = Rotation.from_matrix(found.rotation @ TURN.as_matrix().T).as_rotvec()
        shift = found.middle - (TURN.apply(found.scan_middle) + SHIFT)
        errors.append(np.concatenate([turn, shift, [np.log(found.scale)]]))
        claimed = found.covariance
    return np.array(errors), claimed


@pytest.mark.parametrize("scale_free", [False, True])
def test_claimed_covariance_is_that_of_many_hands(scale_free: bool) -> None:
    """400 hands: their squared Mahalanobis distances are chi-square (Kolmogorov-Smirnov, 1 in 1000)."""
    rng = np.random.default_rng(2)
    axes = rng.normal(size=(5, 3, 3))
    covariances = 0.2 * axes @ axes.transpose(0, 2, 1) + 0.3 * np.eye(3)
    errors, claimed = noisy_hands(covariances, 400, scale_free)
    used = 7 if scale_free else 6
    errors, claimed = errors[:, :used], claimed[:used, :used]
    distances = np.einsum("ni,ij,nj->n", errors, np.linalg.inv(claimed), errors)
    assert kstest(distances, chi2(used).cdf).pvalue > 1e-3
    # and no single number hides in it: a covariance 1.3 times as large, or 0.7, would fail the same test
    for wrong in (1.3, 0.7):
        assert kstest(distances / wrong, chi2(used).cdf).pvalue < 1e-3


def test_covariance_far_away_is_that_of_many_hands() -> None:
    covariances = np.broadcast_to(0.25 * np.eye(3), (5, 3, 3))
    rng, far = np.random.default_rng(8), np.array([900.0, -300.0, 400.0])
    off, claimed = [], np.eye(3)
    for _ in range(400):
        world = PLACES + rng.normal(0, 0.5, PLACES.shape)
        found = fit_pairs(in_scan(PLACES), world, covariances, scale_free=False).registration
        off.append(found.apply(in_scan(far))[0] - far)
        claimed = found.covariance_at(far)
    squares = np.einsum("ni,ij,nj->n", off, np.linalg.inv(claimed), off)
    assert kstest(squares, chi2(3).cdf).pvalue > 1e-3


def test_motion_jacobian_against_differences() -> None:
    found = fit_pairs(in_scan(PLACES), PLACES, np.broadcast_to(np.eye(3), (5, 3, 3)), scale_free=False)
    start, point = found.registration, in_scan(np.array([50.0, -80.0, 20.0]))
    columns = [
        (start.moved(h, np.eye(7)).apply(point) - start.moved(-h, np.eye(7)).apply(point))[0] / 2e-6
        for h in 1e-6 * np.eye(7)
    ]
    jacobian = motion_jacobian(start.apply(point) - start.middle)[0]
    assert np.column_stack(columns) == pytest.approx(jacobian, abs=1e-5)


def test_a_doubtful_pair_pulls_less() -> None:
    covariances = np.broadcast_to(np.eye(3), (5, 3, 3)).copy()
    covariances[2] *= 10_000
    world = PLACES.copy()
    world[2] += 10
    off = (
        fit_pairs(in_scan(PLACES), world, covariances, scale_free=False).registration.apply(in_scan(PLACES))
        - PLACES
    )
    assert np.abs(off).max() < 0.05


# --- wrong pairs ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wrong", range(5))
def test_the_wrong_pair_is_named_with_its_miss(wrong: int) -> None:
    """The others are exact, so it misses them by exactly what it was moved."""
    scan = in_scan(PLACES)
    scan[wrong] += [3.0, -4.0, 12.0]
    fit = solved(scan)
    found = next(f for f in fit.findings if f.code == "tag-scan-pair-wrong")
    assert (found.severity, found.numbers["pair"]) == ("fault", wrong + 1)
    assert found.numbers["off_mm"] == pytest.approx(13.0, abs=1e-6)
    assert f"pair {wrong + 1} misses" in found.message


def test_disagreement_raises_the_doubt() -> None:
    scan = in_scan(PLACES)
    good = solved(scan).registration.covariance[3, 3]
    scan[0] += 12
    assert solved(scan).registration.covariance[3, 3] > 20 * good


def test_three_pairs_disagree_without_a_culprit() -> None:
    scan = in_scan(PLACES[:3])
    scan[0] += 12
    fit = solved(scan, PLACES[:3])
    assert "tag-scan-pairs-off" in codes(fit)
    assert "tag-scan-pairs-few" in codes(fit)
    assert any("any of them" in f.message for f in fit.findings)


def test_two_wrong_pairs_are_not_pinned_on_one() -> None:
    scan = in_scan(PLACES)
    scan[0] += 15
    scan[3] -= [15, 0, 20]
    assert "tag-scan-pairs-off" in codes(solved(scan))


def test_honest_noise_is_not_called_wrong() -> None:
    rng = np.random.default_rng(3)
    wrong = 0
    for _ in range(200):
        wrong += bool(codes(solved(in_scan(PLACES) + rng.normal(0, 0.5, PLACES.shape))))
    assert wrong <= 4  # scale beyond 3 sd: 0.3 % of them; 5 of 200 by chance once in 3000


def test_scale_off_is_reported_and_only_taken_when_asked() -> None:
    scan = in_scan(PLACES) * 0.98
    fit = solved(scan)
    found = next(f for f in fit.findings if f.code == "tag-scan-scale")
    assert found.numbers["scale"] == pytest.approx(1 / 0.98, abs=1e-9)
    assert fit.registration.scale == 1.0
    free = solved(scan, scale_free=True)
    assert free.off_mm.max() < 1e-6
    assert free.registration.scale == pytest.approx(1 / 0.98, abs=1e-9)


# --- what is refused -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scan", "world", "unit", "message"),
    [
        (in_scan(PLACES * [1, 0, 0]), PLACES * [1, 0, 0], "mm", "on one line"),
        (in_scan(PLACES) * [1, 1, -1], PLACES, "mm", "mirror image"),
        (in_scan(PLACES)[:, [1, 0, 2]], PLACES, "mm", "mirror image"),
        (in_scan(PLACES) / 1000, PLACES, "mm", "do not fit a scan in mm.*say unit: m"),
        (in_scan(PLACES), PLACES, "m", "do not fit a scan in m;.*say unit: mm"),
        (in_scan(PLACES) / 25.4, PLACES, "mm", "say unit: inch"),
        (in_scan(PLACES) * 2, PLACES, "mm", "one and the same place"),
        (np.ones((5, 3)), PLACES, "mm", "on one line in the scan"),
    ],
)  # fmt: skip
def test_unusable_pairs_are_refused(scan: Floats, world: Floats, unit: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        solved(scan, world, unit=unit)


def test_fewer_than_three_pairs_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 3"):
        solved(in_scan(PLACES[:2]), PLACES[:2])


def test_flat_pairs_say_that_they_show_no_mirroring() -> None:
    flat = PLACES * [1, 1, 0]
    assert codes(solved(in_scan(flat), flat)) == ["tag-scan-pairs-few"]


def test_targets_and_picks_make_pairs() -> None:
    """A target's pair is the middle of its print; its doubt and the picks' weigh in, the network's apart."""
    cards = tuple(target(i, p, np.eye(3)) for i, p in enumerate(PLACES[:3]))
    world = [
        PickedPoint(target=0),
        PickedPoint(target=1),
        PickedPoint(target=2),
        pick(PLACES[3]),
        typed(*PLACES[4]),
    ]
    rows = tuple(
        ScanPair(scan=tuple(map(float, s)), world=w) for s, w in zip(in_scan(PLACES), world, strict=True)
    )
    tag = ScanTag(name="axle", unit="mm", pairs=rows)
    fit = solve_pairs(tag, job(measured=cards))
    assert fit.off_mm.max() < 1e-4
    assert fit.shared
    with pytest.raises(InputError, match=r"pair 1: .*not measured"):
        solve_pairs(tag, job())
