"""Faults planted in readings made by OpenCV's projection: each is found by name, and the rest measured as if it weren't there.

Places are our own; what is checked against is the planted fault itself. Allowed errors follow from 0.03 px of noise.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from synthetic import Layout
from tests.recon.drawn import CARD, LENS, SIDE_MM, distance_errors, spot
from tests.recon.sightings import moved, readings_of, spot_scene

from elbowroom.recon.measure import measure_readings
from elbowroom.recon.readings import Reading
from elbowroom.shared.errors import Finding
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane
from elbowroom.shared.scene import Scene

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
