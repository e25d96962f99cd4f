"""How a group of bolts shares a force and a moment in its plane, by the elastic method: each bolt an equal spring."""

from __future__ import annotations

import numpy as np

from elbowroom.shared.arrays import Floats, Points2, check_points
from elbowroom.shared.errors import InputError


def bolt_forces(bolts_mm: Points2, force_n: Floats, moment_nmm: float, *, at_mm: Floats) -> Floats:
    """Return the force (n, 2) N that each bolt takes.

    Parameters
    ----------
    bolts_mm : Points2
        (n, 2) mm: bolt centres.
    force_n : Floats
        (2,) N, acting at `at_mm` (2,) mm.
    moment_nmm : float
        N mm besides, + counter-clockwise.

    Raises
    ------
    InputError
        When one bolt alone would have to take a moment: it turns.

    Source: elastic vector method, AISC manual part 7 (eccentrically loaded bolt groups): P / n + M c / sum c^2.
    """
    bolts = check_points(bolts_mm, 2, where="bolts")
    middle = bolts.mean(axis=0)
    lever = np.asarray(at_mm, dtype=np.float64) - middle
    moment = float(moment_nmm + lever[0] * force_n[1] - lever[1] * force_n[0])
    away = bolts - middle
    polar = float((away**2).sum())
    direct = np.broadcast_to(np.asarray(force_n, dtype=np.float64) / len(bolts), bolts.shape)
    if polar == 0.0:
        if abs(moment) > TURN_SHARE_MM * float(np.hypot(*force_n)):
            raise InputError(
                "one bolt alone can't take a turning load", where="bolt group", value=f"{moment:.0f} N mm",
                limit="0 N mm", todo="hold the plate by a second hole or a weld edge",
            )  # fmt: skip
        return direct.copy()
    return direct + moment / polar * np.column_stack([-away[:, 1], away[:, 0]])


TURN_SHARE_MM = 1e-6
"""Lever, mm, below which a load goes through a single bolt: rounding of typed coordinates."""
