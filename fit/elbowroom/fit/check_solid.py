"""The plate as the solid it will be: profile of lines and arcs, openings, thickness. Distances to points are exact.

Plate frame: steel between z = 0 and z = thickness. Where the check compares edges with edges, arcs stand as chords
within `CHECK_CHORD_MM`; every other distance is taken to the true arcs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Points2, Points3
from elbowroom.shared.outline import Outline
from elbowroom.shared.outline_pieces import Piece, PieceTable, point_distances, winding_numbers
from elbowroom.shared.scene import Plate

CHECK_CHORD_MM = 0.0003
"""Greatest error, mm, of the chords that stand for arcs: a third of the 0.001 mm promised for gaps."""

BLOCK_CHORDS = 16
"""Chords of an arc set aside together when none of them can be nearest."""


@dataclass(frozen=True, slots=True, eq=False)
class PlateSolid:
    """A plate's boundary in its own frame.

    `table` holds every line and arc, outer counter-clockwise, openings clockwise. `starts`, `ends` (m, 2) are the
    chords; block b is the chords from `firsts[b]` up to `firsts[b + 1]`, within `reaches[b]` of `middles[b]`.
    """

    table: PieceTable
    thickness: float
    starts: Points2
    ends: Points2
    firsts: npt.NDArray[np.intp]
    middles: Points2
    reaches: Floats

    def signed(self, points_plate: Points3) -> Floats:
        """Return the distance (n,) mm from points (n, 3) to the solid, negative inside it."""
        flat = np.ascontiguousarray(points_plate[:, :2])
        side = np.where(winding_numbers(flat, self.table) > 0, -1.0, 1.0) * point_distances(flat, self.table)
        z = points_plate[:, 2]
        above = np.maximum(-z, z - self.thickness)
        outside = np.hypot(np.maximum(side, 0), np.maximum(above, 0))
        return np.where((side < 0) & (above < 0), np.maximum(side, above), outside)

    def nearest(self, point_plate: Floats) -> Floats:
        """Return the point (3,) of the solid's surface nearest to a point (3,)."""
        x, y, z = (float(v) for v in point_plate)
        inside = bool(winding_numbers(np.array([[x, y]]), self.table)[0] > 0)
        rim = self._nearest_rim(complex(x, y))
        level = min(max(z, 0.0), self.thickness)
        cap = 0.0 if z < self.thickness / 2 else self.thickness
        buried = inside and 0 < z < self.thickness
        if inside and (not buried or abs(z - cap) <= abs(rim - complex(x, y))):
            return np.array([x, y, cap])
        return np.array([rim.real, rim.imag, level])

    def _nearest_rim(self, point: complex) -> complex:
        pieces = [p for p in self.table.pieces() if p.start != p.end]
        piece = min(pieces, key=lambda p: p.distance(point))
        return (
            piece.at(min(max(piece.fraction(point), 0.0), 1.0))
            if _faces(piece, point)
            else _nearer_end(piece, point)
        )

    def corner(self) -> Floats:
        """Return one point (3,) of the solid, half way through its thickness."""
        return np.array([*self.starts[0], self.thickness / 2])


def plate_solid(plate: Plate) -> PlateSolid:
    """Return the solid of a plate in the plate frame."""
    outlines = [Outline.of_loop(plate.outer).counter_clockwise()]
    outlines += [Outline.of_loop(hole.loop).counter_clockwise().reversed() for hole in plate.holes]
    rows, blocks = [], [0]
    for piece in (p for outline in outlines for p in outline.pieces() if p.start != p.end):
        corners = _chord_ends(piece)
        rows.append(np.hstack([corners[:-1], corners[1:]]))
        count = len(corners) - 1
        blocks += [blocks[-1] + min(k + BLOCK_CHORDS, count) for k in range(0, count, BLOCK_CHORDS)]
    chords = np.vstack(rows)
    middles, reaches = _balls(chords, blocks)
    return PlateSolid(
        table=_one_table([o.table for o in outlines]),
        thickness=plate.thickness_mm,
        starts=np.ascontiguousarray(chords[:, :2]),
        ends=np.ascontiguousarray(chords[:, 2:]),
        firsts=np.array(blocks, dtype=np.intp),
        middles=middles,
        reaches=reaches,
    )


def _one_table(tables: list[PieceTable]) -> PieceTable:
    return PieceTable(
        starts=np.concatenate([t.starts for t in tables]),
        ends=np.concatenate([t.ends for t in tables]),
        bulges=np.concatenate([t.bulges for t in tables]),
        centres=np.concatenate([t.centres for t in tables]),
        radii=np.concatenate([t.radii for t in tables]),
        sweeps=np.concatenate([t.sweeps for t in tables]),
        arcs=np.concatenate([t.arcs for t in tables]),
    )


def _chord_ends(piece: Piece) -> Points2:
    """Return the points (k + 1, 2) between which k chords follow a piece."""
    if piece.is_line:
        return np.array([piece.start, piece.end])
    half = math.acos(max(1 - CHECK_CHORD_MM / piece.radius, 0.5))
    n = max(1, math.ceil(abs(piece.sweep) / (2 * half)))
    turns = piece.from_rad + piece.sweep * np.arange(n + 1) / n
    points = np.array(piece.centre) + piece.radius * np.column_stack([np.cos(turns), np.sin(turns)])
    points[0], points[-1] = piece.start, piece.end
    return points


def _balls(chords: Floats, blocks: list[int]) -> tuple[Points2, Floats]:
    """Return middles (b, 2) and radii (b,) of discs that hold each block's chords."""
    middles, reaches = [], []
    for first, last in pairwise(blocks):
        ends = chords[first:last].reshape(-1, 2)
        middle = (ends.min(axis=0) + ends.max(axis=0)) / 2
        middles.append(middle)
        reaches.append(np.sqrt(((ends - middle) ** 2).sum(axis=1)).max())
    return np.array(middles), np.array(reaches)


def _faces(piece: Piece, point: complex) -> bool:
    """Whether the nearest point of the piece's carrier lies on the piece."""
    return 0 <= piece.fraction(point) <= 1 and (piece.is_line or point != complex(*piece.centre))


def _nearer_end(piece: Piece, point: complex) -> complex:
    ends = (complex(*piece.start), complex(*piece.end))
    return min(ends, key=lambda end: abs(end - point))
