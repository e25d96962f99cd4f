"""Blur by motion of known length and direction, laid over a drawn photo by a straight kernel; focus by the drawing's own."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from synthetic import Layout, Look, draw
from tests.recon.drawn import LENS, spot, stations
from tests.recon.sightings import readings_of

from elbowroom.recon.reading.blur import Blur, blur_finding, blur_of
from elbowroom.recon.reading.detect import Sighting, detect, read_grey
from elbowroom.recon.reading.edges import Edges
from elbowroom.recon.reading.hidden import covered, covered_findings

Floats = npt.NDArray[np.float64]


@lru_cache(maxsize=4)
def grey(blur_px: float = 0.8) -> npt.NDArray[np.uint8]:
    photo = draw(small(), LENS, stations()[0], np.random.default_rng(1), Look(blur_px=blur_px))
    return read_grey(photo, where="drawn")


def small() -> Layout:
    layout = spot()
    return Layout(layout.sides, {t: p for t, p in layout.places.items() if t != 103})


def kernel(length_px: float, angle_deg: float) -> Floats:
    """Return the straight smear of a given length, laid down point by point with bilinear weights."""
    out = np.zeros((31, 31))
    for t in np.linspace(-length_px / 2, length_px / 2, 401):
        x, y = 15 + t * np.cos(np.deg2rad(angle_deg)), 15 + t * np.sin(np.deg2rad(angle_deg))
        i, j = int(np.floor(y)), int(np.floor(x))
        fy, fx = y - i, x - j
        out[i : i + 2, j : j + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
    return out / out.sum()


def blurred(length_px: float, angle_deg: float) -> Blur:
    image = cv2.filter2D(grey(), -1, kernel(length_px, angle_deg)).astype(np.uint8)
    blur = blur_of(image, detect(image)[0])
    assert blur is not None
    return blur


@pytest.mark.parametrize(
    ("length_px", "angle_deg", "words"),
    [
        (4.0, 0.0, "along the rows"),
        (6.0, 90.0, "down the columns"),
        (6.0, 45.0, "at 4"),
        (8.0, 135.0, "at 13"),
    ],
)
def test_motion_is_found_with_its_length_and_direction(
    length_px: float, angle_deg: float, words: str
) -> None:
    blur = blurred(length_px, angle_deg)
    assert blur.motion_px == pytest.approx(length_px, rel=0.2)
    assert abs((blur.angle_deg - angle_deg + 90) % 180 - 90) < 5
    told = blur_finding("e.jpg", blur)
    assert told is not None
    assert (told.code, told.subject) == ("motion-blur", "e.jpg")
    assert words in told.message


@pytest.mark.parametrize("sigma_px", [0.5, 0.8, 2.0])
def test_even_blur_is_no_motion(sigma_px: float) -> None:
    image = grey(sigma_px)
    blur = blur_of(image, detect(image)[0])
    assert blur is not None
    assert blur.along_px < 1.1 * blur.across_px
    # a Gaussian's steepest slope is 1/(sigma sqrt(2 pi)); the pixel itself and the taps add a little to a sharp edge
    assert blur.across_px == pytest.approx(np.sqrt(2 * np.pi) * sigma_px, rel=0.15 if sigma_px > 1 else 0.7)
    assert blur_finding("e.jpg", blur) is None


def test_out_of_focus_is_told_apart() -> None:
    told = blur_finding("e.jpg", Blur(9.6, 8.8, 50.0))
    assert told is not None
    assert told.code == "out-of-focus"


def test_a_photo_without_targets_has_no_blur() -> None:
    assert blur_of(grey(), []) is None


def half(sighting: Sighting) -> Sighting:
    """Return a sighting whose right half is covered: no boundary was found there."""
    edges, left = sighting.edges, sighting.edges.points_target[:, 0] < 0
    return Sighting(
        sighting.target,
        Edges(edges.points_px[left], edges.normals_px[left], edges.points_target[left]),
        sighting.corners,
    )


def test_a_half_covered_target_is_named_with_its_share() -> None:
    sightings, _ = detect(grey())
    assert covered(sightings) == {}
    shares = covered([half(s) if s.target == 2 else s for s in sightings])
    assert set(shares) == {2}
    assert shares[2] == pytest.approx(0.5, abs=0.15)
    (told,) = covered_findings({"a.jpg": shares, "b.jpg": {}})
    assert (told.code, told.subject) == ("target-hidden", "target 2")
    assert "in 1 photo(s): a.jpg (" in told.message


def test_readings_without_pixels_have_neither() -> None:
    (reading,) = readings_of([spot()])
    assert reading.blur is None
    assert reading.only([1]).covered == {}
