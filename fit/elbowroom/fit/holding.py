"""What holds a plate and what pulls at it: weld edges and hole rims found on the profile, loads spread over rims."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.fit.finite import EdgeLoad, Traction
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.loads import HoleLoad, LoadCase
from elbowroom.shared.outline import Outline, Piece
from elbowroom.shared.scene import Plate, PlateHole, WeldEdgeIntent

OFF_EDGE_MM = 6.0
"""A weld edge may be typed this far off the profile's own edge: 5 mm off its face are let pass, and rounding."""

LEAN_RAD = 0.1
"""The profile's edge and the typed one may differ by this much in direction: 5 mm over the shortest weld edges."""

ON_EDGE_MM = 1e-5
"""A corner this near a line or circle lies on it: corners are put there to float64's 1e-12 of a metre."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """A straight held edge: both ends (2,) mm, plate, and the unit normal into the plate."""

    name: str
    start: Floats
    end: Floats
    inward: Floats

    def distance(self, points: Floats) -> Floats:
        """Return the distance (n,) mm from points (n, 2) to the line between both ends."""
        chord = self.end - self.start
        share = np.clip((points - self.start) @ chord / float(chord @ chord), 0.0, 1.0)
        return np.hypot(*(points - self.start - share[:, None] * chord).T)

    def holds(self, ends: Floats) -> Bools:
        """Say of boundary edges, both ends (k, 2, 2) mm, which lie on the line."""
        off: Floats = self.distance(ends.reshape(-1, 2)).reshape(-1, 2).max(axis=1)
        return off < ON_EDGE_MM


@dataclass(frozen=True, kw_only=True, eq=False)
class Rim:
    """A round hole's rim: centre (2,) and radius mm, plate."""

    name: str
    centre: Floats
    radius: float

    def holds(self, ends: Floats) -> Bools:
        """Say of boundary edges, both ends (k, 2, 2) mm, which lie on the rim."""
        away = np.hypot(*np.moveaxis(ends - self.centre, 2, 0))
        off: Floats = np.abs(away - self.radius).max(axis=1)
        return off < ON_EDGE_MM


@dataclass(frozen=True, kw_only=True, eq=False)
class Held:
    """What holds a plate, what pulls at it, and the loops of lines and arcs to mesh."""

    lines: tuple[Line, ...]
    rims: tuple[Rim, ...]
    pulls: tuple[tuple[Rim, HoleLoad], ...]
    loops: tuple[tuple[Piece, ...], ...]

    def held_edges(self, ends: Floats) -> npt.NDArray[np.intp]:
        """Return which boundary edges are held."""
        mask = np.zeros(len(ends), dtype=bool)
        for line in self.lines:
            mask |= line.holds(ends)
        for rim in self.rims:
            mask |= rim.holds(ends)
        return np.flatnonzero(mask)

    def edge_loads(self, ends: Floats) -> list[EdgeLoad]:
        """Return the loads as tractions on the rims."""
        return [
            EdgeLoad(np.flatnonzero(rim.holds(ends)), rim_traction(rim, load)) for rim, load in self.pulls
        ]


def held_plate(plate: Plate, case: LoadCase) -> Held:
    """Return what holds a plate in a load case, and what pulls at it.

    Raises
    ------
    InputError
        When a support or loaded hole isn't there or is no round hole, nothing holds the plate, one hole is both held and
        loaded, or a weld edge is not on the profile.
    """
    where = f"load case {case.name}"
    holes = {h.name: h for h in plate.holes}
    welds = {w.name: w for w in plate.weld_edges}
    supports = tuple(dict.fromkeys(case.supports or welds))
    if not supports:
        raise InputError(
            "loads, and nothing that holds the plate", where=where, value=f"plate {plate.name} has no weld edge",
            todo=f"name the holes it is bolted by in supports: {', '.join(holes) or 'it has none'}",
        )  # fmt: skip
    rims = [_rim(holes, n, where, (*welds, *holes)) for n in supports if n not in welds]
    lines, loops = _lines(plate, [welds[n] for n in supports if n in welds])
    pulls = [(_rim(holes, load.hole, where, tuple(holes)), load) for load in case.loads]
    both = next((rim.name for rim, _ in pulls if rim.name in supports), None)
    if both is not None:
        raise InputError(
            "a hole both holds the plate and is loaded", where=where, value=both, todo="leave one out"
        )
    for rim, load in pulls:
        if load.pin_mm is not None and load.pin_mm > 2 * rim.radius:
            raise InputError(
                "the pin is thicker than its hole", where=f"{where}, hole {rim.name}", value=f"{load.pin_mm:g} mm",
                limit=f"{2 * rim.radius:g} mm", todo="mend pin_mm",
            )  # fmt: skip
    return Held(lines=tuple(lines), rims=tuple(rims), pulls=tuple(pulls), loops=loops)


def _rim(holes: Mapping[str, PlateHole], name: str, where: str, known: Sequence[str]) -> Rim:
    hole = holes.get(name)
    if hole is None:
        raise InputError(
            "names something the plate hasn't got", where=where, value=name,
            limit=f"there are: {', '.join(known) or 'none'}", todo="mend the name",
        )  # fmt: skip
    if hole.kind != "round" or hole.diameter_mm is None:
        raise InputError("only round holes take loads or hold", where=where, value=f"{name}, a slot")
    return Rim(name=name, centre=np.array(hole.centre_mm), radius=hole.diameter_mm / 2)


def _lines(plate: Plate, welds: Sequence[WeldEdgeIntent]) -> tuple[list[Line], tuple[tuple[Piece, ...], ...]]:
    """Return the welded parts of the outer profile, and all loops, with the profile cut at the welds' ends."""
    outer = list(Outline.of_loop(plate.outer).simplified().counter_clockwise().pieces())
    lines = []
    for weld in welds:
        index, low, high = _welded_part(outer, weld, plate.name)
        piece = outer[index]
        cuts = [0.0, *(f for f in (low, high) if 0.0 < f < 1.0), 1.0]
        outer[index : index + 1] = [piece.part(a, b) for a, b in itertools.pairwise(cuts)]
        a, b, along = piece.at(low), piece.at(high), piece.direction(0.0)
        inward = np.array([-along.imag, along.real])
        lines.append(Line(name=weld.name, start=_xy(a), end=_xy(b), inward=inward))
    inner = (Outline.of_loop(h.loop).simplified().counter_clockwise().pieces() for h in plate.holes)
    return lines, (tuple(outer), *inner)


def _welded_part(pieces: Sequence[Piece], weld: WeldEdgeIntent, plate: str) -> tuple[int, float, float]:
    """Return the line of the profile that a weld edge lies on, and the two fractions along it that are welded."""
    a, b = complex(*weld.from_mm), complex(*weld.to_mm)
    best, longest = (-1, 0.0, 0.0), 0.0
    for k, piece in enumerate(pieces):
        if not piece.is_line or abs(math.sin(_turn(piece.direction(0.0), b - a))) > LEAN_RAD:
            continue
        low, high = sorted(min(max(piece.fraction(p), 0.0), 1.0) for p in (a, b))
        middle = piece.at((low + high) / 2)
        share = ((middle - a) * (b - a).conjugate()).real / abs(b - a) ** 2
        off = abs(middle - (a + share * (b - a)))
        if (high - low) * piece.length > longest and off <= OFF_EDGE_MM + weld.gap_mm:
            best, longest = (k, low, high), (high - low) * piece.length
    if best[0] < 0:
        raise InputError(
            "the weld edge is not on the plate's profile", where=f"plate {plate}, weld edge {weld.name}",
            limit=f"{OFF_EDGE_MM:g} mm off", todo="fit the plate again, or mend from_mm and to_mm",
        )  # fmt: skip
    piece, low, high = pieces[best[0]], best[1], best[2]
    snap = SNAP_MM / piece.length  # a cut this near the end would leave a sliver
    return best[0], 0.0 if low < snap else low, 1.0 if high > 1 - snap else high


SNAP_MM = 0.5
"""A weld that ends this near the end of its straight edge takes all of it."""


def _turn(one: complex, other: complex) -> float:
    return math.atan2((one.conjugate() * other).imag, (one.conjugate() * other).real)


def _xy(point: complex) -> Floats:
    return np.array([point.real, point.imag])


def rim_load(load: HoleLoad) -> tuple[Floats, Floats]:
    """Return force (3,) N and moment (3,) N mm about the hole's centre at mid-thickness."""
    force = np.array(load.force_n)
    return force, np.array(load.moment_nmm) + np.cross(np.array(load.offset_mm), force)


def rim_traction(rim: Rim, load: HoleLoad) -> Traction:
    """Return a hole's load as N per mm of its rim.

    In the plane a bolt presses on the half of the wall in front of it, as the cosine of the angle off its pull. A force
    along z is spread evenly, a moment about x or y as the sine round the rim, one about z as an even drag along it.

    Source: closed forms, each one's sum being the force or moment; the cosine law is common practice for a close pin.
    """
    force, moment = rim_load(load)
    r = rim.radius
    pull = float(np.hypot(force[0], force[1]))
    along = force[:2] / pull if pull else np.zeros(2)
    press = 2 * pull / (math.pi * r)

    def traction(places: Floats) -> Floats:
        nx, ny = (places[0] - rim.centre[0]) / r, (places[1] - rim.centre[1]) / r
        wall = press * np.maximum(nx * along[0] + ny * along[1], 0.0)
        drag = moment[2] / (2 * math.pi * r**2)
        lift = force[2] / (2 * math.pi * r) + (moment[0] * ny - moment[1] * nx) / (math.pi * r**2)
        return np.stack([wall * nx - drag * ny, wall * ny + drag * nx, lift])

    return traction
