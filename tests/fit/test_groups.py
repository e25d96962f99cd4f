"""Weld and bolt groups, holes and fillet sizes, against handbook cases and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Point, box

from elbowroom.fit.bearing import clear_mm, hole_rows
from elbowroom.fit.boltgroup import bolt_forces
from elbowroom.fit.weldgroup import (
    largest_leg_mm,
    least_leg_mm,
    leg_needed_mm,
    weld_load,
    weld_strength_n_mm,
)
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.hardware import material

WITHIN = 0.01
ZERO = np.zeros(3)


def lines(*ends: tuple[tuple[float, float], tuple[float, float]]) -> Floats:
    return np.array([[(*a, 0.0), (*b, 0.0)] for a, b in ends])


def test_two_vertical_welds() -> None:
    """Two 8 in verticals 6 in apart, Vy 50 kip, Mx 120 kip in: 6.435 kip/in (a weld-group package; the formulas are unit
    free, so kip and inches are used as they stand)."""
    welds = lines(((0, 0), (0, 8)), ((6, 0), (6, 8)))
    found = weld_load(welds, np.array([0, 50.0, 0]), np.array([120.0, 0, 0]), at_mm=np.array([3.0, 4, 0]))
    assert found.worst_n_mm == pytest.approx(6.435, rel=WITHIN)
    assert found.inertia_mm3[0, 0] == pytest.approx(2 * 8**3 / 12)


def test_c_shaped_group() -> None:
    """C of b 5 and d 10 in, 18 kip at 10 in from its middle: Jw 385.4 in3, 3533 lb/in (inputs from memory, recomputed)."""
    welds = lines(((0, 0), (5, 0)), ((0, 0), (0, 10)), ((0, 10), (5, 10)))
    place = np.array([1.25 + 10, 5, 0])
    found = weld_load(welds, np.array([0, -18_000.0, 0]), ZERO, at_mm=place)
    assert found.inertia_mm3[2, 2] == pytest.approx(385.4, rel=WITHIN)
    assert found.middle_mm == pytest.approx([1.25, 5, 0])
    assert found.worst_n_mm == pytest.approx(3533, rel=WITHIN)
    assert found.worst_at_mm[0] == 5


def test_weld_group_is_the_same_turned_and_moved() -> None:
    rng = np.random.default_rng(4)
    welds = rng.normal(size=(4, 2, 3)) * 50
    force, moment, place = rng.normal(size=3) * 900, rng.normal(size=3) * 1e4, rng.normal(size=3) * 80
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    shift = rng.normal(size=3) * 300
    one = weld_load(welds, force, moment, at_mm=place)
    other = weld_load(welds @ turn.T + shift, turn @ force, turn @ moment, at_mm=turn @ place + shift)
    assert other.worst_n_mm == pytest.approx(one.worst_n_mm, rel=1e-9)


def test_one_line_cannot_turn_about_itself() -> None:
    one = lines(((0, 0), (100, 0)))
    weld_load(one, np.array([0, 0, 50.0]), np.array([0, 900.0, 900]), at_mm=np.array([50.0, 0, 0]))
    with pytest.raises(InputError, match="about their own line"):
        weld_load(one, np.array([0, 0, 50.0]), ZERO, at_mm=np.array([50.0, 10, 0]))
    with pytest.raises(InputError, match="weld length"):
        weld_load(lines(((0, 0), (0, 0))), np.ones(3), ZERO, at_mm=ZERO)


def test_three_bolts() -> None:
    """Three bolts at 3 in, load 6 in off: elastic coefficient 0.949 (a bolt-group package)."""
    bolts = np.array([[0, -3.0], [0, 0], [0, 3]])
    found = bolt_forces(bolts, np.array([0, -1.0]), 0.0, at_mm=np.array([6.0, 0]))
    assert 1 / np.hypot(*found.T).max() == pytest.approx(0.949, rel=WITHIN)
    assert found.sum(axis=0) == pytest.approx([0, -1])
    assert (bolts[:, 0] * found[:, 1] - bolts[:, 1] * found[:, 0]).sum() == pytest.approx(-6.0)


def test_one_bolt() -> None:
    found = bolt_forces(np.array([[7.0, 2]]), np.array([30.0, -5]), 0.0, at_mm=np.array([7.0, 2]))
    assert found == pytest.approx(np.array([[30.0, -5]]))
    with pytest.raises(InputError, match="one bolt alone"):
        bolt_forces(np.array([[7.0, 2]]), np.array([30.0, -5]), 10.0, at_mm=np.array([7.0, 2]))


def test_fillet_sizes() -> None:
    """Least leg, AISC 360 Table J2.4 (metric); largest, J2.2b: t under 6 mm, else t - 2 mm."""
    assert [least_leg_mm(t) for t in (5, 6, 8, 13, 16, 19, 25)] == [3, 3, 5, 5, 6, 6, 8]
    assert [largest_leg_mm(t) for t in (5, 6, 10)] == [5, 4, 8]


def test_fillet_strength() -> None:
    """0.60 F_EXX x 0.707 leg; a 1/16 in leg of E70 is good for 0.928 kip/in at a factor of 2 (AISC manual part 8, memory)."""
    kip_per_in = 4448.22 / 25.4
    assert weld_strength_n_mm(25.4 / 16) / 2 / kip_per_in == pytest.approx(0.928, rel=WITHIN)
    assert leg_needed_mm(weld_strength_n_mm(6.0), factor=1.0) == pytest.approx(6.0)


def test_holes_by_hand() -> None:
    """Hole 18 in a 60 x 8 strip of A36 (Fu 400), 30 mm from its end, M16: 2.4 d t Fu, 1.2 lc t Fu, Fu An (AISC 360)."""
    steel = box(0, 0, 200, 60).difference(Point(170, 30).buffer(9, quad_segs=256))
    rows = hole_rows(
        "eye", steel, centre_mm=np.array([170.0, 30]), hole_mm=18.0, pin_mm=16.0, force_n=np.array([5000.0, 0]),
        thickness_mm=8.0, material=material("A36"), least_factor=1.67,
    )  # fmt: skip
    got = {r.what: r.capacity for r in rows}
    assert got["bearing"] == pytest.approx(2.4 * 16 * 8 * 400)
    assert got["tear-out"] == pytest.approx(1.2 * 21 * 8 * 400, rel=1e-3)
    assert got["net section"] == pytest.approx(42 * 8 * 400, rel=1e-3)
    assert {round(r.asked, 6) for r in rows} == {2.0}
    assert rows[0].factor == pytest.approx(got["bearing"] / 5000)


def test_the_next_hole_limits_tear_out() -> None:
    steel = box(0, 0, 200, 60).difference(Point(50, 30).buffer(9)).difference(Point(90, 30).buffer(6))
    assert clear_mm(steel, np.array([50.0, 30]), 9.0, np.array([1.0, 0])) == pytest.approx(25.0, abs=0.1)
    assert clear_mm(steel, np.array([50.0, 30]), 9.0, np.array([0.0, 1])) == pytest.approx(21.0, abs=0.1)
