"""Faults planted in readings made by OpenCV's projection: each is found by name, and the rest measured as if it weren't there.

Places are our own; what is checked against is the planted fault itself. Allowed errors follow from 0.03 px of noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
import pytest
from synthetic import Layout, look_at
from tests.recon.drawn import CARD, LENS, SIDE_MM, distance_errors, spot, stations
from tests.recon.sightings import ROUND8, moved, reading, readings_of, spot_scene

from elbowroom.recon.coaching import best_way
from elbowroom.recon.lensgroups import second_heap
from elbowroom.recon.measure import measure_readings
from elbowroom.recon.photosizes import photo_size_findings
from elbowroom.recon.readings import Reading
from elbowroom.recon.resection import Resection, resect
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane
from elbowroom.shared.scene import Scene, TypedDistance

UP, EAST = np.array([0, 0, 1.0]), np.array([1.0, 0, 0])


def measured(readings: Sequence[Reading], **kept: object) -> Scene:
    scene = spot_scene(readings, **({"cards": (CARD,)} | kept))
    return measure_readings(scene, readings, progress=lambda share, what: None)[0]


def told(scene: Scene) -> dict[str, Finding]:
    return {f.code: f for f in scene.findings if f.code != "datum-by-default"}


def unharmed(scene: Scene, besides: Sequence[int] = (), mm: float = 0.05) -> None:
    """Check all distances but those to some targets."""
    kept = tuple(m for m in scene.measured if m.id not in besides)
    errors = distance_errors(scene.model_copy(update={"measured": kept}), spot().places)
    assert len(kept) >= 8 - len(besides)
    assert np.percentile(np.abs(errors), 95) < mm


def test_sound_readings_have_no_fault() -> None:
    scene = measured(readings_of([spot()] * 8))
    assert told(scene) == {}
    unharmed(scene)


@pytest.mark.parametrize("first", [2, pytest.param(5, marks=pytest.mark.slow), 7])
def test_a_target_moved_between_photos_is_named_with_when_and_how_far(first: int) -> None:
    shift = (0.0, 6.0, 3.0)
    scene = measured(readings_of([spot()] * first + [moved(spot(), 1, shift)] * (8 - first)))
    found = told(scene)["target-moved"]
    assert (found.subject, found.severity) == ("target 1", "fault")
    name = f"{'abcdefgh'[first]}.jpg"
    assert (f"from {name} on" if first < 7 else f"in {name}") in found.message
    assert found.numbers["moved_mm"] == pytest.approx(np.linalg.norm(shift), abs=0.3 if first < 7 else 1.0)
    assert set(told(scene)) <= {"target-moved", "few-photos"}
    unharmed(scene, besides=[1])


def test_a_target_that_moved_for_one_photo_is_named_with_it() -> None:
    scene = measured(readings_of([spot()] * 4 + [moved(spot(), 1, (0, 20.0, 0))] + [spot()] * 3))
    found = told(scene)["target-moved"]
    assert "in e.jpg it stands" in found.message
    assert found.numbers["moved_mm"] == pytest.approx(20.0, abs=1.0)
    unharmed(scene)


def test_one_id_printed_twice_in_different_photos_is_named_with_both_places() -> None:
    # the second print of 2 lies where the loose target 3 is seen too; photos show one or the other in turn
    other: Rigid[World, Target] = frame_on_plane(np.array([100.0, 90.0, 0.0]), UP, EAST)
    twin = Layout(spot().sides, {**spot().places, 2: other})
    scene = measured(readings_of([spot(), twin] * 4))
    found = told(scene)["printed-twice"]
    assert (found.subject, found.severity) == ("target 2", "fault")
    assert set(told(scene)) == {"printed-twice"}
    gap = float(np.linalg.norm(other.shift - spot().places[2].shift))
    assert found.numbers["apart_mm"] == pytest.approx(gap, abs=0.5)
    for place in (other, spot().places[2]):
        far = {t: float(np.linalg.norm(p.shift - place.shift)) for t, p in spot().places.items() if t != 2}
        near = min(far, key=lambda t: far[t])
        assert f"{far[near]:.0f} mm from target {near}" in found.message
    unharmed(scene, besides=[2])


@pytest.mark.parametrize("true_mm", [30.0, 39.0, pytest.param(60.0, marks=pytest.mark.slow)])
def test_one_target_of_another_size_than_given_is_named_with_its_size(true_mm: float) -> None:
    layout = Layout({**spot().sides, 3: true_mm}, spot().places)
    scene = measured(readings_of([layout] * 8))
    found = told(scene)["size-wrong"]
    assert (found.subject, found.severity) == ("target 3", "fault")
    assert set(told(scene)) == {"size-wrong"}
    assert scene.accuracy is not None
    assert scene.accuracy.typical_sd_mm < 0.05
    assert found.numbers["measured_mm"] == pytest.approx(true_mm, abs=0.1)
    assert found.numbers["given_mm"] == pytest.approx(SIDE_MM, abs=0.1)
    unharmed(scene, besides=[3])


@pytest.mark.parametrize("ratio", [0.6, 1.03, pytest.param(1.5, marks=pytest.mark.slow)])
def test_a_photo_of_another_zoom_is_named_with_its_ratio(ratio: float) -> None:
    lens = LENS.model_copy(update={"focal_px": ratio * LENS.focal_px})
    scene = measured(readings_of([spot()] * 8, {2: lens}))
    found = told(scene)["zoom-changed"]
    assert (found.subject, found.severity) == ("c.jpg", "fault")
    assert set(told(scene)) == {"zoom-changed"}
    assert found.numbers["ratio"] == pytest.approx(ratio, rel=0.005)
    assert scene.photo("c.jpg").camera_from_world is None
    unharmed(scene)


@pytest.mark.parametrize(
    ("zoom", "left", "top"), [(1.15, 180.0, 90.0), (1.0, 60.0, -40.0)], ids=["enlarged", "same scale"]
)
def test_a_photo_cropped_to_the_others_size_is_named_with_what_was_cut(
    zoom: float, left: float, top: float
) -> None:
    """Cut away `left` and `top` px, then enlarged: the lens's middle moves to zoom times (middle - cut)."""
    middle = zoom * (LENS.cx_px - left), zoom * (LENS.cy_px - top)
    crop = LENS.model_copy(update={"focal_px": zoom * LENS.focal_px, "cx_px": middle[0], "cy_px": middle[1]})
    scene = measured(readings_of([spot()] * 8, {2: crop}))
    assert set(told(scene)) == {"photo-cropped"}
    found = told(scene)["photo-cropped"]
    assert (found.subject, found.severity) == ("c.jpg", "fault")
    # a pixel or two: one photo's focal length and middle go along with its place
    assert found.numbers["across_px"] == pytest.approx(middle[0] - LENS.cx_px, abs=4.0)
    assert found.numbers["down_px"] == pytest.approx(middle[1] - LENS.cy_px, abs=4.0)
    assert found.numbers["ratio"] == pytest.approx(zoom, rel=0.005)
    assert scene.photo("c.jpg").camera_from_world is None
    unharmed(scene)


def test_a_photo_cropped_to_another_size_has_a_lens_of_its_own_and_harms_nothing() -> None:
    small = LENS.model_copy(
        update={
            "name": "small",
            "width_px": 1400,
            "height_px": 1100,
            "cx_px": LENS.cx_px - 150,
            "cy_px": LENS.cy_px - 60,
        }
    )
    rest = readings_of([spot()] * 8)
    odd = reading("d.jpg", spot(), stations(ROUND8)[3], lens=small, group=small)
    readings = [*rest[:3], odd, *rest[4:]]
    scene = spot_scene(readings, cards=(CARD,))
    first = scene.lenses[0].model_copy(
        update={"name": "small", "width_px": 1400, "height_px": 1100, "cx_px": 699.5, "cy_px": 549.5}
    )
    scene = scene.model_copy(update={"lenses": (*scene.lenses, first)})
    out = measure_readings(scene, readings, progress=lambda share, what: None)[0]
    assert out.photo("d.jpg").camera_from_world is not None
    assert out.lens("small").cx_px == pytest.approx(
        small.cx_px, abs=4 * float(np.sqrt(out.lens("small").covariance[1][1]))
    )
    unharmed(out)


@pytest.mark.parametrize("focal", [1300.0, 1350.0])
def test_two_phones_of_one_name_get_a_lens_each(focal: float) -> None:
    other = LENS.model_copy(update={"focal_px": focal, "cx_px": 780.0, "k1": -0.05, "k2": 0.1})
    scene = measured(readings_of([spot()] * 8, dict.fromkeys((1, 3, 5, 7), other)))
    assert set(told(scene)) == {"two-cameras"}
    found = told(scene)["two-cameras"]
    assert found.subject in ("b.jpg, d.jpg, f.jpg, h.jpg", "a.jpg, c.jpg, e.jpg, g.jpg")
    focals = sorted(n.focal_px for n in scene.lenses)
    assert focals == pytest.approx(sorted([focal, LENS.focal_px]), abs=3.0)
    assert {p.lens for p in scene.photos} == {n.name for n in scene.lenses}
    unharmed(scene)


def test_focusing_alone_does_not_part_a_group() -> None:
    """Focal lengths scattered by 0.3 %, as focusing scatters a phone's (common practice), are one heap."""
    rng = np.random.default_rng(3)
    parted = [second_heap(rng.normal(0, 0.003, 10)) is not None for _ in range(300)]
    assert np.mean(parted) < 0.02


def test_flipped_poses_of_flat_targets_are_turned_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every target's two poses in every photo change places, so that what comes first is the flipped one."""

    def flipped(corners: Floats, sides_mm: Floats) -> Resection:
        both = resect(corners, sides_mm)
        return Resection(**{f.name: getattr(both, f.name)[:, ::-1] for f in fields(both)})

    monkeypatch.setattr("elbowroom.recon.network.resect", flipped)
    scene = measured(readings_of([spot()] * 8))
    assert told(scene) == {}
    unharmed(scene)
    base = next(m for m in scene.measured if m.id == 100)
    for m in scene.measured:
        normal = m.world_from_target.rigid().rotation[:, 2]
        true = spot().places[100].rotation.T @ spot().places[m.id].rotation[:, 2]
        assert (
            np.rad2deg(np.arccos(np.clip(base.world_from_target.rigid().rotation.T @ normal @ true, -1, 1)))
            < 1.0
        )


def test_a_photo_of_another_job_is_named() -> None:
    rng = np.random.default_rng(5)
    places: dict[int, Rigid[World, Target]] = {
        t: frame_on_plane(
            rng.uniform([-130, -110, -20], [110, 110, 20]), UP + rng.normal(0, 0.2, 3), rng.normal(size=3)
        )
        for t in spot().places
    }
    scene = measured(readings_of([spot()] * 4 + [Layout(spot().sides, places)] + [spot()] * 3))
    found = told(scene)["photo-foreign"]
    assert (found.subject, found.severity) == ("e.jpg", "fault")
    assert scene.photo("e.jpg").camera_from_world is None
    assert set(told(scene)) == {"photo-foreign"}
    unharmed(scene)


def test_a_printer_that_stretched_its_pages_is_told_in_percent() -> None:
    # sides are 40 mm as drawn; given as 1 % less, while the card's pitches are right
    less = SIDE_MM / 1.01
    card = CARD.model_copy(update={"side_mm": less})
    scene = measured(readings_of([spot()] * 8), cards=(card,), default_side_mm=less)
    found = told(scene)["printer-scale"]
    assert (found.severity, found.subject) == ("warning", "targets")
    assert found.numbers["percent"] == pytest.approx(1.0, abs=0.1)
    assert "are 1.0" in found.message
    assert "% larger" in found.message
    assert set(told(scene)) == {"printer-scale"}
    unharmed(scene)


def typed(mm: float, a: int, b: int) -> TypedDistance:
    return TypedDistance(name=f"calipers {a} to {b}", from_target=a, to_target=b, mm=mm, sd_mm=0.05)


def true_length(a: int, b: int) -> float:
    return float(np.linalg.norm(spot().places[a].shift - spot().places[b].shift))


@pytest.mark.parametrize(
    ("ratio", "words"), [(10.0, "10 times too large"), (0.1, "in centimetres"), (1 / 25.4, "typed in inches")]
)
def test_a_distance_in_the_wrong_unit_is_told_by_the_unit(ratio: float, words: str) -> None:
    scene = measured(readings_of([spot()] * 5), distances=(typed(ratio * true_length(0, 1), 0, 1),))
    found = told(scene)["distance-off"]
    assert (found.subject, found.severity) == ("calipers 0 to 1", "fault")
    assert words in found.message
    # told from the first values, before the adjustment: the lens is still EXIF's guess, 3.5 % off
    assert found.numbers["ratio"] == pytest.approx(ratio, rel=0.035)
    unharmed(scene)


def test_two_distances_in_the_wrong_unit_leave_the_scale_to_the_sides() -> None:
    both = tuple(typed(true_length(*ends) / 25.4, *ends) for ends in ((0, 1), (100, 103)))
    scene = measured(readings_of([spot()] * 5), cards=(), distances=both)
    off = [f for f in scene.findings if f.code == "distance-off"]
    assert [f.subject for f in off] == ["calipers 0 to 1", "calipers 100 to 103"]
    assert all("typed in inches" in f.message for f in off)
    unharmed(scene, mm=0.3)  # 0.3 % of 300 mm is the doubt of unmeasured sides


def test_sides_in_the_wrong_unit_give_way_to_the_card() -> None:
    card = CARD.model_copy(update={"side_mm": 4.0})
    scene = measured(readings_of([spot()] * 5), cards=(card,), default_side_mm=4.0)
    assert "typed in centimetres" in told(scene)["sides-off"].message
    unharmed(scene)


def test_two_groups_of_photos_are_named_with_their_targets() -> None:
    def part(ids: Sequence[int]) -> Layout:
        return Layout(spot().sides, {t: spot().places[t] for t in ids})

    scene = measured(readings_of([part([0, 1, 100, 101, 102, 103])] * 4 + [part([2, 3])] * 3))
    found = told(scene)["not-joined"]
    assert found.subject == "e.jpg, f.jpg, g.jpg"
    assert "they show targets 2, 3, while a.jpg, b.jpg, c.jpg, d.jpg show" in found.message
    assert "shows its targets and theirs together" in found.message
    assert found.numbers == {"photos": 3.0, "others": 4.0}
    alone = measured(readings_of([part([0, 1, 100, 101, 102, 103])] * 4))
    assert [m.id for m in scene.measured] == [m.id for m in alone.measured]
    there, here = ([m.world_from_target.shift_mm for m in s.measured] for s in (alone, scene))
    np.testing.assert_allclose(here, there, atol=1e-6)


def test_a_cropped_photo_is_named_by_its_size() -> None:
    small = LENS.model_copy(update={"name": "drawn", "width_px": 1200, "height_px": 900})
    readings = readings_of([spot()] * 8)
    photos = tuple(r.photo for r in readings)
    odd = photos[3].model_copy(update={"width_px": small.width_px, "height_px": small.height_px})
    upright = photos[5].model_copy(update={"width_px": LENS.height_px, "height_px": LENS.width_px})
    scene = Scene(photos=(*photos[:3], odd, photos[4], upright, *photos[6:]))
    (found,) = photo_size_findings(scene)
    assert (found.code, found.subject) == ("photo-size", "d.jpg")
    assert "1200 x 900 px, most photos of its camera are 1600 x 1200 px" in found.message


@pytest.mark.parametrize(
    ("bearings", "way"),
    [
        # looking along +y from the south, a little down: east is right
        ((-1.57, -1.55, -1.2), "the left"),
        ((-1.57, -1.59, -1.9), "the right"),
    ],
)
def test_photos_from_one_side_ask_for_one_from_the_other(bearings: Sequence[float], way: str) -> None:
    poses = [look_at(np.array([480 * np.cos(a), 480 * np.sin(a), 400.0]), np.zeros(3)) for a in bearings]
    readings = [reading(f"{n}.jpg", spot(), s) for n, s in zip("abc", poses, strict=True)]
    scene = measured(readings)
    found = told(scene)["views-narrow"]
    assert found.severity == "warning"
    ends = np.array([[np.cos(a) * 480, np.sin(a) * 480, 400.0] for a in (bearings[0], bearings[-1])])
    across = np.rad2deg(np.arccos(ends[0] @ ends[1] / np.linalg.norm(ends[0]) ** 2))
    assert found.numbers["span_deg"] == pytest.approx(across, abs=2.0)
    assert f"Take one more from {way}" in found.message


def test_the_way_to_go_is_the_emptiest() -> None:
    middle, right, up = np.array([0, 0, 1.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0])

    def towards(x: float, y: float) -> np.ndarray:
        v = np.array([x, y, 1.0])
        return np.asarray(v / np.linalg.norm(v))

    views = np.array([middle, towards(0.3, 0.0), towards(0.0, 0.3)])
    assert best_way(views, middle, right, up) == "the left, low"
    views = np.array([middle, towards(-0.3, 0.0), towards(0.0, -0.3)])
    assert best_way(views, middle, right, up) == "the right, high"
