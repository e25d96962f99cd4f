"""Tie points in the demo photos, of which only three targets each are used: the distances' truth is what they were drawn from."""

from __future__ import annotations

import json

import numpy as np
import pytest
from measure_demo import DEMO, demo_scene, distance_errors
from ties import nearest

from elbowroom.recon.measure import measure_readings
from elbowroom.recon.reading.readings import read_photos
from elbowroom.shared.arrays import Floats
from elbowroom.shared.scene import Scene

pytestmark = pytest.mark.slow

KEPT = (3, 5, 12, 17, 101)


def shape_errors(scene: Scene) -> Floats:
    """Return the distances' errors (mm) after the best scale."""
    truth = json.loads((DEMO / "truth.json").read_text())
    errors, scale = distance_errors(scene, truth)
    places = {t["id"]: np.array(t["world_from_target"])[:3, 3] for t in truth["targets"]}
    ids = [m.id for m in scene.measured]
    true = [np.linalg.norm(places[a] - places[b]) for i, a in enumerate(ids) for b in ids[i + 1 :]]
    return errors - (scale - 1) * np.array(true)


def test_ties_stiffen_photos_that_show_three_targets_each() -> None:
    scene, media = demo_scene(json.loads((DEMO / "truth.json").read_text()))
    readings = [nearest(r, KEPT, 3) for r in read_photos(scene.photos, media)]
    told: list[str] = []
    alone, _ = measure_readings(scene, readings, progress=lambda share, what: None)
    tied, _ = measure_readings(scene, readings, media, progress=lambda share, what: told.append(what))
    (note,) = [f for f in tied.findings if f.code.startswith("ties")]
    assert note.code == "ties-kept"
    assert "tie points stiffen the network: typical sd from" in note.message
    assert "looking at how stiff the network is" in told
    assert not any(f.code.startswith("ties") for f in alone.findings)
    before, after = (float(np.sqrt((shape_errors(s) ** 2).mean())) for s in (alone, tied))
    assert after < 0.9 * before
    # a distance has two ends: its rms error should be root 2 of the sd in one direction, here twice that at most
    assert after < 2 * np.sqrt(2) * note.numbers["after_mm"]
