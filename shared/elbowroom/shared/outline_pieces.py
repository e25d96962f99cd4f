"""The lines and arcs a closed outline is made of: one at a time (`Piece`) and all at once (`PieceTable`).

DXF sense: the bulge of a piece is the tangent of a quarter of its sweep, positive counter-clockwise.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.scene import Vec2

STRAIGHT_BULGE = 1e-8
"""Arcs flatter than this are lines: their sagitta is 5e-9 of the chord, and float64 can't hold their centre better."""

PAIRS_AT_ONCE = 2_000_000
"""Point and piece pairs worked on at a time, to bound memory at some 100 MB."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One line or arc: ends and centre in mm, radius mm, signed sweep rad (0 for a line; + counter-clockwise).

    A line has an infinite radius and no centre (nan, nan).
    """

    start: Vec2
    end: Vec2
    centre: Vec2
    radius: float
    sweep: float

    @property
    def is_line(self) -> bool:
        """Whether it is straight."""
        return self.sweep == 0.0

    @property
    def bulge(self) -> float:
        """Tangent of a quarter of the sweep."""
        return math.tan(self.sweep / 4)

    @property
    def length(self) -> float:
        """Length along the piece, mm."""
        return math.dist(self.start, self.end) if self.is_line else self.radius * abs(self.sweep)

    @property
    def from_rad(self) -> float:
        """Direction from the centre to the start, rad."""
        return math.atan2(self.start[1] - self.centre[1], self.start[0] - self.centre[0])

    def at(self, fraction: float) -> complex:
        """Return the point at a fraction of the way from start to end, as x + iy mm."""
        if self.is_line:
            a = complex(*self.start)
            return a + fraction * (complex(*self.end) - a)
        return complex(*self.centre) + cmath.rect(self.radius, self.from_rad + fraction * self.sweep)

    def fraction(self, point: complex) -> float:
        """Return how far along the piece a point on (or near) it lies: 0 at the start, 1 at the end, not clipped."""
        a, b = complex(*self.start), complex(*self.end)
        if self.is_line:
            chord = b - a
            return ((point - a) * chord.conjugate()).real / max(abs(chord) ** 2, 1e-300)
        turn = cmath.phase((point - complex(*self.centre)) / (a - complex(*self.centre)))
        along = math.copysign(1.0, self.sweep) * turn
        middle = abs(self.sweep) / 2  # angles are taken within half a turn of the middle of the arc
        return ((along - middle + math.pi) % math.tau - math.pi + middle) / abs(self.sweep)

    def distance(self, point: complex) -> float:
        """Return the distance from a point (x + iy) to the piece, mm."""
        if 0 <= self.fraction(point) <= 1 and self.start != self.end:
            if self.is_line:
                a, chord = complex(*self.start), complex(*self.end) - complex(*self.start)
                return abs(((point - a) * chord.conjugate()).imag) / abs(chord)
            return abs(abs(point - complex(*self.centre)) - self.radius)
        return min(abs(point - complex(*self.start)), abs(point - complex(*self.end)))

    def direction(self, fraction: float) -> complex:
        """Return the unit direction of travel at a fraction of the way, as x + iy."""
        if self.is_line:
            chord = complex(*self.end) - complex(*self.start)
            return chord / abs(chord)
        turn = self.from_rad + fraction * self.sweep + math.copysign(math.pi / 2, self.sweep)
        return cmath.rect(1.0, turn)

    def part(self, start: float, end: float) -> Piece:
        """Return the part between two fractions of the way."""
        a, b = self.at(start), self.at(end)
        first = self.start if start == 0 else (a.real, a.imag)
        last = self.end if end == 1 else (b.real, b.imag)
        return Piece(first, last, self.centre, self.radius, self.sweep * (end - start))

    def box(self) -> tuple[float, float, float, float]:
        """Return xmin, ymin, xmax, ymax in mm, exact for arcs."""
        ends = np.array([self.start, self.end])
        table = piece_table(ends, np.array([self.bulge, 0.0]))
        low, high = piece_boxes(table)
        return float(low[0, 0]), float(low[0, 1]), float(high[0, 0]), float(high[0, 1])


def line_piece(start: complex, end: complex) -> Piece:
    """Return the line between two points x + iy."""
    return Piece((start.real, start.imag), (end.real, end.imag), (math.nan, math.nan), math.inf, 0.0)


def arc_piece(centre: complex, start: complex, sweep: float) -> Piece:
    """Return the arc about `centre` from `start` (both x + iy) through `sweep` rad, + counter-clockwise."""
    end = centre + (start - centre) * cmath.rect(1.0, sweep)
    return Piece(
        (start.real, start.imag),
        (end.real, end.imag),
        (centre.real, centre.imag),
        abs(start - centre),
        sweep,
    )


@dataclass(frozen=True, slots=True, eq=False)
class PieceTable:
    """All pieces of an outline as arrays of n rows: ends and centres (n, 2) mm, radii mm, sweeps rad, arc flags.

    Lines have sweep 0, radius inf and centre nan.
    """

    starts: Points2
    ends: Points2
    bulges: Floats
    centres: Points2
    radii: Floats
    sweeps: Floats
    arcs: np.ndarray[tuple[int], np.dtype[np.bool_]]

    def pieces(self) -> tuple[Piece, ...]:
        """Return the pieces one by one."""
        rows = zip(
            self.starts.tolist(),
            self.ends.tolist(),
            self.centres.tolist(),
            self.radii.tolist(),
            self.sweeps.tolist(),
            strict=True,
        )
        return tuple(Piece((a[0], a[1]), (b[0], b[1]), (c[0], c[1]), r, s) for a, b, c, r, s in rows)


def piece_table(vertices: Points2, bulges: Floats) -> PieceTable:
    """Return the pieces of the closed outline through `vertices` (n, 2) mm with `bulges` (n,).

    Source: closed form; with b the bulge and c the chord, the radius is |c| (1 + b²) / (4 |b|) and the centre lies
    (1 - b²) / (4 b) chord lengths to the left of the chord's middle.
    """
    starts, ends = vertices, np.roll(vertices, -1, axis=0)
    chords = ends - starts
    sizes = np.hypot(chords[:, 0], chords[:, 1])
    arcs = (np.abs(bulges) > STRAIGHT_BULGE) & (sizes > 0)
    b = np.where(arcs, bulges, 1.0)
    left = np.column_stack([-chords[:, 1], chords[:, 0]])
    centres = (starts + ends) / 2 + ((1 - b**2) / (4 * b))[:, None] * left
    return PieceTable(
        starts=starts,
        ends=ends,
        bulges=np.where(arcs, bulges, 0.0),
        centres=np.where(arcs[:, None], centres, np.nan),
        radii=np.where(arcs, sizes * (1 + b**2) / (4 * np.abs(b)), np.inf),
        sweeps=np.where(arcs, 4 * np.arctan(b), 0.0),
        arcs=arcs,
    )


def piece_boxes(table: PieceTable) -> tuple[Points2, Points2]:
    """Return the low and high corners (n, 2) mm of each piece's box, exact for arcs."""
    low, high = np.minimum(table.starts, table.ends), np.maximum(table.starts, table.ends)
    i = np.flatnonzero(table.arcs)
    for axis in np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]]):
        tip = table.centres[i] + table.radii[i, None] * axis
        on = _within_sweep(tip - table.centres[i], table, i)
        low[i] = np.where(on[:, None], np.minimum(low[i], tip), low[i])
        high[i] = np.where(on[:, None], np.maximum(high[i], tip), high[i])
    return low, high


def _within_sweep(offsets: Floats, table: PieceTable, rows: npt.NDArray[np.intp]) -> npt.NDArray[np.bool_]:
    """Say for directions (…, k, 2) from the centres of the k arcs in `rows` whether they point at the arc."""
    first = table.starts[rows] - table.centres[rows]
    cross = first[:, 0] * offsets[..., 1] - first[:, 1] * offsets[..., 0]
    dot = first[:, 0] * offsets[..., 0] + first[:, 1] * offsets[..., 1]
    turn = np.arctan2(cross, dot) * np.sign(table.sweeps[rows])
    return np.mod(turn, 2 * np.pi) <= np.abs(table.sweeps[rows])


def point_distances(points: Points2, table: PieceTable) -> Floats:
    """Return the distance (m,) mm from points (m, 2) to the nearest piece."""
    step = max(1, PAIRS_AT_ONCE // max(1, len(table.radii)))
    chunks = [points[k : k + step] for k in range(0, len(points), step)]
    return np.concatenate([_distances(chunk, table) for chunk in chunks]) if chunks else np.zeros(0)


def _distances(points: Points2, table: PieceTable) -> Floats:
    return piece_distances(points, table).min(axis=1, initial=np.inf)


def piece_distances(points: Points2, table: PieceTable) -> Floats:
    """Return the distance (m, n) mm from each point (m, 2) to each piece; memory grows with m times n."""
    out = np.empty((len(points), len(table.radii)))
    lines, arcs = np.flatnonzero(~table.arcs), np.flatnonzero(table.arcs)
    a, chord = table.starts[lines], table.ends[lines] - table.starts[lines]
    away = points[:, None, :] - a
    square = np.maximum((chord**2).sum(axis=1), 1e-300)
    t = np.clip((away * chord).sum(axis=2) / square, 0, 1)
    gaps = away - t[..., None] * chord
    out[:, lines] = np.hypot(gaps[..., 0], gaps[..., 1])
    away = points[:, None, :] - table.centres[arcs]
    ring = np.abs(np.hypot(away[..., 0], away[..., 1]) - table.radii[arcs])
    to_start, to_end = points[:, None, :] - table.starts[arcs], points[:, None, :] - table.ends[arcs]
    tips = np.minimum(np.hypot(to_start[..., 0], to_start[..., 1]), np.hypot(to_end[..., 0], to_end[..., 1]))
    out[:, arcs] = np.where(_within_sweep(away, table, arcs), ring, tips)
    return out


def winding_numbers(points: Points2, table: PieceTable) -> Floats:
    """Return how often the outline goes round each point (m, 2), + counter-clockwise; exact off the outline.

    The winding number of the chord polygon, corrected by one for every arc whose segment (between chord and arc)
    holds the point. A point on a chord counts as on its +x side (+y for a level chord) in both, so they agree.
    """
    step = max(1, PAIRS_AT_ONCE // max(1, len(table.radii)))
    chunks = [points[k : k + step] for k in range(0, len(points), step)]
    return np.concatenate([_windings(chunk, table) for chunk in chunks]) if chunks else np.zeros(0)


def _windings(points: Points2, table: PieceTable) -> Floats:
    chord = table.ends - table.starts
    away = points[:, None, :] - table.starts
    cross = chord[:, 0] * away[..., 1] - chord[:, 1] * away[..., 0]
    level = (chord[:, 1] < 0) | ((chord[:, 1] == 0) & (chord[:, 0] > 0))
    left = (cross > 0) | ((cross == 0) & level)
    y, y0, y1 = points[:, 1:2], table.starts[:, 1], table.ends[:, 1]
    rising, falling = (y0 <= y) & (y < y1) & left, (y1 <= y) & (y < y0) & ~left
    turns = rising.sum(axis=1) - falling.sum(axis=1)
    i = np.flatnonzero(table.arcs)
    if len(i):
        off = points[:, None, :] - table.centres[i]
        inside = (off**2).sum(axis=2) < table.radii[i] ** 2
        ccw = table.sweeps[i] > 0
        segment = inside & np.where(ccw, ~left[:, i], left[:, i])
        turns = turns + (segment * np.where(ccw, 1, -1)).sum(axis=1)
    return turns.astype(np.float64)
