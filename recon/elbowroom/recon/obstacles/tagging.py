"""From tags to obstacles: every face and thing a person pointed at, measured and put into the scene."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Literal

import numpy as np

from elbowroom.recon.features.faces import measure_face
from elbowroom.recon.features.measuring import measure_features
from elbowroom.recon.obstacles.bolts import measure_bolt
from elbowroom.recon.obstacles.boxes import measure_box
from elbowroom.recon.obstacles.hull import hull_of
from elbowroom.recon.obstacles.looseness import told
from elbowroom.recon.obstacles.motions import MeasuredMotion, measure_motion
from elbowroom.recon.obstacles.tubes import measure_tube
from elbowroom.recon.picks.rays import solve_surface_point
from elbowroom.recon.picks.snapping import snapped
from elbowroom.recon.picks.stations import NetworkDoubt
from elbowroom.recon.scans.meshfiles import read_mesh_file
from elbowroom.recon.scans.scan import measure_scan
from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.clearance import class_clearance
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.media import Media, digest, mesh_bytes
from elbowroom.shared.scene import (
    BoltTag,
    BoxTag,
    HoleIntent,
    MeasuredFace,
    MeshTag,
    Obstacle,
    ObstacleTag,
    PickedPoint,
    PlateIntent,
    PointsPlane,
    PointTag,
    ScanTag,
    Scene,
    TubeTag,
    VolumeTag,
    cov3,
    vec3,
)
from elbowroom.shared.tolerances import PICK_SD_PX

Made = dict[str, bytes]
Progress = Callable[[int, int, str], None]
Measured = tuple[tuple[Obstacle, ...], tuple[Finding, ...]]

FINDING_PREFIX = "tag-"
"""All findings of this step carry it, so that measuring again replaces them and leaves the others alone."""


def measure_tags(
    scene: Scene, media: Media, *, network: NetworkDoubt | None = None, progress: Progress | None = None
) -> tuple[Scene, Made]:
    """Return the scene with its faces, features and obstacles measured from its tags, and the meshes' bytes by digest.

    Picks that ask to be snapped are, first; the tags keep them as they were made. Then points, faces, other features and
    obstacles are measured in this order, each usable by what comes after it.

    Parameters
    ----------
    scene : Scene
        With stations and lenses measured; nothing of it is changed.
    media : Media
        Holds the files that mesh tags name, and the photos if picks are to be snapped.
    network : NetworkDoubt, optional
        Adds the stations' part to every covariance.
    progress : callable, optional
        Told (done, in all, name) before each tag.

    Raises
    ------
    InputError, SolveError
        When a tag can't be measured; the message begins with the kind and name of the tag.
    """
    _check_names(scene)
    made: Made = {}
    count, done = len(scene.faces) + len(scene.features) + len(scene.tags), iter(range(10**9))

    def tell(name: str) -> None:
        if progress is not None:
            progress(next(done), count, name)

    work, findings = _snapped(scene, media)
    work, found = _measure_surroundings(work, network, tell)
    findings += found
    obstacles: list[Obstacle] = []
    for tag in work.tags:
        tell(tag.name)
        so_far = work.model_copy(update={"obstacles": tuple(obstacles)})
        measured, found = measure_tag(tag, so_far, media, made, network=network)
        obstacles += measured
        findings += found
    results = {
        "measured_faces": work.measured_faces,
        "measured_features": work.measured_features,
        "obstacles": tuple(obstacles),
        "findings": (*(f for f in scene.findings if not f.code.startswith(FINDING_PREFIX)), *findings),
    }
    return scene.model_copy(update=results), made


def _snapped(scene: Scene, media: Media) -> tuple[Scene, tuple[Finding, ...]]:
    """Return the scene to measure in: its picks snapped, nothing measured of its tags yet."""
    tags = Scene(faces=scene.faces, features=scene.features, tags=scene.tags)
    tags, findings = snapped(tags, scene, media)
    fresh = {"faces": tags.faces, "features": tags.features, "tags": tags.tags}
    return scene.model_copy(update={**fresh, "measured_faces": (), "measured_features": ()}), findings


def _measure_surroundings(
    scene: Scene, network: NetworkDoubt | None, tell: Callable[[str], None]
) -> tuple[Scene, tuple[Finding, ...]]:
    """Return the scene with points, then faces, then the features that may lie on them."""
    points = tuple(t for t in scene.features if isinstance(t, PointTag))
    others = tuple(t for t in scene.features if not isinstance(t, PointTag))
    scene, about_points = measure_features(points, scene, network=network, tell=tell)
    scene, about_faces = _measure_faces(scene, network, tell)
    scene, about_others = measure_features(others, scene, network=network, tell=tell)
    return scene, (*about_points, *about_faces, *about_others)


def measure_tag(
    tag: ObstacleTag, scene: Scene, media: Media, made: Made, *, network: NetworkDoubt | None = None
) -> Measured:
    """Return one tag's obstacles (a bolt may give two) and findings; puts their meshes' bytes into `made`.

    Raises
    ------
    InputError, SolveError
        As `measure_tags`.
    """
    where = f"{tag.kind} {tag.name}"
    try:
        motion = None
        if tag.motion is not None:
            motion = measure_motion(tag.motion, scene, tag.pick_sd_px, network=network, where=where)
        obstacles, findings = _measure(tag, scene, media, made, motion, network)
    except (InputError, SolveError) as e:
        raise e.placed(_at(e.where, where)) from e
    return obstacles, (*findings, *(motion.findings if motion else ()))


def resolve_intent(
    intent: PlateIntent, scene: Scene, network: NetworkDoubt | None = None, media: Media | None = None
) -> PlateIntent:
    """Return the intent with every picked point, target or feature turned into world coordinates.

    A target stands for the surface under its card. `media` holds the photos, if picks are to be snapped.

    Raises
    ------
    InputError
        When a point can't be solved, or snapped where it asks for that; the message names plate and point.
    """
    intent, missed = snapped(intent, scene, {} if media is None else media, where=f"plate {intent.name}")
    if missed:
        raise InputError(missed[0].message, where=missed[0].subject, todo="pick again, or leave snap out")

    def world(picked: PickedPoint, what: str) -> PickedPoint:
        where = f"plate {intent.name}, {what}"
        solved = solve_surface_point(picked, scene, PICK_SD_PX, network=network, where=where)
        return PickedPoint(world_mm=vec3(solved.point_world))

    plane = intent.plane
    if isinstance(plane, PointsPlane):
        a, b, c = (world(p, f"plane point {i + 1}") for i, p in enumerate(plane.points))
        plane = plane.model_copy(update={"points": (a, b, c)})
    holes = tuple(_resolve_hole(h, world) for h in intent.holes)
    return intent.model_copy(update={"plane": plane, "holes": holes})


def _resolve_hole(hole: HoleIntent, world: Callable[[PickedPoint, str], PickedPoint]) -> HoleIntent:
    if hole.point is None:
        return hole
    return hole.model_copy(update={"point": world(hole.point, f"hole {hole.name}")})


def _check_names(scene: Scene) -> None:
    for what, items in (("face", scene.faces), ("feature", scene.features), ("obstacle", scene.tags)):
        names = [i.name for i in items]
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            raise InputError(f"two {what}s of one name", where=f"{what} {twice}", todo="rename one of them")


def _measure_faces(
    scene: Scene, network: NetworkDoubt | None, tell: Callable[[str], None]
) -> tuple[Scene, tuple[Finding, ...]]:
    faces: list[MeasuredFace] = []
    findings: tuple[Finding, ...] = ()
    for tag in scene.faces:
        tell(tag.name)
        face, found = measure_face(tag, scene, network=network)
        faces.append(face)
        findings += found
    return scene.model_copy(update={"measured_faces": tuple(faces)}), findings


def _at(inner: str, where: str) -> str:
    return inner if inner.startswith(where) else f"{where}: {inner}" if inner else where


# --- one kind each -------------------------------------------------------------------------------------------


def _measure(
    tag: ObstacleTag,
    scene: Scene,
    media: Media,
    made: Made,
    motion: MeasuredMotion | None,
    network: NetworkDoubt | None,
) -> Measured:
    match tag:
        case VolumeTag():
            return _volume(tag, scene, made, motion, network)
        case TubeTag():
            return _tube(tag, scene, made, motion, network)
        case BoxTag():
            return _box(tag, scene, made, motion, network)
        case BoltTag():
            return _bolt(tag, scene, made, motion, network)
        case MeshTag():
            return _mesh(tag, media, made, motion)
        case ScanTag():
            return _scan(tag, scene, media, made, network)


def _volume(
    tag: VolumeTag, scene: Scene, made: Made, motion: MeasuredMotion | None, network: NetworkDoubt | None
) -> Measured:
    """The picks' doubt is in the widening already; only the stations' is left for the covariance."""
    hull = hull_of(tag, scene, network=network)
    middle = (hull.vertices_world.min(axis=0) + hull.vertices_world.max(axis=0)) / 2
    doubt = np.zeros((3, 3)) if network is None else np.asarray(network.point_covariance(middle))
    meshes = [(hull.vertices_world, hull.faces)]
    plain = _obstacle(
        tag, meshes, made, covariance=doubt, motion=motion, convex=False, widened_mm=hull.widened_mm
    )
    return (plain.model_copy(update={"loose": told(hull.loose_mm)}),), hull.findings


def _tube(
    tag: TubeTag, scene: Scene, made: Made, motion: MeasuredMotion | None, network: NetworkDoubt | None
) -> Measured:
    tube = measure_tube(tag, scene, network=network)
    axis = tube.axis_world if len(tube.axis_world) == 2 else None
    return (
        _obstacle(
            tag,
            tube.meshes,
            made,
            covariance=tube.covariance,
            motion=motion,
            widened_mm=tube.widened_mm,
            axis=axis,
        ),
    ), tube.findings


def _box(
    tag: BoxTag, scene: Scene, made: Made, motion: MeasuredMotion | None, network: NetworkDoubt | None
) -> Measured:
    box = measure_box(tag, scene, network=network)
    return (_obstacle(tag, [box.mesh], made, covariance=box.covariance, motion=motion),), box.findings


def _bolt(
    tag: BoltTag, scene: Scene, made: Made, motion: MeasuredMotion | None, network: NetworkDoubt | None
) -> Measured:
    bolt = measure_bolt(tag, scene, network=network)
    body = _obstacle(tag, bolt.meshes, made, covariance=bolt.covariance, motion=motion, axis=bolt.axis_world)
    if bolt.tool_mesh is None:
        return (body,), bolt.findings
    room = _obstacle(
        tag,
        [bolt.tool_mesh],
        made,
        covariance=bolt.tool_covariance,
        motion=motion,
        axis=bolt.axis_world,
        part="tool room",
    )
    return (body, room), bolt.findings


def _mesh(tag: MeshTag, media: Media, made: Made, motion: MeasuredMotion | None) -> Measured:
    mesh, findings = read_mesh_file(_file_of(tag, media), tag)
    return (
        _obstacle(tag, [mesh], made, covariance=tag.sd_mm**2 * np.eye(3), motion=motion, convex=False),
    ), findings


def _scan(tag: ScanTag, scene: Scene, media: Media, made: Made, network: NetworkDoubt | None) -> Measured:
    """The scan lies within its widening of the mesh, so the widening goes into the clearance."""
    scan = measure_scan(tag, _file_of(tag, media), scene, made, network=network)
    plain = _obstacle(
        tag,
        [scan.mesh],
        made,
        covariance=scan.covariance,
        motion=None,
        convex=False,
        widened_mm=scan.widened_mm,
    )
    clearance = plain.clearance_mm + scan.widened_mm
    return (plain.model_copy(update={"clearance_mm": clearance}),), scan.findings


def _file_of(tag: MeshTag | ScanTag, media: Media) -> bytes:
    data = None if tag.media is None else media.get(tag.media)
    if data is None:
        raise InputError(
            "its file is not in the scene", value=tag.file, todo=f"import the {tag.kind} file again"
        )
    return data


def _obstacle(
    tag: ObstacleTag,
    meshes: Iterable[MeshArrays],
    made: Made,
    *,
    covariance: Mat3,
    motion: MeasuredMotion | None,
    convex: bool = True,
    widened_mm: float = 0.0,
    axis: Floats | None = None,
    part: Literal["body", "tool room"] = "body",
) -> Obstacle:
    meshes = list(meshes)
    moved = _motion_doubt(meshes, motion)
    point = None if motion is None or motion.point_world is None else vec3(motion.point_world)
    return Obstacle(
        name=tag.name,
        kind=tag.kind,
        part=part,
        meshes=tuple(_keep(mesh, made) for mesh in meshes),
        convex=convex,
        clearance_mm=_clearance(tag, part),
        covariance_mm2=cov3(np.asarray(covariance) + moved),
        widened_mm=widened_mm,
        axis_mm=None if axis is None else (vec3(axis[0]), vec3(axis[1])),
        hinge_point_mm=point,
        motion_direction=None if motion is None else vec3(motion.direction_world),
        travel_kind="none" if motion is None else motion.kind,
        travel=(0.0, 0.0) if motion is None else motion.travel,
    )


def _motion_doubt(meshes: list[MeshArrays], motion: MeasuredMotion | None) -> Mat3:
    if motion is None or motion.point_world is None:
        return np.zeros((3, 3)) if motion is None else motion.covariance
    reach = max(float(np.linalg.norm(v - motion.point_world, axis=1).max()) for v, _ in meshes)
    return motion.covariance + motion.per_reach * reach**2 * np.eye(3)


def _clearance(tag: ObstacleTag, part: str) -> float:
    """A typed clearance is the body's; the tool's room has its class' own."""
    if part == "tool room":
        return class_clearance("tool")
    return class_clearance(tag.clearance_class) if tag.clearance_mm is None else tag.clearance_mm


def _keep(mesh: MeshArrays, made: Made) -> str:
    data = mesh_bytes(*mesh)
    name = digest(data)
    made[name] = data
    return name
