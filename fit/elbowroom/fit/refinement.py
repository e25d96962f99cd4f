"""Refining a plate's mesh where the stress is rough, until what is reported stands still."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from elbowroom.fit.finite import PlateElements, Solution, snapped
from elbowroom.fit.mesh import TriangleMesh, mesh_region
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import SolveError
from elbowroom.shared.outline import Piece
from elbowroom.shared.outline_pieces import PieceTable, piece_table

SETTLED = 0.02
"""Largest move of a reported figure by a refinement, twice running, for it to count as settled."""

MOST_TRIANGLES = 24_000
"""Triangles from which no more refinement is tried: some 10 s for bending and stretching together."""

MOST_ROUNDS = 14

ROUGH_SHARE = 0.35
"""Share of the squared error that the triangles refined in one round hold (Doerfler's marking)."""

NEAR_PEAK = 0.93
"""Triangles with a corner stressed this share of the peak are refined too: the peak is what is reported."""

Bools = npt.NDArray[np.bool_]
Solve = Callable[[PlateElements], Solution]
Counted = Callable[[Floats], Bools]
Limit = Callable[[Floats], Floats]
Report = Callable[[PlateElements, Solution], Floats]


@dataclass(frozen=True, eq=False)
class Refined:
    """The last mesh and what the plate does on it; `moved` is by how much the last refinement moved the figures."""

    elements: PlateElements
    solution: Solution
    moved: float
    settled: bool


def table_of(loops: Sequence[Sequence[Piece]]) -> PieceTable:
    """Return all pieces of closed loops as one table."""
    tables = [
        piece_table(np.array([p.start for p in loop]), np.array([p.bulge for p in loop])) for loop in loops
    ]
    return PieceTable(
        **{f.name: np.concatenate([getattr(t, f.name) for t in tables]) for f in fields(PieceTable)}
    )


def refine(
    loops: Sequence[Sequence[Piece]],
    size_mm: float,
    solve: Solve,
    *,
    counted: Counted,
    report: Report | None = None,
    limit_mm: Limit = lambda places: np.full(len(places), np.inf),
    finest_mm: float = 0.0,
    progress: Callable[[float], None] = lambda share: None,
) -> Refined:
    """Return the plate solved on a mesh fine enough that peak stress and largest shift move less than 2 %, twice.

    Parameters
    ----------
    loops : Sequence[Sequence[Piece]]
        Outer outline and openings.
    size_mm : float
        Longest edge of the first mesh, mm.
    solve : Solve
    counted : Counted
        Says for places (n, 2) mm whether the stress there is reported.
    report : Report
        What must stand still: all above zero. Left out: the largest reported stress and the largest shift.
    limit_mm : Limit
        Longest edge wanted at places (n, 2) mm.
    finest_mm : float
        Triangles are not made smaller than this where the stress is not reported.

    Returns
    -------
    Refined
        `settled` is False when the caps on triangles and rounds came first: the best so far.
    """
    table = table_of(loops)
    mesh = mesh_region(loops, size_mm)
    before: Floats | None = None
    still, moved = 0, np.inf
    for turn in range(MOST_ROUNDS):
        progress(turn / MOST_ROUNDS)
        elements = PlateElements(mesh, table)
        solution = solve(elements)
        at = counted(elements.mesh.nodes)
        figures = _figures(solution, at) if report is None else report(elements, solution)
        if before is not None:
            moved = float(np.max(np.abs(figures - before) / np.maximum(figures, 1e-300)))
            still = still + 1 if moved < SETTLED else 0
        before = figures
        if still >= 2 or len(mesh.triangles) > MOST_TRIANGLES:
            break
        mesh = _finer(elements, _marked(elements, solution, at, finest_mm, limit_mm), table)
    return Refined(elements, solution, moved, still >= 2)


def _figures(solution: Solution, at: Bools) -> Floats:
    if not at.any():
        raise SolveError("no part of the plate is away from what holds it", where="strength")
    return np.array([solution.von_mises()[at].max(), np.linalg.norm(solution.moved[:, :3], axis=1).max()])


def _marked(
    elements: PlateElements, solution: Solution, at: Bools, finest: float, limit: Limit
) -> npt.NDArray[np.intp]:
    """Return the triangles to refine: the roughest, and those at the peak."""
    triangles = elements.mesh.triangles
    corners = elements.mesh.nodes[triangles]
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    error = area * (solution.rough**2).mean(axis=(1, 2))
    error[~at[triangles].any(axis=1) & (area < 0.5 * finest**2)] = 0.0
    order = np.argsort(-error)
    total = np.cumsum(error[order])
    rough = order[: int(np.searchsorted(total, ROUGH_SHARE * total[-1])) + 1]
    stress = np.where(at, solution.von_mises(), 0.0)
    peak = np.flatnonzero((stress[triangles] >= NEAR_PEAK * stress.max()).any(axis=1))
    coarse = np.flatnonzero(area > 0.5 * limit(corners.mean(axis=1)) ** 2)
    return np.union1d(np.union1d(rough, peak), coarse)


def _finer(elements: PlateElements, marked: npt.NDArray[np.intp], table: PieceTable) -> TriangleMesh:
    """Return the mesh with triangles split, its new boundary corners on the true outline."""
    finer = elements.straight.refined(marked)
    nodes = finer.p.T.copy()
    rim = np.unique(finer.facets[:, finer.boundary_facets()])
    fresh = rim[rim >= len(elements.mesh.nodes)]
    nodes[fresh] = snapped(nodes[fresh], table)
    return TriangleMesh(nodes, np.array(finer.t.T, dtype=np.int64))
