"""The normal equations of a network, laid out for elimination: what is kept, and blocks that meet the kept alone.

Targets and free points are the blocks. Lenses, stations, side factors, and the targets that a known distance ties to one
another are kept. `reduced` solves them.

Source: B. Triggs et al., Bundle Adjustment: A Modern Synthesis, 2000.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.network.equations import (
    LENS,
    POINT,
    TARGET,
    Network,
    State,
    point_sightings,
    sightings,
)
from elbowroom.shared.arrays import Bools, Floats, Ints

UNSEEN = 1e-6
"""Weight (1/mm², 1/rad²) that keeps what hangs on little or nothing from making the matrix singular: nothing is in doubt by
more than a metre."""


@dataclass(frozen=True, eq=False)
class Layout:
    """Where the unknowns stand: `kept` columns (k,), and the eliminated blocks' columns, (n, d) each.

    `row` (unknowns,) gives a kept column's row; `block`, `within` (unknowns,) an eliminated one's block and place in it.
    """

    kept: Ints
    blocks: tuple[Ints, ...]
    row: Ints
    block: Ints
    within: Ints


def layout_of(state: State, network: Network) -> Layout:
    """Return the layout of a network's unknowns."""
    tied = np.zeros(len(state.target_shifts), dtype=bool)
    tied[network.distance_ends] = True
    first = state.target_start + TARGET * np.flatnonzero(~tied)
    targets = first[:, None] + np.arange(TARGET)
    points = state.point_start + np.arange(POINT * len(state.points)).reshape(-1, POINT)
    kept = np.ones(state.unknowns, dtype=bool)
    block = np.zeros(state.unknowns, dtype=np.int64)
    within = np.zeros(state.unknowns, dtype=np.int64)
    for columns in (targets, points):
        kept[columns] = False
        block[columns] = np.arange(len(columns))[:, None]
        within[columns] = np.arange(columns.shape[1])
    row = np.cumsum(kept) - 1
    return Layout(np.flatnonzero(kept), (targets, points), row, block, within)


@dataclass(frozen=True, eq=False)
class Blocks:
    """What is eliminated, n blocks of d unknowns: their matrices (n, d, d), gradients (n, d), ties (n, d, k) to the kept."""

    matrix: Floats
    gradient: Floats
    cross: Floats


@dataclass(frozen=True, eq=False)
class Equations:
    """Normal matrix (k, k) and gradient (k,) of the kept unknowns, the blocks to eliminate, and the cost at a state.

    `known` (k, k) is the part of the matrix that does not come from the photos: distances and priors.
    """

    layout: Layout
    kept: Floats
    gradient: Floats
    known: Floats
    blocks: tuple[Blocks, ...]
    cost: float


def normal_equations(state: State, network: Network, used: Bools, *, robust: bool) -> Equations:
    """Return the normal equations of the used sightings and picks (m + q,), the distances and the priors.

    With `robust`, sightings weigh as by Cauchy's distribution: far ones count little.
    """
    layout, m = layout_of(state, network), len(network.station)
    seen, picked = used[:m], used[m:]
    known, gradient, cost = _known(state, network, layout)
    off, lever, columns = sightings(state, network)
    whitening = network.whitening[seen]
    corners = _weighted(whitening @ off[seen, :, None], whitening @ lever[seen], columns[seen], robust)
    off, lever, columns = point_sightings(state, network)
    sharp = 1 / network.picks.sds_px[picked, None, None]
    points = _weighted(off[picked, :, None] * sharp, lever[picked] * sharp, columns[picked], robust)
    sums = _Sums(layout, known.copy(), gradient)
    tied = np.isin(corners.columns[:, -1], layout.kept)
    sums.add_kept(corners.rows(tied))
    targets = sums.eliminated(corners.rows(~tied), 0)
    eliminated = sums.eliminated(points, 1)
    return Equations(
        layout, sums.matrix, sums.gradient, known, (targets, eliminated), cost + corners.cost + points.cost
    )


@dataclass(frozen=True, eq=False)
class _Weighted:
    """Observations' outer products (m, c, c) and gradients (m, c) at columns (m, c), and their cost."""

    square: Floats
    rise: Floats
    columns: Ints
    cost: float

    def rows(self, keep: Bools) -> _Weighted:
        return _Weighted(self.square[keep], self.rise[keep], self.columns[keep], 0.0)


def _weighted(white: Floats, lever: Floats, columns: Ints, robust: bool) -> _Weighted:
    """Return observations ready to be summed, from white residuals (m, r, 1) and derivatives (m, r, c)."""
    weight, cost = _weights((white[:, :, 0] ** 2).mean(axis=1), white.shape[1], robust)
    turned = (lever * weight[:, None, None]).transpose(0, 2, 1)
    return _Weighted(turned @ lever, (turned @ white)[:, :, 0], columns, cost)


def _weights(squared: Floats, rows: int, robust: bool) -> tuple[Floats, float]:
    """Return the weights (m,) of observations of some rows whose mean squares are given, and their cost."""
    if not robust or not len(squared):
        return np.ones(len(squared)), float(rows * squared.sum())
    unit = 4 * max(1.0, float(np.median(squared)))
    return 1 / (1 + squared / unit), float(rows * unit * np.log1p(squared / unit).sum())


@dataclass
class _Sums:
    """Matrix (k, k) and gradient (k,) of the kept unknowns as they are summed up."""

    layout: Layout
    matrix: Floats
    gradient: Floats

    def add_kept(self, seen: _Weighted) -> None:
        """Add observations of kept unknowns alone."""
        k, rows = len(self.gradient), self.layout.row[seen.columns]
        places = rows[:, :, None] * k + rows[:, None, :]
        self.matrix += _summed(places, seen.square, k * k).reshape(k, k)
        self.gradient += _summed(rows, seen.rise, k)

    def eliminated(self, seen: _Weighted, which: int) -> Blocks:
        """Add observations whose last columns are those of a block that will be eliminated; return the blocks."""
        n, d = self.layout.blocks[which].shape
        front, k = seen.columns.shape[1] - d, len(self.gradient)
        kept = slice(0, front)
        self.add_kept(_Weighted(seen.square[:, kept, kept], seen.rise[:, kept], seen.columns[:, kept], 0.0))
        own = self.layout.block[seen.columns[:, front:]] * d + self.layout.within[seen.columns[:, front:]]
        rows = self.layout.row[seen.columns[:, kept]]
        cross = _summed(own[:, :, None] * k + rows[:, None, :], seen.square[:, front:, kept], n * d * k)
        inside = own[:, :, None] * d + np.arange(d)
        matrix = _summed(inside, seen.square[:, front:, front:], n * d * d).reshape(n, d, d)
        gradient = _summed(own, seen.rise[:, front:], n * d).reshape(n, d)
        return Blocks(matrix + UNSEEN * np.eye(d), gradient, cross.reshape(n, d, k))


def _summed(places: Ints, values: Floats, size: int) -> Floats:
    """Return the sums (size,) of values by place."""
    return np.asarray(np.bincount(places.ravel(), values.ravel(), size), dtype=np.float64)


def _known(state: State, network: Network, layout: Layout) -> tuple[Floats, Floats, float]:
    """Return matrix (k, k), gradient (k,) and cost of what is known beside the photos: distances and priors."""
    k = len(layout.kept)
    matrix, gradient = UNSEEN * np.eye(k), np.zeros(k)
    cost = _add_lens_priors(state, network, matrix, gradient)
    factor = layout.row[state.factor_start + np.arange(len(state.factors))]
    cost += _add_spread(matrix, gradient, factor, 1 - state.factors, network.factor_sds)
    if network.refocus_sd > 0:
        focus = layout.row[state.focus_columns]
        cost += _add_spread(matrix, gradient, focus, -state.refocus, np.full(len(focus), network.refocus_sd))
    return matrix, gradient, cost + _add_distances(state, network, layout, matrix, gradient)


def _add_lens_priors(state: State, network: Network, matrix: Floats, gradient: Floats) -> float:
    off, cost = network.lens_start - state.lenses, 0.0
    for i, information in enumerate(network.lens_information):  # lenses come first among the kept
        own = slice(LENS * i, LENS * (i + 1))
        matrix[own, own] += information
        gradient[own] += information @ off[i]
        cost += float(off[i] @ information @ off[i])
    return cost


def _add_spread(matrix: Floats, gradient: Floats, rows: Ints, off: Floats, sds: Floats) -> float:
    matrix[rows, rows] += 1 / sds**2
    gradient[rows] += off / sds**2
    return float(((off / sds) ** 2).sum())


def _add_distances(state: State, network: Network, layout: Layout, matrix: Floats, gradient: Floats) -> float:
    if not len(network.distances_mm):
        return 0.0
    a, b = network.distance_ends.T
    between = state.target_shifts[b] - state.target_shifts[a]
    length = np.linalg.norm(between, axis=1)
    direction = between / np.maximum(length, 1e-9)[:, None] / network.distance_sds_mm[:, None]
    lever = np.concatenate([-direction, direction], axis=1)
    off = (network.distances_mm - length) / network.distance_sds_mm
    ends = state.target_start + TARGET * network.distance_ends + 3
    rows = layout.row[(ends[:, :, None] + np.arange(3)).reshape(-1, 6)]
    np.add.at(matrix, (rows[:, :, None], rows[:, None, :]), lever[:, :, None] * lever[:, None, :])
    np.add.at(gradient, rows, lever * off[:, None])
    return float(off @ off)
