"""What the printed targets turned out to be, batch by batch: how large, and how far the ink has spread.

A boundary that lies off where a perfect print would show it does so by the ink, as many pixels as the target is near,
and by how the photo makes grey of black and white, alike for all targets of one photo. The two are told apart by targets
at different distances.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.network.prints import Print
from elbowroom.recon.network.solution import Solution
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.arrays import Floats, Ints
from elbowroom.shared.scene import MeasuredPrint

TONE_SD_PX = 0.1
"""How far a phone's tone curve moves the half-way point of a blurred edge (common practice, no source)."""

SHIFT_SD_PX = 0.02
"""Noise of one target's edge shift: hundreds of boundary points, each good to a few tenths."""

FLOOR_MM = 0.01
"""Least doubt of an ink spread: blur, and the tone curve with it, differs a little from near to far in one photo."""


def measured_prints(
    solution: Solution, readings: Sequence[Reading], prints: Mapping[int, Print]
) -> tuple[MeasuredPrint, ...]:
    """Return scale and ink spread of each print batch, as the joined readings show them."""
    index, adjusted = solution.index, solution.adjusted
    ink = _ink(solution, readings) if readings else {}
    out = []
    for i, batch in enumerate(index.batches):
        mine = [t for t, b in zip(index.targets, solution.network.batch, strict=True) if b == i]
        given = np.median(
            [solution.network.sides_mm[index.targets.index(t)] / prints[t].side_mm for t in mine]
        )
        spread, spread_sd = ink.get(i, (0.0, 0.0))
        out.append(
            MeasuredPrint(
                batch=batch,
                targets=len(mine),
                scale=float(given * adjusted.state.factors[i]),
                scale_sd=float(given * np.sqrt(adjusted.factor_covariance[i, i])),
                ink_mm=spread,
                ink_sd_mm=spread_sd,
            )
        )
    return tuple(out)


def _ink(solution: Solution, readings: Sequence[Reading]) -> dict[int, tuple[float, float]]:
    """Return by batch how far (mm, sd) each boundary has moved from black to white."""
    network, used = solution.network, solution.adjusted.used
    shifts = np.array([s.corners.shift_px for r in readings for s in r.sightings])[used]
    corners = network.corners_px[used]
    side_px = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).mean(axis=1)
    near = side_px / network.sides_mm[network.target[used]]  # px per mm
    batch, photo = network.batch[network.target[used]], network.station[used]
    values, covariance = _split(shifts, near, batch, photo)
    batches = len(network.factor_sds)
    return {
        b: (float(values[b]), float(np.hypot(np.sqrt(covariance[b, b]), FLOOR_MM)))
        for b in range(batches)
        if (batch == b).any()
    }


def _split(shifts: Floats, near: Floats, batch: Ints, photo: Ints) -> tuple[Floats, Floats]:
    """Return ink (mm) by batch then tone (px) by photo, and their covariance, by least squares."""
    batches, photos = int(batch.max()) + 1, int(photo.max()) + 1
    rows = np.zeros((len(shifts), batches + photos))
    rows[np.arange(len(shifts)), batch] = near
    rows[np.arange(len(shifts)), batches + photo] = 1.0
    normal = rows.T @ rows / SHIFT_SD_PX**2
    prior = np.r_[np.full(batches, 1e-6), np.full(photos, 1 / TONE_SD_PX**2)]
    normal[np.diag_indices_from(normal)] += prior
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    values = covariance @ (rows.T @ shifts) / SHIFT_SD_PX**2
    off = shifts - rows @ values
    factor = max(1.0, float((off**2).mean()) / SHIFT_SD_PX**2)
    return values, covariance * factor
