"""Photos that are too dark or too bright: their exposure is measured, and targets missed for it are told with the cause.

Expected figures are those planted: shares of pixels set by hand, photos darkened by a known factor.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from tests.recon.drawn import CARD, LENS, SIDE_MM, photos_of_spot, scene_of, spot, stations
from tests.recon.sightings import reading, readings_of, spot_scene

from elbowroom.recon import measure
from elbowroom.recon.detect import detect
from elbowroom.recon.exposure import exposure_of, exposure_word
from elbowroom.recon.inview import shown
from elbowroom.recon.measure import measure_readings
from elbowroom.recon.readings import Reading
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane
from elbowroom.shared.scene import Exposure, Scene

DARK = Exposure(black=0.6, white=0.0, middle=3.0, near_black=0.4, near_white=0.0, ink=1.0, paper=35.0)
BRIGHT = Exposure(black=0.0, white=0.4, middle=220.0, near_black=0.0, near_white=0.5, ink=60.0, paper=255.0)
GOOD = Exposure(black=0.0, white=0.0, middle=120.0, near_black=0.0, near_white=0.0, ink=30.0, paper=220.0)
FLAT = GOOD.model_copy(update={"ink": 150.0, "paper": 175.0})


def image_of(photo: int) -> np.ndarray:
    return np.asarray(cv2.imdecode(np.frombuffer(photos_of_spot()[photo], np.uint8), cv2.IMREAD_GRAYSCALE))


def stored(image: np.ndarray) -> bytes:
    return bytes(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 95])[1])


def test_shares_are_those_planted() -> None:
    image = np.full((1200, 1600), 100, dtype=np.uint8)
    image[:300], image[300:360] = 0, 255
    found = exposure_of(image, [])
    assert found.black == pytest.approx(0.25, abs=0.01)
    assert found.white == pytest.approx(0.05, abs=0.01)
    assert (found.middle, found.paper) == (100.0, None)


@pytest.mark.parametrize(
    ("exposure", "word"), [(DARK, "too dark"), (BRIGHT, "too bright"), (GOOD, "good"), (FLAT, "flat")]
)
def test_the_word_follows_the_paper(exposure: Exposure, word: str) -> None:
    assert exposure_word(exposure) == word


@pytest.mark.parametrize(
    ("middle", "white", "word"), [(5, 0, "too dark"), (120, 0, "good"), (250, 0.7, "too bright")]
)
def test_without_targets_the_whole_photo_is_judged(middle: float, white: float, word: str) -> None:
    assert exposure_word(Exposure(black=0, white=white, middle=middle)) == word


@pytest.mark.slow
def test_levels_at_the_targets_are_those_drawn() -> None:
    """Paper reflects 0.8 and ink 0.06 of full light, through a gamma of 2.2 (`Look`): levels 230 and 71."""
    image = image_of(0)
    found = exposure_of(image, detect(image)[0])
    assert found.paper == pytest.approx(255 * 0.8 ** (1 / 2.2), abs=8)
    assert found.ink == pytest.approx(
        255 * 0.06 ** (1 / 2.2), abs=25
    )  # the ground round the cards takes part
    assert exposure_word(found) == "good"
    dark = np.asarray(image * 0.2, dtype=np.uint8)
    assert exposure_word(exposure_of(dark, detect(dark)[0])) == "too dark"
    bright = np.clip(image * 1.4, 0, 255).astype(np.uint8)
    assert exposure_word(exposure_of(bright, detect(bright)[0])) == "too bright"


def measured(readings: list[Reading]) -> Scene:
    scene = spot_scene(readings, cards=(CARD,))
    return measure_readings(scene, readings, progress=lambda share, what: None)[0]


def board(dark: int, light: int) -> np.ndarray:
    """Return the overview of a photo of nothing but squares of two greys, as targets and paper are."""
    rows, columns = np.indices((150, 200)) // 2
    return np.where((rows + columns) % 2, dark, light).astype(np.uint8)


def with_loss(seen: np.ndarray, lost: set[int]) -> list[Reading]:
    readings = readings_of([spot()] * 6)
    kept = readings[2].only({s.target for s in readings[2].sightings} - lost)
    return [*readings[:2], replace(kept, overview=seen, exposure=GOOD), *readings[3:]]


LOST = {3, 100, 101}


@pytest.mark.parametrize(
    ("seen", "mend"),
    [
        (board(3, 40), "too dark there. Take it again with more light"),
        (board(60, 255), "too bright there. Take it again with less light on the targets: no flash"),
        (board(150, 170), "flat there. Take it again with a clean lens"),
    ],
)
def test_targets_missed_in_a_badly_lit_photo_are_told_with_the_cause(seen: np.ndarray, mend: str) -> None:
    scene = measured(with_loss(seen, LOST))
    (told,) = [f for f in scene.findings if f.code == "targets-missed"]
    assert (told.subject, told.severity) == ("c.jpg", "warning")
    assert told.message.startswith("c.jpg: 3 of ")
    assert "targets in view were not read (3, 100, 101)" in told.message
    assert mend in told.message
    assert scene.photo("c.jpg").targets_missed == (3, 100, 101)
    assert scene.photo("c.jpg").exposure == GOOD
    assert scene.photo("a.jpg").targets_missed == ()


@pytest.mark.parametrize(("seen", "lost"), [(board(30, 220), LOST), (board(3, 40), {100})])
def test_nothing_is_said_where_something_may_stand_before_them_or_little_is_lost(
    seen: np.ndarray, lost: set[int]
) -> None:
    scene = measured(with_loss(seen, lost))
    assert "targets-missed" not in {f.code for f in scene.findings}
    assert scene.photo("c.jpg").targets_missed == tuple(sorted(lost))


@pytest.mark.slow
def test_a_photo_lit_on_one_side_names_the_targets_in_the_dark() -> None:
    image = image_of(2).astype(float)
    image[:, :750] *= 0.03
    photos = (*photos_of_spot()[:2], stored(image.astype(np.uint8)), *photos_of_spot()[3:])
    scene, media = scene_of(photos, cards=(CARD,))
    out, _ = measure(scene, media)
    photo = out.photo("c.jpg")
    assert len(photo.targets_missed) >= 2
    (told,) = [f for f in out.findings if f.code == "targets-missed"]
    assert f"({', '.join(map(str, photo.targets_missed))}): too dark there" in told.message
    assert photo.exposure is not None
    assert photo.exposure.paper == pytest.approx(255 * 0.8 ** (1 / 2.2), abs=8)  # of those read, in the light
    assert photo.blur_px is not None
    assert 1.0 < photo.blur_px < 4.0


@pytest.mark.slow
def test_a_black_photo_is_told_to_be_too_dark() -> None:
    photos = (*photos_of_spot()[:4], stored(np.full((LENS.height_px, LENS.width_px), 4, np.uint8)))
    scene, media = scene_of(photos, cards=(CARD,))
    out, _ = measure(scene, media)
    (told,) = [f for f in out.findings if f.code == "no-targets"]
    assert "It is too dark: take it again with more light" in told.message


def test_what_is_in_view_is_what_a_reading_shows() -> None:
    """The simulated readings project by OpenCV; from 65 degrees on, or under 25 px, a target needn't be read."""
    station = stations()[0]
    read = {s.target for s in reading("a.jpg", spot(), station).sightings}
    places = [spot().places[t] for t in sorted(spot().places)]
    rows = np.array([p.rotation for p in places]), np.array([p.shift for p in places])
    view = shown(station, LENS, *rows, np.full(len(places), SIDE_MM))
    assert {t for t, ok in zip(sorted(spot().places), view.clear, strict=True) if ok} <= read
    behind: Rigid[World, Target] = frame_on_plane(
        station.inverse().shift * 2, np.array([0, 0, -1.0]), np.array([1.0, 0, 0])
    )
    assert not shown(station, LENS, behind.rotation[None], behind.shift[None], np.array([SIDE_MM])).clear[0]
