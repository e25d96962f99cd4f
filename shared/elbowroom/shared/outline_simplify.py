"""Join pieces of an outline that continue one another: lines in line, arcs of one circle."""

from __future__ import annotations

import math
from collections.abc import Sequence

from elbowroom.shared.outline_pieces import Piece, arc_piece
from elbowroom.shared.tolerances import COINCIDENT_MM

WIDEST_ARC_RAD = 1.75 * math.pi
"""Joined arcs stay below this sweep: near a full turn the ends alone hardly say where the circle lies."""


def joined_pieces(pieces: Sequence[Piece], tolerance: float) -> list[Piece]:
    """Return the closed chain with pieces joined where no point moves more than `tolerance` mm."""
    chain = _without_specks(pieces)
    first = next(
        (
            i
            for i in range(len(chain))
            if _joined(chain[i - 1 : i] or chain[-1:], chain[i], tolerance) is None
        ),
        None,
    )
    if first is None:
        return _whole_circle(chain)
    chain = chain[first:] + chain[:first]
    out: list[Piece] = []
    run: list[Piece] = []
    for piece in chain:
        whole = _joined(run, piece, tolerance) if run else piece
        if whole is None:
            out.append(_run_piece(run))
            run = [piece]
        else:
            run.append(piece)
    out.append(_run_piece(run))
    circle = all(not p.is_line and _same_circle(out[0], p, tolerance) for p in out)
    return _whole_circle(out) if circle else out


def _without_specks(pieces: Sequence[Piece]) -> list[Piece]:
    """Drop pieces shorter than COINCIDENT_MM, the next piece starting where they started."""
    kept: list[Piece] = [p for p in pieces if p.length > COINCIDENT_MM]
    return [
        Piece(p.start, q.start, p.centre, p.radius, p.sweep)
        for p, q in zip(kept, [*kept[1:], *kept[:1]], strict=True)
    ]


def _run_piece(run: Sequence[Piece]) -> Piece:
    if len(run) == 1:
        return run[0]
    return Piece(run[0].start, run[-1].end, run[0].centre, run[0].radius, sum(p.sweep for p in run))


def _joined(run: Sequence[Piece], piece: Piece, tolerance: float) -> Piece | None:
    """Return the run and the piece as one, or None when that would move a point too far."""
    first, whole = run[0], _run_piece([*run, piece])
    if first.is_line != piece.is_line:
        return None
    if first.is_line:
        inner = [complex(*p.end) for p in run]
        a, b = complex(*whole.start), complex(*whole.end)
        ahead = (
            (complex(*piece.end) - complex(*piece.start))
            * (complex(*first.end) - complex(*first.start)).conjugate()
        ).real > 0
        return whole if ahead and a != b and all(whole.distance(p) <= tolerance for p in inner) else None
    same = _same_circle(first, piece, tolerance)
    return whole if same and abs(whole.sweep) < WIDEST_ARC_RAD else None


def _same_circle(one: Piece, other: Piece, tolerance: float) -> bool:
    if one.is_line or other.is_line or one.sweep * other.sweep < 0:
        return False
    shift = math.dist(one.centre, other.centre) + abs(one.radius - other.radius)
    if shift <= tolerance:
        return True
    # Short arcs know their own centre badly: ask whether the other's points lie on this one's circle.
    points = [other.at(f) for f in (0.0, 0.25, 0.5, 0.75, 1.0)]
    return all(abs(abs(p - complex(*one.centre)) - one.radius) <= tolerance for p in points)


def _whole_circle(pieces: Sequence[Piece]) -> list[Piece]:
    total = sum(p.sweep for p in pieces)
    if any(p.is_line for p in pieces) or abs(abs(total) - math.tau) > 1e-6:
        return list(pieces)
    centre, start = complex(*pieces[0].centre), complex(*pieces[0].start)
    half = math.copysign(math.pi, total)
    one = arc_piece(centre, start, half)
    return [one, arc_piece(centre, complex(*one.end), half)]
