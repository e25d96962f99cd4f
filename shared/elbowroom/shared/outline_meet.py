"""Where lines and arcs meet. Points are complex numbers x + iy in millimetres."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from elbowroom.shared.outline_pieces import Piece, PieceTable, piece_boxes
from elbowroom.shared.tolerances import COINCIDENT_MM


def meeting_points(one: Piece, other: Piece) -> list[complex]:
    """Return the points common to two pieces, to COINCIDENT_MM; of an overlap, its two ends."""
    tips = [complex(*p) for p in (one.start, one.end, other.start, other.end)]
    found: list[complex] = []
    for point in tips + _carrier_points(one, other):
        if any(abs(point - p) < COINCIDENT_MM for p in found):
            continue
        if one.distance(point) <= COINCIDENT_MM and other.distance(point) <= COINCIDENT_MM:
            found.append(point)
    return found


def close_pairs(table: PieceTable) -> Iterator[tuple[int, int]]:
    """Yield index pairs i < j of pieces whose boxes come within COINCIDENT_MM."""
    low, high = piece_boxes(table)
    for i in range(len(low) - 1):
        apart = ((low[i] > high[i + 1 :] + COINCIDENT_MM) | (high[i] < low[i + 1 :] - COINCIDENT_MM)).any(
            axis=1
        )
        for j in np.flatnonzero(~apart):
            yield i, i + 1 + int(j)


def table_of(pieces: Sequence[Piece]) -> PieceTable:
    """Return pieces, chained or not, as a table."""
    sweeps = np.array([p.sweep for p in pieces], dtype=np.float64)
    return PieceTable(
        starts=np.array([p.start for p in pieces], dtype=np.float64).reshape(-1, 2),
        ends=np.array([p.end for p in pieces], dtype=np.float64).reshape(-1, 2),
        bulges=np.tan(sweeps / 4),
        centres=np.array([p.centre for p in pieces], dtype=np.float64).reshape(-1, 2),
        radii=np.array([p.radius for p in pieces], dtype=np.float64),
        sweeps=sweeps,
        arcs=sweeps != 0,
    )


def _carrier_points(one: Piece, other: Piece) -> list[complex]:
    """Return where the whole lines or circles that carry the pieces meet."""
    if one.start == one.end or other.start == other.end:
        return []
    if one.is_line and other.is_line:
        return _line_line(one, other)
    if one.is_line:
        return _line_circle(one, other)
    return _line_circle(other, one) if other.is_line else _circle_circle(one, other)


def _line_line(one: Piece, other: Piece) -> list[complex]:
    a, u = complex(*one.start), complex(*one.end) - complex(*one.start)
    b, v = complex(*other.start), complex(*other.end) - complex(*other.start)
    cross = (u.conjugate() * v).imag
    if abs(cross) <= 1e-14 * abs(u) * abs(v):  # parallel: an overlap shows by its ends
        return []
    return [a + u * (((b - a).conjugate() * v).imag / cross)]


def _line_circle(line: Piece, arc: Piece) -> list[complex]:
    a, u = complex(*line.start), complex(*line.end) - complex(*line.start)
    u /= abs(u)
    centre = complex(*arc.centre)
    foot = a + u * ((centre - a) * u.conjugate()).real
    off = abs(foot - centre)
    if off >= arc.radius:
        return [foot] if off - arc.radius <= COINCIDENT_MM else []
    half = math.sqrt((arc.radius - off) * (arc.radius + off))
    return [foot - half * u, foot + half * u]


def _circle_circle(one: Piece, other: Piece) -> list[complex]:
    c, d = complex(*one.centre), complex(*other.centre) - complex(*one.centre)
    gap, r, s = abs(d), one.radius, other.radius
    if gap <= COINCIDENT_MM or gap > r + s + COINCIDENT_MM or gap < abs(r - s) - COINCIDENT_MM:
        return []  # apart, one in the other, or the same circle, where an overlap shows by its ends
    along = (gap + (r - s) * (r + s) / gap) / 2
    half = math.sqrt(max(0.0, (r - along) * (r + along)))
    foot = c + d / gap * along
    return [foot] if half == 0 else [foot - 1j * half * d / gap, foot + 1j * half * d / gap]
