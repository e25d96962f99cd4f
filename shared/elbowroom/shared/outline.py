"""Closed outlines of true lines and arcs: exact lengths, areas, distances and offsets, chords only when asked for.

Millimetres in the plane the outline lies in. DXF sense: the bulge of a piece is the tangent of a quarter of its
sweep, positive counter-clockwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from elbowroom.shared.arrays import Floats, Points2, check_points, check_positive
from elbowroom.shared.errors import InputError
from elbowroom.shared.outline_meet import close_pairs, meeting_points
from elbowroom.shared.outline_offset import offset_loops
from elbowroom.shared.outline_pieces import (
    Piece,
    PieceTable,
    piece_boxes,
    piece_table,
    point_distances,
    winding_numbers,
)
from elbowroom.shared.outline_simplify import joined_pieces
from elbowroom.shared.scene import Loop, Vec2
from elbowroom.shared.tolerances import CHORD_MM, COINCIDENT_MM, ROTATION_TOLERANCE

TOUCH_MM = 1e-5
"""Neighbouring pieces may meet this near their common end: tangent pieces share a stretch, to COINCIDENT_MM."""

__all__ = ["Outline", "Piece"]


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed outline: piece i runs from vertex i to vertex i + 1 as a line (bulge 0) or an arc.

    Parameters
    ----------
    vertices : Points2
        (n, 2) mm.
    bulges : Floats
        (n,) tangent of a quarter of the sweep, + counter-clockwise.

    Raises
    ------
    InputError
        For fewer than two vertices, a number that is not finite, or an outline that encloses nothing.
    """

    vertices: Points2
    bulges: Floats

    def __post_init__(self) -> None:
        vertices = np.array(check_points(self.vertices, 2, where="outline"))
        bulges = np.array(self.bulges, dtype=np.float64)
        if len(vertices) < 2:
            raise InputError("an outline needs two or more vertices", where="outline", value=len(vertices))
        if bulges.shape != (len(vertices),):
            raise InputError(
                "an outline has as many bulges as vertices",
                where="outline",
                value=bulges.shape,
                limit=len(vertices),
            )
        if not np.isfinite(bulges).all():
            raise InputError("a bulge is not a finite number", where="outline")
        vertices.flags.writeable = bulges.flags.writeable = False
        object.__setattr__(self, "vertices", vertices)
        object.__setattr__(self, "bulges", bulges)
        if abs(self.area()) <= COINCIDENT_MM * self.length():
            raise InputError("the outline encloses no area", where="outline", value=self.area())

    @classmethod
    def of_loop(cls, loop: Loop) -> Outline:
        """Return the outline a scene's loop describes."""
        return cls(np.array(loop.vertices_mm), np.array(loop.bulges))

    @classmethod
    def polygon(cls, points: Points2 | Sequence[Vec2]) -> Outline:
        """Return the outline of straight lines through points (n, 2) mm; a repeated last point is dropped."""
        corners = check_points(points, 2, where="polygon")
        if len(corners) > 1 and np.array_equal(corners[0], corners[-1]):
            corners = corners[:-1]
        return cls(corners, np.zeros(len(corners)))

    @classmethod
    def circle(cls, centre: Vec2 | Floats, radius: float) -> Outline:
        """Return a circle of two half circles, counter-clockwise, starting at +x of the centre."""
        check_positive(radius, where="circle radius")
        x, y = float(centre[0]), float(centre[1])
        return cls(np.array([[x + radius, y], [x - radius, y]]), np.ones(2))

    @classmethod
    def of_pieces(cls, pieces: Iterable[Piece]) -> Outline:
        """Return the outline of chained pieces; each one's end is taken to be the next one's start."""
        chain = list(pieces)
        return cls(np.array([p.start for p in chain]), np.array([p.bulge for p in chain]))

    def loop(self) -> Loop:
        """Return the outline as a scene's loop."""
        return Loop(
            vertices_mm=tuple((float(x), float(y)) for x, y in self.vertices),
            bulges=tuple(float(b) for b in self.bulges),
        )

    @cached_property
    def table(self) -> PieceTable:
        """All pieces as arrays."""
        return piece_table(self.vertices, self.bulges)

    def pieces(self) -> tuple[Piece, ...]:
        """Return the pieces with their ends, centres, radii and sweeps."""
        return self.table.pieces()

    def area(self) -> float:
        """Return the area in mm², positive when counter-clockwise.

        Source: shoelace formula plus the circular segments between chords and arcs.
        """
        a, b = self.vertices - self.vertices[0], np.roll(self.vertices, -1, axis=0) - self.vertices[0]
        return float(0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum() + _segment_areas(self.table).sum())

    def length(self) -> float:
        """Return the length all round in mm."""
        t = self.table
        chords = np.hypot(*(t.ends - t.starts).T)
        return float(np.where(t.arcs, np.where(t.arcs, t.radii, 0) * np.abs(t.sweeps), chords).sum())

    def bounds(self) -> tuple[float, float, float, float]:
        """Return xmin, ymin, xmax, ymax in mm, exact for arcs."""
        low, high = piece_boxes(self.table)
        (x0, y0), (x1, y1) = low.min(axis=0), high.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    def centroid(self) -> Vec2:
        """Return the centroid of the enclosed area, mm.

        Source: first moments of the chord polygon and of circular segments, closed form.
        """
        origin, t = self.vertices.mean(axis=0), self.table
        a, b = t.starts - origin, t.ends - origin
        cross = 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        areas = _segment_areas(t)
        moment = (cross[:, None] * (a + b) / 3).sum(axis=0)
        moment += (areas[:, None] * (_segment_centroids(t) - origin)).sum(axis=0)
        x, y = origin + moment / (cross.sum() + areas.sum())
        return float(x), float(y)

    def reversed(self) -> Outline:
        """Return the same outline run the other way, from the same first vertex."""
        return Outline(np.roll(self.vertices[::-1], 1, axis=0), -self.bulges[::-1])

    def counter_clockwise(self) -> Outline:
        """Return the outline run counter-clockwise."""
        return self if self.area() > 0 else self.reversed()

    def moved(self, rotation: Floats, shift: Floats | Vec2) -> Outline:
        """Return the outline turned by `rotation` (2, 2), then shifted (2,) mm; a reflection runs the other way.

        Raises
        ------
        InputError
            When `rotation` is neither a rotation nor a reflection.
        """
        turn = np.asarray(rotation, dtype=np.float64)
        if turn.shape != (2, 2) or not np.abs(turn @ turn.T - np.eye(2)).max() <= ROTATION_TOLERANCE:
            raise InputError("expected a 2 x 2 rotation", where="outline", value=turn.tolist())
        sense = 1.0 if np.linalg.det(turn) > 0 else -1.0
        return Outline(self.vertices @ turn.T + np.asarray(shift, dtype=np.float64), sense * self.bulges)

    def scaled(self, factor: float) -> Outline:
        """Return the outline scaled about the origin by a factor above zero."""
        check_positive(factor, where="scale factor")
        return Outline(self.vertices * factor, self.bulges)

    def flatten(self, chord_mm: float = CHORD_MM) -> Points2:
        """Return the corners (k, 2) mm of a polygon with its vertices on the outline, within `chord_mm` of it."""
        check_positive(chord_mm, where="chord_mm")
        return np.vstack([_chords(piece, chord_mm) for piece in self.pieces()])

    def flatten_outside(self, chord_mm: float = CHORD_MM) -> Points2:
        """Return the corners (k, 2) mm of a polygon that contains the region, nowhere further out than `chord_mm`.

        Arcs that swell outward become tangents, hollow arcs chords; counter-clockwise.
        """
        check_positive(chord_mm, where="chord_mm")
        rows = [
            _tangents(piece, chord_mm) if piece.sweep > 0 else _chords(piece, chord_mm)
            for piece in self.counter_clockwise().pieces()
        ]
        return np.vstack(rows)

    def contains(self, points: Points2) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Say for points (m, 2) mm whether each lies inside; on the outline itself either answer may come."""
        return winding_numbers(check_points(points, 2, where="points"), self.table) != 0

    def distance(self, points: Points2) -> Floats:
        """Return the distance (m,) mm from points (m, 2) mm to the outline, inside or out."""
        return point_distances(check_points(points, 2, where="points"), self.table)

    def signed_distance(self, points: Points2) -> Floats:
        """Return the distance (m,) mm from points (m, 2) mm to the outline, negative inside."""
        return np.where(self.contains(points), -1.0, 1.0) * self.distance(points)

    def distance_to(self, other: Outline) -> float:
        """Return the least distance between two outlines in mm, 0 where they meet.

        It is found at vertices, at feet of arc centres on lines, or on the line through two arc centres.
        """
        for piece in self.pieces():
            near = _reaching(piece, other)
            if any(meeting_points(piece, q) for q in near):
                return 0.0
        ways = ((self, other), (other, self))
        return min(float(b.distance(_near_points(a, b)).min()) for a, b in ways)

    def offset(self, distance_mm: float) -> tuple[Outline, ...]:
        """Return the outlines at `distance_mm` from the region, outward positive, with round joins.

        Counter-clockwise ones enclose the result, clockwise ones are holes left in it (a closed-up bay). Empty when
        an inward offset leaves nothing. Where pieces of the result touch, the distance may be off by 0.00003 mm.

        Raises
        ------
        InputError
            When the distance is not finite.
        SolveError
            When the result can't be chained; expected only of outlines that cross themselves.
        """
        if not math.isfinite(distance_mm):
            raise InputError("an offset must be a finite number", where="outline", value=distance_mm)
        ccw = self.counter_clockwise()
        if abs(distance_mm) <= COINCIDENT_MM:
            return (ccw,)
        least = COINCIDENT_MM * self.length()
        loops = [loop for loop in offset_loops(ccw.table, distance_mm) if len(loop) > 1]
        found = [(np.array([p.start for p in loop]), np.array([p.bulge for p in loop])) for loop in loops]
        tables = [piece_table(v, b) for v, b in found]
        big = [f for f, t in zip(found, tables, strict=True) if abs(_area(t)) > max(least, COINCIDENT_MM)]
        return tuple(Outline(v, b).simplified() for v, b in big)

    def self_crossings(self) -> list[Vec2]:
        """Return the points where the outline crosses or touches itself."""
        pieces, n, out = self.pieces(), len(self.vertices), []
        for i, j in close_pairs(self.table):
            shared = [complex(*self.vertices[j])] if j == i + 1 else []
            shared += [complex(*self.vertices[0])] if (j + 1) % n == i else []
            for point in meeting_points(pieces[i], pieces[j]):
                if all(abs(point - corner) > TOUCH_MM for corner in shared):
                    out.append((point.real, point.imag))
        return out

    def check_simple(self) -> Outline:
        """Return the outline itself.

        Raises
        ------
        InputError
            When it crosses or touches itself.
        """
        crossings = self.self_crossings()
        if crossings:
            x, y = crossings[0]
            raise InputError(
                "the outline crosses or touches itself",
                where=f"outline at ({x:.3f}, {y:.3f}) mm",
                value=len(crossings),
                todo="redraw it there",
            )
        return self

    def simplified(self, tolerance: float = COINCIDENT_MM) -> Outline:
        """Return the outline with in-line lines and arcs of one circle joined, moving nothing over `tolerance` mm.

        Pieces shorter than COINCIDENT_MM are dropped. Joined arcs stay below 315 degrees, except that a whole
        circle becomes two half circles.
        """
        return Outline.of_pieces(joined_pieces(self.pieces(), tolerance))


def _area(t: PieceTable) -> float:
    a, b = t.starts - t.starts[0], t.ends - t.starts[0]
    return float(0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum() + _segment_areas(t).sum())


def _segment_areas(t: PieceTable) -> Floats:
    """Return the signed area (n,) between each piece and its chord; the series avoids cancellation in flat arcs."""
    square = ((t.ends - t.starts) ** 2).sum(axis=1)
    flat = np.abs(t.sweeps) < 1e-2
    wide = np.where(flat, 1.0, t.sweeps)
    exact = (wide - np.sin(wide)) / (8 * np.sin(wide / 2) ** 2)
    series = t.sweeps / 12 * (1 + t.sweeps**2 / 30 + t.sweeps**4 / 840)
    return square * np.where(flat, series, exact)


def _segment_centroids(t: PieceTable) -> Points2:
    """Return the centroid (n, 2) of the segment between each piece and its chord; of a line, its middle."""
    chord, middle = t.ends - t.starts, (t.starts + t.ends) / 2
    right = np.column_stack(
        [chord[:, 1], -chord[:, 0]]
    )  # the side a counter-clockwise arc swells to, chord long
    flat = np.abs(t.sweeps) < 1e-2
    wide = np.where(flat, 1.0, t.sweeps)
    half = np.sin(wide / 2)
    from_centre = (
        2 * half**2 / (3 * (wide - np.sin(wide)))
    )  # 4 r sin³ / (3 (θ - sin θ)), in chords of 2 r sin
    exact = from_centre - 1 / (2 * np.tan(wide / 2))
    return middle + np.where(flat, 0.2 * t.bulges, exact)[:, None] * right


def _chords(piece: Piece, chord_mm: float) -> Points2:
    """Return points along a piece, its end left out."""
    if piece.is_line:
        return np.array([piece.start])
    turns = piece.from_rad + piece.sweep * np.arange(_steps(piece, chord_mm)) / _steps(piece, chord_mm)
    points = np.array(piece.centre) + piece.radius * np.column_stack([np.cos(turns), np.sin(turns)])
    points[0] = piece.start
    return points


def _tangents(piece: Piece, chord_mm: float) -> Points2:
    """Return the corners of the tangent polygon of an arc, from its start, its end left out."""
    n = _steps(piece, chord_mm, outside=True)
    turns = piece.from_rad + piece.sweep * (np.arange(n) + 0.5) / n
    radius = piece.radius / math.cos(piece.sweep / n / 2)
    points = np.array(piece.centre) + radius * np.column_stack([np.cos(turns), np.sin(turns)])
    return np.vstack([np.array([piece.start]), points])


def _steps(piece: Piece, chord_mm: float, *, outside: bool = False) -> int:
    """Return how many chords (or tangents) keep within `chord_mm` of an arc, none over a third of a turn."""
    r = piece.radius
    cosine = r / (r + chord_mm) if outside else 1 - chord_mm / r
    half = math.acos(max(cosine, 0.5))
    return max(1, math.ceil(abs(piece.sweep) / (2 * half) * (1 - 1e-12)))


def _reaching(piece: Piece, other: Outline) -> list[Piece]:
    """Return the pieces of `other` whose boxes come within COINCIDENT_MM of the piece's box."""
    x0, y0, x1, y1 = piece.box()
    low, high = piece_boxes(other.table)
    near = (low <= np.array([x1, y1]) + COINCIDENT_MM) & (high >= np.array([x0, y0]) - COINCIDENT_MM)
    pieces = other.pieces()
    return [pieces[int(i)] for i in np.flatnonzero(near.all(axis=1))]


def _near_points(one: Outline, other: Outline) -> Points2:
    """Return the points of `one` that can be nearest to `other` (those of `other` apart)."""
    t, rows = one.table, [one.vertices]
    centres = other.table.centres[other.table.arcs]
    if not len(centres):
        return one.vertices
    a, chord = t.starts[~t.arcs], (t.ends - t.starts)[~t.arcs]
    share = ((centres[:, None] - a) * chord).sum(axis=2) / np.maximum((chord**2).sum(axis=1), 1e-300)
    rows.append((a + np.clip(share, 0, 1)[..., None] * chord).reshape(-1, 2))
    for piece in (p for p in one.pieces() if not p.is_line):
        away = centres - np.array(piece.centre)
        size = np.hypot(away[:, 0], away[:, 1])[:, None]
        unit = away / np.where(size > 0, size, 1.0)
        tips = np.array(piece.centre) + piece.radius * np.vstack([unit, -unit])
        on = [piece.distance(complex(x, y)) <= COINCIDENT_MM for x, y in tips]
        rows.append(tips[on])
    return np.vstack(rows)
