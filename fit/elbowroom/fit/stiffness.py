"""How stiff a shape is in its plane, coarsely: good for choosing between routes, not for judging a plate.

Square plane-stress elements on a grid, the weld edges (or the first pad) held, a unit force along x and along y on every
other pad in turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.linalg import splu
from shapely.geometry import Polygon

from elbowroom.fit.pads import Pad
from elbowroom.shared.arrays import Floats

Rows = npt.NDArray[np.intp]

MOST_CELLS = 2500
"""Cells at most: ranking does not change with more."""

CELLS_ACROSS = 3
"""Cells across the least web, if MOST_CELLS allows."""

POISSON = 0.3

SPRING = 1e-7
"""Share of an element's stiffness tied to ground everywhere: keeps cells that hang in the air from being singular."""


def steel_for_stiffness(shape: Polygon, pads: Sequence[Pad], web_mm: float, held: Sequence[int]) -> float:
    """Return area times compliance: the steel it takes for a given stiffness, in units that only rank.

    Parameters
    ----------
    shape : Polygon
        The plate, mm.
    pads : Sequence[Pad]
    web_mm : float
        Least web, mm: sets the grid.
    held : Sequence[int]
        Pads that are held; forces act on the others.
    """
    size = max(web_mm / CELLS_ACROSS, float(np.sqrt(shape.area / MOST_CELLS)))
    nodes, cells = _grid(shape, size)
    loads = [i for i in range(len(pads)) if i not in held]
    if not loads or not len(cells):
        return float(shape.area)
    count = len(nodes)
    inside = [_near(nodes, p) for p in pads]
    fixed = np.unique(np.concatenate([inside[i] for i in held]))
    forces = np.zeros((2 * count, 2 * len(loads)))
    for k, i in enumerate(loads):
        forces[2 * inside[i], 2 * k] = forces[2 * inside[i] + 1, 2 * k + 1] = 1 / max(len(inside[i]), 1)
    free = np.setdiff1d(np.arange(2 * count), np.r_[2 * fixed, 2 * fixed + 1])
    matrix = _assembled(cells, count)[free][:, free]
    moved = splu(matrix.tocsc()).solve(forces[free])
    return float(shape.area * (moved * forces[free]).sum())


def _grid(shape: Polygon, size: float) -> tuple[Floats, Rows]:
    """Return nodes (n, 2) and the cells (m, 4) whose middle lies in the shape, counter-clockwise from lower left."""
    x0, y0, x1, y1 = shape.bounds
    nx, ny = int(np.ceil((x1 - x0) / size)), int(np.ceil((y1 - y0) / size))
    i, j = (a.ravel() for a in np.meshgrid(np.arange(nx), np.arange(ny), indexing="ij"))
    keep = shapely.contains_xy(shape, x0 + (i + 0.5) * size, y0 + (j + 0.5) * size)
    i, j = i[keep], j[keep]
    corner = i * (ny + 1) + j
    cells = np.column_stack([corner, corner + ny + 1, corner + ny + 2, corner + 1])
    used, cells = np.unique(cells, return_inverse=True)
    nodes = np.column_stack([x0 + used // (ny + 1) * size, y0 + used % (ny + 1) * size])
    return nodes, cells.reshape(-1, 4)


def _near(nodes: Floats, pad: Pad) -> Rows:
    inside = np.flatnonzero(shapely.contains_xy(pad.shape, nodes))
    if len(inside):
        return inside
    return np.array([int(((nodes - pad.anchors[0]) ** 2).sum(axis=1).argmin())])


def _assembled(cells: Rows, count: int) -> coo_array:
    dofs = np.stack([2 * cells, 2 * cells + 1], axis=2).reshape(-1, 8)
    rows, columns = np.repeat(dofs, 8, axis=1).ravel(), np.tile(dofs, (1, 8)).ravel()
    values = np.tile(_element().ravel(), len(cells))
    ground = np.arange(2 * count)
    return coo_array(
        (np.r_[values, np.full(2 * count, SPRING)], (np.r_[rows, ground], np.r_[columns, ground])),
        shape=(2 * count, 2 * count),
    ).tocsr()


@cache
def _element() -> Floats:
    """Return the stiffness (8, 8) of a unit square bilinear plane-stress element, E t = 1, by 2 x 2 Gauss points."""
    elastic = np.array([[1, POISSON, 0], [POISSON, 1, 0], [0, 0, (1 - POISSON) / 2]]) / (1 - POISSON**2)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    total = np.zeros((8, 8))
    for gx in (-1, 1):
        for gy in (-1, 1):
            at = np.array([gx, gy]) / np.sqrt(3)
            dx = corners[:, 0] * (1 + corners[:, 1] * at[1]) / 2
            dy = corners[:, 1] * (1 + corners[:, 0] * at[0]) / 2
            strain = np.zeros((3, 8))
            strain[0, 0::2], strain[1, 1::2] = dx, dy
            strain[2, 0::2], strain[2, 1::2] = dy, dx
            total += strain.T @ elastic @ strain / 4
    return total
