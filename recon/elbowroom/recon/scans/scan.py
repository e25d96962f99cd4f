"""A scan as an obstacle: laid into the world, cut to the spot, made few triangles, its doubt and its widening stated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.recon.scans.distance import distance_bound, patched, spread_samples
from elbowroom.recon.scans.file import read_scan_file
from elbowroom.recon.scans.pairs import PairFit, Registration, scan_finding, solve_pairs
from elbowroom.recon.scans.refinement import Refined, known_surfaces, refine
from elbowroom.recon.scans.solid import SHELL_MM, boxes_round, is_closed, point_spacing, shell_on, volume_of
from elbowroom.recon.scans.thinning import thin
from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.arrays import Bools, Floats, Mat3, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.media import Media
from elbowroom.shared.scene import ScanTag, Scene

MOST_TRIANGLES = 18_000
"""Triangles a scan is thinned to: the fit cuts each of them, on both sides of an open one."""

MOST_PATCHES = 1_000
"""Triangles of the scan itself put back where the thinned ones are farthest off."""

MOST_BOXES = 2_000
"""Boxes round a scan of points: 12 triangles each."""

REFINE_SAMPLES = 40_000
"""Points of the scan held against known surfaces."""


@dataclass(frozen=True, eq=False)
class Scan:
    """A scan in the world: a closed mesh, its position's covariance (3, 3) mm² where it is worst, what to know.

    Every point of the scan kept lies within `widened_mm` of the mesh or inside it.
    """

    mesh: MeshArrays
    covariance: Mat3
    widened_mm: float
    findings: tuple[Finding, ...]


def measure_scan(
    tag: ScanTag, data: bytes, scene: Scene, media: Media, *, network: NetworkDoubt | None = None
) -> Scan:
    """Return the solid that stands for a scan.

    Parameters
    ----------
    tag : ScanTag
        Unit, pairs and what is known of the scan.
    data : bytes
        The file.
    scene : Scene
        Measured; its faces, targets, tubes and boxes are what the scan may be refined on.
    media : Media
        Holds those obstacles' meshes.
    network : NetworkDoubt, optional
        Adds the stations' part to the covariance.

    Raises
    ------
    InputError
        A file, unit or pairs that can't be used; nothing of the scan near the spot.
    """
    vertices, faces = read_scan_file(data, tag)
    fit = solve_pairs(tag, scene, network=network)
    box = _spot(tag, scene, fit, vertices)
    kept, (vertices, faces) = _cropped((vertices, faces), fit.registration, box)
    refined = refined_place(tag, fit.registration, (vertices, faces), scene, media)
    world = refined.registration.apply(vertices)
    mesh, widened, how = _solid((world, faces), tag)
    findings = (
        *fit.findings,
        _laid(tag, fit, refined),
        _thinned(tag, kept, len(faces) or len(world), mesh, widened, how, box),
        *_open_finding(tag, how),
    )
    return Scan(mesh, _covariance(tag, refined.registration, world, network, fit.shared), widened, findings)


# --- what is kept --------------------------------------------------------------------------------------------


def _spot(tag: ScanTag, scene: Scene, fit: PairFit, vertices: Points3) -> Floats:
    """Return the box (2, 3) mm that is kept: round targets, faces and pairs, `within_mm` larger on every side."""
    rows = [np.array(t.world_from_target.shift_mm)[None] for t in scene.measured]
    rows += [np.array(f.point_mm) + f.reach_mm * np.array([[-1.0], [1.0]]) for f in scene.measured_faces]
    points = np.vstack([*rows, fit.points_world])
    box = np.array([points.min(axis=0) - tag.within_mm, points.max(axis=0) + tag.within_mm])
    world = fit.registration.apply(vertices)
    low, high = world.min(axis=0), world.max(axis=0)
    if (low > box[1]).any() or (high < box[0]).any():
        away = float(np.maximum(low - box[1], box[0] - high).max()) + tag.within_mm
        raise InputError(
            "nothing of the scan lies near the spot",
            value=f"{away:.0f} mm away",
            limit=f"{tag.within_mm:g} mm",
            todo="check pairs and unit, or allow more with within_mm",
        )
    return box


def _cropped(mesh: MeshArrays, registration: Registration, box: Floats) -> tuple[float, MeshArrays]:
    """Return the share kept and the mesh without triangles (or points) outside the box; a closed mesh stays whole."""
    vertices, faces = mesh
    world = registration.apply(vertices)
    if not len(faces):
        inside: Bools = ((world >= box[0]) & (world <= box[1])).all(axis=1)
        kept: MeshArrays = (vertices[inside], faces)
    elif is_closed(mesh):
        return 1.0, mesh
    else:
        corners = world[faces]
        inside = ((corners.max(axis=1) >= box[0]) & (corners.min(axis=1) <= box[1])).all(axis=1)
        used = np.zeros(len(vertices), dtype=bool)
        used[faces[inside]] = True
        kept = (vertices[used], (np.cumsum(used) - 1)[faces[inside]])
    if not inside.any():
        raise InputError(
            "nothing of the scan lies near the spot",
            todo="check pairs and unit, or allow more with within_mm",
        )
    return float(inside.mean()), kept


# --- where it lies -------------------------------------------------------------------------------------------


def refined_place(
    tag: ScanTag, registration: Registration, mesh: MeshArrays, scene: Scene, media: Media
) -> Refined:
    """Return a scan's place (its mesh in scan mm) refined on what the scene knows, or why it was left to the pairs."""
    if not tag.refine:
        return Refined(registration, why="refine is off")
    if tag.scale_free:
        return Refined(registration, why="its size is free (scale_free)")
    known = known_surfaces(scene, media)
    points, normals = _surface_samples((registration.apply(mesh[0]), mesh[1]))
    return refine(registration, points, normals, known, tag)


def _surface_samples(mesh: MeshArrays) -> tuple[Points3, Points3]:
    """Return points (n, 3) mm on a scan and its unit normals there, from triangles or from neighbouring points."""
    vertices, faces = mesh
    if len(faces):
        triangles = vertices[faces]
        normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None]
        step = max(1, len(faces) // REFINE_SAMPLES)
        points, owner = spread_samples(triangles[::step], REFINE_SAMPLES)
        return points, normals[::step][owner]
    points = vertices[:: max(1, len(vertices) // REFINE_SAMPLES)]
    return points, _point_normals(points)


def _point_normals(points: Points3) -> Points3:
    """Return the thinnest direction of each point's ten nearest."""
    from scipy.spatial import cKDTree

    found = cKDTree(points).query(points, k=min(10, len(points)))[1]
    near = points[found] - points[found].mean(axis=1, keepdims=True)
    return np.asarray(np.linalg.eigh(near.transpose(0, 2, 1) @ near)[1][:, :, 0])


def _covariance(
    tag: ScanTag, registration: Registration, world: Points3, network: NetworkDoubt | None, shared: bool
) -> Mat3:
    """Return the covariance at the corner of the scan's box where it is largest: its doubt is convex in the place."""
    low, high = world.min(axis=0), world.max(axis=0)
    corners = [np.where([i & 1, i & 2, i & 4], high, low) for i in range(8)]
    doubts = [registration.covariance_at(c) for c in corners]
    if network is not None and shared:
        doubts = [d + network.point_covariance(c) for d, c in zip(doubts, corners, strict=True)]
    worst = max(doubts, key=lambda d: float(np.linalg.eigvalsh(d)[-1]))
    return worst + tag.sd_mm**2 * np.eye(3)


# --- what stands for it --------------------------------------------------------------------------------------


def _solid(mesh: MeshArrays, tag: ScanTag) -> tuple[MeshArrays, float, str]:
    """Return the closed mesh that stands for the scan, its widening (mm), and which way it was made."""
    vertices, faces = mesh
    if not len(faces):
        spacing = tag.spacing_mm or point_spacing(vertices)
        return boxes_round(vertices, MOST_BOXES), spacing / np.sqrt(2), "points"
    closed = is_closed(mesh)
    if closed and volume_of(mesh) < 0:
        faces = faces[:, ::-1]
    few, bound = thin((vertices, faces), MOST_TRIANGLES), 0.0
    if few[1] is not faces:
        few = patched((vertices, faces), few, MOST_PATCHES)
        bound = distance_bound((vertices, faces), few)
    return (few, bound, "closed") if closed else (shell_on(few), bound + SHELL_MM, "open")


def _laid(tag: ScanTag, fit: PairFit, refined: Refined) -> Finding:
    rms = float(np.sqrt(np.mean(fit.off_mm**2)))
    message = f"scan {tag.name}: laid on {len(fit.off_mm)} pairs, residual {rms:.2f} mm rms, {fit.off_mm.max():.2f} mm at most"
    numbers = {"pairs": float(len(fit.off_mm)), "rms_mm": rms, "worst_mm": float(fit.off_mm.max())}
    if refined.why:
        message += f"; not refined on measured surfaces: {refined.why}"
    else:
        message += (
            f"; then moved by up to {refined.moved_mm:.2f} mm onto {refined.surfaces} measured surfaces, residual "
            f"{refined.rms_mm:.2f} mm rms over {refined.points} points"
        )
        numbers |= {
            "surface_rms_mm": refined.rms_mm,
            "surface_points": float(refined.points),
            "moved_mm": refined.moved_mm,
        }
    return scan_finding("laid", "note", tag, message, numbers)


def _thinned(
    tag: ScanTag, kept: float, of: int, mesh: MeshArrays, widened: float, how: str, box: Floats
) -> Finding:
    low, high = (", ".join(f"{v:.0f}" for v in row) for row in box)
    cut = "kept whole" if kept == 1 else f"{kept:.0%} kept, what comes within ({low}) to ({high}) mm"
    what = {
        "points": f"{of} points in {len(mesh[1]) // 12} boxes; half the diagonal of their pitch, {widened:.2f} mm,",
        "closed": f"{of} triangles, {len(mesh[1])} stand for them; all lie within {widened:.2f} mm of those, which",
        "open": f"{of} triangles, {len(mesh[1])} stand for them; all lie within {widened:.2f} mm of those, which",
    }[how]
    message = f"scan {tag.name}: {cut}; {what} is added to its clearance"
    numbers = {"kept": kept, "triangles": float(len(mesh[1])), "widened_mm": widened}
    return scan_finding("thinned", "note", tag, message, numbers)


def _open_finding(tag: ScanTag, how: str) -> tuple[Finding, ...]:
    if how == "closed":
        return ()
    message = (
        f"scan {tag.name}: it is open, so only the surface it shows is kept clear; what lies behind that, and where the "
        "scan has holes, is not known to be solid: tag it as a volume or box where the plate could go there"
    )
    return (scan_finding("open", "warning", tag, message, {}),)
