"""Picks that ask for help: moved onto the photo's own edge, corner or rim before anything is measured from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import TypeVar

import numpy as np

from elbowroom.recon.picks.crossings import Grey
from elbowroom.recon.picks.rims import RIM_REACH_PX, snap_ellipse
from elbowroom.recon.picks.snap import REACH_PX, snap_corner, snap_edge
from elbowroom.recon.reading.detect import read_grey
from elbowroom.shared.arrays import Bools, Floats, Points2
from elbowroom.shared.entity import Entity, Vec2
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import EdgeLines, LinePicks, PointPick, RimPicks, Scene

LEAST_SD_PX = 0.1
"""No snapped place is believed better than this: chamfers, paint and shadows move edges off the thing's own."""

PHOTOS_KEPT = 8
"""Decoded photos held at a time: some 12 MB each."""

SAMPLES = 24
"""Points a snapped rim or line is told by."""

GROSS_PX = 1.0
"""An edge point further than this off the bow of the others is another edge's."""

LEAST_SHARE = 0.5
"""Share of a line, or of a rim's picks, where an edge must be found for it to count; the rest is left out then."""

Thing = TypeVar("Thing", bound=Entity)
Pick = PointPick | RimPicks | LinePicks | EdgeLines
Read = Callable[[str], Grey]


def snapped(
    thing: Thing, scene: Scene, media: Mapping[str, bytes], *, where: str = ""
) -> tuple[Thing, tuple[Finding, ...]]:
    """Return a scene, tag or intent with every pick that asks for it snapped, and a finding for each that missed.

    A pick that finds nothing within its reach stays where the hand put it, with the hand's doubt.

    Raises
    ------
    InputError
        A photo that isn't in the scene, can't be decoded, or a pick outside it.
    """
    snapper = Snapper(scene, media)
    made = snapper.walk(thing, where)
    assert isinstance(made, type(thing))
    return made, tuple(snapper.findings)


class Snapper:
    """Walks entities and snaps the picks in them; holds the photos decoded last and the findings."""

    def __init__(self, scene: Scene, media: Mapping[str, bytes]) -> None:
        self.findings: list[Finding] = []
        self.read: Read = lru_cache(maxsize=PHOTOS_KEPT)(lambda name: _grey(scene, media, name))

    def walk(self, value: object, where: str) -> object:
        """Return a value with all picks in it snapped; the same object when there are none."""
        if isinstance(value, tuple):
            items = tuple(self.walk(v, where) for v in value)
            return items if any(a is not b for a, b in zip(items, value, strict=True)) else value
        if not isinstance(value, Entity):
            return value
        if isinstance(value, PointPick | RimPicks | LinePicks | EdgeLines):
            return value if value.snap is None else self._snap(value, where)
        inner = where or (
            f"{value.kind} {value.name}" if hasattr(value, "kind") and hasattr(value, "name") else ""
        )
        fields = {f: getattr(value, f) for f in type(value).model_fields}
        update = {f: w for f, v in fields.items() if (w := self.walk(v, inner)) is not v}
        return value.model_copy(update=update) if update else value

    def _snap(self, pick: Pick, where: str) -> Entity:
        grey = self.read(pick.photo)
        try:
            made = _helped(grey, pick)
        except InputError as e:
            raise e.placed(f"{where}, photo {pick.photo}") from e
        if made is None:
            self._missed(pick, where)
            return pick
        return made

    def _missed(self, pick: Pick, where: str) -> None:
        message = f"{where}: no {pick.snap} found within {_reach(pick):g} px of the pick in {pick.photo}; it stays where it was made, with the hand's doubt"
        self.findings.append(Finding(code="tag-snap-missed", severity="note", subject=where, message=message))


def _helped(grey: Grey, pick: Pick) -> Entity | None:
    match pick:
        case PointPick():
            return _point(grey, pick)
        case RimPicks():
            return _rim(grey, pick)
        case LinePicks():
            return _line(grey, pick)
        case EdgeLines():
            return _lines(grey, pick)


def _grey(scene: Scene, media: Mapping[str, bytes], name: str) -> Grey:
    photo = scene.photo(name)
    if photo.media not in media:
        raise InputError(
            "the photo isn't in the job's file, so picks in it can't be snapped",
            where=f"photo {name}",
            todo="add it again, or leave snap out",
        )
    return read_grey(media[photo.media], where=name)


def _reach(pick: Pick) -> float:
    if pick.reach_px is not None:
        return pick.reach_px
    return RIM_REACH_PX if pick.snap == "ellipse" else REACH_PX


def _point(grey: Grey, pick: PointPick) -> PointPick | None:
    """An edge helps a pick across itself only: along it the hand's doubt stays, and so does `sd_px`."""
    at, reach = np.array(pick.xy_px), _reach(pick)
    if pick.snap == "edge":
        edge = snap_edge(grey, at, reach_px=reach)
        return None if edge is None else pick.model_copy(update={"xy_px": _vec2(edge.xy_px)})
    if pick.snap == "corner":
        corner = snap_corner(grey, at, reach_px=reach)
        return None if corner is None else _moved(pick, corner.xy_px, corner.sd_px)
    rim = snap_ellipse(grey, at, reach_px=reach)
    return None if rim is None else _moved(pick, rim.xy_px, rim.centre_sd_px)


def _moved(pick: PointPick, xy_px: Floats, sd_px: float) -> PointPick:
    return pick.model_copy(update={"xy_px": _vec2(xy_px), "sd_px": max(sd_px, LEAST_SD_PX)})


def _rim(grey: Grey, pick: RimPicks) -> RimPicks | None:
    points = np.array(pick.points_px)
    if pick.snap == "ellipse":
        rim = snap_ellipse(grey, points.mean(axis=0), reach_px=_reach(pick))
        if rim is None:
            return None
        chosen = np.unique(np.linspace(0, len(rim.points_px) - 1, SAMPLES).astype(int))
        return pick.model_copy(update=_samples(rim.points_px[chosen], rim.sd_px))
    found = [snap_edge(grey, p, reach_px=_reach(pick)) for p in points]
    edges = [f for f in found if f is not None]
    if len(edges) < LEAST_SHARE * len(points):
        return None
    return pick.model_copy(
        update=_samples(np.array([f.xy_px for f in edges]), float(np.median([f.sd_px for f in edges])))
    )


def _samples(points_px: Points2, sd_px: float) -> dict[str, object]:
    """Return points and their sd: together they say no better than LEAST_SD_PX where the whole rim or line is."""
    sd = max(sd_px, LEAST_SD_PX * max(1.0, float(np.sqrt(len(points_px) / 2))))
    return {"points_px": tuple(_vec2(p) for p in points_px), "sd_px": sd}


def _line(grey: Grey, pick: LinePicks) -> LinePicks | None:
    found = _along(grey, np.array(pick.points_px), _reach(pick))
    return None if found is None else pick.model_copy(update=_samples(*found))


def _lines(grey: Grey, pick: EdgeLines) -> EdgeLines | None:
    """A tube's two edges, each told by the two ends of a straight fit; the lens bends them less than its doubt."""
    ends: list[tuple[Vec2, Vec2]] = []
    sds = [LEAST_SD_PX]
    for side in (pick.one_px, pick.other_px):
        found = _along(grey, np.array(side), _reach(pick))
        if found is None:
            return None
        points, sd = found
        ends.append((_vec2(points[0]), _vec2(points[-1])))
        sds.append(sd)
    return pick.model_copy(update={"one_px": ends[0], "other_px": ends[1], "sd_px": max(sds)})


def _along(grey: Grey, points: Points2, reach_px: float) -> tuple[Points2, float] | None:
    """Return edge points (n, 2) px all along picks, and the median sd of one; None when too few agree on one edge."""
    lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(lengths)])
    if at[-1] < 2.0:
        return None
    places = np.linspace(0, at[-1], int(np.clip(at[-1] / 2, 3, SAMPLES)))
    rough = np.column_stack([np.interp(places, at, points[:, k]) for k in (0, 1)])
    chord = (points[-1] - points[0]) / np.linalg.norm(points[-1] - points[0])
    found = [snap_edge(grey, p, direction=chord, reach_px=reach_px) for p in rough]
    edges = [f for f in found if f is not None]
    if len(edges) < max(3, LEAST_SHARE * len(rough)):
        return None
    risen = np.array([np.sign(f.direction @ chord) for f in edges])
    edges = [f for f, r in zip(edges, risen, strict=True) if r == np.sign(risen.sum() + 0.5)]
    xy = np.array([f.xy_px for f in edges])
    kept = _on_one_bow((xy - points[0]) @ chord, (xy - points[0]) @ np.array([-chord[1], chord[0]]))
    if kept.sum() < max(3, LEAST_SHARE * len(rough)):
        return None
    return xy[kept], float(np.median([f.sd_px for f in edges]))


def _on_one_bow(along: Floats, across: Floats) -> Bools:
    """Return which points lie on one gentle bow (a straight edge through a lens): absolute distances least."""
    rows = np.column_stack([np.ones(len(along)), along / 1000, (along / 1000) ** 2])
    weight = np.ones(len(along))
    for _ in range(12):
        bow = np.linalg.lstsq(rows * weight[:, None], across * weight, rcond=None)[0]
        off = np.abs(across - rows @ bow)
        weight = 1 / np.sqrt(np.maximum(off, 0.05))
    return np.asarray(off <= GROSS_PX)


def _vec2(xy: Floats) -> Vec2:
    return float(xy[0]), float(xy[1])
