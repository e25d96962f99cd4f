"""Lenses as rows of the adjustment, and back."""

from __future__ import annotations

from typing import Any

import numpy as np

from elbowroom.shared.arrays import Floats
from elbowroom.shared.scene import LENS_PARAMETERS, Lens


def row_of(lens: Lens) -> Floats:
    """Return a lens as the adjustment's row (8,)."""
    return np.array([getattr(lens, p) for p in LENS_PARAMETERS])


def lens_of(name: str, row: Floats, like: Lens, covariance: Floats | None = None) -> Lens:
    """Return the lens of the adjustment's row (8,), of the photo size of `like`, with its covariance (8, 8)."""
    values: dict[str, Any] = dict(zip(LENS_PARAMETERS, (float(v) for v in row), strict=True))
    if covariance is not None:
        values["covariance"] = tuple(tuple(float(v) for v in line) for line in covariance)
        values["focal_sd_px"] = float(np.sqrt(covariance[0, 0]))
    return Lens(name=name, width_px=like.width_px, height_px=like.height_px, **values)
