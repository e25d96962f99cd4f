"""Targets that a photo should show and that were not read in it, with the cause when it lies in the photo."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.advice import Ground
from elbowroom.recon.blur import Blur
from elbowroom.recon.exposure import MENDS, exposure_at, exposure_word
from elbowroom.recon.readings import Reading, listed
from elbowroom.recon.solution import Index
from elbowroom.shared.errors import Finding

LEAST_MISSED, MISSED_SHARE = 2, 0.25
"""So many targets, and so large a share of those in view, must be missed before a photo is worth taking again."""

BLURRED_PX = 5.0
"""Edges wider than this run modules of 25 to 40 px targets into one another: a target is 8 modules wide."""


def missed_targets(ground: Ground, index: Index, readings: Sequence[Reading]) -> dict[str, tuple[int, ...]]:
    """Return by photo the targets that were not read though the network says they are in view.

    They face the photo to within 65 degrees and are 25 px wide or more. Something may well stand before them: the
    network doesn't know.
    """
    ids = [index.targets[i] for i in ground.targets]
    out = {}
    for reading in readings:
        if reading.photo.name in index.photos:
            row = ground.should[index.photos.index(reading.photo.name)]
            read = {s.target for s in reading.sightings} | set(reading.twice)
            out[reading.photo.name] = tuple(ids[i] for i in np.flatnonzero(row) if ids[i] not in read)
    return out


def missed_findings(
    ground: Ground, index: Index, readings: Sequence[Reading], missed: Mapping[str, Sequence[int]]
) -> list[Finding]:
    """Return a finding for each photo that missed many targets where it is too dark, too bright, flat, or blurred."""
    out = []
    for reading in readings:
        lost = missed.get(reading.photo.name, ())
        view = len(lost) + len(reading.sightings)
        if len(lost) < max(LEAST_MISSED, MISSED_SHARE * view):
            continue
        cause = _cause(ground, index, reading, lost)
        if cause is not None:
            out.append(_missed(reading.photo.name, lost, view, *cause))
    return out


def _cause(ground: Ground, index: Index, reading: Reading, lost: Sequence[int]) -> tuple[str, str] | None:
    """Return why targets may not have been read, and what to take the photo again with; None when it looks sound."""
    if reading.overview is not None:
        photo = index.photos.index(reading.photo.name)
        view = ground.shown_from(ground.station(photo), int(ground.lens_of_station[photo]))
        rows = [i for i, t in enumerate(ground.targets) if index.targets[t] in lost]
        words = Counter(exposure_word(exposure_at(reading.overview, [view.corners_px[i]])) for i in rows)
        word = max((w for w in words if w != "good"), key=lambda w: words[w], default="good")
        if 2 * words[word] >= len(rows) and word != "good":
            return f"{word} there", MENDS[word]
    if _blurred(reading.blur):
        return "blurred", "the phone held still in both hands, and a tap on a target to focus"
    return None


def _blurred(blur: Blur | None) -> bool:
    return blur is not None and blur.along_px > BLURRED_PX


def _missed(photo: str, lost: Sequence[int], view: int, cause: str, mend: str) -> Finding:
    return Finding(
        code="targets-missed",
        severity="warning",
        subject=photo,
        message=f"{photo}: {len(lost)} of {view} targets in view were not read ({listed(lost)}): {cause}. Take it again "
        f"with {mend}.",
        numbers={"missed": float(len(lost)), "in_view": float(view)},
    )
