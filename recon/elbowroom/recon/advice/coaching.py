"""Which photo to take next, in words: where the directions of view leave a gap, which targets are weak, what helps most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.advice.inview import FACING
from elbowroom.recon.advice.nextstation import (
    LEAST_SHOWN,
    Candidate,
    Ground,
    best_candidate,
    candidates,
)
from elbowroom.recon.directions import DIRECTIONS
from elbowroom.recon.network.solution import Solution
from elbowroom.shared.arrays import Floats, Points3
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import Photo

LEAST_SPAN_DEG = 40.0
"""Least angle between the two views furthest apart: at 40 degrees depth is measured nearly three times as badly as
the rest (two rays meet with doubts in the ratio 1 / tan of half their angle), below it worse."""

STEP_DEG = 45.0
"""How far round the next photo should be taken."""

MATTERS_MM = 0.05
"""A target known worse than this (one sigma, worst direction) is worth a walk: a laser cuts to 0.1 mm (common practice)."""

WORTH = 0.2
"""Share by which a photo must lower the worst target's doubt to be advised."""

WEAK, MOST_WEAK = 3.0, 3
"""A target is called weak when its doubt is this many times the typical one; so many are named at most."""

GAP_DEG = 45.0
"""A direction this far from every photo's is a side not seen: photos on either side of it are 90 degrees apart."""

THERE_DEG = 8.0
"""Nearer to a photo than this, a place is told as that photo's own."""

ASIDE = float(np.sin(np.deg2rad(22.5)))
"""A way goes left, right, up or down when this part of it does: half of one of the eight ways."""

WAYS = {
    (-1, 0): "the left",
    (1, 0): "the right",
    (0, 1): "high up",
    (0, -1): "low down",
    (-1, 1): "the left, high",
    (1, 1): "the right, high",
    (-1, -1): "the left, low",
    (1, -1): "the right, low",
}
"""Ways to go, right and up in the photo that looks from the middle of them."""

UPRIGHT: Mapping[int, tuple[tuple[int, int], tuple[int, int]]] = {
    1: ((1, 0), (0, -1)),
    2: ((-1, 0), (0, -1)),
    3: ((-1, 0), (0, 1)),
    4: ((1, 0), (0, 1)),
    5: ((0, 1), (-1, 0)),
    6: ((0, -1), (-1, 0)),
    7: ((0, -1), (1, 0)),
    8: ((0, 1), (1, 0)),
}
"""Where a viewer's right and up lie in a photo as stored (x right, y down), by EXIF orientation.

Source: CIPA DC-008 (EXIF), tag 274 Orientation: which side of the scene the first row and the first column show."""


def coaching_findings(ground: Ground, solution: Solution, photos: Sequence[Photo]) -> list[Finding]:
    """Return findings on views from one side only, weak targets, sides not seen, and the photo that would help most."""
    adjusted, index = solution.adjusted, solution.index
    used = sorted(set(solution.network.station[adjusted.used].tolist()))
    if len(used) < 2:
        return []
    taken = _taken(ground, used, index.photos, photos)
    narrow = _narrow_views(taken)
    sds = ground.sds_mm
    weak = sds.max() > MATTERS_MM
    unseen = narrow is None and _gap_likely(ground, taken)
    out = [narrow] if narrow is not None else []
    if weak:
        out += _weak_targets(ground, solution)
    if narrow is not None or not (weak or unseen):
        return out
    tried = candidates(ground)
    if weak:
        best = best_candidate(ground, tried)
        if best is not None and best[1].max() <= (1 - WORTH) * sds.max():
            return [*out, _next_photo(ground, *best, taken, index.targets)]
    return out + (_gap(ground, tried, taken) if unseen else [])


@dataclass(frozen=True, eq=False)
class Taken:
    """Photos that were used: names, orientations by EXIF, where from (n, 3) mm and how turned (n, 3, 3), and what at."""

    names: Sequence[str]
    orientations: Sequence[int]
    eyes: Points3
    rotations: Floats
    middle: Floats

    def views(self, aim_world: Floats | None = None) -> Floats:
        """Return unit directions (n, 3) from what is looked at to the photos."""
        away = self.eyes - (self.middle if aim_world is None else aim_world)
        return np.asarray(away / np.linalg.norm(away, axis=1, keepdims=True))

    def way(self, eye_world: Floats, aim_world: Floats) -> str:
        """Return in words where a place lies, as seen in the photo taken nearest to it."""
        sights = self.views(aim_world)
        view = (eye_world - aim_world) / np.linalg.norm(eye_world - aim_world)
        nearest = int((sights @ view).argmax())
        photo = self.names[nearest]
        angle = float(np.rad2deg(np.arccos(np.clip(sights[nearest] @ view, -1, 1))))
        if angle < THERE_DEG:
            return f"from about where {photo} was taken"
        right, up = seen_axes(self.rotations[nearest], sights[nearest], self.orientations[nearest])
        aside = view - (view @ sights[nearest]) * sights[nearest]
        aside /= np.linalg.norm(aside)
        step = tuple(int(np.sign(p)) if abs(p) > ASIDE else 0 for p in (aside @ right, aside @ up))
        return f"from {WAYS[step[0], step[1]]}, as seen in {photo}: {angle:.0f} degrees round from there"


def _taken(ground: Ground, used: Sequence[int], names: Sequence[str], photos: Sequence[Photo]) -> Taken:
    turned = {p.name: p.orientation for p in photos}
    mine = [names[i] for i in used]
    rotations = ground.state.station_rotations[used]
    middle = ground.centres_world.mean(axis=0)
    return Taken(mine, [turned.get(n, 1) for n in mine], ground.eyes[used], rotations, middle)


def _narrow_views(taken: Taken) -> Finding | None:
    """Return a finding when all photos look from about the same side, with the side to add."""
    views = taken.views()
    span = float(np.rad2deg(np.arccos(np.clip(views @ views.T, -1, 1).min())))
    if span >= LEAST_SPAN_DEG:
        return None
    first = int(np.argmax(views @ views.mean(axis=0)))
    right, up = seen_axes(taken.rotations[first], views[first], taken.orientations[first])
    return _narrow(span, taken.names[first], best_way(views, views[first], right, up))


def _weak_targets(ground: Ground, solution: Solution) -> list[Finding]:
    """Return a finding on each of the weakest targets: how well it is known, and why no better."""
    sds, network = ground.sds_mm, solution.network
    typical = float(np.median(sds))
    out = []
    for i in np.argsort(-sds)[:MOST_WEAK]:
        photos = network.station[solution.adjusted.used & (network.target == ground.targets[i])]
        if sds[i] <= max(MATTERS_MM, WEAK * typical) or len(photos) < 2:  # one photo only is told by itself
            continue
        rays = ground.eyes[photos] - ground.centres_world[i]
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        angle = float(np.rad2deg(np.arccos(np.clip(rays @ rays.T, -1, 1).min())))
        out.append(
            _weak(solution.index.targets[ground.targets[i]], float(sds[i]), typical, len(photos), angle)
        )
    return out


def _weak(target: int, sd_mm: float, typical_mm: float, photos: int, angle_deg: float) -> Finding:
    return Finding(
        code="target-weak",
        severity="note",
        subject=f"target {target}",
        message=f"target {target} is known to {sd_mm:.2f} mm only (one sigma, scale apart; {typical_mm:.3f} mm is "
        f"typical): {photos} photos show it, from directions at most {angle_deg:.0f} degrees apart.",
        numbers={"sd_mm": sd_mm, "typical_mm": typical_mm, "photos": float(photos), "angle_deg": angle_deg},
    )


def _next_photo(ground: Ground, best: Candidate, after: Floats, taken: Taken, ids: Sequence[int]) -> Finding:
    before = ground.sds_mm
    worst = int(before.argmax())
    target = ids[ground.targets[worst]]
    aside = np.linalg.norm(best.aim_world - taken.middle) > 1e-6
    way = taken.way(best.eye_world, best.aim_world)
    numbers = {
        "target": float(target),
        "worst_mm": float(before[worst]),
        "worst_then_mm": float(after.max()),
        "typical_mm": float(np.median(before)),
        "typical_then_mm": float(np.median(after)),
    }
    return Finding(
        code="next-photo",
        severity="note",
        subject="photos",
        message=f"one more photo {way}{f' (look at target {target})' if aside else ''}: the worst target, {target}, "
        f"would be known to {after[worst]:.3f} mm instead of {before[worst]:.3f} mm (one sigma, scale apart), "
        f"the typical one to {np.median(after):.3f} mm instead of {np.median(before):.3f} mm.",
        numbers=numbers,
    )


def _gap_likely(ground: Ground, taken: Taken) -> bool:
    """Return whether a direction that half the targets face lies far from every photo's; cheap, before any is tried."""
    away = DIRECTIONS[(DIRECTIONS @ taken.views().T).max(axis=1) < np.cos(np.deg2rad(GAP_DEG))]
    facing = (away @ ground.normals_world.T >= FACING).sum(axis=1)
    return bool((facing >= _enough(ground)).any())


def _enough(ground: Ground) -> float:
    return max(LEAST_SHOWN, len(ground.targets) / 2)


def _gap(ground: Ground, tried: Sequence[Candidate], taken: Taken) -> list[Finding]:
    """Return a finding on the side, of those that would show half the targets, that lies furthest from all photos."""
    eyes = np.array([c.eye_world for c in tried if len(c.targets) >= _enough(ground)]).reshape(-1, 3)
    away = (eyes - taken.middle) / np.linalg.norm(eyes - taken.middle, axis=1, keepdims=True)
    off = np.rad2deg(np.arccos(np.clip((away @ taken.views().T).max(axis=1, initial=-1.0), -1, 1)))
    if not (off > GAP_DEG).any():
        return []
    furthest = int(off.argmax())
    return [
        Finding(
            code="views-gap",
            severity="note",
            subject="photos",
            message=f"no photo looks at the spot {taken.way(eyes[furthest], taken.middle)}, nor from near there. What "
            "shows from there alone can't be outlined; take one more there if one can stand there.",
            numbers={"off_deg": float(off[furthest])},
        )
    ]


def seen_axes(rotation: Floats, view: Floats, orientation: int) -> tuple[Floats, Floats]:
    """Return a photo's right and up as its viewer sees them, unit vectors (3,) square to the direction of view."""
    out = []
    for x, y in UPRIGHT[orientation]:
        axis = rotation.T @ np.array([x, y, 0.0])
        axis = axis - (axis @ view) * view
        out.append(axis / np.linalg.norm(axis))
    return out[0], out[1]


def best_way(views: Floats, middle: Floats, right: Floats, up: Floats) -> str:
    """Return in words the way to go from the middle view that lies furthest from the views (n, 3) there are, on average."""

    def gap(way: tuple[int, int]) -> float:
        aside = way[0] * right + way[1] * up
        step = np.deg2rad(STEP_DEG)
        there = np.cos(step) * middle + np.sin(step) * aside / np.linalg.norm(aside)
        return float(np.arccos(np.clip(views @ there, -1, 1)).mean())

    return WAYS[max(WAYS, key=gap)]


def _narrow(span_deg: float, photo: str, way: str) -> Finding:
    return Finding(
        code="views-narrow",
        severity="warning",
        subject="photos",
        message=f"all photos look from about the same side: the two furthest apart are {span_deg:.0f} degrees apart "
        f"(at least {LEAST_SPAN_DEG:.0f}), so depth is measured badly. Take one more from {way}, as seen in {photo}: "
        f"{STEP_DEG:.0f} degrees round from there. Then take one from the opposite side.",
        numbers={"span_deg": span_deg},
    )
