"""Gauss-Newton for the few unknowns of one feature, and the test that names its worst observation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import SolveError

STEP = 1e-4
"""Step of the central differences, mm: unknowns are scaled so that 1 moves the feature about 1 mm."""

ROUNDS = 50
"""Rounds before giving up; features whose rays meet well need fewer than ten."""

SETTLED = 1e-7
"""A step shorter than this, mm, ends the rounds."""

LEAST_REDUNDANCY = 1e-3
"""Share of an observation's variance left in its residual below which the residual says nothing about it."""


@dataclass(frozen=True, eq=False)
class Adjusted:
    """Unknowns (k,), residuals (n,) and Jacobian (n, k) at the solution, and the cofactor matrix (k, k)."""

    unknowns: Floats
    residuals: Floats
    jacobian: Floats
    cofactor: Floats

    def variance_factor(self, sd: float) -> float:
        """Return the residuals' variance over `sd`², or 1 without redundancy."""
        spare = len(self.residuals) - len(self.unknowns)
        return float(self.residuals @ self.residuals) / spare / sd**2 if spare > 0 else 1.0

    def standardised(self, sd: float) -> Floats:
        """Return the absolute standardised residuals (n,); 0 where an observation isn't checked by others.

        Source: Baarda's test, w = v / (sigma sqrt(q_vv)), 1968 (from memory).
        """
        return standardised(self.residuals, self.jacobian, self.cofactor, sd)


def standardised(residuals: Floats, jacobian: Floats, cofactor: Floats, sd: float) -> Floats:
    """Return |v| / (sd sqrt(q_vv)) for residuals (n,), Jacobian (n, k) and cofactor (k, k)."""
    left = 1.0 - np.einsum("ij,jk,ik->i", jacobian, cofactor, jacobian)  # i: observation, j k: unknowns
    spread = sd * np.sqrt(np.maximum(left, LEAST_REDUNDANCY))
    return np.where(left > LEAST_REDUNDANCY, np.abs(residuals) / spread, 0.0)


def inverse(matrix: Floats) -> Floats:
    """Return the inverse (k, k) of a symmetric matrix, symmetric itself."""
    found = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    return (found + found.T) / 2


def differences(function: Callable[[Floats], Floats], at: Floats) -> Floats:
    """Return the Jacobian (n, k) of a function of (k,) by central differences."""
    columns = [(function(at + s) - function(at - s)) / (2 * STEP) for s in STEP * np.eye(len(at))]
    return np.column_stack(columns)


def adjust(function: Callable[[Floats], Floats], start: Floats, *, where: str) -> Adjusted:
    """Return the unknowns that make `function`'s residuals least in squares.

    Raises
    ------
    SolveError
        When the unknowns don't settle, or the residuals don't fix them all.
    """
    unknowns = np.asarray(start, dtype=np.float64)
    for _ in range(ROUNDS):
        residuals, jacobian = function(unknowns), differences(function, unknowns)
        if not (np.isfinite(residuals).all() and np.isfinite(jacobian).all()):
            break
        step, _, rank, _ = np.linalg.lstsq(jacobian, -residuals, rcond=1e-12)
        if rank < len(unknowns):
            break
        unknowns = unknowns + step
        if np.linalg.norm(step) < SETTLED * max(1.0, float(np.linalg.norm(unknowns)) * 1e-3):
            return Adjusted(unknowns, residuals, jacobian, inverse(jacobian.T @ jacobian))
    raise SolveError(
        "the picks do not settle on an answer", where=where, partial=unknowns, todo="check the picks"
    )
