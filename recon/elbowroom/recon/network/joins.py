"""Readings joined into one network: first lenses, first stations and targets, and the photos that don't join."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.network.prints import Print
from elbowroom.recon.network.resection import FOCAL_TRIALS, focal_guess
from elbowroom.recon.network.solution import rough_lenses
from elbowroom.recon.network.start import Seen, Start, groups, start_network
from elbowroom.recon.reading.readings import Reading, listed
from elbowroom.shared.arrays import Points2
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.lens import undistort_points
from elbowroom.shared.scene import Lens, Scene

GUESSED_FOCAL = 0.3
"""A first focal length with more relative doubt than this is found from the targets instead."""

MANY, A_FEW = 40, 24
"""Photos of one lens above which its distortion is found first, and the number it is found from."""


def first_lenses(scene: Scene, readings: Sequence[Reading], prints: Mapping[int, Print]) -> dict[str, Lens]:
    """Return the first lens of each group: as an earlier job found it, else without distortion.

    Where EXIF was silent it has the focal length the targets suggest.
    """
    plain = {"k1": 0.0, "k2": 0.0, "k3": 0.0, "p1": 0.0, "p2": 0.0, "covariance": ()}
    kept = {k.lens.name: k.lens for k in scene.known_lenses}
    out = {}
    for name in sorted({r.lens for r in readings if r.sightings}):
        if name in kept:
            out[name] = kept[name]
            continue
        lens = scene.lens(name).model_copy(update=plain)
        if lens.focal_sd_px > GUESSED_FOCAL * lens.focal_px:
            lens = _with_focal_guess(lens, [r for r in readings if r.lens == name], prints)
        out[name] = lens
    return out


def _with_focal_guess(lens: Lens, readings: Sequence[Reading], prints: Mapping[int, Print]) -> Lens:
    seen = [s for r in readings for s in r.sightings]
    corners = [s.corners.corners_px for s in seen]
    focal = focal_guess(corners, [prints[s.target].side_mm for s in seen], lens.width_px, lens.height_px)
    low, high = FOCAL_TRIALS[[0, -1]] * max(lens.width_px, lens.height_px)
    return lens.model_copy(update={"focal_px": float(np.clip(focal, low, high))})


def settled_lenses(
    readings: Sequence[Reading], lenses: Mapping[str, Lens], prints: Mapping[int, Print]
) -> dict[str, Lens]:
    """Return the lenses, those of many photos as a few of these adjusted by themselves show them.

    Photos joined one to the next through a lens without distortion bend into a bow: a few hardly, hundreds too far for
    the adjustment to undo.
    """
    out = dict(lenses)
    sides = {t: p.side_mm for t, p in prints.items()}
    for name, lens in lenses.items():
        mine = [r for r in readings if r.lens == name and r.sightings]
        if len(mine) <= MANY or lens.covariance:
            continue
        seen = {r.photo.name: _ideal_corners(r, lens) for r in mine}
        part = groups(seen)[0]
        start = start_network(
            {p: seen[p] for p in part}, sides, dict.fromkeys(part, lens.focal_px), most=A_FEW
        )
        few = [r.only(start.targets) for r in mine if r.photo.name in start.stations]
        if len(few) == A_FEW:
            out.update(rough_lenses(few, start, {name: lens}, prints))
    return out


def join_readings(
    readings: Sequence[Reading], lenses: Mapping[str, Lens], prints: Mapping[int, Print]
) -> tuple[list[Reading], Start, list[Finding]]:
    """Return the readings of the largest joined group, its first values, and findings on the photos left out.

    Raises
    ------
    InputError
        When no two photos share a target.
    """
    used = [r for r in readings if r.sightings]
    seen = {r.photo.name: _ideal_corners(r, lenses[r.lens]) for r in used}
    parts = groups(seen)
    if len(parts[0]) < 2:
        raise InputError(
            "the photos share no target with one another",
            where=", ".join(p[0] for p in parts[:6]),
            value=f"{len(parts)} photo(s) with targets, each on its own",
            limit="every photo shares 2 or more targets with another",
            todo="take photos that overlap: step round the spot and keep three or more targets in view from one "
            "photo to the next",
        )
    findings = [_shares_nothing(part, parts[0], seen) for part in parts[1:]]
    sides = {t: p.side_mm for t, p in prints.items()}
    focal = {r.photo.name: lenses[r.lens].focal_px for r in used}
    start = start_network({p: seen[p] for p in parts[0]}, sides, focal)
    findings += [_not_joined(name) for name in sorted(set(parts[0]) - set(start.stations))]
    kept = [r.only(start.targets) for r in used if r.photo.name in start.stations]
    return kept, start, findings


def _ideal_corners(reading: Reading, lens: Lens) -> dict[int, Points2]:
    """Return the ideal normalised corners (4, 2) of a photo's targets."""
    corners_px = np.concatenate([s.corners.corners_px for s in reading.sightings])
    ideal = undistort_points(corners_px, lens).reshape(-1, 4, 2)
    return dict(zip((s.target for s in reading.sightings), ideal, strict=True))


def _shares_nothing(part: Sequence[str], main: Sequence[str], seen: Seen) -> Finding:
    """Return a finding on a group of photos that share no target with the largest group."""
    alone = len(part) == 1
    theirs, mine = ({t for p in group for t in seen[p]} for group in (main, part))
    return Finding(
        code="not-joined",
        severity="fault",
        subject=", ".join(part),
        message=f"{_some(part)} {'shares' if alone else 'share'} no target with the other photos and "
        f"{'is' if alone else 'are'} not used: {'it shows' if alone else 'they show'} targets {listed(mine)}, while "
        f"{_some(main)} show {listed(theirs)}. Take one more photo that shows its targets and theirs together: two or "
        "more of each.",
        numbers={"photos": float(len(part)), "others": float(len(main))},
    )


def _some(photos: Sequence[str]) -> str:
    return ", ".join(photos[:6]) + (f" and {len(photos) - 6} more" if len(photos) > 6 else "")


def _not_joined(photo: str) -> Finding:
    return Finding(
        code="not-joined",
        severity="fault",
        subject=photo,
        message=f"{photo} could not be joined to the other photos and is not used. "
        "Take it again from nearly the same place.",
    )
