"""First values for the adjustment: focal length, stations and target poses from planar resections.

A planar target seen once has two poses that fit nearly as well. Both are kept here until a second photo decides.

Source: T. Collins and A. Bartoli, Infinitesimal Plane-Based Pose Estimation, IJCV 109, 2014 (the planar resection).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.frames import Camera, Rigid, Target, World, identity, rotation_from_vector
from elbowroom.shared.lens import undistort_points
from elbowroom.shared.scene import Lens

FOCAL_TRIALS = np.geomspace(0.5, 2.5, 9)
"""Focal lengths tried when EXIF names none, in units of the photo's longer side: 80 to 23 degrees of view."""

FOCAL_TARGETS = 40
"""The largest sightings are enough to choose a first focal length."""

GOOD_START_PX = 40.0
"""A photo or target joins the start only if its corners then fall within this of where they were seen."""


BEHIND = 10.0
"""Miss (normalised image coordinates) given to a target that would lie behind the camera: worse than any in view."""


@dataclass(frozen=True, eq=False)
class Resection:
    """The two poses (better first) a planar target may have in one photo; the same twice when only one is in front.

    `rotations` (2, 3, 3) and `shifts` (2, 3) mm are camera_from_target, `corners_camera` (2, 4, 3) mm the corners.
    """

    rotations: Floats
    shifts: Floats
    corners_camera: Floats
    rms: float


@dataclass(frozen=True, eq=False)
class Start:
    """First values: stations by photo and targets by id, in the frame of the root photo."""

    stations: dict[str, Rigid[Camera, World]]
    targets: dict[int, Rigid[World, Target]]


def resect(normalised: Points2, side_mm: float) -> Resection | None:
    """Return both planar poses of a square target from ideal normalised corners (4, 2), printed order."""
    corners_target = _square(side_mm)
    _, vectors, shifts, errors = cv2.solvePnPGeneric(
        corners_target, normalised.reshape(4, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    poses = [
        (rotation_from_vector(np.asarray(r)), np.asarray(t, dtype=np.float64).ravel())
        for r, t in zip(vectors, shifts, strict=True)
        if np.isfinite(t).all() and np.asarray(t).ravel()[2] > 0
    ]
    if not poses:
        return None
    rotations, places = (np.array(v) for v in zip(*(poses * 2)[:2], strict=True))
    corners = corners_target @ rotations.transpose(0, 2, 1) + places[:, None]
    return Resection(rotations, places, corners, float(np.asarray(errors).ravel()[0]))


def focal_guess(corners: list[Points2], sides_mm: list[float], width_px: int, height_px: int) -> float:
    """Return the focal length (px) at which square targets look most nearly square.

    `corners` are (4, 2) px arrays of one lens group; the principal point is taken at the photo's centre.
    """
    longer = max(width_px, height_px)
    largest = np.argsort([-float(np.ptp(c, axis=0).max()) for c in corners])[:FOCAL_TARGETS]
    chosen = [(corners[i], sides_mm[i]) for i in largest]
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2])

    def misfit(focal: float) -> float:
        errors = []
        for c, s in chosen:
            solved = resect((c - middle) / focal, s)
            errors.append(solved.rms * focal if solved else 1e3)
        return float(np.median(errors))

    trials = [misfit(f * longer) for f in FOCAL_TRIALS]
    best = float(FOCAL_TRIALS[int(np.argmin(trials))])
    fine = np.geomspace(best / 1.2, best * 1.2, 7)
    return float(fine[int(np.argmin([misfit(f * longer) for f in fine]))]) * longer


def normalise(corners_px: Points2, lens: Lens) -> Points2:
    """Return ideal normalised coordinates of corners (4, 2) px."""
    return undistort_points(corners_px, lens)


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


def start_network(seen: Seen, sides_mm: Mapping[int, float], focal_px: Mapping[str, float]) -> Start:
    """Return first stations and target poses of one group of photos.

    Photos join along the tree of most shared targets; each joins by the relative pose, among all that its shared
    targets allow, under which those targets fall nearest to where both photos saw them.
    """
    resections = {
        (photo, target): r
        for photo, targets in seen.items()
        for target, corners in targets.items()
        if (r := resect(corners, sides_mm[target])) is not None
    }
    root = max(seen, key=lambda p: (len(seen[p]), p))
    stations: dict[str, Rigid[Camera, World]] = {root: identity()}
    while len(stations) < len(seen):
        links = [
            (len(set(seen[a]) & set(seen[b])), a, b)
            for a in stations
            for b in seen
            if b not in stations and set(seen[a]) & set(seen[b])
        ]
        if not links:
            break
        _, a, b = max(links)
        b_from_a = _relative(a, b, seen, resections)
        if b_from_a is None:
            seen = {k: v for k, v in seen.items() if k != b}
            continue
        stations[b] = b_from_a @ stations[a]
    targets = {}
    for target in sorted({t for p in stations for t in seen[p]}):
        place = _place(target, stations, seen, resections, sides_mm[target], focal_px)
        if place is not None:
            targets[target] = place
    return Start(stations, targets)


def _square(side_mm: float) -> Floats:
    return np.column_stack([CORNERS * side_mm, np.zeros(4)])


def _misses(points_camera: Floats, corners: Floats) -> Floats:
    """Return rms distances (...) between projected points (..., 4, 3) and seen corners (..., 4, 2); big if behind."""
    z = points_camera[..., 2]
    ideal = points_camera[..., :2] / np.where(z > 0, z, 1.0)[..., None]
    rms = np.sqrt(((ideal - corners) ** 2).sum(axis=-1).mean(axis=-1))
    return np.where((z > 0).all(axis=-1), rms, BEHIND)


def _relative(
    a: str, b: str, seen: Seen, resections: Mapping[tuple[str, int], Resection]
) -> Rigid[Camera, Camera] | None:
    """Return camera_b_from_camera_a that best explains all targets both photos share."""
    shared = [t for t in seen[a] if t in seen[b] and (a, t) in resections and (b, t) in resections]
    if not shared:
        return None
    in_a, in_b = [resections[a, t] for t in shared], [resections[b, t] for t in shared]
    points = np.array([r.corners_camera for r in in_a])  # (k, 2, 4, 3) mm, camera a
    corners = np.array([seen[b][t] for t in shared])[:, None]
    best, out = np.inf, None
    for ra, rb in zip(in_a, in_b, strict=True):
        for i, j in product(range(2), range(2)):
            rotation = rb.rotations[j] @ ra.rotations[i].T
            shift = rb.shifts[j] - rotation @ ra.shifts[i]
            misses = _misses(points @ rotation.T + shift, corners).min(axis=1)
            score = float(np.median(misses)) + 0.1 * float(np.mean(misses))
            if score < best:
                best, out = score, (rotation, shift)
    return Rigid(*out) if out else None


def _place(
    target: int,
    stations: Mapping[str, Rigid[Camera, World]],
    seen: Seen,
    resections: Mapping[tuple[str, int], Resection],
    side_mm: float,
    focal_px: Mapping[str, float],
) -> Rigid[World, Target] | None:
    """Return the pose of a target, among all its resections, that best explains every photo that saw it."""
    photos = [p for p in stations if target in seen[p] and (p, target) in resections]
    if not photos:
        return None
    rotations = np.array([stations[p].rotation for p in photos])
    shifts = np.array([stations[p].shift for p in photos])
    corners = np.array([seen[p][target] for p in photos])
    focal = np.array([focal_px[p] for p in photos])
    best, out = np.inf, None
    for photo in photos:
        back, solved = stations[photo].inverse(), resections[photo, target]
        for i in range(2):
            points_world = back.apply(solved.corners_camera[i])
            misses = focal * _misses(points_world @ rotations.transpose(0, 2, 1) + shifts[:, None], corners)
            if np.median(misses) < best:
                best = float(np.median(misses))
                out = back @ Rigid[Camera, Target](solved.rotations[i], solved.shifts[i])
    return out if best < GOOD_START_PX else None
