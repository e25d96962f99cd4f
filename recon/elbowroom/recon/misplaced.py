"""Targets that stand in two places: moved between two photos, or one id printed twice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from elbowroom.recon.inview import shown
from elbowroom.recon.lensrows import lens_of
from elbowroom.recon.refits import FITS_PX, Views, best_place, place_of, station_of, with_place
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.errors import Finding
from elbowroom.shared.frames import Rigid, Target, World

LEAST_MOVE_PX = 2.0
"""A lone sighting must miss the other place by this (rms) to be called another place: less is a smudged edge."""

ALONE_FITS_PX = 0.3
"""...and be a square of the right shape to this: a target partly hidden is not."""

SEEN_SQUARE = 0.3
"""Cosine to a target's normal above which a camera in front of it would surely have read it."""

Nearest = Callable[[Floats, int], str]


@dataclass(frozen=True, eq=False)
class _Spot:
    """One place of a target: the pose and the rows of the sightings that see it there."""

    place: Rigid[World, Target]
    rows: Ints


def nearest(views: Views) -> Nearest:
    """Return a function that says which target's place a point (3,) mm is nearest to, other than one's own."""
    seen = sorted({int(t) for t in views.target})

    def near(point: Floats, own: int) -> str:
        far = {views.ids[t]: float(np.linalg.norm(views.state.target_shifts[t] - point)) for t in seen}
        far = {k: v for k, v in far.items() if k != own and np.isfinite(v)}
        closest = min(far, key=lambda k: far[k])
        return f"{far[closest]:.0f} mm from target {closest}"

    return near


def misplaced(
    views: Views, target: int, photos: Sequence[str], used: Bools, *, twice: bool, others: Nearest
) -> Finding | None:
    """Return a finding when a target's sightings (of `photos`, one each) agree on two places, None otherwise.

    `used` (m,) marks the sightings the adjustment kept: where they are most, its place is the first.
    """
    spots = _spots(views, used)
    if len(spots) < 2:
        return None
    a, b = spots[:2]
    sets = [sorted(photos[i] for i in s.rows) for s in (a, b)]
    gap = float(np.linalg.norm(a.place.shift - b.place.shift))
    if twice or _changes(*sets) > 2 or not _would_see_both(views, a, b):
        where = [others(s.place.shift, target) for s in (a, b)]
        return _printed_twice(target, sets, where, gap)
    if sets[1][0] < sets[0][0] and _changes(*sets) == 1:
        sets = sets[::-1]
    turn = _turn_deg(a.place, b.place)
    return _moved(target, sets, gap, turn, once=_changes(*sets) == 1)


def _spots(views: Views, used: Bools) -> list[_Spot]:
    """Return the places that sightings agree on, the one seen most first."""
    left = np.arange(len(views))
    out: list[_Spot] = []
    if used.mean() >= 0.5:
        place = place_of(views.state, int(views.target[0]))
        there = used | (views.misses_px() < FITS_PX)
        out, left = [_Spot(place, left[there])], left[~there]
    while len(left) and len(out) < 2:
        part = views.rows(left)
        if len(out) == 1 and len(left) == 1 and not _lone(part, out[0]):
            break
        state = best_place(part)
        fits = part.misses_px(state) < (FITS_PX if len(left) > 1 else ALONE_FITS_PX)
        if not fits.any():
            break
        if len(out) == 1 and fits.sum() == 1 and not _lone(part.rows(np.flatnonzero(fits)), out[0]):
            break
        out.append(_Spot(place_of(state, int(views.target[0])), left[fits]))
        left = left[~fits]
    return sorted(out, key=lambda s: -len(s.rows))


def _lone(view: Views, other: _Spot) -> bool:
    """Return whether one sighting alone is sound enough, and far enough from the other place, to speak of a second."""
    there = view.misses_px(with_place(view.state, int(view.target[0]), other.place))[0]
    return bool(there > LEAST_MOVE_PX) and bool(view.misses_px(best_place(view))[0] < ALONE_FITS_PX)


def _changes(first: Sequence[str], second: Sequence[str]) -> int:
    """Return how often the photos, in order of name, change from one set to the other."""
    mine = set(first)
    order = [p in mine for p in sorted([*first, *second])]
    return sum(x != y for x, y in pairwise(order))


def _would_see_both(views: Views, a: _Spot, b: _Spot) -> bool:
    """Return whether a photo that shows the target in one place has the other place in full view too."""
    return any(_in_view(views, int(i), there.place) for here, there in ((a, b), (b, a)) for i in here.rows)


def _in_view(views: Views, row: int, place: Rigid[World, Target]) -> bool:
    lens = int(views.lens[row])
    seen = shown(
        station_of(views.state, int(views.station[row])),
        lens_of(views.lenses[lens].name, views.state.lenses[lens], views.lenses[lens]),
        place.rotation[None],
        place.shift[None],
        views.network.sides_mm[views.target[row], None],
        facing=SEEN_SQUARE,
        least_px=0.0,
    )
    return bool(seen.clear[0])


def _turn_deg(a: Rigid[World, Target], b: Rigid[World, Target]) -> float:
    cosine = (np.trace(a.rotation.T @ b.rotation) - 1) / 2
    return float(np.rad2deg(np.arccos(np.clip(cosine, -1, 1))))


def _listed(photos: Sequence[str]) -> str:
    return ", ".join(photos[:6]) + (f" and {len(photos) - 6} more" if len(photos) > 6 else "")


def _moved(
    target: int, sets: Sequence[Sequence[str]], gap_mm: float, turn_deg: float, *, once: bool
) -> Finding:
    when = f"from {sets[1][0]} on" if once and len(sets[1]) > 1 else f"in {_listed(sets[1])}"
    return Finding(
        code="target-moved",
        severity="fault",
        subject=f"target {target}",
        message=f"target {target} moved: {when} it stands {gap_mm:.1f} mm (turned {turn_deg:.1f} degrees) from where "
        f"{_listed(sets[0])} show it. Fix it so that it can't move and take the photos of one of the two sets again, "
        "or give it no size so that it isn't used.",
        numbers={
            "moved_mm": gap_mm,
            "turned_deg": turn_deg,
            "photos_before": float(len(sets[0])),
            "photos_after": float(len(sets[1])),
        },
    )


def _printed_twice(
    target: int, sets: Sequence[Sequence[str]], where: Sequence[str], gap_mm: float
) -> Finding:
    return Finding(
        code="printed-twice",
        severity="fault",
        subject=f"target {target}",
        message=f"target {target} stands in two places {gap_mm:.0f} mm apart, so it seems to be printed twice: one "
        f"{where[0]} ({_listed(sets[0])}), one {where[1]} ({_listed(sets[1])}). Only one of them is used at most. "
        "Take one of the two prints away and photograph again.",
        numbers={
            "apart_mm": gap_mm,
            "photos_first": float(len(sets[0])),
            "photos_second": float(len(sets[1])),
        },
    )
