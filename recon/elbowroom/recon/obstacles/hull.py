"""Volumes from outlines: the cones of one thing's outlines, widened by their doubt and intersected exactly.

Each outline is grown in its photo by what a hand may be wrong, then turned into the cone of everything that could
have drawn it. The thing lies in every cone, so it lies in what they share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from elbowroom.recon.directions import DIRECTIONS
from elbowroom.recon.obstacles.cones import NEAR_MM, View, meet, view_of
from elbowroom.recon.obstacles.looseness import Proof, looseness, proof_of
from elbowroom.recon.obstacles.nextphoto import next_findings
from elbowroom.recon.obstacles.outlines import drawn_outline
from elbowroom.recon.picks.stations import NetworkDoubt, Station, largest_angle_deg, station_of, stations_of
from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import Scene, VolumeTag
from elbowroom.shared.tolerances import PICK_SIGMAS

if TYPE_CHECKING:
    from manifold3d import Manifold

OUTLINE_CHORD_PX = 1.5
"""How far a careful hand's chords may cut the corners of a curved outline, px (common practice, no source)."""

FAR_REACH = 20.0
"""Cones end at this many times the largest distance between a camera and anything known: past any obstacle."""

GOOD_VIEW_ANGLE_DEG = 20.0
"""Two views closer than this leave a volume several times too long (measured: 12.7 times at 10 degrees)."""

UNMET_SHARE = 0.03
"""Share of an outline that the volume may miss, its doubt allowed for, before the outlines disagree: one place of 48."""

GAP_MM = 200.0
"""Cones are searched for each other this far: further apart the outlines are of two things."""

ALONG_DEG = 25.0
"""A direction this near to a line of sight is called by its photo: half the angle between the 26 named by axes."""


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
    loose_mm : Floats
        How far its surface may stand off the thing along each of `looseness.DIRECTIONS`, (98,) mm.
    findings : tuple of Finding
        How loose it is, views too close together, outlines that disagree or run on, the photo that would tighten it
        most.
    """

    vertices_world: Points3
    faces: Faces
    widened_mm: float
    volume_mm3: float
    loose_mm: Floats
    findings: tuple[Finding, ...] = ()


def hull_of(tag: VolumeTag, scene: Scene, *, network: NetworkDoubt | None = None) -> Hull:
    """Return the volume that the outlines of a tag leave to the thing.

    An outline that comes up to the photo's edge, or is said to be open, cuts only where the photo shows the thing to
    end: what lies outside the photo is left to the other outlines.

    Raises
    ------
    InputError
        Fewer than two photos, a photo outlined twice or without station, an outline that crosses itself or leaves
        the photo, outlines whose cones don't meet (names the one that misses), volumes without end.

    Source: the visual hull, Laurentini 1994 (from memory); widening by PICK_SIGMAS, see tolerances.
    """
    where = f"volume {tag.name}"
    stations = _check_photos(tag, scene, where)
    about = _about(stations)
    far = FAR_REACH * _reach(scene, stations)
    views = _views(tag, stations, about, far_mm=far, network=network)
    solid = _meet(views, about, far, where)
    vertices, faces = _arrays(solid)
    _check_bounded(vertices, views, about, far, where)
    proofs = [proof_of(v, vertices, faces) for v in views]
    loose = looseness(vertices, proofs)
    findings = (
        *_check_cut(views, where),
        *_check_angles(views, vertices, where),
        *_check_met(views, proofs, where),
        *_loose(loose, views, vertices, where),
        *next_findings(scene, views, proofs, vertices, where=where),
    )
    widened = max(v.widen_px * v.station.mm_per_px(vertices.mean(axis=0)) for v in views)
    return Hull(vertices, faces, float(widened), float(solid.volume()), loose, findings)


def _views(
    tag: VolumeTag, stations: list[Station], about: Floats, *, far_mm: float, network: NetworkDoubt | None
) -> list[View]:
    """Return the outlines ready to cut, each grown by the hand's doubt and the stations' as it shows there."""
    where = f"volume {tag.name}"
    station_sd = 0.0 if network is None else _largest_sd(network.point_covariance(about))
    views = []
    for station, outline in zip(stations, tag.outlines, strict=True):
        sd_px = float(np.hypot(tag.pick_sd_px, station_sd / station.mm_per_px(about)))
        widen = PICK_SIGMAS * sd_px + OUTLINE_CHORD_PX
        drawn = drawn_outline(np.array(outline.points_px), station, where=where, doubt_px=widen)
        views.append(
            view_of(drawn, station, widen_px=widen, far_mm=far_mm, stated_open=outline.open, where=where)
        )
    return views


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
    from elbowroom.recon.picks.rays import meet_rays

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


def _meet(views: list[View], about: Floats, far: float, where: str) -> Manifold:
    solid = meet(views, about_world=about, far_mm=far)
    if not solid.is_empty():
        return solid
    culprits = [
        v
        for v in views
        if len(views) > 2
        and not meet([o for o in views if o is not v], about_world=about, far_mm=far).is_empty()
    ]
    names = ", ".join(v.station.photo for v in culprits or views)
    raise InputError(
        "the outlines don't meet: there is nothing they could all have been drawn round",
        where=f"{where}, photo {names}",
        value=(
            "this outline misses what the others share" if len(culprits) == 1 else "any of these may be wrong"
        )
        + _gap(views),
        todo="draw it again round the same thing; if it is right, the thing moved between these photos",
    )


def _gap(views: list[View]) -> str:
    """Return in words how far the two cones pass each other that do so furthest."""
    pairs = [
        (a, b) for i, a in enumerate(views) for b in views[:i] if a.ruled_out is None and b.ruled_out is None
    ]
    gaps = [float(a.cone.min_gap(b.cone, GAP_MM)) for a, b in pairs]
    if not gaps or max(gaps) <= 0:
        return ""
    a, b = pairs[int(np.argmax(gaps))]
    much = f"{max(gaps):.1f} mm" if max(gaps) < GAP_MM else f"more than {GAP_MM:.0f} mm"
    return f"; {b.station.photo} and {a.station.photo} pass {much} from each other"


def _arrays(solid: Manifold) -> tuple[Points3, Faces]:
    mesh = solid.to_mesh64()
    return (
        np.array(mesh.vert_properties, dtype=np.float64)[:, :3],
        np.array(mesh.tri_verts, dtype=np.int64),
    )


def _check_bounded(vertices: Points3, views: list[View], about: Floats, far: float, where: str) -> None:
    runs_on = [v.station.photo for v in views if v.ruled_out is not None]
    ends = np.abs(vertices - about).max() > 0.99 * far
    for v in views:
        depths = v.station.depths(vertices)
        if ends or (v.ruled_out is None and (depths.max() > 0.99 * far or depths.min() < 1.01 * NEAR_MM)):
            if runs_on:
                raise InputError(
                    "the thing runs on without end past the photo's edge",
                    where=f"{where}, photo {', '.join(runs_on)}",
                    todo="outline it in one more photo that shows it whole, or at least where it ends",
                )
            raise InputError(
                "the outlines leave the volume open along the view",
                where=f"{where}, photo {v.station.photo}",
                todo="outline it in a photo taken from another side",
            )


def _check_cut(views: list[View], where: str) -> tuple[Finding, ...]:
    """An outline that comes up to the photo's edge bounds the thing by what shows of it only."""
    return tuple(
        Finding(
            code="tag-outline-open",
            severity="note",
            subject=where,
            message=f"{where}: the outline in {v.station.photo} comes up to the photo's edge; there the thing may go "
            "on, and only the other outlines say how far",
        )
        for v in views
        if v.ruled_out is not None
    )


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


def _check_met(views: list[View], proofs: list[Proof], where: str) -> tuple[Finding, ...]:
    """An outline the volume can't fill was drawn round something else, and the volume may lack part of the thing."""
    return tuple(
        Finding(
            code="tag-outline-unmet",
            severity="fault",
            subject=where,
            message=f"{where}: {p.unmet:.0%} of the outline in {v.station.photo} lies where nothing can be that the "
            "other photos show; the volume may lack part of the thing. A line slipped, or the thing moved between the "
            "photos: draw the outlines again",
            numbers={"share": p.unmet},
        )
        for v, p in zip(views, proofs, strict=True)
        if p.unmet > UNMET_SHARE
    )


def _loose(loose: Floats, views: list[View], vertices: Points3, where: str) -> tuple[Finding, ...]:
    """Say where the volume is loosest and where it is tight."""
    if not np.isfinite(loose).all():
        return ()
    most, least = int(loose.argmax()), int(loose.argmin())
    message = (
        f"{where}: loose by up to {loose[most]:.0f} mm {_named(DIRECTIONS[most], views, vertices)}, "
        f"tight within {loose[least]:.1f} mm {_named(DIRECTIONS[least], views, vertices)}"
    )
    numbers = {"loosest_mm": float(loose[most]), "tightest_mm": float(loose[least])}
    return (
        Finding(code="tag-volume-loose", severity="note", subject=where, message=message, numbers=numbers),
    )


def _named(direction: Floats, views: list[View], vertices: Points3) -> str:
    """Return a direction in words: by the photo that looks along it, if one does, and by world axes."""
    along = _sights(views, vertices) @ direction
    best = int(np.abs(along).argmax())
    axes = " ".join(
        f"{'+' if c > 0 else '-'}{n}" for c, n in zip(direction, "xyz", strict=True) if abs(c) > 0.3
    )
    if abs(along[best]) < np.cos(np.deg2rad(ALONG_DEG)):
        return f"towards {axes}"
    way = "away from" if along[best] > 0 else "towards"
    return f"towards {axes} ({way} the camera of {views[best].station.photo})"


def _largest_sd(covariance: Floats) -> float:
    return float(np.sqrt(max(0.0, np.linalg.eigvalsh(covariance)[-1])))
