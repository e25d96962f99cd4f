"""Triangles over a flat region bounded by lines and arcs: Delaunay refinement with every boundary edge kept.

Edges whose diametral circle holds another corner are split on the true line or arc; triangles too large or too thin get
a corner at their circumcentre, or, where that would crowd a boundary edge, that edge is split instead. A whole batch of
far-apart corners goes in between two triangulations, so a plate takes some thirty of them.

Source: J. Ruppert, A Delaunay refinement algorithm for quality 2-dimensional mesh generation, J. Algorithms 18 (1995);
L. P. Chew, Guaranteed-quality triangular meshes (1989), for the grading by size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import Delaunay, cKDTree
from shapely.geometry import Polygon

from elbowroom.shared.arrays import Faces, Floats, Points2, check_positive
from elbowroom.shared.errors import InputError, SolveError
from elbowroom.shared.outline import Piece

Rows = npt.NDArray[np.intp]

MOST_ROUNDS = 400
"""Triangulations at most; plates take 20 to 60."""

THIN = 1.35
"""Circumradius over shortest edge from which a triangle is too thin: angles stay above 21 degrees (Ruppert: 20.7)."""

LARGE = 0.62
"""Circumradius over the size asked for from which a triangle is too large; an equilateral one has 0.577."""

ARC_STEP_RAD = np.pi / 6
"""Longest boundary edge on an arc, as an angle: the quadratic edge through its middle is then within 2e-4 radii."""

LEAST_SHARE = 1e-3
"""Edges shorter than this share of the size are not split: a corner sharper than 60 degrees would be split for ever."""

FLAT = 1e-9
"""Doubled area over squared longest edge of what is no triangle: three corners on one straight edge, and rounding."""


@dataclass(frozen=True, eq=False)
class TriangleMesh:
    """Triangles: corners (n, 2) mm and their indices (m, 3), counter-clockwise."""

    nodes: Points2
    triangles: Faces


@dataclass(frozen=True, eq=False)
class _Edges:
    """Boundary edges: indices of both ends (k, 2), the piece each lies on, and its two fractions along it (k, 2)."""

    ends: Rows
    piece: Rows
    spans: Floats


def mesh_region(loops: Sequence[Sequence[Piece]], size_mm: float) -> TriangleMesh:
    """Return triangles no larger than `size_mm` over the region inside the first loop and outside the others.

    Parameters
    ----------
    loops : Sequence[Sequence[Piece]]
        Closed chains of lines and arcs, the outer one first. Ends of pieces become corners.
    size_mm : float
        Longest edge, mm, about.

    Raises
    ------
    InputError
        When there is no outer loop.
    SolveError
        When the triangles do not come out in 400 rounds; `partial` is the mesh so far.
    """
    check_positive(size_mm, where="mesh size")
    if not loops or not loops[0]:
        raise InputError("no outline to mesh", where="mesh")
    pieces = [p for loop in loops for p in loop]
    points, edges = _boundary(loops, size_mm)
    for _ in range(MOST_ROUNDS):
        crowded = _crowded(points, edges, size_mm)
        if crowded.any():
            points, edges = _split(points, edges, crowded, pieces)
            continue
        mesh = _inside(points, edges, loops)
        fresh, crowded = _mend(mesh, edges, size_mm)
        if not len(fresh) and not crowded.any():
            return mesh
        points = np.vstack([points, fresh])
        points, edges = _split(points, edges, crowded, pieces)
    raise SolveError(
        "the mesh did not come out", where="mesh", value=f"{len(points)} corners", limit=f"{MOST_ROUNDS} rounds",
        todo="look for slivers of steel or doubled edges in the profile", partial=_inside(points, edges, loops),
    )  # fmt: skip


def _boundary(loops: Sequence[Sequence[Piece]], size: float) -> tuple[Points2, _Edges]:
    """Return the first corners, all on the boundary, and the edges between them."""
    points: list[complex] = []
    ends, of, spans = [], [], []
    number = 0
    for loop in loops:
        first = len(points)
        for piece in loop:
            count = max(
                int(np.ceil(piece.length / size)), int(np.ceil(abs(piece.sweep) / ARC_STEP_RAD - 1e-9)), 1
            )
            for k in range(count):
                ends.append((len(points), len(points) + 1))
                of.append(number)
                spans.append((k / count, (k + 1) / count))
                points.append(piece.at(k / count))
            number += 1
        ends[-1] = (ends[-1][0], first)
    at = np.array(points)
    return np.column_stack([at.real, at.imag]), _Edges(np.array(ends), np.array(of), np.array(spans))


def _lengths(points: Points2, edges: _Edges) -> Floats:
    return np.hypot(*(points[edges.ends[:, 1]] - points[edges.ends[:, 0]]).T)


def _crowded(points: Points2, edges: _Edges, size: float) -> npt.NDArray[np.bool_]:
    """Say which edges have another corner in the circle on them as diameter, and can still be split."""
    length = _lengths(points, edges)
    nearest, _ = cKDTree(points).query(points[edges.ends].mean(axis=1))
    return (nearest < 0.5 * length * (1 - 1e-6)) & (length > LEAST_SHARE * size)


def _split(
    points: Points2, edges: _Edges, which: npt.NDArray[np.bool_], pieces: Sequence[Piece]
) -> tuple[Points2, _Edges]:
    """Return corners and edges with the chosen edges halved on their line or arc."""
    rows = np.flatnonzero(which)
    if not len(rows):
        return points, edges
    half = edges.spans[rows].mean(axis=1)
    at = np.array([pieces[edges.piece[r]].at(h) for r, h in zip(rows, half, strict=True)])
    fresh = len(points) + np.arange(len(rows))
    ends, spans = edges.ends.copy(), edges.spans.copy()
    later_ends = np.column_stack([fresh, ends[rows, 1]])
    later_spans = np.column_stack([half, spans[rows, 1]])
    ends[rows, 1], spans[rows, 1] = fresh, half
    return np.vstack([points, np.column_stack([at.real, at.imag])]), replace(
        edges,
        ends=np.vstack([ends, later_ends]),
        piece=np.r_[edges.piece, edges.piece[rows]],
        spans=np.vstack([spans, later_spans]),
    )


def _inside(points: Points2, edges: _Edges, loops: Sequence[Sequence[Piece]]) -> TriangleMesh:
    """Return the Delaunay triangles of the region, counter-clockwise."""
    triangles = np.array(Delaunay(points).simplices, dtype=np.int64)
    a, b, c = (points[triangles[:, k]] for k in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    triangles = np.where((doubled < 0)[:, None], triangles[:, ::-1], triangles)
    middle = (a + b + c) / 3
    inside = shapely.contains_xy(_polygon(points, edges, loops), middle[:, 0], middle[:, 1])
    longest = np.maximum(
        np.maximum(((b - a) ** 2).sum(axis=1), ((c - b) ** 2).sum(axis=1)), ((a - c) ** 2).sum(axis=1)
    )
    inside &= np.abs(doubled) > FLAT * longest
    return TriangleMesh(points, triangles[inside])


def _polygon(points: Points2, edges: _Edges, loops: Sequence[Sequence[Piece]]) -> Polygon:
    """Return the region between the boundary edges as they are now."""
    order = np.lexsort((edges.spans[:, 0], edges.piece))
    starts, of = edges.ends[order, 0], edges.piece[order]
    rings, first = [], 0
    for loop in loops:
        rings.append(points[starts[(of >= first) & (of < first + len(loop))]])
        first += len(loop)
    return Polygon(rings[0], rings[1:])


def _mend(mesh: TriangleMesh, edges: _Edges, size: float) -> tuple[Points2, npt.NDArray[np.bool_]]:
    """Return new corners (k, 2) for bad triangles, and which boundary edges to split instead of crowding them."""
    centres, radii, shortest = _circles(mesh)
    bad = (radii > LARGE * size) | ((radii > THIN * shortest) & (shortest > LEAST_SHARE * size))
    rows = np.flatnonzero(bad)
    rows = rows[np.argsort(-radii[rows])]
    ends = mesh.nodes[edges.ends]
    middle, half = ends.mean(axis=1), 0.5 * np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    splittable = 2 * half > LEAST_SHARE * size
    tree = cKDTree(middle)
    fresh: list[Floats] = []
    split = np.zeros(len(half), dtype=bool)
    taken = _FarApart(centres[rows], radii[rows])
    for row in rows[taken.kept]:
        near = tree.query_ball_point(centres[row], float(half.max()))
        hit = [k for k in near if np.hypot(*(centres[row] - middle[k])) < half[k]]
        if hit:
            split[hit] |= splittable[hit]
        else:
            fresh.append(centres[row])
    return np.array(fresh).reshape(-1, 2), split


class _FarApart:
    """Keeps of circles, given best first, those whose centre is in no circle kept before."""

    def __init__(self, centres: Points2, radii: Floats) -> None:
        self.kept: list[int] = []
        blocked = np.zeros(len(radii), dtype=bool)
        tree = cKDTree(centres) if len(centres) else None
        for k in range(len(radii)):
            if not blocked[k] and tree is not None:
                self.kept.append(k)
                blocked[tree.query_ball_point(centres[k], float(radii[k]))] = True


def _circles(mesh: TriangleMesh) -> tuple[Points2, Floats, Floats]:
    """Return circumcentres (m, 2), circumradii (m,) and shortest edges (m,) of triangles."""
    a, b, c = (mesh.nodes[mesh.triangles[:, k]] for k in range(3))
    u, v = b - a, c - a
    doubled = 2 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    uu, vv = (u**2).sum(axis=1), (v**2).sum(axis=1)
    off = np.column_stack([v[:, 1] * uu - u[:, 1] * vv, u[:, 0] * vv - v[:, 0] * uu]) / doubled[:, None]
    shortest = np.sqrt(np.minimum(np.minimum(uu, vv), ((c - b) ** 2).sum(axis=1)))
    return a + off, np.hypot(off[:, 0], off[:, 1]), shortest
