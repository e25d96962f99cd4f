"""Points from picks: pixels by OpenCV's projection, doubt against repeated noisy picks."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.true_job import job, pick, target, typed

from elbowroom.recon.picks.rays import meet_rays, solve_point, solve_surface_point
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import PickedPoint, PointPick

POINT = np.array([35.0, -20.0, 48.0])


class Flat:
    """A network with the same doubt everywhere."""

    def point_covariance(self, point_world: Floats) -> Mat3:
        return np.diag([0.01, 0.02, 0.03])


def test_exact_picks_give_the_point() -> None:
    solved = solve_point(pick(POINT), job(), 1.0)
    assert solved.point_world == pytest.approx(
        POINT, abs=1e-6
    )  # OpenCV's and our projection agree to 1e-9 px
    assert np.abs(solved.residuals_px).max() < 1e-6
    assert solved.findings == ()


def test_covariance_is_the_spread_of_noisy_picks() -> None:
    rng, scene, off, squares = np.random.default_rng(1), job(), [], []
    for _ in range(200):
        solved = solve_point(pick(POINT, ("north", "east"), rng, 0.8), scene, 0.8)
        off.append(solved.point_world - POINT)
        squares.append(off[-1] @ np.linalg.solve(solved.covariance, off[-1]))
    # chi-square of 3 degrees: mean 3, sd of the mean over 200 trials sqrt(6 / 200) = 0.17; three of these
    assert np.mean(squares) == pytest.approx(3.0, abs=0.5)
    assert np.linalg.norm(np.mean(off, axis=0)) < 4 * np.sqrt(np.trace(solved.covariance) / 200)


def test_depth_doubt_grows_as_the_rays_close() -> None:
    """Closed form for two rays: sd along over sd across is about 1 / tan(half the angle between them)."""
    solved = solve_point(pick((0, 0, 0), ("north", "near north")), job(), 1.0)
    values = np.sqrt(np.linalg.eigvalsh(solved.covariance))
    half = np.arctan(20 / np.hypot(800, 350))  # the two stand 40 mm apart
    assert values[2] / values[0] == pytest.approx(1 / np.tan(half), rel=0.02)
    assert [f.code for f in solved.findings] == ["tag-shallow-rays"]
    assert solved.findings[0].numbers["angle_deg"] == pytest.approx(np.rad2deg(2 * half), abs=0.05)


def test_the_network_adds_its_part() -> None:
    alone, doubted = (solve_point(pick(POINT), job(), 1.0, network=n) for n in (None, Flat()))
    assert doubted.covariance - alone.covariance == pytest.approx(np.diag([0.01, 0.02, 0.03]))


def test_typed_points_and_targets_need_no_picks() -> None:
    scene = job(measured=(target(7, (10, 20, 31.5), np.eye(3)),))
    assert solve_point(typed(1, 2, 3), scene, 1.0).point_world == pytest.approx([1, 2, 3])
    at = PickedPoint(target=7)
    assert solve_point(at, scene, 1.0).point_world == pytest.approx([10, 20, 31.5])
    assert solve_surface_point(at, scene, 1.0).point_world == pytest.approx([10, 20, 30])  # card 1.5 mm thick
    assert solve_point(at, scene, 1.0).covariance == pytest.approx(0.0025 * np.eye(3))


def test_a_gross_pick_is_named() -> None:
    good = pick(POINT, ("north", "east", "west", "top"))
    x, y = good.picks[2].xy_px
    bad = good.picks[2].model_copy(update={"xy_px": (x + 25, y - 10)})
    picked = PickedPoint(picks=(*good.picks[:2], bad, good.picks[3]))
    solved = solve_point(picked, job(), 1.0, where="corner")
    (finding,) = solved.findings
    assert finding.code == "tag-pick-off"
    assert "west" in finding.message
    assert f"({x + 25:.0f}, {y - 10:.0f})" in finding.message
    assert np.trace(solved.covariance) > 10 * np.trace(solve_point(good, job(), 1.0).covariance)


@pytest.mark.parametrize(
    ("picked", "message"),
    [
        (PickedPoint(picks=(PointPick(photo="north", xy_px=(2000, 1500)),)), "two photos or more.*north only"),
        (pick(POINT, ("north", "east", "east")), "picked twice in one photo; value east"),
        (PickedPoint(picks=(*pick(POINT).picks, PointPick(photo="attic", xy_px=(1, 1)))), "attic.*no photo of that name"),
        (PickedPoint(picks=(*pick(POINT).picks, PointPick(photo="lost", xy_px=(1, 1)))), "lost: this photo has no measured"),
        (PickedPoint(picks=(*pick(POINT).picks, PointPick(photo="west", xy_px=(9000, 1)))), "outside the photo.*9000"),
        (PickedPoint(target=3), "target 3; limit there are: none"),
    ],
)  # fmt: skip
def test_bad_picks_are_refused(picked: PickedPoint, message: str) -> None:
    with pytest.raises(InputError, match=message):
        solve_point(picked, job(), 1.0, where="tie")


def test_parallel_rays_are_refused() -> None:
    """Two stations 40 mm apart and a point 5 m off: the rays meet at 0.46 degrees."""
    far = np.array([0.0, 800, 350]) * (1 - 5000 / np.hypot(800, 350))
    with pytest.raises(InputError, match=r"nearly parallel.*value 0\.5 deg"):
        solve_point(pick(far, ("north", "near north")), job(), 1.0)


def test_meet_rays_matches_the_foot_of_the_common_perpendicular() -> None:
    """Closed form: the x axis and a line along y at height 2 meet half-way, at (3, 0, 1)."""
    at = meet_rays(np.array([[0.0, 0, 0], [3, 5, 2]]), np.array([[1.0, 0, 0], [0, 1, 0]]))
    assert at == pytest.approx([3, 0, 1])
