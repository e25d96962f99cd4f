"""Names for array shapes, and the checks public functions run on what they are given."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from elbowroom.shared.errors import InputError

Floats: TypeAlias = npt.NDArray[np.float64]
Bools: TypeAlias = npt.NDArray[np.bool_]
Ints: TypeAlias = npt.NDArray[np.int64]
Points2: TypeAlias = npt.NDArray[np.float64]  # (n, 2)
Points3: TypeAlias = npt.NDArray[np.float64]  # (n, 3)
Mat3: TypeAlias = npt.NDArray[np.float64]  # (3, 3)
Faces: TypeAlias = npt.NDArray[np.int64]  # (m, 3) indices of vertices
Image: TypeAlias = npt.NDArray[np.uint8]  # (rows, columns) or (rows, columns, 3)


def check_points(values: Any, columns: int, *, where: str) -> Floats:
    """Return `values` as a finite float64 array of shape (n, columns).

    Raises
    ------
    InputError
        When the shape differs or a number is not finite.
    """
    points = np.asarray(values, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != columns:
        raise InputError(f"expected n points of {columns} coordinates", where=where, value=points.shape)
    if not np.isfinite(points).all():
        row = int(np.flatnonzero(~np.isfinite(points).all(axis=1))[0])
        raise InputError("a coordinate is not a finite number", where=f"{where}, point {row}")
    return points


def check_positive(value: float, *, where: str, limit: str = "above 0") -> float:
    """Return `value` if it is finite and above zero.

    Raises
    ------
    InputError
        Otherwise.
    """
    if not np.isfinite(value) or value <= 0:
        raise InputError("must be a number above zero", where=where, value=value, limit=limit)
    return float(value)
