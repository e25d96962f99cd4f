"""Plates made ready for a way of cutting; the table itself is a shop's to edit, so the rules here are this test's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from tests.export.example_plates import bent_tab, bracket, round_hole

from elbowroom.export.cutting import prepare_cut
from elbowroom.shared.errors import InputError
from elbowroom.shared.hardware import table
from elbowroom.shared.outline import Outline
from elbowroom.shared.processes import ProcessRules, known_processes, process_rules
from elbowroom.shared.scene import Loop, PlateHole

RULES = ProcessRules(
    process="torch",
    up_to_mm=20,
    kerf_mm=2.0,
    least_hole_mm=15.0,
    least_inside_radius_mm=3.0,
    slot_allowance_mm=0.7,
    tolerance_mm=1.0,
    edge="rough",
    status="practice",
    source="this test",
)


def test_nothing_is_changed_without_being_told() -> None:
    cut = prepare_cut(bracket(), RULES)
    assert [h.name for h in cut.drilled] == ["A"]  # 13.5 mm, B is 17.5
    assert [h.name for h in cut.plate.holes] == ["B", "tab"]
    # the corner where the hollow meets the top edge on either side turns left: no inside corner
    assert [f.code for f in cut.findings] == ["cut-drilled", "cut-slot"]
    assert "hole A, 13.5 mm, is under the least hole for torch (15 mm in 9.525 mm)" in cut.findings[0].message
    assert cut.plate.outer == bracket().outer
    assert cut.kerf_mm == 0


def test_a_slot_grows_by_the_allowance_on_every_side() -> None:
    """An obround 50 x 10 becomes 51.4 x 11.4 about the same middle."""
    slot = next(h for h in prepare_cut(bracket(), RULES).plate.holes if h.name == "tab")
    assert Outline.of_loop(slot.loop).bounds() == pytest.approx((80 - 25.7, 30 - 5.7, 80 + 25.7, 30 + 5.7))


def test_kerf_goes_into_the_waste() -> None:
    cut = prepare_cut(bracket(), RULES, compensate_kerf=True)
    outer = Outline.of_loop(cut.plate.outer)
    assert outer.bounds() == pytest.approx((-1, -1, 161, 91))
    hole = cut.plate.holes[0]
    assert hole.diameter_mm == pytest.approx(15.5)
    assert cut.kerf_mm == 2.0
    assert [f.severity for f in cut.findings if f.code == "cut-kerf"] == ["warning"]
    # what the cut leaves: the finished plate, by shapely's buffer of the cut's middle line
    line = shapely.LinearRing(outer.flatten(0.0005))
    left = shapely.Polygon(line).difference(line.buffer(1.0, quad_segs=128))
    wanted = shapely.Polygon(Outline.of_loop(bracket().outer).flatten(0.0005))
    assert left.symmetric_difference(wanted).area < 1e-3 * wanted.area


def test_an_opening_narrower_than_the_cut_is_refused() -> None:
    thin = PlateHole(
        name="slit",
        kind="slot",
        loop=Loop(vertices_mm=((60, 20), (100, 20), (100, 21), (60, 21)), bulges=(0, 0, 0, 0)),
        centre_mm=(80, 20.5),
    )
    plate = bracket().model_copy(update={"holes": (thin,)})
    with pytest.raises(InputError, match=r"slit.*too narrow"):
        prepare_cut(plate, replace(RULES, slot_allowance_mm=0), compensate_kerf=True)


def test_sharp_inside_corners_are_counted() -> None:
    """A square opening has four; an L has one; rounded by less than the least radius they still count."""
    square = PlateHole(
        name="window",
        kind="slot",
        loop=Loop(vertices_mm=((60, 20), (100, 20), (100, 40), (60, 40)), bulges=(0, 0, 0, 0)),
        centre_mm=(80, 30),
    )
    elbow = Loop(vertices_mm=((0, 0), (160, 0), (160, 90), (120, 90), (120, 60), (0, 60)), bulges=(0,) * 6)
    plate = bracket().model_copy(update={"outer": elbow, "holes": (square,)})
    told = [f.message for f in prepare_cut(plate, replace(RULES, slot_allowance_mm=0)).findings]
    assert "outline: 1 inside corner sharper than torch cuts, least radius 0 mm drawn" in told[0]
    assert "window: 4 inside corners sharper" in told[1]
    widened = [f.message for f in prepare_cut(plate, RULES).findings if "window" in f.message]
    assert "least radius 0.7 mm drawn" in widened[1]


def test_the_table_is_whole() -> None:
    """Every row has its source; thicker steel never gets a narrower cut, a smaller hole or a closer tolerance."""
    assert set(known_processes()) == {"plasma", "laser", "water-jet", "hand"}
    for row in table("processes", "rule").values():
        assert row["source"]
        assert row["status"] in {"standard", "practice", "memory"}
    for process in known_processes():
        rows = [r for r in table("processes", "rule").values() if r["process"] == process]
        sizes = np.array([[float(v) for k, v in r.items() if k.endswith("_mm")] for r in rows])
        assert (np.diff(sizes, axis=0) >= 0).all(), process
        assert (np.diff(sizes[:, 0]) > 0).all(), process


def test_the_row_that_reaches_the_thickness() -> None:
    assert process_rules("plasma", 4.763).up_to_mm == 6.5
    assert process_rules("plasma", 6.5).up_to_mm == 6.5
    with pytest.raises(InputError, match=r"too thick for plasma.*26"):
        process_rules("plasma", 30)
    with pytest.raises(InputError, match=r"no such way.*water-jet"):
        process_rules("scissors", 3)


def test_by_hand_every_hole_is_drilled() -> None:
    cut = prepare_cut(
        bracket().model_copy(update={"holes": (round_hole("A", (25, 25), 40),)}), process_rules("hand", 9.5)
    )
    assert [h.name for h in cut.drilled] == ["A"]
    assert prepare_cut(bent_tab(), process_rules("laser", 4.763)).drilled == ()
