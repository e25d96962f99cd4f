"""Ink and print scale told apart from how photos make grey, on readings whose ink is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.recon.drawn import SIDE_MM, spot
from tests.recon.sightings import readings_of, spot_scene

from elbowroom.recon.measure import measure_readings
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.scene import PrintBatch, Scene, TargetSpec, TypedDistance

INK_MM, TONES_PX = 0.1, (0.05, -0.08, 0.1, 0.0, -0.1, 0.06, 0.02, -0.03)


def inked(reading: Reading, tone_px: float, ink_mm: float) -> Reading:
    """Return a reading whose boundaries moved by ink, more px the nearer the target, and by the photo's tone."""
    out = []
    for s in reading.sightings:
        corners = s.corners.corners_px
        near = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).mean() / SIDE_MM
        out.append(replace(s, corners=replace(s.corners, shift_px=tone_px + ink_mm * near)))
    return replace(reading, sightings=tuple(out))


def measured(ink_mm: float, **given: object) -> Scene:
    pairs = zip(readings_of([spot()] * 8), TONES_PX, strict=True)
    readings = [inked(r, tone, ink_mm) for r, tone in pairs]
    scene, _ = measure_readings(spot_scene(readings, **given), readings, progress=lambda *_: None)
    return scene


@pytest.mark.parametrize("ink_mm", [0.0, INK_MM, -0.05])
def test_ink_spread_is_found_and_its_doubt_covers_it(ink_mm: float) -> None:
    (found,) = measured(ink_mm).measured_prints
    assert found.ink_mm == pytest.approx(ink_mm, abs=3 * found.ink_sd_mm)
    assert found.ink_sd_mm < 0.04
    assert found.batch == ""
    assert found.targets == len(spot().places)


def test_each_batch_has_a_scale_of_its_own() -> None:
    layout = spot()
    ids = sorted(layout.places)
    half = set(ids[::2])
    # the second batch is printed 0.5 % larger than its sides say: typed 40, printed 40.2
    specs = tuple(
        TargetSpec(
            id=i, side_mm=layout.sides[i] / (1 if i in half else 1.005), batch="A" if i in half else "B"
        )
        for i in ids
    )
    ends = ids[0], ids[-1]
    between = float(np.linalg.norm(layout.places[ends[1]].shift - layout.places[ends[0]].shift))
    scene = measured(
        0.0,
        targets=specs,
        batches=(PrintBatch(name="A"), PrintBatch(name="B")),
        distances=(
            TypedDistance(name="tape", from_target=ends[0], to_target=ends[1], mm=between, sd_mm=0.05),
        ),
    )
    scales = {p.batch: p for p in scene.measured_prints}
    assert scales["A"].scale == pytest.approx(1.0, abs=4 * scales["A"].scale_sd)
    assert scales["B"].scale == pytest.approx(1.005, abs=4 * scales["B"].scale_sd)
    assert scales["B"].scale_sd < 0.001
    assert [f.subject for f in scene.findings if f.code == "printer-scale"] == ["batch B"]
