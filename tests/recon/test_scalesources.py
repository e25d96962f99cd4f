"""Sources of scale that contradict one another mildly: named with what each says, and covered by the scale's doubt."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.drawn import CARD, SIDE_MM, spot
from tests.recon.sightings import readings_of, spot_scene

from elbowroom.recon.measure import measure_readings
from elbowroom.recon.scalesources import Source, source_findings, widening
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import PrintBatch, Scene, TypedDistance

READINGS = readings_of([spot()] * 8)
LENGTH = float(np.linalg.norm(spot().places[0].shift - spot().places[1].shift))


def measured(**kept: object) -> tuple[Scene, dict[str, Finding]]:
    scene = spot_scene(READINGS, **({"cards": (CARD,)} | kept))
    out, _ = measure_readings(scene, READINGS, progress=lambda *_: None)
    return out, {f.code: f for f in out.findings}


def tape(percent: float, sd_mm: float) -> TypedDistance:
    mm = LENGTH * (1 + percent / 100)
    return TypedDistance(name="tape", from_target=0, to_target=1, mm=mm, sd_mm=sd_mm)


def scale_sd(scene: Scene) -> float:
    assert scene.accuracy is not None
    return scene.accuracy.scale_sd


def test_two_sources_alike_in_doubt_are_covered_by_half_their_difference() -> None:
    """Closed form: chi squared of two is d^2 / 2 s^2, so the mean's sd s / sqrt 2 grows to d / 2."""
    sources = [Source("a", 1.0, 0.001), Source("b", 1.004, 0.001)]
    assert widening(sources) * 0.001 / np.sqrt(2) == pytest.approx(0.002)
    assert widening([Source("a", 1.0, 0.001), Source("b", 1.0005, 0.001)]) == 1.0
    assert widening(sources[:1]) == 1.0


def test_the_widening_is_one_on_the_whole_when_doubts_are_true() -> None:
    """Mean of chi squared over its freedom is 1, its variance 2 / freedom (textbook)."""
    rng = np.random.default_rng(1)
    many = [[Source("s", 1 + 0.001 * e, 0.001) for e in rng.normal(size=5)] for _ in range(400)]
    squares = np.array([widening(s) ** 2 for s in many])
    # values below 1 are cut off at 1: E max(1, c) of chi squared (4) / 4 by numerical integration (scipy)
    from scipy.stats import chi2

    x = np.linspace(0, 12, 20001)
    expected = float(np.trapezoid(np.maximum(x, 1) * chi2(4, scale=0.25).pdf(x), x))
    assert squares.mean() == pytest.approx(expected, abs=4 * np.sqrt(0.5 / 400))


@pytest.mark.parametrize("sigmas", [3.0, 5.0])
def test_a_tape_off_by_a_few_sigmas_is_told_with_numbers_and_widens_the_doubt(sigmas: float) -> None:
    sd_mm = 0.1
    percent = 100 * sigmas * sd_mm / LENGTH
    calm, quiet = measured(distances=(tape(0.0, sd_mm),))
    scene, found = measured(distances=(tape(percent, sd_mm),))
    assert "scale-disagrees" not in quiet
    told = found["scale-disagrees"]
    # the card's 0.02 mm of 150 mm and 0.03 px of noise shift what is seen by a fraction of a sigma
    assert told.numbers["percent"] == pytest.approx(percent, rel=0.25)
    assert told.numbers["sigmas"] == pytest.approx(sigmas, abs=1.0)
    assert "card card a says 1.0000 +/-" in told.message
    assert f"tape says {1 + told.numbers['percent'] / 100:.4f} +/- " in told.message
    assert f"{told.numbers['percent']:+.2f} %" in told.message
    # closed form: two sources, one freedom: the doubt grows by how many sigmas they are apart
    assert scale_sd(scene) / scale_sd(calm) == pytest.approx(told.numbers["sigmas"], rel=0.1)


def test_the_doubt_covers_two_equal_sources_that_disagree() -> None:
    """Card and tape both 0.1 % sure and 0.4 % apart: the truth of either is within two sigmas of what is said."""
    card = CARD.model_copy(update={"sd_mm": 0.14})  # rms length of its six distances is 141 mm
    scene, found = measured(cards=(card,), distances=(tape(0.4, 0.001 * LENGTH),))
    assert found["scale-disagrees"].numbers["sigmas"] == pytest.approx(4 / np.sqrt(2), rel=0.25)
    assert scale_sd(scene) == pytest.approx(0.002, rel=0.25)
    ends = {m.id: np.array(m.world_from_target.shift_mm) for m in scene.measured}
    ratio = float(np.linalg.norm(ends[0] - ends[1])) / LENGTH
    assert abs(ratio - 1.002) < 0.0005
    for truth in (1.0, 1.004):
        assert abs(ratio / truth - 1) < 2 * scale_sd(scene)


def test_check_bars_that_contradict_a_tape_are_told() -> None:
    """Bars read 0.3 % long on a print that is true: every pitch of its card is then taken 0.3 % too long."""
    card = CARD.model_copy(update={"batch": "A"})
    batch = PrintBatch(name="A", bar_x_mm=100.3, bar_y_mm=100.3, measured=True)
    _, found = measured(cards=(card,), batches=(batch,), distances=(tape(0.0, 0.15),))
    told = found["scale-disagrees"]
    assert "batch A says 1.0000" in told.message
    assert told.numbers["percent"] == pytest.approx(-0.3, abs=0.06)


def test_several_tapes_that_agree_leave_the_odd_one_named_alone() -> None:
    sources = [
        Source("a", 1.0, 1e-4),
        Source("b", 1.0002, 2e-4),
        Source("c", 1.002, 4e-4),
        Source("d", 0.9995, 5e-4),
    ]
    (told,) = source_findings(sources, widening(sources))
    assert "c says 1.0020 +/- 0.0004, +0.20 %" in told.message
    assert "b says" not in told.message
    assert told.severity == "warning"


def test_a_card_is_not_refused_for_first_values_that_are_rough() -> None:
    """Photos low round the spot through a lens EXIF is 3.5 % wrong about: first values are 3 % off in shape."""
    from synthetic import look_at
    from tests.recon.sightings import reading

    eyes = [(430 * np.cos(b), 430 * np.sin(b), 420.0) for b in np.deg2rad([0, 14, 90, 150, 220, 290])]
    readings = [
        reading(f"{n}.jpg", spot(), look_at(np.array(e), np.zeros(3)))
        for n, e in zip("abcdef", eyes, strict=True)
    ]
    lost = [
        r if r.photo.name in ("a.jpg", "b.jpg") else r.only({0, 2, 3, 100, 101, 102, 103}) for r in readings
    ]
    out, _ = measure_readings(spot_scene(lost, cards=(CARD,)), lost, progress=lambda *_: None)
    assert "distance-off" not in {f.code for f in out.findings}
    assert out.measured[0].side_mm == pytest.approx(SIDE_MM, abs=0.05)
