"""A result stands only as long as what it was computed from (a rule of this project; common practice, no source)."""

import pytest

from elbowroom.shared.fresh import measurement_holds, verdict_of, without_stale, without_void
from elbowroom.shared.scene import (
    Accuracy,
    Check,
    DatumPlane,
    GapRow,
    HoleIntent,
    Loop,
    Obstacle,
    PickedPoint,
    Plate,
    PlateIntent,
    PointPick,
    PointTag,
    Pose,
    PrintBatch,
    Scene,
)

SQUARE = Loop(vertices_mm=((0, 0), (9, 0), (9, 9), (0, 9)), bulges=(0, 0, 0, 0))
STILL = Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 0))
ZERO = ((0.0, 0.0, 0.0),) * 3


def plate(name: str) -> Plate:
    return Plate(name=name, world_from_plate=STILL, thickness_mm=8, material="A36", outer=SQUARE)


def intent(name: str, thickness: float = 8) -> PlateIntent:
    hole = HoleIntent(name="pin", at_mm=(0, 0), diameter_mm=10)
    return PlateIntent(name=name, plane=DatumPlane(), thickness_mm=thickness, holes=(hole,))


def check(name: str, verdict: str = "clear") -> Check:
    row = GapRow.model_validate(
        {
            "plate": name,
            "obstacle": "box",
            "gap_mm": 7,
            "clearance_mm": 6,
            "required_mm": 6,
            "sd_mm": 0,
            "at_plate_mm": (0, 0, 0),
            "at_obstacle_mm": (0, 0, 7),
            "verdict": verdict,
        }
    )
    return Check(plate=name, rows=(row,), passes=verdict == "clear")


@pytest.fixture
def scene() -> Scene:
    accuracy = Accuracy(
        sigma0_px=1,
        rms_px=0.1,
        redundancy=9,
        observations=99,
        rejected=0,
        scale_source="target sides",
        scale_sd=0.001,
        typical_sd_mm=0.1,
    )
    return Scene(
        accuracy=accuracy,
        default_side_mm=40,
        intents=(intent("a"), intent("b")),
        plates=(plate("a"), plate("b")),
        checks=(check("a"), check("b", "cuts")),
    )


def test_nothing_changed_nothing_lost(scene: Scene) -> None:
    assert without_stale(scene, scene) == scene


@pytest.mark.parametrize(
    "change",
    [
        {"default_side_mm": 50.0},
        {"batches": (PrintBatch(name="A", bar_x_mm=95, measured=True),)},
        {"default_thickness_mm": 2.0},
    ],
)
def test_new_sizes_void_the_measurement(scene: Scene, change: dict[str, object]) -> None:
    after = without_stale(scene, scene.model_copy(update=change))
    assert after.accuracy is None
    assert (after.plates, after.checks, after.obstacles) == ((), (), ())
    assert after.intents == scene.intents
    assert [f.code for f in after.findings] == ["measure-again"]


def test_a_changed_obstacle_voids_the_checks(scene: Scene) -> None:
    thing = Obstacle(name="new", kind="box", meshes=(), convex=True, clearance_mm=6, covariance_mm2=ZERO)
    after = without_stale(scene, scene.model_copy(update={"obstacles": (thing,)}))
    assert after.plates == scene.plates
    assert after.checks == ()
    assert verdict_of(after, after.plates[0]) == "NOT CHECKED"
    assert {f.code for f in after.findings} == {"check-void"}


def test_a_changed_intent_voids_its_own_plate(scene: Scene) -> None:
    after = without_stale(scene, scene.model_copy(update={"intents": (intent("a"), intent("b", 10))}))
    assert [p.name for p in after.plates] == ["a"]
    assert [c.plate for c in after.checks] == ["a"]
    assert [f.subject for f in after.findings] == ["b"]


def test_verdicts_in_words(scene: Scene) -> None:
    assert verdict_of(scene, scene.plates[0]) == "PASS"
    assert verdict_of(scene, scene.plates[1]) == "HOLD (box)"


def test_a_void_stays_told_until_the_plate_is_made_again(scene: Scene) -> None:
    changed = without_stale(scene, scene.model_copy(update={"intents": (intent("a"), intent("b", 10))}))
    later = without_stale(changed, changed.model_copy(update={"shown_in": "in"}))
    assert [f.subject for f in later.findings] == ["b"], "another edit does not hush it"
    assert without_void(later.findings, ["a"]) == later.findings
    assert without_void(later.findings, ["b"]) == ()


def point(x: float, *, in_network: bool) -> PointTag:
    picks = (PointPick(photo="a", xy_px=(x, 2)), PointPick(photo="b", xy_px=(3, 4)))
    return PointTag(name="lip", point=PickedPoint(picks=picks), in_network=in_network)


@pytest.mark.parametrize("in_network", [True, False])
def test_a_point_voids_what_was_measured_only_if_it_takes_part(scene: Scene, in_network: bool) -> None:
    before = scene.model_copy(update={"features": (point(1, in_network=in_network),)})
    moved = scene.model_copy(update={"features": (point(9, in_network=in_network),)})
    assert measurement_holds(before, moved) is not in_network
    assert measurement_holds(before, scene) is not in_network
    assert (without_stale(before, moved).accuracy is None) is in_network
    assert measurement_holds(before, before)


def test_letting_a_point_into_the_network_voids_what_was_measured(scene: Scene) -> None:
    out = scene.model_copy(update={"features": (point(1, in_network=False),)})
    into = scene.model_copy(update={"features": (point(1, in_network=True),)})
    assert not measurement_holds(out, into)
    assert "points in the network" in without_stale(out, into).findings[0].message
