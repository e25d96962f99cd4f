"""The profile: the taut band round pads and webs through what room there is, as true lines and arcs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from elbowroom.fit.band import Band, band_round, web_discs
from elbowroom.fit.pads import Pad, Wall
from elbowroom.fit.routes import PLANS_MM, Roadmap, Web, all_webs, gate_at, joined, roadmap, tree
from elbowroom.fit.stiffness import steel_for_stiffness
from elbowroom.fit.verify import faults_of
from elbowroom.shared.arrays import Points2
from elbowroom.shared.errors import SolveError
from elbowroom.shared.outline import Outline

PAD_APART_MM = 0.005
"""Pads nearer than this to a keep-out count as in it; a plasma cut strays fifty times further."""

WALL_DEPTH_MM = 0.01
"""A wall starts this far behind its line, so that a weld edge can lie exactly on the line."""

ROOM_MM = 250.0
"""Webs may go this far round outside the box of the pads."""

FRAME_MM = 60.0
"""Width of the frame round that box which no web may enter: obstacles are cut off at the box."""

TRIES = 10
"""Routes looked at before the best is taken."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Demand:
    """What a profile must do. `keepouts` by obstacle name, `walls` to stay in front of, `area` to stay in; mm."""

    pads: tuple[Pad, ...]
    keepouts: Mapping[str, shapely.Geometry]
    walls: tuple[Wall, ...]
    area: Points2 | None
    web: float
    inside_radius: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Profile:
    """A found profile: its outline, and the smallest inside radius it had to use, mm."""

    outline: Outline
    inside_radius: float
    webs: tuple[Web, ...]


def fit_profile(demand: Demand) -> Profile:
    """Return the profile of a demand, verified.

    Raises
    ------
    SolveError
        When a pad has no room, pads can't be joined, or no band that holds was found; `where` names pad or web.
    """
    bounds = room_of(demand)
    blockers = blockers_of(demand, bounds)
    check_pads(demand.pads, blockers)
    if not joined(demand.pads, blockers, demand.web, bounds):
        raise SolveError("the pads can't be joined by a web of the least width", where="web")
    reasons: list[str] = []
    for plan in PLANS_MM:
        road = roadmap(demand.pads, blockers, demand.web, plan)
        for band, webs in _ranked(demand, blockers, road):
            found = band.finished(demand.inside_radius)
            faults = ["no band of lines and arcs"]
            if found is not None:
                faults = faults_of(found.outline, demand.pads, blockers, demand.web)
            if found is not None and not faults:
                return Profile(outline=found.outline, inside_radius=found.inside_radius, webs=tuple(webs))
            reasons += faults
    raise SolveError(
        "no profile that keeps every rule was found",
        where="web",
        value="; ".join(dict.fromkeys(reasons))[:300] or "every way round would shut an obstacle in",
    )


def room_of(demand: Demand) -> Polygon:
    """Return the box webs may use."""
    x0, y0, x1, y1 = shapely.total_bounds([p.shape for p in demand.pads])
    return shapely.box(x0 - ROOM_MM, y0 - ROOM_MM, x1 + ROOM_MM, y1 + ROOM_MM)


def blockers_of(demand: Demand, bounds: Polygon) -> shapely.Geometry:
    """Return all the plate must stay out of within the box: keep-outs, what lies behind walls, what is off the area."""
    shapes = [shapely.intersection(k, bounds) for k in demand.keepouts.values()]
    shapes += [wall_shape(w, bounds) for w in demand.walls]
    area = bounds if demand.area is None else shapely.intersection(bounds, Polygon(demand.area))
    shapes.append(shapely.difference(bounds.buffer(FRAME_MM, join_style="mitre"), area))
    union = shapely.union_all(shapes)
    return shapely.MultiPolygon(
        [p for p in shapely.get_parts(union) if isinstance(p, Polygon) and p.area > 0]
    )


def wall_shape(wall: Wall, bounds: Polygon) -> shapely.Geometry:
    """Return the part of the box behind a wall."""
    along = np.array([-wall.normal[1], wall.normal[0]])
    reach = 2 * float(np.hypot(*(np.array(bounds.bounds[2:]) - np.array(bounds.bounds[:2]))))
    reach += float(np.linalg.norm(wall.point - np.array(bounds.centroid.coords[0])))
    base = wall.point - WALL_DEPTH_MM * wall.normal
    ends = [base - reach * along, base + reach * along]
    back = [p - reach * wall.normal for p in ends]
    return shapely.intersection(Polygon([ends[0], ends[1], back[1], back[0]]), bounds)


def check_pads(pads: Sequence[Pad], blockers: shapely.Geometry) -> None:
    """Raise SolveError naming the first pad that stands in a blocker."""
    for pad in pads:
        if pad.shape.distance(blockers) < PAD_APART_MM:
            raise SolveError("a pad has no room", where=pad.name)


def _ranked(demand: Demand, blockers: shapely.Geometry, road: Roadmap) -> list[tuple[Band, list[Web]]]:
    """Return bands round different trees of webs, best first."""
    seen: set[bytes] = set()
    found = []
    for webs in _trees(demand, road):
        key = repr(
            sorted(np.vstack([w.points for w in webs] or [np.zeros((0, 2))]).round(1).tolist())
        ).encode()
        if key in seen:
            continue
        seen.add(key)
        discs = [p.discs for p in demand.pads], [web_discs(w.points, 0.5 * demand.web) for w in webs]
        on_edge = np.vstack([p.on_edge for p in demand.pads])
        band = band_round(*discs, blockers, demand.inside_radius, on_edge)
        if band is not None:
            found.append((band, webs))
        if len(seen) >= TRIES:
            break
    return _by_stiffness(found, demand)


def _by_stiffness(found: list[tuple[Band, list[Web]]], demand: Demand) -> list[tuple[Band, list[Web]]]:
    """Return bands sorted by the steel they take for a given stiffness; equal ones are kept once."""
    kinds = {(round(band.plate.area, 1), round(band.plate.length, 1)): (band, webs) for band, webs in found}
    if len(kinds) < 2:
        return list(kinds.values())
    held = [i for i, p in enumerate(demand.pads) if len(p.on_edge)] or [0]
    cost = {
        key: steel_for_stiffness(item[0].plate, demand.pads, demand.web, held) for key, item in kinds.items()
    }
    return [kinds[key] for key in sorted(kinds, key=lambda key: cost[key])]


def _trees(demand: Demand, road: Roadmap) -> list[list[Web]]:
    """Return trees to try: the shortest, then others without one of its webs, then round the other side of things."""
    count = len(demand.pads)
    webs = all_webs(road, count)
    first = tree(webs, count)
    trees = [first]
    trees += [tree(webs, count, frozenset([w.pads])) for w in first]
    for web in first:
        gate = gate_at(web, road, 2 * ROOM_MM)
        if gate is not None:
            trees.append(tree(all_webs(road, count, [gate]), count))
    return [t for t in trees if len(t) == count - 1]
