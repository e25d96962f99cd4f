"""What is wrong with photos and targets that don't fit the network: which it is, and how far off.

A photo in which most sightings were rejected is looked at first: taken with another zoom, or of another job. Then each
target that doesn't fit in the photos that do: its size given wrong, moved between photos, printed twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.cases import Case, case_of
from elbowroom.recon.misplaced import misplaced, nearest
from elbowroom.recon.prints import Print
from elbowroom.recon.readings import Reading
from elbowroom.recon.refits import FITS_PX, Views, best_place, best_station, sized_place
from elbowroom.recon.solution import Solution
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import Lens

WORTH_TELLING_PX = 0.5
"""Rejected sightings that miss by less are counted but not named: a smudged edge, nothing a person can mend."""

LEAST_ROWS = 3
"""Sightings a photo must have before it is judged as a whole."""

MOSTLY_REJECTED = 0.5
"""A photo with at least this share of its sightings rejected is judged as a whole."""

ZOOM_SHARE = 0.005
"""Least change of focal length worth a word: focusing alone moves a phone's by a few tenths of a percent."""

SIZE_SHARE = 0.003
"""Least error of one target's size worth a word: the ink on one sheet differs by less (common practice)."""

CROP_SHARE = 0.02
"""Least way, of the photo's longer side, by which the lens's middle must lie aside for a photo to be called cropped."""

BETTER = 0.4
"""A free size or focal length explains a misfit when it takes the miss below this share of what it was."""


ODD_SIZE_SHARE = 0.4
"""A wrong size throws out at least this share of a target's sightings: only where they lie alike can some agree."""


@dataclass(frozen=True)
class Faults:
    """Findings, and the photos whose stations can't be used because of them."""

    findings: list[Finding]
    photos: frozenset[str]
    targets: frozenset[int]


def network_faults(
    readings: Sequence[Reading],
    joined: Sequence[Reading],
    solution: Solution,
    *,
    lenses: Mapping[str, Lens],
    prints: Mapping[int, Print],
) -> Faults:
    """Return what is wrong with the photos and targets that don't fit, by name.

    Parameters
    ----------
    readings, joined : sequence of Reading
        All photos with targets of known size; those that made the network, in its order.
    solution : Solution
        The adjusted network.
    lenses, prints : mapping
        First lenses by name; what was printed, by target id.
    """
    misses = np.abs(solution.adjusted.residuals_px).max(axis=1)
    telling = ~solution.adjusted.used & (misses >= WORTH_TELLING_PX)
    stray = _stray(readings, joined, solution)
    if not telling.any() and not stray:
        return Faults([], frozenset(), frozenset())
    case = case_of(readings, joined, solution, lenses, prints)
    findings, photos = _photo_faults(case, solution)
    case = case.without(photos | case.lost)
    found = {t: f for t in sorted(set(case.target)) if (f := _target_fault(case, t, solution)) is not None}
    return Faults(findings + list(found.values()), photos, frozenset(found))


def _stray(readings: Sequence[Reading], joined: Sequence[Reading], solution: Solution) -> bool:
    """Return whether any target or photo that shares ids with the network was left out of it."""
    kept = {r.photo.name: len(r.sightings) for r in joined}
    ids = set(solution.index.targets)
    for r in readings:
        seen = {s.target for s in r.sightings}
        if r.photo.name in kept and len(seen) > kept[r.photo.name]:
            return True
        if r.photo.name not in kept and seen & ids:
            return True
    return False


def _photo_faults(case: Case, solution: Solution) -> tuple[list[Finding], frozenset[str]]:
    """Return findings on photos in which little fits, and those photos."""
    findings, photos = [], []
    for photo in sorted(set(case.photo)):
        rows = case.of_photo(photo, solution.index.targets)
        if len(rows) < LEAST_ROWS or (~case.used[rows]).mean() < MOSTLY_REJECTED:
            continue
        uses = zip(case.photo, case.target, case.used, strict=True)
        rows = case.of_photo(photo, {t for p, t, used in uses if used and p != photo})
        finding = _photo_fault(case, photo, rows) if len(rows) >= LEAST_ROWS else None
        if finding is not None:
            findings.append(finding)
            photos.append(photo)
    return findings, frozenset(photos)


def _photo_fault(case: Case, photo: str, rows: Ints) -> Finding | None:
    """Return what is wrong with a photo whose `rows` show targets the others show too; None if it fits after all."""
    views = case.views.rows(rows)
    plain, _ = best_station(views, zoom=False)
    zoomed, ratio = best_station(views, zoom=True)
    before, after = views.misses_px(plain), views.misses_px(zoomed)
    fits, fitted = int((before < FITS_PX).sum()), int((after < FITS_PX).sum())
    better = np.median(after) < BETTER * np.median(before)
    if fitted >= max(LEAST_ROWS, len(rows) / 2) and better:
        lens = int(views.lens[0])
        aside, like = zoomed.lenses[lens, 1:3] - views.state.lenses[lens, 1:3], views.lenses[lens]
        if np.abs(aside).max() > CROP_SHARE * max(like.width_px, like.height_px):
            return _cropped(photo, ratio, aside)
        if abs(ratio - 1) > ZOOM_SHARE:
            return _zoomed(photo, ratio, float(views.state.lenses[lens, 0]))
    if fits <= max(1, len(rows) // 4):
        return _foreign(photo, [case.target[i] for i in rows], fits)
    return None


def _zoomed(photo: str, ratio: float, focal_px: float) -> Finding:
    which = "longer" if ratio > 1 else "shorter"
    return Finding(
        code="zoom-changed",
        severity="fault",
        subject=photo,
        message=f"{photo} was taken with another zoom, or cropped: its focal length is {ratio:.3f} times that of the "
        f"other photos ({ratio * focal_px:.0f} px against {focal_px:.0f} px, {which}). It is not used. Take it again "
        "with the zoom of the others, and send it as the camera saved it.",
        numbers={"ratio": ratio, "focal_px": ratio * focal_px, "group_focal_px": focal_px},
    )


def _cropped(photo: str, ratio: float, aside_px: Floats) -> Finding:
    return Finding(
        code="photo-cropped",
        severity="fault",
        subject=photo,
        message=f"{photo} was cropped, or taken through another lens: the middle of its lens lies {aside_px[0]:+.0f} px across and {aside_px[1]:+.0f} px "
        f"down from where the other photos have it, and its focal length is {ratio:.3f} times theirs. It is not used. "
        "Add it again as the camera saved it, whole.",
        numbers={"ratio": ratio, "across_px": float(aside_px[0]), "down_px": float(aside_px[1])},
    )


def _foreign(photo: str, targets: Sequence[int], fits: int) -> Finding:
    return Finding(
        code="photo-foreign",
        severity="fault",
        subject=photo,
        message=f"{photo} shows targets {', '.join(str(t) for t in sorted(targets))} as the other photos do, but "
        f"at most {max(fits, 1)} of these {len(targets)} at a time can be where the others show them: it seems to be "
        "of another job, or taken before the targets were moved. It is not used. Take it out of this job.",
        numbers={"targets": float(len(targets)), "fit": float(fits)},
    )


def _target_fault(case: Case, target: int, solution: Solution) -> Finding | None:
    """Return what is wrong with one target, None when nothing worth a word is."""
    rows = case.of_target(target)
    views = case.views.rows(rows)
    known = target in solution.index.targets
    misses = views.misses_px() if known else np.full(len(rows), np.inf)
    odd = ~case.used[rows] & (misses >= WORTH_TELLING_PX / 2)
    if not odd.any():
        return None
    photos = [case.photo[i] for i in rows]
    try:
        finding = _size_wrong(views, target) if len(rows) > 1 and odd.mean() >= ODD_SIZE_SHARE else None
        others = nearest(case.views)
        finding = finding or misplaced(
            views, target, photos, case.used[rows], twice=target in case.twice, others=others
        )
    except InputError:  # a corner past what the lens can have seen
        finding = None
    return finding or _rejected(target, photos, misses, odd)


def _size_wrong(views: Views, target: int) -> Finding | None:
    """Return a finding when another size than the one given makes all of a target's sightings agree."""
    fixed = views.misses_px(best_place(views))
    state, ratio = sized_place(views)
    free = views.misses_px(state)
    agree = bool((free < FITS_PX).all()) and np.sqrt((free**2).mean()) < BETTER * np.sqrt((fixed**2).mean())
    if abs(ratio - 1) < SIZE_SHARE or not agree:
        return None
    given = float(
        views.network.sides_mm[views.target[0]] * views.state.factors[views.network.batch[views.target[0]]]
    )
    return Finding(
        code="size-wrong",
        severity="fault",
        subject=f"target {target}",
        message=f"target {target}: its side is given as {given:.2f} mm, but {len(free)} photos agree on "
        f"{ratio * given:.2f} mm. Measure the black square with calipers and correct its size; until then it is not "
        "to be trusted.",
        numbers={"given_mm": given, "measured_mm": ratio * given, "ratio": ratio},
    )


def _rejected(target: int, photos: Sequence[str], miss: Floats, odd: Bools) -> Finding | None:
    lost = [
        (p if not np.isfinite(m) else f"{p} ({m:.1f} px)")
        for p, m, o in zip(photos, miss, odd, strict=True)
        if o and m >= WORTH_TELLING_PX
    ]
    if not lost:
        return None
    return Finding(
        code="sightings-rejected",
        severity="warning",
        subject=f"target {target}",
        message=f"target {target} does not fit the rest in {len(lost)} photo(s): {', '.join(lost[:6])}. "
        "It may be partly hidden, bent, or seen at a grazing angle; those sightings are not used.",
        numbers={"photos": float(len(lost))},
    )
