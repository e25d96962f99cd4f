"""Which photo to outline or take next: the one whose predicted outline would cut most off a volume."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from elbowroom.recon.advice import places_round
from elbowroom.recon.coaching import Taken
from elbowroom.recon.cones import View
from elbowroom.recon.looseness import Proof, looseness
from elbowroom.recon.stations import Station, stations_of
from elbowroom.shared.arrays import Bools, Floats, Points3
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import MeasuredFace, Scene

SAMPLES = 700
"""Points of the volume that are counted: shares come out to 2 in a hundred (one sigma), and the same points serve all
places, so that their order comes out better."""

BATCH, BATCHES = 2048, 10
"""Points of the box round the volume that are tried at a time to find them, and how many times at most."""

WORTH = 0.1
"""Share of the volume below which another photo is not worth the walk."""

BETTER = 1.25
"""A new photo must cut this many times as much as one already taken before it is asked for."""

ROUND = 32
"""Sides of the polygon that stands for a predicted outline: corners stand out by half a per cent."""


def next_findings(
    scene: Scene, views: Sequence[View], proofs: Sequence[Proof], vertices_world: Points3, *, where: str
) -> tuple[Finding, ...]:
    """Return findings that name the photo already taken, and the one to take, that would tighten a volume most.

    What a photo would cut is predicted from a guess of the thing, the hull of where it may be grazed (`guessed`): a
    thing is grazed about where it is widest. The guess decides only which photo is named, never what is measured. It
    can't be right always: the best place for a block is in line with its edges, for a ball it is square to the other
    views, and two outlines often fit both. Over six things in eight sets of photos the place named took off 76 % on
    the mean of what the best of all candidates would have, 94 % in the middle, and a place at random half.
    """
    guess = guessed(proofs)
    samples = _samples(views, vertices_world)
    if len(guess) < 4 or len(samples) == 0:
        return ()
    doubt = views[0].widen_px / views[0].station.lens.focal_px
    spare, eyes = _spare(scene, views, guess), candidates(scene, views, guess)
    places = np.vstack([*(s.centre_world for s in spare), eyes])
    kept = kept_by(places, guess, samples, doubt)
    known, fresh = np.split(1 - kept.mean(axis=1), [len(spare)])
    found = []
    if len(known) and known.max() >= WORTH:
        found.append(_outline_it(spare[int(known.argmax())], float(known.max()), where))
    if len(fresh) and fresh.max() >= WORTH and fresh.max() > BETTER * known.max(initial=0.0):
        best = int(fresh.argmax())
        loose = looseness(vertices_world, proofs), looseness(samples[kept[len(spare) + best]], proofs)
        middle = guess.mean(axis=0)
        way = _taken(scene, middle).way(eyes[best], middle)
        found.append(_take_it(way, eyes[best], float(fresh[best]), loose, where))
    return tuple(found)


def guessed(proofs: Sequence[Proof]) -> Points3:
    """Return points (n, 3) mm about where the thing may be grazed: on each line's stretch in the volume, halfway from
    the stretch's own middle to the place nearest to the middle of all."""
    spans = np.concatenate([p.spans_world for p in proofs])
    start, along = spans[:, 0], spans[:, 1] - spans[:, 0]
    off = spans.mean(axis=(0, 1)) - start
    share = (off * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-12)
    return np.asarray(start + (np.clip(share, 0.0, 1.0) + 0.5)[:, None] / 2 * along)


def candidates(scene: Scene, views: Sequence[View], guess_world: Points3) -> Points3:
    """Return places (n, 3) mm a next photo might be taken from: all round the guessed thing (n, 3) mm, as far off as those
    used, its middle in the photo's, through the first one's lens, none behind a measured face that the thing lies
    before, and none further than `advice.REACH_DEG` from every photo's direction."""
    middle = guess_world.mean(axis=0)
    lens = views[0].station.lens
    eyes = np.array([s.centre_world for s in stations_of(scene)])
    used = [np.linalg.norm(v.station.centre_world - middle) for v in views]
    half = np.arctan(0.5 * min(lens.width_px, lens.height_px) / lens.focal_px)
    needed = 1.1 * np.linalg.norm(guess_world - middle, axis=1).max() / np.sin(half)
    distance = max(float(np.median(used)), float(needed))
    places = places_round(middle, distance, eyes)
    clear = np.array([_in_the_clear(p, middle, scene.measured_faces) for p in places], dtype=bool)
    return np.asarray(places[clear])


def _in_the_clear(eye: Floats, middle: Floats, faces: Sequence[MeasuredFace]) -> bool:
    sides = [((eye - f.point_mm) @ f.normal, (middle - f.point_mm) @ f.normal) for f in faces]
    return not any(there < 0 < here for there, here in sides)


def _spare(scene: Scene, views: Sequence[View], guess_world: Points3) -> list[Station]:
    used = {v.station.photo for v in views}
    return [s for s in stations_of(scene) if s.photo not in used and _shows(s, guess_world)]


def _shows(station: Station, points_world: Points3) -> bool:
    px = station.project(points_world)
    size = np.array([station.lens.width_px, station.lens.height_px])
    return bool(np.isfinite(px).all() and (px >= 0).all() and (px < size).all())


def _samples(views: Sequence[View], vertices: Points3) -> Points3:
    """Return points (n, 3) evenly spread through a volume, by the rest of multiples of three irrational numbers.

    Source: the generalised golden ratio, root of x^4 = x + 1 (low-discrepancy sequences; from memory).
    """
    middle = vertices.mean(axis=0)
    axes = np.linalg.svd(vertices - middle, full_matrices=False)[2]
    along = (vertices - middle) @ axes.T
    low, high = along.min(axis=0), along.max(axis=0)
    ratio = 1.2207440846057596
    points = np.zeros((0, 3))
    for start in range(1, BATCH * BATCHES, BATCH):
        unit = (0.5 + np.arange(start, start + BATCH)[:, None] * ratio ** -np.arange(1.0, 4.0)) % 1.0
        more = middle + (low + unit * (high - low)) @ axes
        for v in views:
            more = more[v.allows(more)]
        points = np.vstack([points, more])
        if len(points) >= SAMPLES:
            break
    return points[:SAMPLES]


def kept_by(eyes_world: Points3, guess_world: Points3, samples_world: Points3, doubt_rad: float) -> Bools:
    """Return which samples (n, 3) mm an outline of the guessed thing, a hull of (m, 3) mm, drawn from each of (k, 3)
    places would leave, (k, n); the outline is taken as the polygon of `ROUND` sides round it."""
    along = guess_world.mean(axis=0) - eyes_world
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    right = np.cross(np.eye(3)[np.abs(along).argmin(axis=1)], along)
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    axes = np.stack([right, np.cross(along, right), along], axis=2)
    angles = 2 * np.pi * np.arange(ROUND) / ROUND
    sides = np.stack([np.cos(angles), np.sin(angles)])
    seen = []
    for points in (guess_world, samples_world):
        places = (points - eyes_world[:, None]) @ axes  # (k, n, 3)
        depth = np.where(places[:, :, 2] > 0, places[:, :, 2], np.nan)
        seen.append(places[:, :, :2] @ sides / depth[:, :, None])
    reach = (
        seen[0].max(axis=1, keepdims=True) + doubt_rad
    )  # not a number where the guess reaches behind: keeps all
    return np.asarray(~(seen[1] > reach).any(axis=2))


def _outline_it(station: Station, cut: float, where: str) -> Finding:
    message = f"{where}: an outline in {station.photo} too would tighten it most: about {cut:.0%} of the volume less"
    return Finding(
        code="tag-next-outline",
        severity="note",
        subject=where,
        message=message,
        numbers={"cut_percent": 100 * cut},
    )


def _take_it(way: str, eye: Floats, cut: float, loose: tuple[Floats, Floats], where: str) -> Finding:
    before, after = loose
    worst = int(before.argmax())
    x, y, z = eye
    message = (
        f"{where}: to tighten it, take one more photo {way} "
        f"(camera near x {x:.0f}, y {y:.0f}, z {z:.0f} mm) and outline it there: about {cut:.0%} of the volume less, "
        f"and loose by about {after[worst]:.0f} mm instead of {before[worst]:.0f} mm where it is loosest"
    )
    numbers = {
        "cut_percent": 100 * cut,
        "camera_x_mm": float(x),
        "camera_y_mm": float(y),
        "camera_z_mm": float(z),
        "loosest_mm": float(before[worst]),
        "loosest_then_mm": float(after[worst]),
    }
    return Finding(code="tag-next-photo", severity="note", subject=where, message=message, numbers=numbers)


def _taken(scene: Scene, middle: Floats) -> Taken:
    stations = stations_of(scene)
    return Taken(
        [s.photo for s in stations],
        [scene.photo(s.photo).orientation for s in stations],
        np.array([s.centre_world for s in stations]),
        np.array([s.camera_from_world.rotation for s in stations]),
        middle,
    )
