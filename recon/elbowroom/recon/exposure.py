"""How a photo is exposed: what share of it, and of its targets and their surroundings, is clipped, and in a word."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from elbowroom.recon.detect import Sighting
from elbowroom.shared.arrays import Bools, Image, Points2
from elbowroom.shared.scene import Exposure, Photo

STRIDE = 8
"""Every so many pixels of the whole photo are looked at: a target 25 px wide still shows nine
with its surroundings."""

ACROSS, AROUND = 24, 0.25
"""Pixels looked at across a target with its surroundings, and how far these reach, in widths of it, on every side."""

BLACK, WHITE = 2, 253
"""Grey levels at and beyond which a pixel is clipped: JPEG moves levels by one or two."""

DARK_PAPER, FLAT = 60.0, 30.0
"""Paper darker than this, of 255, is too dark to be read safely: its ring is at a third of it or less and noise at 3
to 6 in a dim photo. Less than `FLAT` between paper and ink is haze or glare (both: common practice, no source)."""

BLOWN = 0.25
"""Share of clipped white round targets at which the paper is blown out: it is half of what is looked at, and light that
spills from it shrinks the black (common practice, no source)."""

DIM, BURNT = 25.0, 0.5
"""Where no target is known to be: a photo whose middle grey is below this is too dark, one clipped white by this share is too
bright."""

MENDS = {
    "too dark": "more light: a lamp from the side, or the exposure turned up",
    "too bright": "less light on the targets: no flash, no direct sun, or the exposure turned down",
    "flat": "a clean lens, and no lamp or sun shining into it",
}
"""What to take a photo again with."""


def exposure_of(image: Image, sightings: Sequence[Sighting]) -> Exposure:
    """Return how a grey photo (rows, columns) is exposed, as a whole and at its targets."""
    return _exposure(overview(image), image, [s.corners.corners_px for s in sightings], 1)


def overview(image: Image) -> Image:
    """Return every `STRIDE`-th pixel of a photo, to be looked at again once it is known where its targets are."""
    return np.ascontiguousarray(image[STRIDE // 2 :: STRIDE, STRIDE // 2 :: STRIDE])


def exposure_at(seen: Image, corners_px: Sequence[Points2]) -> Exposure:
    """Return how a photo is exposed from its `overview`, and at targets of known corners (4, 2) px of the photo."""
    return _exposure(seen, seen, corners_px, STRIDE)


def _exposure(whole: Image, image: Image, corners_px: Sequence[Points2], factor: int) -> Exposure:
    overall = {
        "black": _share(whole <= BLACK),
        "white": _share(whole >= WHITE),
        "middle": float(np.median(whole)),
    }
    parts = [_surroundings(image, c / factor).ravel() for c in corners_px]
    near = np.concatenate([np.zeros(0, dtype=np.uint8), *parts])
    if not near.size:
        return Exposure(**overall)
    ink, paper = np.percentile(near, (10, 90))
    at = {"near_black": _share(near <= BLACK), "near_white": _share(near >= WHITE)}
    return Exposure(**overall, **at, ink=float(ink), paper=float(paper))


def _share(chosen: Bools) -> float:
    return float(np.mean(chosen)) if chosen.size else 0.0


def _surroundings(image: Image, corners_px: Points2) -> Image:
    """Return some pixels of a target and of what lies round it."""
    low, high = corners_px.min(axis=0), corners_px.max(axis=0)
    margin = AROUND * (high - low)
    x0, y0 = np.maximum(low - margin, 0).astype(int)
    x1, y1 = np.maximum(np.ceil(high + margin), 0).astype(int) + 1
    step = max(1, int((x1 - x0) // ACROSS))
    return np.asarray(image[y0:y1:step, x0:x1:step])


def exposure_word(exposure: Exposure) -> str:
    """Return in a word how a photo is exposed: good, too dark, too bright or flat."""
    if exposure.paper is None or exposure.ink is None:
        if exposure.white > BURNT:
            return "too bright"
        return "too dark" if exposure.middle < DIM else "good"
    if exposure.near_white is not None and exposure.near_white > BLOWN:
        return "too bright"
    if exposure.paper < DARK_PAPER:
        return "too dark"
    return "flat" if exposure.paper - exposure.ink < FLAT else "good"


def photo_exposure(photo: Photo) -> str:
    """Return how a photo of a scene is exposed, nothing when it wasn't looked at."""
    return "" if photo.exposure is None else exposure_word(photo.exposure)
