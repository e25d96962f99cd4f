"""Two cameras under one lens's name: photos whose focal lengths fall into two heaps are given a lens each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from elbowroom.recon.adjust import robust_state
from elbowroom.recon.equations import Network, Picks, State
from elbowroom.recon.evidence import REFOCUS_SD
from elbowroom.recon.readings import Reading
from elbowroom.recon.refits import STATION, Views, refit
from elbowroom.recon.solution import Solution
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import Scene

FREE_SD = 0.1
"""How far a photo's focal length may lie from its group's when heaps are looked for: two phones' differ by a few percent."""

ASUNDER, WITHIN = 0.005, 4.0
"""Two heaps lie at least this share apart, more than focusing moves most photos, and this many times as far as either is wide."""

ROUNDS, MOST_PX = 5, 5.0
"""Rounds in which photos may change heaps, and the miss above which a sighting counts no more in that."""

LEAST_PHOTOS = 2
"""Photos of each camera, at least: a single one was zoomed or cropped."""


@dataclass(frozen=True)
class Split:
    """A scene and readings in which some photos have a lens of their own, and the finding that says so."""

    scene: Scene
    readings: list[Reading]
    finding: Finding


def lens_split(scene: Scene, readings: Sequence[Reading], solution: Solution) -> Split | None:
    """Return the job with one lens group taken apart when its photos were taken by two cameras, None otherwise.

    It is looked for only where photos asked for a focal length each and strain against what focusing may do, or where
    whole photos fall out.
    """
    network = solution.network
    used, station = solution.adjusted.used, network.station
    strained = network.refocus_sd > 0 and np.abs(solution.adjusted.state.refocus).max() > REFOCUS_SD
    rejected = np.bincount(station, ~used) / np.maximum(np.bincount(station), 1)
    if not strained and not (rejected >= 0.5).sum() >= LEAST_PHOTOS:
        return None
    freed = robust_state(solution.adjusted.state, replace(network, refocus_sd=FREE_SD))
    lens_of_photo = np.zeros(len(solution.index.photos), dtype=np.int64)
    lens_of_photo[station] = network.lens
    for i, name in enumerate(solution.index.lenses):
        mine = np.flatnonzero(lens_of_photo == i)
        heap = _settled_heap(solution, i, mine, second_heap(freed.refocus[mine]))
        if heap is not None:
            photos = [solution.index.photos[k] for k in mine[heap]]
            ratio = np.mean(1 + freed.refocus[mine[heap]]) / np.mean(1 + freed.refocus[mine[~heap]])
            return _split(scene, readings, name, photos, float(ratio))
    return None


def _settled_heap(solution: Solution, lens: int, photos: Ints, heap: Bools | None) -> Bools | None:
    """Return the smaller heap once each photo has gone to the lens through which it fits better, None if none is left.

    Focal lengths alone misplace a photo whose place makes up for the other lens.
    """
    if heap is None:
        return None
    network = replace(solution.network, refocus_sd=0.0, picks=Picks.none())
    network = replace(
        network,
        lens_start=_doubled(network.lens_start, lens),
        lens_information=_doubled(network.lens_information, lens),
        lens_held=_doubled(network.lens_held, lens),
    )
    state = replace(
        solution.adjusted.state,
        lenses=_doubled(solution.adjusted.state.lenses, lens),
        refocus=np.zeros(len(solution.index.photos)),
        points=np.zeros((0, 3)),
    )
    other = len(network.lens_start) - 1
    for _ in range(ROUNDS):
        lenses = np.where(np.isin(network.station, photos[heap]), other, solution.network.lens)
        state = robust_state(state, replace(network, lens=lenses))
        worse = [
            _miss_px(state, network, int(p), other) < _miss_px(state, network, int(p), lens) for p in photos
        ]
        if (np.array(worse) == heap).all():
            break
        heap = np.array(worse)
    small = heap if 2 * heap.sum() <= len(heap) else ~heap
    return small if small.sum() >= LEAST_PHOTOS else None


def _doubled(rows: Any, row: int) -> Any:
    """Return an array with one of its rows again at its end."""
    return np.concatenate([rows, rows[row : row + 1]])


def _miss_px(state: State, network: Network, photo: int, lens: int) -> float:
    """Return how well a photo fits through a lens, its station free: the mean miss, none counted for more than a cap."""
    mine = network.station == photo
    rows = int(mine.sum())
    views = Views(
        state,
        network,
        np.full(rows, lens),
        network.station[mine],
        network.target[mine],
        network.corners_px[mine],
        [],
        [],
    )
    moved = refit(views, STATION, robust=True)
    return float(np.minimum(views.misses_px(moved), MOST_PX).mean())


def second_heap(changes: Floats) -> Bools | None:
    """Return which of the photos' relative focal lengths (n,) make up the smaller of two heaps, None if there is one."""
    order = np.argsort(changes)
    sorted_changes = changes[order]
    if len(changes) < 2 * LEAST_PHOTOS:
        return None
    cuts = np.arange(LEAST_PHOTOS, len(changes) - LEAST_PHOTOS + 1)
    cut = int(cuts[np.argmax(sorted_changes[cuts] - sorted_changes[cuts - 1])])
    low, high = sorted_changes[:cut], sorted_changes[cut:]
    gap = float(high[0] - low[-1])
    wide = max(float(low.std()), float(high.std()))
    if gap < ASUNDER or high.mean() - low.mean() < WITHIN * wide:
        return None
    out = np.zeros(len(changes), dtype=bool)
    out[order[cut:] if len(high) < len(low) else order[:cut]] = True
    return out


def _split(
    scene: Scene, readings: Sequence[Reading], lens: str, photos: Sequence[str], ratio: float
) -> Split:
    taken = {n.name for n in scene.lenses}
    name = next(n for k in range(2, len(taken) + 3) if (n := f"{lens} ({k})") not in taken)
    own = {"lens": name}
    moved = {p.name: p.model_copy(update=own) if p.name in photos else p for p in scene.photos}
    lenses = (*scene.lenses, scene.lens(lens).model_copy(update={"name": name}))
    after = scene.model_copy(update={"photos": tuple(moved.values()), "lenses": lenses})
    parted = [replace(r, photo=moved.get(r.photo.name, r.photo)) for r in readings]
    return Split(after, parted, _two_cameras(lens, name, sorted(photos), ratio))


def _two_cameras(lens: str, name: str, photos: Sequence[str], ratio: float) -> Finding:
    shown = ", ".join(photos[:6]) + (f" and {len(photos) - 6} more" if len(photos) > 6 else "")
    return Finding(
        code="two-cameras",
        severity="warning",
        subject=", ".join(photos),
        message=f"{shown} were taken through another lens than the other photos of {lens}: the focal length is {ratio:.3f} "
        f"times theirs (two phones of one name, or another zoom). They have a lens of their own now, {name}. "
        "Take all photos of a job with one phone and one zoom if you can.",
        numbers={"ratio": ratio, "photos": float(len(photos))},
    )
