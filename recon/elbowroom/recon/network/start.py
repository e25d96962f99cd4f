"""First values for the adjustment: stations and target poses, joined photo by photo from planar resections.

A planar target seen once has two poses that fit nearly as well. Both are kept here until a second photo decides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.network.resection import Resection, misses, resect
from elbowroom.shared.arrays import Ints, Points2
from elbowroom.shared.frames import Camera, Rigid, Target, World, identity

GOOD_START_PX = 40.0
"""A photo or target joins the start only if its corners then fall within this of where they were seen."""

MISS_CAP = 0.05
"""A shared target that moved between two photos counts at most this miss (normalised: 150 px of a 12 MP photo)."""


@dataclass(frozen=True, eq=False)
class Start:
    """First values: stations by photo and targets by id, in the frame of the root photo."""

    stations: dict[str, Rigid[Camera, World]]
    targets: dict[int, Rigid[World, Target]]


Seen = Mapping[str, Mapping[int, Points2]]
"""Photo name to target id to ideal normalised corners (4, 2)."""


def groups(seen: Seen) -> list[list[str]]:
    """Return the photos in groups joined by shared targets, largest group first, names sorted."""
    left, out = set(seen), []
    while left:
        group, queue = set(), [min(left)]
        while queue:
            name = queue.pop()
            if name in group:
                continue
            group.add(name)
            queue += [o for o in left - group if set(seen[o]) & set(seen[name])]
        left -= group
        out.append(sorted(group))
    return sorted(out, key=lambda g: (-len(g), g[0]))


def start_network(
    seen: Seen, sides_mm: Mapping[int, float], focal_px: Mapping[str, float], *, most: int | None = None
) -> Start:
    """Return first stations and target poses of one group of photos, or of the `most` that join first.

    Photos join along the tree of most shared targets; each joins by the relative pose, among all that its shared
    targets allow, under which those targets fall nearest to where both photos saw them.
    """
    resections = _resections(seen, sides_mm)
    names = sorted(seen)
    shared = _shared_counts(names, seen)
    stations: dict[str, Rigid[Camera, World]] = {max(names, key=lambda p: (len(seen[p]), p)): identity()}
    left = [n not in stations for n in names]
    while any(left) and len(stations) < (most or len(names)):
        links = shared * np.outer(np.logical_not(left), left)
        if not links.any():
            break
        i, j = np.unravel_index(int(links.argmax()), links.shape)
        left[j] = False
        b_from_a = _relative(names[i], names[j], seen, resections) if links[i, j] else None
        if b_from_a is not None:
            stations[names[j]] = b_from_a @ stations[names[i]]
        else:
            shared[j] = 0
    targets = {}
    for target in sorted({t for p in stations for t in seen[p]}):
        place = _place(target, stations, seen, resections, focal_px)
        if place is not None:
            targets[target] = place
    return Start(stations, targets)


def _shared_counts(names: list[str], seen: Seen) -> Ints:
    """Return how many targets each pair of photos shares, (n, n)."""
    ids = sorted({t for targets in seen.values() for t in targets})
    sees = np.array([[t in seen[n] for t in ids] for n in names], dtype=np.int64)
    return sees @ sees.T


def _resections(seen: Seen, sides_mm: Mapping[int, float]) -> dict[tuple[str, int], Resection]:
    """Return the two poses of each target in each photo, without those that come out behind the camera."""
    keys = [(photo, target) for photo, targets in seen.items() for target in targets]
    corners = np.array([seen[p][t] for p, t in keys])
    both = resect(corners, np.array([sides_mm[t] for _, t in keys]))
    front = np.isfinite(both.shifts).all(axis=(1, 2)) & (both.shifts[:, 0, 2] > 0)
    return {key: both[i] for i, key in enumerate(keys) if front[i]}


def _relative(
    a: str, b: str, seen: Seen, resections: Mapping[tuple[str, int], Resection]
) -> Rigid[Camera, Camera] | None:
    """Return camera_b_from_camera_a that best explains all targets both photos share."""
    shared = [t for t in seen[a] if (a, t) in resections and (b, t) in resections]
    if not shared:
        return None
    in_a, in_b = [resections[a, t] for t in shared], [resections[b, t] for t in shared]
    points = np.array([r.corners_camera for r in in_a])  # (k, 2, 4, 3) mm, camera a
    corners = np.array([seen[b][t] for t in shared])[:, None]
    rotations_a, rotations_b = (np.array([r.rotations for r in rs]) for rs in (in_a, in_b))
    shifts_a, shifts_b = (np.array([r.shifts for r in rs])[..., None] for rs in (in_a, in_b))
    # each shared target gives four ways to join: either of its poses in a with either in b
    rotations = rotations_b[:, :, None] @ rotations_a[:, None].transpose(0, 1, 2, 4, 3)
    shifts = (shifts_b[:, :, None] - rotations @ shifts_a[:, None])[..., 0]
    rotations, shifts = rotations.reshape(-1, 3, 3), shifts.reshape(-1, 3)
    moved = points @ rotations.transpose(0, 2, 1)[:, None, None] + shifts[:, None, None, None]
    missed = misses(moved, corners).min(axis=2)  # (ways, shared): the better of each target's two poses
    best = int(np.argmin(np.minimum(missed, MISS_CAP).mean(axis=1)))
    return Rigid(rotations[best], shifts[best])


def _place(
    target: int,
    stations: Mapping[str, Rigid[Camera, World]],
    seen: Seen,
    resections: Mapping[tuple[str, int], Resection],
    focal_px: Mapping[str, float],
) -> Rigid[World, Target] | None:
    """Return the pose of a target, among all its resections, that best explains every photo that saw it."""
    photos = [p for p in stations if target in seen[p] and (p, target) in resections]
    if not photos:
        return None
    backs = [stations[p].inverse() for p in photos]
    solved = [resections[p, target] for p in photos]
    corners = np.array([seen[p][target] for p in photos])
    focal = np.array([focal_px[p] for p in photos])
    points_world = np.array([b.apply(r.corners_camera) for b, r in zip(backs, solved, strict=True)])
    rotations = np.array([stations[p].rotation for p in photos]).transpose(0, 2, 1)
    shifts = np.array([stations[p].shift for p in photos])[:, None]
    missed = focal * misses(points_world.reshape(-1, 1, 4, 3) @ rotations + shifts, corners)
    typical = np.median(missed, axis=1)
    best = int(np.argmin(typical))
    if typical[best] > GOOD_START_PX:
        return None
    i, way = divmod(best, 2)
    return backs[i] @ Rigid[Camera, Target](solved[i].rotations[way], solved[i].shifts[way])
