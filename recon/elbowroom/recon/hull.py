"""Volumes from outlines: the cones of one thing's outlines, widened by their doubt and intersected exactly.

Each outline is grown in its photo by what a hand may be wrong, then turned into the cone of everything that could
have drawn it. The thing lies in every cone, so it lies in what they share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.outlines import cone_polygon, outline_polygon
from elbowroom.recon.stations import NetworkDoubt, Station, largest_angle_deg, station_of, stations_of
from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import Scene, VolumeTag
from elbowroom.shared.tolerances import PICK_SIGMAS

if TYPE_CHECKING:
    import shapely
    from manifold3d import Manifold

OUTLINE_CHORD_PX = 1.5
"""How far a careful hand's chords may cut the corners of a curved outline, px (common practice, no source)."""

NEAR_MM = 10.0
"""Cones start this far before the lens: nothing to be measured is nearer."""

FAR_REACH = 20.0
"""Cones end at this many times the largest distance between a camera and anything known: past any obstacle."""

GOOD_VIEW_ANGLE_DEG = 20.0
"""Two views closer than this leave a volume several times too long (measured: 12.7 times at 10 degrees)."""

RIM_PX = 2.0
"""An outline this close to the photo's edge was cut off by it."""

UNMET_SHARE = 0.02
"""Share of an outline, drawn in by its widening, that the volume may leave empty before the outlines disagree."""


@dataclass(frozen=True, eq=False)
class Hull:
    """A volume that contains the outlined thing.

    Parameters
    ----------
    vertices_world, faces : arrays
        Closed mesh, (n, 3) mm and (m, 3).
    widened_mm : float
        The most any outline was grown, at the volume's distance.
    volume_mm3 : float
        What it holds.
    findings : tuple of Finding
        Views too close together, outlines that disagree, the photo that would tighten it most.
    """

    vertices_world: Points3
    faces: Faces
    widened_mm: float
    volume_mm3: float
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, eq=False)
class View:
    """One outline ready to cut: its station, drawn polygon (px), how far it is grown (px), and the cone."""

    station: Station
    drawn: shapely.Polygon
    widen_px: float
    cone: Manifold


def hull_of(tag: VolumeTag, scene: Scene, *, network: NetworkDoubt | None = None) -> Hull:
    """Return the volume that the outlines of a tag leave to the thing.

    Raises
    ------
    InputError
        Fewer than two photos, a photo outlined twice or without station, an outline that crosses itself or leaves
        the photo, outlines whose cones don't meet (names the one that misses), cones without end.

    Source: the visual hull, Laurentini 1994 (from memory); widening by PICK_SIGMAS, see tolerances.
    """
    where = f"volume {tag.name}"
    stations = _check_photos(tag, scene, where)
    about = _about(stations)
    station_sd = 0.0 if network is None else _largest_sd(network.point_covariance(about))
    far = FAR_REACH * _reach(scene, stations)
    views = []
    for station, outline in zip(stations, tag.outlines, strict=True):
        drawn = outline_polygon(np.array(outline.points_px), station, where=where)
        sd_px = float(np.hypot(tag.pick_sd_px, station_sd / station.mm_per_px(about)))
        views.append(_view(station, drawn, PICK_SIGMAS * sd_px + OUTLINE_CHORD_PX, far))
    solid = _meet(views, where)
    vertices, faces = _arrays(solid)
    _check_bounded(vertices, views, far, where)
    widened = max(v.widen_px * v.station.mm_per_px(vertices.mean(axis=0)) for v in views)
    findings = (
        *_check_cut(views, where),
        *_check_angles(views, vertices, where),
        *_check_met(views, vertices, faces, where),
    )
    return Hull(
        vertices,
        faces,
        float(widened),
        float(solid.volume()),
        (*findings, *_next_photo(scene, views, vertices, where)),
    )


def _check_photos(tag: VolumeTag, scene: Scene, where: str) -> list[Station]:
    names = [o.photo for o in tag.outlines]
    if len(set(names)) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise InputError(
            "outlined twice in one photo", where=where, value=twice, todo="keep one outline a photo"
        )
    if len(names) < 2:
        raise InputError(
            "a volume needs outlines in two photos or more",
            where=where,
            value=f"outlined in {names[0] if names else 'none'} only",
            todo="outline it in a photo taken from another side",
        )
    return [station_of(scene, n, where=where) for n in names]


def _about(stations: list[Station]) -> Floats:
    """Return the point nearest to all lines of sight through the photos' middles: about where the thing is."""
    from elbowroom.recon.rays import meet_rays

    axes = np.array([s.camera_from_world.rotation[2] for s in stations])
    centres = np.array([s.centre_world for s in stations])
    if largest_angle_deg(axes) < 1.0:
        return np.asarray(centres.mean(axis=0) + 1000.0 * axes.mean(axis=0))
    return meet_rays(centres, axes)


def _reach(scene: Scene, stations: list[Station]) -> float:
    known = [s.centre_world for s in stations_of(scene)] + [
        np.array(t.world_from_target.shift_mm) for t in scene.measured
    ]
    spread = max(float(np.linalg.norm(np.array(known) - s.centre_world, axis=1).max()) for s in stations)
    return max(spread, 1000.0)


def _view(station: Station, drawn: shapely.Polygon, widen_px: float, far: float) -> View:
    from manifold3d import CrossSection, FillRule, Manifold

    polygon_xy = cone_polygon(drawn, widen_px, station)
    section = CrossSection([np.ascontiguousarray(polygon_xy * NEAR_MM)], FillRule.EvenOdd)
    cone = Manifold.extrude(section, far - NEAR_MM, scale_top=(far / NEAR_MM, far / NEAR_MM))
    world_from_camera = station.camera_from_world.inverse()
    placed = cone.translate((0.0, 0.0, NEAR_MM)).transform(world_from_camera.matrix()[:3])
    return View(station, drawn, widen_px, placed)


def _meet(views: list[View], where: str) -> Manifold:
    solid = _intersect(views)
    if not solid.is_empty():
        return solid
    culprits = [
        v for v in views if len(views) > 2 and not _intersect([o for o in views if o is not v]).is_empty()
    ]
    names = ", ".join(v.station.photo for v in culprits or views)
    raise InputError(
        "the outlines don't meet: there is nothing they could all have been drawn round",
        where=f"{where}, photo {names}",
        value="this outline misses what the others share"
        if len(culprits) == 1
        else "any of these may be wrong",
        todo="draw it again round the same thing",
    )


def _intersect(views: list[View]) -> Manifold:
    from manifold3d import Manifold, OpType

    return Manifold.batch_boolean([v.cone for v in views], OpType.Intersect)


def _arrays(solid: Manifold) -> tuple[Points3, Faces]:
    mesh = solid.to_mesh64()
    return (
        np.array(mesh.vert_properties, dtype=np.float64)[:, :3],
        np.array(mesh.tri_verts, dtype=np.int64),
    )


def _check_bounded(vertices: Points3, views: list[View], far: float, where: str) -> None:
    for v in views:
        depths = v.station.depths(vertices)
        if depths.max() > 0.99 * far or depths.min() < 1.01 * NEAR_MM:
            raise InputError(
                "the outlines leave the volume open along the view",
                where=f"{where}, photo {v.station.photo}",
                todo="outline it in a photo taken from another side",
            )


def _check_cut(views: list[View], where: str) -> tuple[Finding, ...]:
    """An outline that runs along the photo's edge shows part of the thing only, and cuts the volume off there."""
    found = []
    for v in views:
        x0, y0, x1, y1 = v.drawn.bounds
        right, below = v.station.lens.width_px - 1 - RIM_PX, v.station.lens.height_px - 1 - RIM_PX
        if min(x0, y0) <= RIM_PX or x1 >= right or y1 >= below:
            message = f"{where}: the outline in {v.station.photo} reaches the photo's edge; what lies beyond it is cut off the volume: use a photo that shows the thing whole"
            found.append(Finding(code="tag-outline-cut", severity="warning", subject=where, message=message))
    return tuple(found)


def _check_angles(views: list[View], vertices: Points3, where: str) -> tuple[Finding, ...]:
    angle = largest_angle_deg(_sights(views, vertices))
    if angle >= GOOD_VIEW_ANGLE_DEG:
        return ()
    message = f"{where}: its photos were taken from nearly one side ({angle:.0f} degrees apart), so the volume is far too long; outline it from another side"
    return (
        Finding(
            code="tag-views-close",
            severity="warning",
            subject=where,
            message=message,
            numbers={"angle_deg": angle},
        ),
    )


def _sights(views: list[View], vertices: Points3) -> Points3:
    sights = vertices.mean(axis=0) - np.array([v.station.centre_world for v in views])
    return np.asarray(sights / np.linalg.norm(sights, axis=1, keepdims=True))


def _check_met(views: list[View], vertices: Points3, faces: Faces, where: str) -> tuple[Finding, ...]:
    """An outline the volume can't fill was drawn round something else, and the volume may lack part of the thing."""
    import shapely

    found = []
    for v in views:
        corners = v.station.project(vertices)[faces]
        one, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        front = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0] < -1e-9  # clockwise once y points down
        shadow = shapely.union_all(shapely.polygons(corners[front]))
        wanted = v.drawn.buffer(-v.widen_px)
        share = float(wanted.difference(shadow).area / v.drawn.area)
        if share > UNMET_SHARE:
            message = f"{where}: {share:.0%} of the outline in {v.station.photo} can't belong to what the other photos show; the volume may lack part of the thing: draw the outlines again"
            found.append(
                Finding(
                    code="tag-outline-unmet",
                    severity="fault",
                    subject=where,
                    message=message,
                    numbers={"share": share},
                )
            )
    return tuple(found)


def _next_photo(scene: Scene, views: list[View], vertices: Points3, where: str) -> tuple[Finding, ...]:
    """Name the photo whose line of sight is furthest from those used: it cuts off most of what is loose."""
    middle, used = vertices.mean(axis=0), {v.station.photo for v in views}
    spare = [s for s in stations_of(scene) if s.photo not in used and _shows(s, vertices)]
    if not spare:
        return ()
    sights = _sights(views, vertices)
    lines = np.array([middle - s.centre_world for s in spare])
    lines /= np.linalg.norm(lines, axis=1, keepdims=True)
    apart = np.rad2deg(np.arccos(np.clip(np.abs(lines @ sights.T).max(axis=1), 0, 1)))
    best = int(apart.argmax())
    message = f"{where}: an outline in {spare[best].photo}, {apart[best]:.0f} degrees off the nearest used, would tighten it most"
    return (
        Finding(
            code="tag-next-outline",
            severity="note",
            subject=where,
            message=message,
            numbers={"apart_deg": float(apart[best])},
        ),
    )


def _shows(station: Station, vertices: Points3) -> bool:
    px = station.project(vertices)
    size = np.array([station.lens.width_px, station.lens.height_px])
    return bool(np.isfinite(px).all() and (px >= 0).all() and (px < size).all())


def _largest_sd(covariance: Floats) -> float:
    return float(np.sqrt(max(0.0, np.linalg.eigvalsh(covariance)[-1])))
