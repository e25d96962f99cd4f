"""A scan laid on what the scene knows: measured faces, targets, tubes and boxes, weighed against its pairs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import chdtri

from elbowroom.recon.scans.distance import spread_samples
from elbowroom.recon.scans.pairs import CHANCE, Registration, motion_jacobian
from elbowroom.recon.solids import axes_along
from elbowroom.shared.arrays import Bools, Floats, Ints, Points3
from elbowroom.shared.frames import Rigid, Target, World, vector_from_rotation
from elbowroom.shared.media import Media, read_mesh
from elbowroom.shared.scene import MeasuredFace, MeasuredTarget, ScanTag, Scene

STEP_MM = 3.0
"""Pitch of the samples on known surfaces."""

MOST_SAMPLES = 20_000
"""Most samples on one known surface."""

LEAST_POINTS = 30
"""A known surface with fewer scan points near it says nothing sure."""

MOST_GATE_MM = 15.0
"""However doubtful the pairs, scan points further than this from a known surface are not of it."""

GATE_MM = 2.0
"""Least distance within which scan points are taken to be of a known surface."""

ALONG = 0.85
"""Least cosine between the scan's normal and the known surface's: other sides and bends are left out."""

HELD = 1e-3
"""Least share of the best held direction's information that the worst held one needs; below, the scan could slide."""

ROUNDS = 60
"""Rounds of nearest points and planes."""


@dataclass(frozen=True, eq=False)
class Known:
    """Known surfaces: samples (n, 3) mm with outward normals (n, 3), whose they are (n,), and each one's variance mm²."""

    points: Points3
    normals: Points3
    owner: Ints
    variances: Floats


@dataclass(frozen=True, eq=False)
class Refined:
    """A refinement: the registration, and what it rests on; `why` says why it was left out, if it was."""

    registration: Registration
    surfaces: int = 0
    points: int = 0
    rms_mm: float = 0.0
    moved_mm: float = 0.0
    why: str = ""


def refine(
    registration: Registration, points_world: Points3, normals: Points3, known: Known | None, tag: ScanTag
) -> Refined:
    """Return the registration moved so that the scan lies on known surfaces as well as on its pairs.

    Nearest points and planes find where the surfaces alone would have it; that place and the pairs' are joined, each
    weighed by what it knows in each direction. One surface's points share its doubt and the scan's: together they
    weigh as one measurement of it.

    Parameters
    ----------
    points_world, normals : Points3
        (n, 3) mm and unit: points of the scan as its pairs lay it.
    """
    if known is None:
        return Refined(registration, why="the scene has no measured face, target, tube or box yet")
    gate = _gate(registration, known, tag)
    near = _near(points_world, normals, known, gate)
    shared = np.bincount(known.owner[near[near >= 0]], minlength=len(known.variances))
    if not (shared >= LEAST_POINTS).any():
        return Refined(
            registration,
            why=f"no measured face, target, tube or box has {LEAST_POINTS} points of it within {gate:.1f} mm",
        )
    used = np.flatnonzero((near >= 0) & (shared[known.owner[near]] >= LEAST_POINTS))
    if not _held(registration, points_world[used], known, near[used], tag):
        return Refined(registration, why="the measured surfaces it overlaps would let it slide")
    try:
        import open3d
    except (ImportError, OSError) as e:
        return Refined(
            registration, why=f"that needs open3d ({e}); install it with pip install 'elbowroom[scan]'"
        )
    turn_shift, pairs = _nearest_planes(open3d, registration, points_world[used], known, gate, tag)
    return _joined(registration, points_world[used][pairs[:, 0]], pairs[:, 1], turn_shift, known, tag)


def known_surfaces(scene: Scene, media: Media) -> Known | None:
    """Return the scene's measured faces, targets' prints, tubes and boxes as samples; None when it has none."""
    patches = [_face(f) for f in scene.measured_faces] + [_target(t) for t in scene.measured]
    for o in scene.obstacles:
        if o.kind in ("tube", "box") and o.convex:
            triangles = np.concatenate([v[f] for v, f in (read_mesh(media[d]) for d in o.meshes)])
            patches.append((triangles, float(np.linalg.eigvalsh(np.array(o.covariance_mm2))[-1])))
    if not patches:
        return None
    rows = [_sampled(t) for t, _ in patches]
    owner = np.repeat(np.arange(len(rows)), [len(p) for p, _ in rows])
    return Known(
        np.vstack([p for p, _ in rows]),
        np.vstack([n for _, n in rows]),
        owner,
        np.array([v for _, v in patches]),
    )


def _face(face: MeasuredFace) -> tuple[Floats, float]:
    normal = np.array(face.normal)
    turns = np.arange(24) * (2 * np.pi / 24)
    ring = np.column_stack([np.cos(turns), np.sin(turns)]) @ axes_along(normal)[:, :2].T
    ring = np.array(face.point_mm) + face.reach_mm * ring
    fan = np.stack([np.broadcast_to(face.point_mm, ring.shape), ring, np.roll(ring, -1, axis=0)], axis=1)
    return fan, float(normal @ np.array(face.covariance_mm2) @ normal)


def _target(target: MeasuredTarget) -> tuple[Floats, float]:
    half = target.side_mm / 2
    flat = np.array([[-half, -half, 0], [half, -half, 0], [half, half, 0], [-half, half, 0]])
    pose: Rigid[World, Target] = target.world_from_target.rigid()
    a, b, c, d = pose.apply(flat)
    normal = pose.rotation[:, 2]
    return np.array([[a, b, c], [a, c, d]]), float(normal @ np.array(target.covariance_mm2) @ normal)


def _sampled(triangles: Floats) -> tuple[Points3, Points3]:
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.linalg.norm(normals, axis=1)
    count = int(np.clip(size.sum() / 2 / STEP_MM**2, 50, MOST_SAMPLES))
    points, owner = spread_samples(triangles, count)
    return points, normals[owner] / np.maximum(size, 1e-300)[owner, None]


def _gate(registration: Registration, known: Known, tag: ScanTag) -> float:
    """Return how far a scan point may lie from its surface: three sigmas of the pairs and of the scan."""
    at = known.points[:: max(1, len(known.points) // 50)]
    doubt = max(float(np.linalg.eigvalsh(registration.covariance_at(p))[-1]) for p in at)
    return min(max(3 * float(np.sqrt(doubt + tag.sd_mm**2)), GATE_MM), MOST_GATE_MM)


def _near(points: Points3, normals: Points3, known: Known, gate: float) -> Ints:
    """Return the sample each scan point belongs to, -1 where none is near and faces as the scan does."""
    away, sample = cKDTree(known.points).query(points, distance_upper_bound=float(np.hypot(gate, STEP_MM)))
    found = np.isfinite(away)
    at = np.where(found, sample, 0)
    height = np.abs(((points - known.points[at]) * known.normals[at]).sum(axis=1))
    along: Bools = np.abs((normals * known.normals[at]).sum(axis=1)) > ALONG
    return np.where(found & (height <= gate) & along, at, -1)


def _information(
    registration: Registration, points: Points3, known: Known, sample: Ints, tag: ScanTag
) -> tuple[Floats, Floats]:
    """Return the information (6, 6) that points on samples give, and each point's weight 1/mm²."""
    owner = known.owner[sample]
    weights = 1.0 / ((known.variances + tag.sd_mm**2)[owner] * np.bincount(owner)[owner])
    rows = np.einsum(
        "nj,njk->nk", known.normals[sample], motion_jacobian(points - registration.middle)[:, :, :6]
    )
    return np.asarray((rows * weights[:, None]).T @ rows), weights


def _held(registration: Registration, points: Points3, known: Known, sample: Ints, tag: ScanTag) -> bool:
    information, _ = _information(registration, points, known, sample, tag)
    reach = max(float(np.linalg.norm(points - points.mean(axis=0), axis=1).max()), 1.0)
    scaled = information / np.outer([reach] * 3 + [1.0] * 3, [reach] * 3 + [1.0] * 3)
    values = np.linalg.eigvalsh(scaled)
    return bool(values[0] > HELD * values[-1])


def _nearest_planes(
    open3d: Any, registration: Registration, points: Points3, known: Known, gate: float, tag: ScanTag
) -> tuple[Floats, Ints]:
    """Return the small motion (turn, shift) about the middle that lays points on surfaces, and the pairs used (k, 2)."""
    pipeline, cloud = open3d.pipelines.registration, open3d.geometry.PointCloud
    vectors = open3d.utility.Vector3dVector
    moving, fixed = (
        cloud(vectors(points - registration.middle)),
        cloud(vectors(known.points - registration.middle)),
    )
    fixed.normals = vectors(known.normals)
    loss = pipeline.TukeyLoss(k=max(3 * tag.sd_mm, 2 * gate))
    found = pipeline.registration_icp(
        moving,
        fixed,
        float(np.hypot(gate, STEP_MM)),
        np.eye(4),
        pipeline.TransformationEstimationPointToPlane(loss),
        pipeline.ICPConvergenceCriteria(max_iteration=ROUNDS),
    )
    move = np.asarray(found.transformation)
    pairs = np.asarray(found.correspondence_set, dtype=np.int64).reshape(-1, 2)
    return np.concatenate([vector_from_rotation(move[:3, :3]), move[:3, 3]]), pairs


def _joined(
    registration: Registration, points: Points3, sample: Ints, motion: Floats, known: Known, tag: ScanTag
) -> Refined:
    """Join the pairs' place and the surfaces': inverse covariances as weights."""
    information, weights = _information(registration, points, known, sample, tag)
    rows = motion_jacobian(points - registration.middle)[:, :, :6]
    off = ((points + rows @ motion - known.points[sample]) * known.normals[sample]).sum(axis=1)
    surfaces = len(np.unique(known.owner[sample]))
    information = information / max(1.0, float(weights @ off**2) / surfaces)
    pairs = registration.covariance[:6, :6]
    both = pairs + np.linalg.inv(information)
    step = pairs @ np.linalg.solve(both, motion)
    moved = float(np.linalg.norm((rows @ step), axis=1).max())
    rms = float(np.sqrt(np.mean(off**2)))
    if float(motion @ np.linalg.solve(both, motion)) > chdtri(6, CHANCE):
        wanted = float(np.linalg.norm(rows @ motion, axis=1).max())
        why = f"the measured surfaces would move it by {wanted:.1f} mm, more than its pairs' doubt allows: check pairs and unit"
        return Refined(registration, why=why)
    covariance = np.zeros((7, 7))
    covariance[:6, :6] = pairs - pairs @ np.linalg.solve(both, pairs)
    return Refined(registration.moved(np.append(step, 0.0), covariance), surfaces, len(points), rms, moved)
