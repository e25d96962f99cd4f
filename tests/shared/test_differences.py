"""Differences in words: one case of each kind of change, lengths by hand (25.4 mm an inch)."""

from __future__ import annotations

from typing import Any

import pytest
from tests.shared.test_fresh import SQUARE, STILL, check, intent, plate

from elbowroom.shared.differences import differences
from elbowroom.shared.scene import (
    BoxTag,
    MeasuredTarget,
    PickedPoint,
    PlateHole,
    Pose,
    Scene,
    TubeTag,
    TypedDistance,
)

ZERO = ((0.0, 0.0, 0.0),) * 3


def words(before: Scene, after: Scene) -> list[str]:
    return [d.words for d in differences(before, after)]


def at(x: float) -> PickedPoint:
    return PickedPoint(world_mm=(x, 0, 0))


def tube(**more: Any) -> TubeTag:
    return TubeTag(**{"name": "hose", "axis": (at(0), at(9)), "diameter_mm": 20.0, **more})


def target(x: float) -> MeasuredTarget:
    place = Pose(rotation_rad=(0, 0, 0), shift_mm=(x, 0, 0))
    return MeasuredTarget(id=7, side_mm=40, world_from_target=place, covariance_mm2=ZERO, seen_in=3)


def test_no_difference() -> None:
    scene = Scene(tags=(tube(),), plates=(plate("a"),))
    assert words(scene, scene) == []


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ({}, {"tags": (tube(),)}, "obstacle hose: added (tube)"),
        ({"tags": (tube(),)}, {}, "obstacle hose: taken out"),
        ({"tags": (tube(),)}, {"tags": (tube(diameter_mm=25.4),)}, "obstacle hose: diameter 25.4 mm, was 20 mm"),
        ({"tags": (tube(),)}, {"tags": (tube(clearance_mm=8),)}, "obstacle hose: clearance 8 mm, was not given"),
        ({"tags": (tube(),)}, {"tags": (tube(hidden=True),)}, "obstacle hose: hidden yes, was no"),
        ({"tags": (tube(),)}, {"tags": (tube(axis=(at(0), at(1), at(2))),)}, "obstacle hose: 3 axis, was 2"),
        (
            {"tags": (tube(),)},
            {"tags": (BoxTag(name="hose", corner=at(0), along_x=at(1), along_y=at(2), along_z=at(3)),)},
            "obstacle hose: another kind of thing",
        ),
        ({}, {"default_side_mm": 40.0}, "default side: added, 40 mm"),
        ({"name": "a"}, {"name": "b"}, "the job's name: b, was a"),
        ({"measured": (target(0),)}, {"measured": (target(0.25),)}, "measured target 7: 0.250 mm from where it was"),
        ({"intents": (intent("p"),)}, {"intents": (intent("p", 10),)}, "plate asked for p: thickness 10 mm, was 8 mm"),
        (
            {"checks": (check("p"),)},
            {"checks": (check("p", "tight"),)},
            "check of plate p: HOLD, was PASS, gap to box 7.00 mm (tight), was 7.00 mm (clear)",
        ),
    ],
)  # fmt: skip
def test_said(before: dict[str, Any], after: dict[str, Any], said: str) -> None:
    assert words(Scene(**before), Scene(**after)) == [said]


def test_lengths_in_the_unit_of_the_scene() -> None:
    rows = [TypedDistance(name="rail", from_target=1, to_target=2, mm=mm) for mm in (254.0, 508.0)]
    one, other = (Scene(distances=(r,), shown_in="in") for r in rows)
    assert words(one, other) == ['distance rail: length 20.0000", was 10.0000"']


def test_a_plate_s_outline_and_openings() -> None:
    hole = PlateHole(name="pin", kind="slot", loop=SQUARE, centre_mm=(1, 1))
    moved = hole.model_copy(update={"centre_mm": (4, 5)})
    big = SQUARE.model_copy(update={"vertices_mm": ((0, 0), (20, 0), (20, 10), (0, 10))})
    before = plate("p").model_copy(update={"holes": (hole,)})
    after = plate("p").model_copy(update={"holes": (moved,), "outer": big, "world_from_plate": STILL})
    assert words(Scene(plates=(before,)), Scene(plates=(after,))) == [
        # 9 x 9 mm and 20 x 10 mm; the opening goes 3 along and 4 across
        "plate p: outline changed (4 lines and arcs, was 4; 2.0 cm2, was 0.8), opening pin 5.000 mm from where it was"
    ]


def test_noise_of_measuring_again_is_no_difference() -> None:
    assert words(Scene(measured=(target(0),)), Scene(measured=(target(1e-7),))) == []
