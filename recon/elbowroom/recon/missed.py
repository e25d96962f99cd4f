"""Targets that a photo should show and that were not read in it, with the cause when it lies in the photo."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.advice import Ground
from elbowroom.recon.blur import Blur
from elbowroom.recon.exposure import MENDS, exposure_word
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


def missed_findings(readings: Sequence[Reading], missed: Mapping[str, Sequence[int]]) -> list[Finding]:
    """Return a finding for each photo that missed many targets and is too dark, too bright, flat or blurred."""
    out = []
    for reading in readings:
        lost, cause = missed.get(reading.photo.name, ()), _cause(reading)
        view = len(lost) + len(reading.sightings)
        if cause is not None and len(lost) >= max(LEAST_MISSED, MISSED_SHARE * view):
            out.append(_missed(reading.photo.name, lost, view, *cause))
    return out


def _cause(reading: Reading) -> tuple[str, str] | None:
    """Return why targets may not have been read, and what to take the photo again with; None when it looks sound."""
    word = "good" if reading.exposure is None else exposure_word(reading.exposure)
    if word != "good":
        return word, MENDS[word]
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
