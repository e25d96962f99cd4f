"""From an intent and a scene to a plate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.fit.keepouts import Keepout, keepout_of
from elbowroom.fit.openings import Opening, bolt_hole, check_openings, named_obstacle, slot
from elbowroom.fit.pads import Pad, Wall
from elbowroom.fit.plane import plane_covariance, plate_frame
from elbowroom.fit.profile import Demand, Profile, fit_profile
from elbowroom.fit.remarks import bolt_remarks, profile_remarks
from elbowroom.fit.shortfall import explain
from elbowroom.fit.welds import Weld, contact_limits, weld_of
from elbowroom.shared.arrays import Floats, check_positive
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Obstacle, Plate, PlateIntent, Pose, Scene, cov3

Progress = Callable[[float, str], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Job:
    """Everything known before the profile is sought."""

    world_from_plate: Rigid[World, PlateFrame]
    openings: list[Opening]
    welds: list[Weld]
    keepouts: list[Keepout]
    covariance: Floats
    touches: tuple[str, ...]
    findings: list[Finding]


def fit_plate(intent: PlateIntent, scene: Scene, media: Media, *, progress: Progress | None = None) -> Plate:
    """Return a plate that does what the intent asks and keeps every obstacle's clearance over its travel.

    Every obstacle gets its clearance plus `sigmas` standard deviations of the gap; see `keepout_of`. Obstacles that
    are slid over, bolts through the plate's own holes, and what a weld edge's face belongs to are treated apart and
    named in the plate. The frame is that of `plate_frame`.

    Parameters
    ----------
    intent : PlateIntent
        With every picked point resolved to world coordinates.
    scene : Scene
        Measured: faces and obstacles in it.
    media : Media
        Holds the obstacles' meshes.
    progress : Callable
        Told the share done, 0 to 1, and what is being done.

    Raises
    ------
    InputError
        When the intent can't be right as it stands.
    SolveError
        When no profile is possible: the message names pad or web, the obstacle in the way and the shortfall in mm;
        `partial` holds the shortfalls (tuple of Shortfall).
    """
    tell = progress or (lambda share, what: None)
    tell(0.0, "plane, holes and welds")
    job = _prepare(intent, scene, media, tell)
    tell(0.3, "keep-outs and profile")
    try:
        profile, used = _fitted(intent, job, tell)
    except SolveError as error:
        tell(0.9, "what is in the way")
        raise explain(_demand(intent, job, job.keepouts), job.keepouts, error) from None
    plate = _plate(intent, job, profile, used)
    tell(1.0, "done")
    return plate


def _fitted(intent: PlateIntent, job: _Job, tell: Progress) -> tuple[Profile, list[Keepout]]:
    """Return the profile and the keep-outs that were looked at: those in reach of the pads' hull, then of the profile.

    Obstacles whose boxes the profile doesn't touch can't matter; sweeping them would take most of the time.
    """
    pads = shapely.union_all([p.shape for p in _pads(job)])
    near = shapely.convex_hull(pads)
    used: list[Keepout] = []
    for turn in range(len(job.keepouts) + 1):
        fresh = [k for k in job.keepouts if k not in used and k.reach.intersects(near)]
        if turn and not fresh:
            break
        used = [k for k in job.keepouts if k in used or k in fresh]
        tell(min(0.35 + 0.1 * turn, 0.8), "profile")
        profile = fit_profile(_demand(intent, job, used))
        near = Polygon(profile.outline.flatten())
    return profile, used


def _pads(job: _Job) -> tuple[Pad, ...]:
    return (*(w.pad for w in job.welds), *(o.pad for o in job.openings))


def _prepare(intent: PlateIntent, scene: Scene, media: Media, tell: Progress) -> _Job:
    thickness = check_positive(intent.thickness_mm, where=f"plate {intent.name}, thickness_mm")
    world_from_plate: Rigid[World, PlateFrame] = Pose.of(plate_frame(intent.plane, scene)).rigid()
    plate_from_world = world_from_plate.inverse()
    openings = [bolt_hole(h, scene, plate_from_world, intent.min_web_mm) for h in intent.holes]
    openings += [
        slot(s, scene, media, plate_from_world, thickness=thickness, web_mm=intent.min_web_mm)
        for s in intent.slots
    ]
    _check_names(intent)
    check_openings(openings, None if intent.area is None else np.array(intent.area))
    welds = [weld_of(w, scene, plate_from_world, intent) for w in intent.weld_edges]
    _check_slots_clear_of_walls(openings, welds)
    faces = [scene.face(w.face) for w in intent.weld_edges]
    faces += [scene.face(intent.plane.face)] if intent.plane.kind == "face" else []
    covariance = plane_covariance(intent.plane, faces)
    keepouts, remarks = _keepouts(intent, scene, media, plate_from_world, covariance, tell)
    keepouts, touched, notes = contact_limits(keepouts, welds)
    bolts = tuple(o.bolt for o in openings if o.bolt)
    return _Job(
        world_from_plate=world_from_plate,
        openings=openings,
        welds=welds,
        keepouts=keepouts,
        covariance=covariance,
        touches=tuple(dict.fromkeys((*touched, *bolts))),
        findings=[f for o in openings for f in o.findings] + remarks + notes,
    )


def _check_names(intent: PlateIntent) -> None:
    names = [
        *(h.name for h in intent.holes),
        *(w.name for w in intent.weld_edges),
        *(s.name for s in intent.slots),
    ]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise InputError("a name is used twice in one plate", where=f"plate {intent.name}", value=twice[0])


def _check_slots_clear_of_walls(openings: list[Opening], welds: list[Weld]) -> None:
    for opening in (o for o in openings if o.hole.kind == "slot"):
        for weld in welds:
            reach = float(
                (
                    (opening.pad.discs[:, :2] - weld.wall.point) @ weld.wall.normal - opening.pad.discs[:, 2]
                ).min()
            )
            if reach < 0:
                raise InputError(
                    "the steel round the slot would pass through the face", where=f"slot {opening.hole.name}",
                    value=f"{-reach:.2f} mm behind {weld.wall.name}", limit="0 mm",
                    todo="give the slot a smaller surround_mm, or leave an open notch by shaping the area instead",
                )  # fmt: skip


def _keepouts(
    intent: PlateIntent,
    scene: Scene,
    media: Media,
    plate_from_world: Rigid[PlateFrame, World],
    covariance: Floats,
    tell: Progress,
) -> tuple[list[Keepout], list[Finding]]:
    """Return the keep-outs of all obstacles but those slid over and the bolts of the plate's own holes."""
    skipped = {s.over for s in intent.slots} | {h.bolt for h in intent.holes if h.bolt}
    for name in sorted(skipped):
        named_obstacle(scene, name, f"plate {intent.name}")
    keepouts: list[Keepout] = []
    own: list[Keepout] = []
    for k, obstacle in enumerate(scene.obstacles):
        tell(0.05 + 0.2 * k / max(len(scene.obstacles), 1), obstacle.name)
        keepout = _keepout(obstacle, intent, media, plate_from_world, covariance)
        (own if obstacle.name in skipped else keepouts).append(keepout)
    bolts = {h.bolt for h in intent.holes if h.bolt}
    return keepouts, bolt_remarks([k for k in own if k.obstacle.name in bolts])


def _keepout(
    obstacle: Obstacle,
    intent: PlateIntent,
    media: Media,
    plate_from_world: Rigid[PlateFrame, World],
    covariance: Floats,
) -> Keepout:
    return keepout_of(
        obstacle,
        media,
        plate_from_world,
        thickness=intent.thickness_mm,
        sigmas=intent.sigmas,
        covariance_plate=covariance,
    )


def _demand(intent: PlateIntent, job: _Job, keepouts: list[Keepout]) -> Demand:
    walls: dict[str, Wall] = {w.wall.name: w.wall for w in job.welds}
    return Demand(
        pads=_pads(job),
        keepouts={k.name: k.section() for k in keepouts},
        walls=tuple(walls.values()),
        area=None if intent.area is None else np.array(intent.area),
        web=intent.min_web_mm,
        inside_radius=intent.inside_radius_mm,
    )


def _plate(intent: PlateIntent, job: _Job, profile: Profile, used: list[Keepout]) -> Plate:
    _check_holes_inside(job.openings, profile)
    remarks = profile_remarks(
        intent, profile, [o.shape for o in job.openings], {k.name: k.section() for k in used}
    )
    return Plate(
        name=intent.name,
        world_from_plate=Pose.of(job.world_from_plate),
        thickness_mm=intent.thickness_mm,
        material=intent.material,
        outer=profile.outline.loop(),
        holes=tuple(o.hole for o in job.openings),
        weld_edges=intent.weld_edges,
        slides_over=tuple(s.over for s in intent.slots),
        touches=job.touches,
        position_covariance_mm2=cov3(job.covariance),
        findings=tuple(job.findings + remarks),
    )


def _check_holes_inside(openings: list[Opening], profile: Profile) -> None:
    polygon = Polygon(profile.outline.flatten())
    for opening in openings:
        if not shapely.covers(polygon, opening.shape):
            raise SolveError("the opening is not inside the profile", where=opening.hole.name)
