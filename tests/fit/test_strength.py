"""The strength check of a whole plate: statics, laws, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError
from tests.export.example_plates import bracket
from tests.fit.plates import round_hole, tongue

from elbowroom.fit import check_strength, refinement
from elbowroom.fit.holding import Rim, held_plate, rim_traction
from elbowroom.shared.errors import InputError
from elbowroom.shared.loads import HoleLoad, LoadCase, Strength
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, Vec3, WeldEdgeIntent


def pulled(plate: Plate, force: Vec3, **more: object) -> Strength:
    load = HoleLoad.model_validate({"hole": "eye", "force_n": force})
    return check_strength(
        plate, LoadCase.model_validate({"name": "pull", "plate": plate.name, "loads": [load], **more})
    )


@pytest.fixture(scope="module")
def lifted() -> Strength:
    return pulled(tongue(), (0.0, 0.0, 300.0))


def test_every_load_adds_up_over_the_rim() -> None:
    """Force and moment of the traction, summed round the rim, are the load's (statics)."""
    rim = Rim(name="eye", centre=np.array([40.0, -12.0]), radius=8.5)
    load = HoleLoad(
        hole="eye", force_n=(300, -120, 70), moment_nmm=(900, -400, 650), offset_mm=(0.0, 0.0, 25.0)
    )
    turn = (np.arange(72_000) + 0.5) / 72_000 * 2 * np.pi
    arm = rim.radius * np.stack([np.cos(turn), np.sin(turn), 0 * turn])
    share = rim_traction(rim, load)(arm[:2] + rim.centre[:, None]) * rim.radius * 2 * np.pi / len(turn)
    assert share.sum(axis=1) == pytest.approx(load.force_n, rel=1e-6)
    moment = np.cross(arm.T, share.T).sum(axis=0)
    assert moment == pytest.approx(np.array(load.moment_nmm) + np.cross((0, 0, 25), load.force_n), rel=1e-6)


def test_a_tongue_lifted_at_its_end(lifted: Strength) -> None:
    """Bends as P a^2 (3 L - a) / 6 E I (handbook case), its root stressed by 6 P a / w t^2; a plate's held edge can't
    narrow, which puts 0 to 12 % on or off the beam's stress.
    """
    a, length, w, t = 170.0, 200.0, 40.0, 8.0
    assert lifted.converged
    assert lifted.deflection_mm == pytest.approx(
        300 * a**2 * (3 * length - a) / (6 * 200_000 * w * t**3 / 12), rel=0.03
    )
    assert lifted.deflection_at_plate[0] == pytest.approx(length)
    assert lifted.deflection_vector_mm[2] > 0
    nominal = 6 * 300 * a / (w * t**2)
    assert 0.88 * nominal < lifted.stress_mpa < 1.12 * nominal
    assert lifted.stress_near == "weld edge root"


def test_the_welds_of_the_tongue(lifted: Strength) -> None:
    """Two welds 40 long and 8 apart under P a: P a / (w t) and P / 2 w, at right angles (lines as springs, by hand)."""
    note = next(f for f in lifted.findings if f.code == "weld-size")
    assert note.numbers["load_n_mm"] == pytest.approx(np.hypot(300 * 170 / (40 * 8), 300 / 80), rel=1e-9)
    assert (note.numbers["least_leg_mm"], note.numbers["largest_leg_mm"]) == (5, 6)
    assert note.numbers["leg_mm"] == pytest.approx(note.numbers["load_n_mm"] * 2 / (0.6 * 482 * 0.707))


def test_stress_grows_with_the_load(lifted: Strength) -> None:
    twice = pulled(tongue(), (0.0, 0.0, -600.0))
    assert twice.stress_mpa == pytest.approx(2 * lifted.stress_mpa, rel=1e-6)
    assert twice.deflection_mm == pytest.approx(2 * lifted.deflection_mm, rel=1e-6)
    assert twice.rows[0].what == "yield"


def test_the_pulled_eye_is_worst_at_its_hole() -> None:
    """Pulled along, the root has P / w t; the eye more than its net section's P / (w - d) t, twice at the least."""
    found = pulled(tongue(), (20_000.0, 0.0, 0.0))
    assert found.stress_near == "hole eye"
    assert found.stress_mpa > 2 * 20_000 / (23 * 8)
    assert {r.what for r in found.rows} == {
        "yield",
        "bearing",
        "tear-out",
        "net section",
        "weld, largest leg",
    }
    margins = [r.factor / r.asked for r in found.rows]
    assert margins == sorted(margins)


def test_a_typed_leg_is_checked() -> None:
    weld = WeldEdgeIntent(name="root", face="rail", from_mm=(0, 0), to_mm=(0, 40), leg_mm=3.0)
    found = pulled(tongue().model_copy(update={"weld_edges": (weld,)}), (20_000.0, 0.0, 0.0))
    row = next(r for r in found.rows if r.what == "weld")
    assert row.demand == pytest.approx(20_000 / 80)
    assert row.capacity == pytest.approx(0.6 * 482 * 0.707 * 3)
    assert any(f.code == "weld-leg" for f in found.findings)  # 3 mm is under the table's 5


def test_a_single_sided_weld_does_not_hold_bending() -> None:
    weld = WeldEdgeIntent(name="root", face="rail", from_mm=(0, 0), to_mm=(0, 40), sides=1)
    with pytest.raises(InputError, match="about their own line"):
        pulled(tongue().model_copy(update={"weld_edges": (weld,)}), (0.0, 0.0, 300.0))


def test_bolted_down() -> None:
    """Two bolts share a pull by the elastic method: by hand, P / 2 each along and P e / s across."""
    plate = bracket().model_copy(
        update={"holes": (*bracket().holes[:2], round_hole("eye", (80.0, 45.0), 13.0))}
    )
    found = pulled(plate, (0.0, 6000.0, 0.0), supports=["A", "B"])
    by_a = next(r for r in found.rows if r.where == "hole A" and r.what == "bearing")
    assert by_a.demand == pytest.approx(3000.0)
    sideways = pulled(plate, (6000.0, 0.0, 0.0), supports=["A", "B"])
    by_a = next(r for r in sideways.rows if r.where == "hole A" and r.what == "bearing")
    assert by_a.demand == pytest.approx(np.hypot(3000.0, 6000 * 20 / 110))


def test_a_sharp_inside_corner_is_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stress at a square inside corner grows without bound (Williams 1952): no verdict, the best so far, marked."""
    monkeypatch.setattr(refinement, "MOST_ROUNDS", 7)
    loop = Outline.polygon([(0, 0), (100, 0), (100, 40), (40, 40), (40, 120), (0, 120)]).loop()
    weld = WeldEdgeIntent(name="root", face="rail", from_mm=(0, 120), to_mm=(40, 120))
    update = {"outer": loop, "weld_edges": (weld,), "holes": (round_hole("eye", (80.0, 20.0), 14.0),)}
    found = pulled(tongue().model_copy(update=update), (0.0, -4000.0, 0.0))
    assert not found.converged
    assert not found.holds
    assert found.verdict == "HOLD (the figures have not settled)"
    assert any(f.code == "strength-unsettled" and "best so far" in f.message for f in found.findings)
    assert found.stress_at_plate == pytest.approx((40, 40), abs=1e-6)


def test_a_plate_that_yields_says_so() -> None:
    found = pulled(tongue(thickness=3.0), (0.0, 0.0, 600.0))
    assert {"strength-yields", "strength-large"} <= {f.code for f in found.findings}
    assert not found.holds
    assert found.verdict.startswith("HOLD (yield")


def test_a_weld_on_part_of_an_edge() -> None:
    weld = WeldEdgeIntent(name="root", face="rail", from_mm=(-2.0, 10), to_mm=(-2.0, 30))
    plate = tongue().model_copy(update={"weld_edges": (weld,)})
    case = LoadCase(name="x", plate="tongue", loads=(HoleLoad(hole="eye", force_n=(1, 0, 0)),))
    (line,) = held_plate(plate, case).lines
    assert sorted([tuple(line.start), tuple(line.end)]) == [(0, 10), (0, 30)]
    assert line.inward == pytest.approx([1, 0])


@pytest.mark.parametrize(
    ("update", "case", "match"),
    [
        ({"weld_edges": ()}, {}, "nothing that holds the plate"),
        ({}, {"supports": ["bolt 9"]}, "hasn't got"),
        ({}, {"loads": [{"hole": "ear", "force_n": [1, 0, 0]}]}, "hasn't got"),
        ({}, {"supports": ["eye", "root"]}, "both holds the plate and is loaded"),
        ({}, {"loads": [{"hole": "eye", "force_n": [1, 0, 0], "pin_mm": 17.5}]}, "thicker than its hole"),
        ({"material": "cheese"}, {}, "no such material"),
        (
            {"weld_edges": (WeldEdgeIntent(name="root", face="f", from_mm=(50, 20), to_mm=(50, 90)),)},
            {},
            "not on the plate's profile",
        ),
    ],
)
def test_what_is_refused(update: dict[str, object], case: dict[str, object], match: str) -> None:
    plate = tongue().model_copy(update=update)
    given = {"name": "x", "plate": "tongue", "loads": [{"hole": "eye", "force_n": [1, 0, 0]}], **case}
    with pytest.raises(InputError, match=match):
        check_strength(plate, LoadCase.model_validate(given))


@pytest.mark.parametrize(
    ("hole", "supports", "match"), [("tab", ["A", "B"], "only round holes"), ("A", ["B"], "one bolt alone")]
)
def test_slots_and_single_bolts_are_refused(hole: str, supports: list[str], match: str) -> None:
    loads = [{"hole": hole, "force_n": [0, 50, 0]}]
    case = LoadCase.model_validate({"name": "x", "plate": "p", "loads": loads, "supports": supports})
    with pytest.raises(InputError, match=match):
        check_strength(bracket(), case)


def test_the_largest_and_smallest_loads_go_through() -> None:
    assert pulled(tongue(), (1e10, 0.0, 0.0)).least.factor < 1e-4
    assert pulled(tongue(), (1e-9, 0.0, 0.0)).holds


def test_zero_loads_and_zero_thickness_do_not_read() -> None:
    with pytest.raises(ValidationError, match="this load is zero"):
        HoleLoad(hole="eye")
    with pytest.raises(ValidationError):
        LoadCase(name="x", plate="p", loads=())
    with pytest.raises(ValidationError, match="two loads on one hole"):
        LoadCase(name="x", plate="p", loads=(HoleLoad(hole="a", force_n=(1, 0, 0)),) * 2)
    with pytest.raises(ValidationError, match="no load or lever"):
        HoleLoad(hole="eye", force_n=(1e200, 0, 0))
    flat = tongue().model_copy(update={"thickness_mm": 0.0})
    with pytest.raises(InputError, match="thickness"):
        pulled(flat, (1.0, 0.0, 0.0))
