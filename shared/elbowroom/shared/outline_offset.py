"""Offset of a closed outline of lines and arcs, with round joins: the curve at one distance from the region.

Every piece is moved sideways, convex corners get an arc, all are split where they meet, what lies nearer to the
original than the distance is dropped, and the rest is chained. Degenerate distances (a slot exactly as wide as
twice the offset) are tried again a hair larger or smaller.
"""

from __future__ import annotations

import cmath
import math
from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import SolveError
from elbowroom.shared.outline_meet import close_pairs, meeting_points, table_of
from elbowroom.shared.outline_pieces import Piece, PieceTable, arc_piece, line_piece, point_distances
from elbowroom.shared.tolerances import COINCIDENT_MM

SNAP_MM = 10 * COINCIDENT_MM
"""Ends of offset pieces nearer than this are one node: meeting points of near-tangent arcs are this uncertain."""

NEARER_MM = 1e-8
"""A piece this much nearer than the offset distance is cut off: ten times the rounding of a metre-size outline."""

NUDGES_MM = (0.0, 2e-6, -2e-6, 7e-6, -7e-6, 3e-5, -3e-5)
"""Changes of the distance tried in turn when pieces touch exactly; all far under what any machine can make."""

TAIL_MM = 0.01
"""Loose ends up to this length are rounding at near-tangent joints; longer ones mean the chain is wrong."""


def offset_loops(table: PieceTable, distance_mm: float) -> list[list[Piece]]:
    """Return the closed chains at `distance_mm` to the right (outside) of a counter-clockwise outline.

    Raises
    ------
    SolveError
        When the pieces can't be chained at any of NUDGES_MM.
    """
    pieces = [p for p in table.pieces() if p.length > COINCIDENT_MM]
    for nudge in NUDGES_MM:
        distance = distance_mm + nudge
        kept = _far_enough(_split(_moved(pieces, distance)), table, abs(distance))
        loops = _chain(kept)
        if loops is not None:
            return loops
    raise SolveError(
        "the offset outline could not be chained",
        where="outline",
        value=distance_mm,
        todo="simplify the outline",
    )


def _moved(pieces: Sequence[Piece], distance: float) -> list[Piece]:
    """Return the pieces moved right by `distance` with the arcs that join them round convex corners."""
    out: list[Piece] = []
    for piece, following in zip(pieces, [*pieces[1:], pieces[0]], strict=True):
        out += _moved_piece(piece, distance) + _joins(piece, following, distance)
    return out


def _moved_piece(piece: Piece, distance: float) -> list[Piece]:
    start = complex(*piece.start)
    shifted = start - 1j * piece.direction(0) * distance
    if piece.is_line:
        return [line_piece(shifted, complex(*piece.end) - 1j * piece.direction(1) * distance)]
    radius = piece.radius + math.copysign(distance, distance * piece.sweep)
    if radius <= SNAP_MM:  # turned inside out: all of it would be nearer than the distance
        return []
    return [arc_piece(complex(*piece.centre), shifted, piece.sweep)]


def _joins(piece: Piece, following: Piece, distance: float) -> list[Piece]:
    """Return the arc round the corner between two pieces; none on the hollow side."""
    incoming, outgoing = piece.direction(1), following.direction(0)
    turn = cmath.phase(outgoing / incoming)
    if abs(turn) * abs(distance) < COINCIDENT_MM:
        return []
    corner = complex(*piece.end)
    start = corner - 1j * incoming * distance
    if abs(turn) > math.pi - 1e-6:  # a cusp: either way round may be right, the distance test decides
        return [
            arc_piece(corner, start, turn),
            arc_piece(corner, start, turn - math.copysign(math.tau, turn)),
        ]
    return [arc_piece(corner, start, turn)] if turn * distance > 0 else []


def _split(pieces: Sequence[Piece]) -> list[Piece]:
    """Cut all pieces where they meet one another."""
    cuts: dict[int, list[complex]] = defaultdict(list)
    for i, j in close_pairs(table_of(pieces)):
        points = meeting_points(pieces[i], pieces[j])
        cuts[i] += points
        cuts[j] += points
    out: list[Piece] = []
    for i, piece in enumerate(pieces):
        out += _cut(piece, cuts[i])
    return out


def _cut(piece: Piece, points: Sequence[complex]) -> list[Piece]:
    least = COINCIDENT_MM / max(piece.length, COINCIDENT_MM)
    stops: list[tuple[float, complex]] = [(0.0, complex(*piece.start))]
    for fraction, point in sorted(((piece.fraction(p), p) for p in points), key=lambda s: s[0]):
        if fraction > stops[-1][0] + least and fraction < 1 - least:
            stops.append((fraction, point))
    stops.append((1.0, complex(*piece.end)))
    return [
        Piece((p.real, p.imag), (q.real, q.imag), piece.centre, piece.radius, piece.sweep * (g - f))
        for (f, p), (g, q) in pairwise(stops)
    ]


def _far_enough(pieces: Sequence[Piece], table: PieceTable, distance: float) -> list[Piece]:
    if not pieces:
        return []
    middles = np.array([piece.at(0.5) for piece in pieces])
    gaps = point_distances(np.column_stack([middles.real, middles.imag]), table)
    return [p for p, gap in zip(pieces, gaps, strict=True) if gap >= distance - NEARER_MM]


def _chain(pieces: Sequence[Piece]) -> list[list[Piece]] | None:
    """Return the closed chains, or None when a long loose end shows that something is wrong."""
    if not pieces:
        return []
    starts, ends, places = _nodes(pieces)
    links: dict[int, tuple[int, int, Piece]] = {}
    for i, piece in enumerate(pieces):
        if starts[i] != ends[i] or piece.length > 10 * SNAP_MM:
            links[i] = (starts[i], ends[i], _snapped(piece, places[starts[i]], places[ends[i]]))
    _drop_doubles(links)
    if not _drop_tails(links):
        return None
    return _walk(links)


def _nodes(pieces: Sequence[Piece]) -> tuple[list[int], list[int], Floats]:
    """Return each piece's start and end node, and the places (k,) x + iy of the nodes."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    tips = np.array([p.start for p in pieces] + [p.end for p in pieces])
    pairs = cKDTree(tips).query_pairs(SNAP_MM, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(tips), len(tips)))
    count, labels = connected_components(graph, directed=False)
    places = np.zeros(count, dtype=np.complex128)
    np.add.at(places, labels, tips[:, 0] + 1j * tips[:, 1])
    places /= np.bincount(labels, minlength=count)
    n = len(pieces)
    return labels[:n].tolist(), labels[n:].tolist(), places


def _snapped(piece: Piece, start: complex, end: complex) -> Piece:
    return Piece((start.real, start.imag), (end.real, end.imag), piece.centre, piece.radius, piece.sweep)


def _drop_doubles(links: dict[int, tuple[int, int, Piece]]) -> None:
    """Drop a piece that lies on another: one of two alike, both of two that run opposite ways (no width between)."""
    seen: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i in list(links):
        start, end, piece = links[i]
        middle = piece.at(0.5)
        for j in seen[(start, end)] + seen[(end, start)]:
            if j in links and abs(links[j][2].at(0.5) - middle) < SNAP_MM:
                if links[j][0] != start:
                    del links[j]
                del links[i]
                break
        else:
            seen[(start, end)].append(i)


def _drop_tails(links: dict[int, tuple[int, int, Piece]]) -> bool:
    """Drop pieces that lead nowhere; say whether all of them were short enough to be rounding."""
    while True:
        starts, ends = {k[0] for k in links.values()}, {k[1] for k in links.values()}
        loose = [i for i, (a, b, _) in links.items() if a not in ends or b not in starts]
        if not loose:
            return True
        if any(links[i][2].length > TAIL_MM for i in loose):
            return False
        for i in loose:
            del links[i]


def _walk(links: dict[int, tuple[int, int, Piece]]) -> list[list[Piece]] | None:
    """Follow the links into loops, at a node taking the sharpest left turn, so that touching loops stay apart."""
    leaving: dict[int, list[int]] = defaultdict(list)
    for i, (start, _, _) in links.items():
        leaving[start].append(i)
    loops: list[list[Piece]] = []
    while links:
        current = next(iter(links))
        first, chain = links[current][0], []
        while True:
            _, node, piece = links.pop(current)
            chain.append(piece)
            if node == first:
                break
            heading = piece.direction(1)
            open_links = [i for i in leaving[node] if i in links]
            if not open_links:
                return None
            current = max(open_links, key=lambda i: cmath.phase(links[i][2].direction(0) / heading))
        loops.append(chain)
    return loops
