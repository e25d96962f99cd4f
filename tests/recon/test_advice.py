"""The photo advised to a network: what it was said to bring is what it brings, and hardly any other brings more.

Checked against adjusting the network with the photo in it, its corners by OpenCV's projectPoints (`made_network`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from synthetic import look_at
from tests.recon.drawn import CARD, spot
from tests.recon.made_network import network_of, shaken, true_state
from tests.recon.sightings import reading, spot_scene

from elbowroom.recon.adjust import Adjusted, adjust, robust_state
from elbowroom.recon.advice import Candidate, Ground, best_candidate, candidates, ground_of
from elbowroom.recon.coaching import WORTH
from elbowroom.recon.equations import Network, State
from elbowroom.recon.measure import measure_readings
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import Lens

LENS = Lens(name="phone", width_px=4000, height_px=3000, focal_px=3000, cx_px=1999.5, cy_px=1499.5)
WEAK = 3


def kept(network: Network, rows: np.ndarray) -> Network:
    parts: dict[str, Any] = {
        k: getattr(network, k)[rows] for k in ("lens", "station", "target", "corners_px", "whitening")
    }
    return replace(network, **parts)


def few_photos(seed: int, stations: int) -> tuple[State, Network, Adjusted]:
    """Return a network of some stations in which one target is seen by two of them alone."""
    state = true_state(seed, stations=stations)
    network = network_of(state, np.random.default_rng(seed))
    network = kept(network, (network.target != WEAK) | (network.station < 2))
    start = shaken(state, np.random.default_rng(seed))
    return state, network, adjust(robust_state(start, network), network)


def ground(network: Network, adjusted: Adjusted) -> Ground:
    return ground_of(adjusted, network, [LENS])


def worst_with(state: State, network: Network, adjusted: Adjusted, added: Candidate, seed: int) -> float:
    """Return the worst sd (mm) once the photo is taken, read where it shows targets, and all is adjusted again."""
    base = ground(network, adjusted).state
    wide = _more(state, added), _more(base, added)
    n = len(state.station_shifts)
    rng = np.random.default_rng(100 + seed)
    whole = network_of(wide[0], rng)
    fresh = kept(whole, (whole.station == n) & np.isin(whole.target, added.targets))
    both: dict[str, Any] = {
        k: np.concatenate([getattr(network, k), getattr(fresh, k)])
        for k in ("lens", "station", "target", "corners_px", "whitening")
    }
    more = replace(network, **both)
    again = adjust(robust_state(wide[1], more), more)
    return float(ground(more, again).sds_mm.max())


def _more(state: State, added: Candidate) -> State:
    return replace(
        state,
        station_rotations=np.concatenate([state.station_rotations, added.station.rotation[None]]),
        station_shifts=np.concatenate([state.station_shifts, added.station.shift[None]]),
        refocus=np.zeros(len(state.refocus) + 1),
    )


@pytest.mark.parametrize("stations", [3, 4, 6])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_photo_brings_what_was_predicted_and_nearly_the_most(seed: int, stations: int) -> None:
    state, network, adjusted = few_photos(seed, stations)
    here = ground(network, adjusted)
    before, tried = float(here.sds_mm.max()), candidates(here)
    assert len(tried) > 10
    chosen = best_candidate(here, tried)
    assert chosen is not None
    best, predicted = chosen[0], float(chosen[1].max())
    gain = before - worst_with(state, network, adjusted, best, seed)
    assert gain > WORTH * before
    # asked: within 25 %; the corners' scatter re-estimated with 60 sightings more moves all sds by a few per cent
    assert gain == pytest.approx(before - predicted, rel=0.25)
    others = [worst_with(state, network, adjusted, c, seed) for c in tried[:: max(1, len(tried) // 8)]]
    assert gain >= 0.8 * (before - min(others))


def test_what_is_known_without_a_new_photo_is_the_adjustments_own_scale_apart() -> None:
    """A distance known exactly leaves no scale open: sds are then at most those of the adjustment, which include it."""
    _, network, adjusted = few_photos(0, 6)
    here = ground(network, adjusted)
    blocks = [
        adjusted.centre_covariance[adjusted.centre_columns(i), adjusted.centre_columns(i)] for i in range(8)
    ]
    with_scale = np.sqrt([np.linalg.eigvalsh(b)[-1] for b in blocks])
    assert (here.sds_mm <= with_scale * (1 + 1e-9)).all()


def test_a_photo_from_where_one_was_taken_brings_little() -> None:
    """n photos from one place are worth the root of n: from one place twice, at most that."""
    _, network, adjusted = few_photos(1, 4)
    here = ground(network, adjusted)
    best = best_candidate(here, candidates(here))
    assert best is not None
    sights = here.eyes - here.centres_world.mean(axis=0)
    angles = sights @ (best[0].eye_world - here.centres_world.mean(axis=0))
    angles = (
        angles
        / np.linalg.norm(sights, axis=1)
        / np.linalg.norm(best[0].eye_world - here.centres_world.mean(axis=0))
    )
    assert np.rad2deg(np.arccos(angles.max())) > 20


def test_a_target_hidden_in_the_nearest_photos_is_not_counted_on() -> None:
    _, network, adjusted = few_photos(2, 6)
    here = ground(network, adjusted)
    nearby = [c for c in candidates(here) if _nearest(here, c) >= 2 and _off_deg(here, c) < 15]
    assert nearby
    assert all(WEAK not in here.targets[c.targets] for c in nearby)


def _cosines(here: Ground, candidate: Candidate) -> np.ndarray:
    centre = here.state.target_shifts[WEAK]
    ways, way = here.eyes - centre, candidate.eye_world - centre
    return np.asarray(ways @ way / np.linalg.norm(ways, axis=1) / np.linalg.norm(way))


def _nearest(here: Ground, candidate: Candidate) -> int:
    return int(_cosines(here, candidate).argmax())


def _off_deg(here: Ground, candidate: Candidate) -> float:
    return float(np.rad2deg(np.arccos(_cosines(here, candidate).max())))


# --- in words --------------------------------------------------------------------------------------------------------


def told(
    eyes: list[tuple[float, float, float]], hidden: dict[str, set[int]] | None = None
) -> dict[str, Finding]:
    readings = [
        reading(f"{n}.jpg", spot(), look_at(np.array(e), np.zeros(3)))
        for n, e in zip("abcdefgh", eyes, strict=False)
    ]
    if hidden:
        readings = [
            r.only({s.target for s in r.sightings} - hidden.get(r.photo.name, set())) for r in readings
        ]
    scene = spot_scene(readings, cards=(CARD,))
    found = measure_readings(scene, readings, progress=lambda share, what: None)[0].findings
    return {f.code: f for f in found}


def dome(*bearings_deg: float, out: float = 430.0, height: float = 420.0) -> list[tuple[float, float, float]]:
    return [(out * np.cos(np.deg2rad(b)), out * np.sin(np.deg2rad(b)), height) for b in bearings_deg]


def test_a_weak_target_is_named_with_the_photo_that_would_mend_it() -> None:
    """Target 1 shows in two photos 6 degrees apart: rays that narrow leave its depth open."""
    lost = {f"{n}.jpg": {1} for n in "cdef"}
    found = told(dome(0, 8, 90, 150, 220, 290, height=350), lost)
    weak, advice = found["target-weak"], found["next-photo"]
    assert weak.subject == "target 1"
    assert weak.numbers["photos"] == 2
    assert 4 < weak.numbers["angle_deg"] < 9
    assert advice.numbers["target"] == 1
    assert advice.numbers["worst_then_mm"] < (1 - WORTH) * advice.numbers["worst_mm"]
    assert "the worst target, 1, would be known to" in advice.message
    assert "as seen in" in advice.message


def test_a_side_that_no_photo_shows_is_named() -> None:
    found = told(dome(-100, -60, -20, 20, out=500.0, height=420.0))
    assert found["views-gap"].numbers["off_deg"] > 45
    assert "next-photo" not in found


def test_photos_all_round_want_nothing_more() -> None:
    found = told(dome(0, 45, 90, 135, 180, 225, 270, 315))
    assert not {"views-gap", "next-photo", "target-weak"} & set(found)
