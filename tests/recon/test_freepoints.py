"""Named points in the network: found where OpenCV projects them from, weighed by their doubt, mispicks named."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from pydantic import ValidationError
from tests.recon.drawn import LENS, spot, stations
from tests.recon.sightings import ROUND8, readings_of, seen_by_opencv, spot_scene

from elbowroom.recon.measure import measure_readings
from elbowroom.recon.readings import Reading
from elbowroom.recon.tagging import measure_tags
from elbowroom.shared.arrays import Floats
from elbowroom.shared.scene import MeasuredPoint, PickedPoint, PointPick, PointTag, Scene

PLACES = {
    "lip": np.array([40.0, -60, 25]),
    "nut": np.array([-100.0, 60, 5]),
    "rib": np.array([90.0, 90, -20]),
}
ALL = tuple(range(6))


@pytest.fixture(scope="module")
def readings() -> list[Reading]:
    return [r.only((0, 1, 2, 3, 103)) for r in readings_of([spot()] * 6)]


def point(
    name: str,
    rng: np.random.Generator,
    photos: tuple[int, ...] = ALL,
    *,
    sd: float = 0.3,
    shift: dict[int, Floats] | None = None,
    in_network: bool = True,
) -> PointTag:
    """Return a tag with a pick in each photo; `shift` moves some of the picks."""
    picks = []
    for i in photos:
        xy = seen_by_opencv(PLACES[name][None], stations(ROUND8[:6])[i], LENS)[0] + rng.normal(0, sd, 2)
        x, y = xy + (shift or {}).get(i, np.zeros(2))
        picks.append(PointPick(photo=f"{'abcdef'[i]}.jpg", xy_px=(float(x), float(y))))
    return PointTag(name=name, point=PickedPoint(picks=tuple(picks)), pick_sd_px=sd, in_network=in_network)


def measured(readings: list[Reading], features: tuple[PointTag, ...]) -> Scene:
    scene = spot_scene(readings, features=features)
    return measure_readings(scene, readings, progress=lambda share, what: None)[0]


def codes(scene: Scene) -> list[str]:
    return [f.code for f in scene.findings]


def test_points_in_the_network_add_what_they_show(readings: list[Reading]) -> None:
    rng = np.random.default_rng(0)
    plain = measured(readings, ())
    helped = measured(readings, tuple(point(n, rng) for n in PLACES))
    assert plain.accuracy is not None
    assert helped.accuracy is not None
    assert helped.accuracy.rejected == plain.accuracy.rejected
    # two for each pick, less three for each point
    assert helped.accuracy.redundancy - plain.accuracy.redundancy == 2 * 18 - 9
    assert helped.accuracy.sigma0_px == pytest.approx(plain.accuracy.sigma0_px, rel=0.25)
    assert helped.accuracy.typical_sd_mm < 1.02 * plain.accuracy.typical_sd_mm
    assert codes(helped) == codes(plain)


def test_a_point_that_is_not_in_the_network_leaves_it_alone(readings: list[Reading]) -> None:
    tag = point("lip", np.random.default_rng(1), shift={2: np.array([40.0, 0])}, in_network=False)
    assert measured(readings, (tag,)).measured == measured(readings, ()).measured


def test_points_are_reported_where_they_are(readings: list[Reading]) -> None:
    """Truth: the places OpenCV projected from. Distances to targets need no frame; bound 4 sigma of point and target."""
    scene = measured(readings, tuple(point(n, np.random.default_rng(2)) for n in PLACES))
    scene, _ = measure_tags(scene, {})
    centres = {m.id: m for m in scene.measured}
    for made in scene.measured_features:
        assert isinstance(made, MeasuredPoint)
        for target, centre in centres.items():
            true = np.linalg.norm(PLACES[made.name] - spot().places[target].shift)
            found = np.linalg.norm(np.subtract(made.point_mm, centre.world_from_target.shift_mm))
            sd = np.sqrt(
                np.trace(made.covariance_mm2) + np.trace(centre.covariance_mm2) + (0.002 * true) ** 2
            )
            assert abs(found - true) < 4 * sd
        assert made.rms_px < 1.0


def test_a_mispick_is_named_and_harms_nothing(readings: list[Reading]) -> None:
    rng = np.random.default_rng(3)
    wrong = (
        point("lip", rng, shift={4: np.array([25.0, -10])}),
        point("nut", rng),
    )
    scene = measured(readings, wrong)
    (finding,) = [f for f in scene.findings if f.code == "pick-rejected"]
    assert finding.subject == "point lip"
    assert finding.message.startswith("point lip: its pick in e.jpg at (")
    assert finding.numbers["off_px"] == pytest.approx(np.hypot(25, 10), rel=0.1)
    right = measured(readings, tuple(point(n, np.random.default_rng(3)) for n in ("lip", "nut")))
    sd = 2 * max(np.sqrt(np.trace(m.covariance_mm2)) for m in right.measured)
    np.testing.assert_allclose(lengths(scene), lengths(right), atol=sd)


def lengths(scene: Scene) -> list[float]:
    """Return the distances between all targets, mm."""
    places = [np.array(m.world_from_target.shift_mm) for m in scene.measured]
    return [float(np.linalg.norm(a - b)) for a, b in combinations(places, 2)]


def test_a_point_that_says_nothing_is_left_out_with_the_reason(readings: list[Reading]) -> None:
    rng = np.random.default_rng(4)
    picks = point("rib", rng, (0, 1)).point.picks
    lost = PointTag(
        name="rib",
        point=PickedPoint(picks=(picks[0], picks[1].model_copy(update={"photo": "z.jpg"}))),
        in_network=True,
    )
    (finding,) = [f for f in measured(readings, (lost,)).findings if f.code == "point-left-out"]
    assert "picked in 1 photo(s) of the network only, and 2 are needed" in finding.message


@pytest.mark.parametrize(
    ("picks", "said"),
    [
        ([("a.jpg", None)], "needs picks in two photos or more"),
        ([("a.jpg", None), ("a.jpg", None), ("b.jpg", None)], "picked once in a photo"),
        ([("a.jpg", "corner"), ("b.jpg", None)], "plain picks, no snap"),
    ],
)
def test_what_can_not_be_in_the_network_is_refused(picks: list[tuple[str, str | None]], said: str) -> None:
    rows = [{"photo": p, "xy_px": (1.0, 2.0), "snap": s} for p, s in picks]
    tag = {"name": "lip", "point": {"picks": rows}}
    PointTag.model_validate(tag)
    with pytest.raises(ValidationError, match=said):
        PointTag.model_validate({**tag, "in_network": True})
