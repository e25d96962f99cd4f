"""Normal equations solved by way of the stations: targets and free points eliminated, steps and covariances from that.

A target is seen by photos only, never by another target, so that its six unknowns can be expressed by those of the
photos, and the equations left over have the size of the photos alone.

Source: D. C. Brown, A solution to the general problem of multiple station analytical stereotriangulation, 1958
(elimination); B. Triggs et al., Bundle Adjustment: A Modern Synthesis, 2000.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from elbowroom.recon.network.equations import STATION, Network, State
from elbowroom.recon.network.normal import Equations
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.errors import SolveError


def held_columns(state: State, network: Network, used: Bools) -> Bools:
    """Return which unknowns (unknowns,) stay as they are: the datum, lens parameters left out, focal lengths at rest.

    The world frame hangs on the station that sees most; `centre_covariance` frees the result from that choice.
    """
    held = np.zeros(state.unknowns, dtype=bool)
    held[: network.lens_held.size] = network.lens_held.ravel()
    if network.refocus_sd == 0:
        held[state.focus_columns] = True
    seen = np.bincount(network.station[used[: len(network.station)]], minlength=len(state.refocus))
    first = state.station_start + STATION * int(seen.argmax())
    held[first : first + 6] = True
    return held


ROUNDING = (0.0, 1e-12, 1e-10, 1e-8)
"""Shares of its own diagonal that elimination may lose to rounding: the first that lets the matrix be factored is added. A
sound network needs none; what a poor one leaves open comes out as an enormous doubt instead of a failure."""


@dataclass(frozen=True, eq=False)
class Reduced:
    """The equations once blocks are eliminated: the factor of the free kept unknowns' matrix, and what undoes it.

    `free` (f,) are rows among the kept, `halves` (n, d, k) and `roots` (n, d, d) per kind of block: the inverse
    Cholesky factor of its matrix, and that times its ties.
    """

    equations: Equations
    free: Ints
    factor: tuple[Floats, bool]
    scale: Floats
    gradient: Floats
    roots: tuple[Floats, ...]
    halves: tuple[Floats, ...]


def reduced(equations: Equations, held: Bools, damping: float = 0.0) -> Reduced:
    """Return the equations of the kept unknowns that aren't `held` (unknowns,), damped in units of the diagonal.

    Raises
    ------
    SolveError
        When they don't determine the unknowns.
    """
    matrix = equations.kept + damping * np.diag(np.diag(equations.kept))
    gradient, roots, halves = equations.gradient.copy(), [], []
    try:
        for blocks in equations.blocks:
            n, d, k = blocks.cross.shape
            damped = blocks.matrix * (1 + damping * np.eye(d))
            root = np.linalg.inv(np.linalg.cholesky(damped))
            half = root @ blocks.cross
            flat = half.reshape(n * d, k)
            matrix -= flat.T @ flat
            gradient -= flat.T @ (root @ blocks.gradient[:, :, None]).ravel()
            roots.append(root)
            halves.append(half)
        free = np.flatnonzero(~held[equations.layout.kept])
        inside = matrix[np.ix_(free, free)]
        scale = 1 / np.sqrt(np.diag(equations.kept)[free])
        factor = _factor(inside * scale[:, None] * scale)
    except (np.linalg.LinAlgError, ValueError) as error:
        raise _undetermined(len(equations.gradient)) from error
    return Reduced(equations, free, factor, scale, gradient, tuple(roots), tuple(halves))


def _factor(unit: Floats) -> tuple[Floats, bool]:
    """Return the Cholesky factor of a matrix in units of what its diagonal was before elimination."""
    for share in ROUNDING[:-1]:
        try:
            return cho_factor(unit + share * np.eye(len(unit)), lower=True)
        except np.linalg.LinAlgError:
            continue
    return cho_factor(unit + ROUNDING[-1] * np.eye(len(unit)), lower=True)


def _undetermined(unknowns: int) -> SolveError:
    return SolveError(
        "the network is undetermined",
        where="adjustment",
        value=f"{unknowns} unknowns",
        todo="take more photos, each with three or more targets that other photos show",
    )


def step_of(solved: Reduced, unknowns: int) -> Floats:
    """Return the step (unknowns,) of all unknowns."""
    layout, out = solved.equations.layout, np.zeros(unknowns)
    kept = np.zeros(len(layout.kept))
    kept[solved.free] = solved.scale * cho_solve(solved.factor, solved.scale * solved.gradient[solved.free])
    out[layout.kept] = kept
    parts = zip(solved.equations.blocks, layout.blocks, solved.roots, solved.halves, strict=True)
    for blocks, columns, root, half in parts:
        rest = (root @ blocks.gradient[:, :, None])[:, :, 0] - half @ kept
        out[columns] = (root.transpose(0, 2, 1) @ rest[:, :, None])[:, :, 0]
    return out


def promised(equations: Equations, step: Floats, damping: float) -> float:
    """Return by how much the cost should fall after a damped step (unknowns,), were the equations exact."""
    layout = equations.layout
    kept = step[layout.kept]
    out = float(kept @ (equations.gradient + damping * np.diag(equations.kept) * kept))
    for blocks, columns in zip(equations.blocks, layout.blocks, strict=True):
        own, stiff = step[columns], np.diagonal(blocks.matrix, axis1=1, axis2=2)
        out += float((own * (blocks.gradient + damping * stiff * own)).sum())
    return out


def kept_covariance(solved: Reduced) -> Floats:
    """Return the covariance (k, k) of the kept unknowns; held ones have none."""
    k = len(solved.equations.layout.kept)
    inverse = cho_solve(solved.factor, np.eye(len(solved.free))) * solved.scale[:, None] * solved.scale
    out = np.zeros((k, k))
    out[np.ix_(solved.free, solved.free)] = 0.5 * (inverse + inverse.T)
    return out


def covariance_of(solved: Reduced, kept: Floats, columns: Ints | Sequence[int]) -> Floats:
    """Return the covariance (c, c) of some unknowns by their columns (c,), from that of the kept ones (k, k)."""
    columns = np.asarray(columns, dtype=np.int64)
    layout, k = solved.equations.layout, len(kept)
    lever, own = np.zeros((len(columns), k)), np.zeros((len(columns), len(columns)))
    stays = np.isin(columns, layout.kept)
    lever[np.flatnonzero(stays), layout.row[columns[stays]]] = 1.0
    for every, root, half in zip(layout.blocks, solved.roots, solved.halves, strict=True):
        mine = np.flatnonzero(np.isin(columns, every))
        if not len(mine):
            continue
        block, within = layout.block[columns[mine]], layout.within[columns[mine]]
        back = root.transpose(0, 2, 1)[block, within]  # (c, d): a row of the root's transpose
        lever[mine] = -(back[:, None] @ half[block])[:, 0]
        same = block[:, None] == block[None]
        own[np.ix_(mine, mine)] = np.where(same, back @ back.T, 0.0)
    out = lever @ kept @ lever.T + own
    return np.asarray(0.5 * (out + out.T), dtype=np.float64)


def free_datum(covariance: Floats, points_world: Floats) -> Floats:
    """Return the covariance (3n, 3n) mm² of points (n, 3) mm in the frame that their mean place and turn hold.

    Source: W. Baarda, S-transformations and criterion matrices, 1973 (from memory).
    """
    n = len(points_world)
    arms = points_world - points_world.mean(axis=0)
    shift = np.tile(np.eye(3), (n, 1))
    turn = np.cross(np.eye(3)[None], arms[:, None]).transpose(0, 2, 1).reshape(3 * n, 3)
    basis = np.linalg.svd(np.concatenate([shift, turn], axis=1), full_matrices=False)
    moves = basis[0][:, basis[1] > 1e-9 * basis[1][0]]  # points on one line leave a turn about it open
    half = covariance - moves @ (moves.T @ covariance)
    out = half - (half @ moves) @ moves.T
    return np.asarray(0.5 * (out + out.T), dtype=np.float64)
