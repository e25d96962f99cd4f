"""First values for the adjustment: focal length, stations and target poses from planar resections.

A planar target seen once has two poses that fit nearly as well. Both are kept here until a second photo decides.

Source: T. Collins and A. Bartoli, Infinitesimal Plane-Based Pose Estimation, IJCV 109, 2014 (the planar resection).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.frames import Camera, Rigid, Target, World, identity, rotation_from_vector
from elbowroom.shared.lens import undistort_points
from elbowroom.shared.scene import Lens

FOCAL_TRIALS = np.geomspace(0.5, 2.5, 9)
"""Focal lengths tried when EXIF names none, in units of the photo's longer side: 80 to 23 degrees of view."""

GOOD_START_PX = 40.0
"""A photo or target joins the start only if its corners then fall within this of where they were seen."""


@dataclass(frozen=True, eq=False)
class Resection:
    """The poses (two, better first) a planar target may have in one photo."""

    poses: tuple[Rigid[Camera, Target], ...]
    rms: float


@dataclass(frozen=True, eq=False)
class Start:
    """First values: stations by photo and targets by id, in the frame of the root photo."""

    stations: dict[str, Rigid[Camera, World]]
    targets: dict[int, Rigid[World, Target]]


def resect(normalised: Points2, side_mm: float) -> Resection | None:
    """Return both planar poses of a square target from ideal normalised corners (4, 2), printed order."""
    object_points = np.column_stack([CORNERS * side_mm, np.zeros(4)])
    _, rotations, shifts, errors = cv2.solvePnPGeneric(
        object_points, normalised.reshape(4, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    poses = []
    for r, t in zip(rotations, shifts, strict=True):
        shift = np.asarray(t, dtype=np.float64).ravel()
        if np.isfinite(shift).all() and shift[2] > 0:
            poses.append(Rigid[Camera, Target](rotation_from_vector(np.asarray(r).ravel()), shift))
    return Resection(tuple(poses), float(np.asarray(errors).ravel()[0])) if poses else None


def focal_guess(corners: list[Points2], sides_mm: list[float], width_px: int, height_px: int) -> float:
    """Return the focal length (px) at which square targets look most nearly square.

    `corners` are (4, 2) px arrays of one lens group; the principal point is taken at the photo's centre.
    """
    longer = max(width_px, height_px)
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2])

    def misfit(focal: float) -> float:
        errors = []
        for c, s in zip(corners, sides_mm, strict=True):
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
        b_from_a = _relative(a, b, seen, resections, sides_mm)
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


def _miss(camera_from_target: Rigid[Camera, Target], corners: Points2, side_mm: float) -> float:
    """Return the rms distance (normalised) between seen corners and those of a target so placed; big if behind."""
    points = camera_from_target.apply(_square(side_mm))
    if (points[:, 2] <= 0).any():
        return 10.0
    return float(np.sqrt(((points[:, :2] / points[:, 2:] - corners) ** 2).sum(axis=1).mean()))


def _relative(
    a: str,
    b: str,
    seen: Seen,
    resections: Mapping[tuple[str, int], Resection],
    sides_mm: Mapping[int, float],
) -> Rigid[Camera, Camera] | None:
    """Return camera_b_from_camera_a that best explains all targets both photos share."""
    shared = [t for t in seen[a] if t in seen[b] and (a, t) in resections and (b, t) in resections]
    best: tuple[float, Rigid[Camera, Camera]] | None = None
    for target in shared:
        for pose_a in resections[a, target].poses:
            for pose_b in resections[b, target].poses:
                b_from_a: Rigid[Camera, Camera] = pose_b @ pose_a.inverse()
                misses = [
                    min(
                        _miss(b_from_a @ pose, seen[b][other], sides_mm[other])
                        for pose in resections[a, other].poses
                    )
                    for other in shared
                ]
                score = float(np.median(misses)) + 0.1 * float(np.mean(misses))
                if best is None or score < best[0]:
                    best = (score, b_from_a)
    return best[1] if best else None


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
    best: tuple[float, Rigid[World, Target]] | None = None
    for photo in photos:
        for pose in resections[photo, target].poses:
            world_from_target = stations[photo].inverse() @ pose
            misses = [
                focal_px[p] * _miss(stations[p] @ world_from_target, seen[p][target], side_mm) for p in photos
            ]
            score = float(np.median(misses))
            if best is None or score < best[0]:
                best = (score, world_from_target)
    return best[1] if best and best[0] < GOOD_START_PX else None
