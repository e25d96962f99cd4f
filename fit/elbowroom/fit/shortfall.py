"""Why a profile can't be had: which obstacle is in the way, and by how many millimetres."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from elbowroom.fit.keepouts import Keepout
from elbowroom.fit.pads import Pad
from elbowroom.fit.profile import PAD_APART_MM, Demand, blockers_of, room_of, wall_shape
from elbowroom.fit.routes import groups_joined, joined
from elbowroom.shared.errors import SolveError

FINE_MM = 0.02
"""Bisection stops here; shortfalls are promised to 0.1 mm."""

MOST_MM = 400.0
"""Shortfalls are looked for up to this."""


@dataclass(frozen=True, kw_only=True)
class Shortfall:
    """What is in the way of what, and by how much, mm. `within` says taking clearance off is enough."""

    where: str
    culprit: str
    mm: float
    within: bool


def explain(demand: Demand, keepouts: Sequence[Keepout], error: SolveError) -> SolveError:
    """Return the error with the culprit, the shortfall and what would help; `partial` holds all shortfalls found."""
    found = pad_shortfalls(demand, keepouts) or web_shortfalls(demand, keepouts)
    if not found:
        return SolveError(
            error.what, where=error.where, value=error.value,
            todo="move a hole, lower the least web or a clearance, or move the plate along its normal", partial=error.partial,
        )  # fmt: skip
    worst = found[0]
    return SolveError(
        f"{worst.culprit} is in the way of {worst.where}",
        where=worst.where,
        value=f"{_up(worst.mm)} mm short of {worst.culprit}",
        todo=_advice(worst),
        partial=tuple(found),
    )


def _up(mm: float) -> str:
    """Return mm rounded up to a tenth, so that doing as told is enough."""
    return f"{np.ceil(10 * mm - 1e-6) / 10:.1f}"


def _advice(short: Shortfall) -> str:
    web = short.where.startswith("web")
    move = "lower the least web" if web else f"move {short.where} away from it"
    if short.within:
        return (
            f"take {_up(short.mm)} mm off the clearance of {short.culprit}, {move} by as much, "
            "or move the plate along its normal"
        )
    return f"{move} by {_up(short.mm)} mm, or move the plate along its normal"


def pad_shortfalls(demand: Demand, keepouts: Sequence[Keepout]) -> list[Shortfall]:
    """Return what stands in pads: the first pad that has no room, its worst obstacle first."""
    bounds = room_of(demand)
    for pad in demand.pads:
        found = [s for k in keepouts if (s := _pad_short(pad, k)) is not None]
        for wall in demand.walls:
            behind = wall_shape(wall, bounds)
            if pad.shape.distance(behind) < PAD_APART_MM:
                found.append(_outright(pad.name, f"face {wall.name}", pad.shape, behind))
        if demand.area is not None:
            off = shapely.difference(bounds, shapely.Polygon(demand.area))
            if pad.shape.distance(off) < PAD_APART_MM:
                found.append(_outright(pad.name, "the edge of the area", pad.shape, off))
        if found:
            return sorted(found, key=lambda s: -s.mm)
    return []


def _pad_short(pad: Pad, keepout: Keepout) -> Shortfall | None:
    def free(less: float) -> bool:
        return (
            bool(pad.shape.distance(keepout.section(less)) >= PAD_APART_MM) or keepout.section(less).is_empty
        )

    if free(0.0):
        return None
    if free(keepout.clearance):
        mm = _bisect(free, keepout.clearance)
        return Shortfall(where=pad.name, culprit=keepout.name, mm=mm, within=True)
    body = _outright(pad.name, keepout.name, pad.shape, keepout.section(keepout.clearance))
    return replace(body, mm=body.mm + keepout.clearance)


def _outright(where: str, culprit: str, shape: shapely.Geometry, blocker: shapely.Geometry) -> Shortfall:
    """Return how far a blocker reaches into a shape: how much must come off it in the plane."""

    def free(less: float) -> bool:
        return not shape.intersects(shapely.buffer(blocker, -less, quad_segs=16))

    return Shortfall(where=where, culprit=culprit, mm=_bisect(free, MOST_MM), within=False)


def web_shortfalls(demand: Demand, keepouts: Sequence[Keepout]) -> list[Shortfall]:
    """Return the obstacles any one of which, given way by so much, lets the webs through, the least first.

    When it takes several at once, all of them come back with the clearance that must come off each.
    """
    bounds = room_of(demand)

    def passes(keeps: dict[str, shapely.Geometry]) -> bool:
        changed = replace(demand, keepouts=keeps)
        return joined(demand.pads, blockers_of(changed, bounds), demand.web, bounds)

    full = dict(demand.keepouts)
    where = _parted(demand, bounds)
    if passes(full):
        return []
    found = []
    for keepout in keepouts:
        rest = {n: g for n, g in full.items() if n != keepout.name}
        if keepout.section().is_empty or not passes(rest):
            continue

        def free(less: float, keepout: Keepout = keepout, rest: dict[str, shapely.Geometry] = rest) -> bool:
            return passes({**rest, keepout.name: keepout.section(less)})

        if free(keepout.clearance):
            mm = _bisect(free, keepout.clearance)
            found.append(Shortfall(where=where, culprit=keepout.name, mm=mm, within=True))
        else:
            mm = keepout.clearance + _give_way(passes, rest, keepout)
            found.append(Shortfall(where=where, culprit=keepout.name, mm=mm, within=False))
    return sorted(found, key=lambda s: s.mm) or _together(passes, keepouts, where)


def _give_way(
    passes: Callable[[dict[str, shapely.Geometry]], bool], rest: dict[str, shapely.Geometry], keepout: Keepout
) -> float:
    body = keepout.section(keepout.clearance)

    def free(less: float) -> bool:
        return passes({**rest, keepout.name: shapely.buffer(body, -less, quad_segs=16)})

    return _bisect(free, MOST_MM)


def _together(
    passes: Callable[[dict[str, shapely.Geometry]], bool], keepouts: Sequence[Keepout], where: str
) -> list[Shortfall]:
    """Return one shortfall naming all that must give way together."""
    present = [k for k in keepouts if not k.section().is_empty]
    most = max((k.clearance for k in present), default=0.0)

    def free(less: float) -> bool:
        return passes({k.name: k.section(less) for k in present})

    if not present or not free(most):
        return []
    mm = _bisect(free, most)
    needed = [
        k.name for k in present if not passes({o.name: o.section(0.0 if o is k else mm) for o in present})
    ]
    names = " and ".join(needed or [k.name for k in present])
    return [Shortfall(where=where, culprit=names, mm=mm, within=True)]


def _parted(demand: Demand, bounds: shapely.Geometry) -> str:
    """Name the web that can't be made: the first pad, and the first that can't be reached from it."""
    groups = groups_joined(demand.pads, blockers_of(demand, bounds), demand.web, bounds)
    first = groups[0]
    for pad, group in zip(demand.pads, groups, strict=True):
        if not first & group:
            return f"web between {demand.pads[0].name} and {pad.name}"
    return "web"


def _bisect(free: Callable[[float], bool], high: float) -> float:
    """Return the least value at which `free` holds, to FINE_MM, given that it holds at `high`."""
    low = 0.0
    while high - low > FINE_MM:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if free(middle) else (middle, high)
    return float(np.round(high, 3))
