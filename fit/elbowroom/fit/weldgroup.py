"""Fillet welds as lines: the load on each millimetre by the elastic method, and the leg it needs.

Every millimetre of weld is an equal spring in all directions, so a force and a moment give each its share of the force,
and the turn times its arm: for welds in one plane that is P / L, M c / I and T r / J.

Source: elastic vector (line) method, AISC manual part 8; O. W. Blodgett, Design of Welded Structures, section 7.4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.shared.arrays import Floats, check_positive
from elbowroom.shared.errors import InputError
from elbowroom.shared.hardware import table

THROAT = 0.707
"""Throat over leg of an equal-legged fillet."""

ELECTRODE_MPA = 482.0
"""Tensile strength of the weld metal, E70 class (70 ksi)."""

WELD_SHARE, WELD_ASKED = 0.60, 2.00
"""Weld metal fails at 0.60 of its tensile strength on the throat; safety asked of it (AISC 360 J2.4, from memory)."""

FLAT = 1e-9
"""Share of the largest moment of inertia under which a weld group has none about an axis."""

LARGEST_LESS_MM, LARGEST_FROM_MM = 2.0, 6.0
"""Along an edge 6 mm thick or more a fillet stays 2 mm under the thickness (AISC 360 J2.2b: 1/16 in from 1/4 in up)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class WeldLoad:
    """The hardest worked millimetre of a weld group: N/mm there, where (3,) mm and on which line; the group's figures.

    `inertia_mm3` (3, 3) is the lines' about their middle; its zz entry is the polar one of welds in the xy plane.
    """

    length_mm: float
    middle_mm: Floats
    inertia_mm3: Floats
    worst_n_mm: float
    worst_at_mm: Floats
    worst_line: int


def weld_load(lines_mm: Floats, force_n: Floats, moment_nmm: Floats, *, at_mm: Floats) -> WeldLoad:
    """Return the largest load per millimetre of weld under a force at a place and a moment besides.

    Parameters
    ----------
    lines_mm : Floats
        (k, 2, 3) mm: both ends of each straight weld.
    force_n, moment_nmm, at_mm : Floats
        (3,) N, N mm and mm.

    Raises
    ------
    InputError
        When a weld has no length, or the group can't take the moment: a single line has nothing against turning about
        itself.
    """
    lines = np.asarray(lines_mm, dtype=np.float64).reshape(-1, 2, 3)
    lengths = np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1)
    for length in lengths:
        check_positive(float(length), where="weld length")
    total = float(lengths.sum())
    middle = (lengths[:, None] * lines.mean(axis=1)).sum(axis=0) / total
    inertia = _inertia(lines - middle, lengths)
    lever = np.asarray(at_mm, dtype=np.float64) - middle
    turn = _turn(inertia, np.asarray(moment_nmm, dtype=np.float64) + np.cross(lever, force_n))
    ends = np.asarray(force_n, dtype=np.float64) / total + np.cross(turn, lines - middle)
    size = np.linalg.norm(ends, axis=2)  # largest at an end: its square is convex along a line
    line, end = np.unravel_index(int(size.argmax()), size.shape)
    return WeldLoad(
        length_mm=total,
        middle_mm=middle,
        inertia_mm3=inertia,
        worst_n_mm=float(size.max()),
        worst_at_mm=lines[line, end],
        worst_line=int(line),
    )


def _inertia(lines: Floats, lengths: Floats) -> Floats:
    """Return the lines' inertia (3, 3) mm3 about the origin, exact: Simpson's rule on a quadratic."""
    total = np.zeros((3, 3))
    for (a, b), length in zip(lines, lengths, strict=True):
        for place, share in ((a, 1 / 6), ((a + b) / 2, 4 / 6), (b, 1 / 6)):
            total += share * length * (place @ place * np.eye(3) - np.outer(place, place))
    return total


def _turn(inertia: Floats, moment: Floats) -> Floats:
    """Return the turn (3,), N/mm per mm of arm, that balances a moment."""
    sizes, axes = np.linalg.eigh(inertia)
    along = axes.T @ moment
    weak = sizes <= FLAT * sizes[-1]
    if (np.abs(along[weak]) > FLAT * np.abs(moment).max(initial=1e-300)).any():
        raise InputError(
            "the welds can't take a moment about their own line", where="weld group",
            value=f"{np.abs(along[weak]).max():.0f} N mm", limit="0 N mm",
            todo="weld both sides of the plate (sides: 2), or add a weld edge that runs another way",
        )  # fmt: skip
    return axes @ np.where(weak, 0.0, along / np.where(weak, 1.0, sizes))


def leg_needed_mm(load_n_mm: float, *, factor: float = WELD_ASKED) -> float:
    """Return the leg, mm, that carries a load per millimetre of weld with a factor against breaking.

    Source: AISC 360 J2.4, 0.60 F_EXX on the throat.
    """
    return load_n_mm * factor / weld_strength_n_mm(1.0)


def weld_strength_n_mm(leg_mm: float) -> float:
    """Return the load, N/mm, that breaks a fillet of this leg. Source: AISC 360 J2.4."""
    return WELD_SHARE * ELECTRODE_MPA * THROAT * check_positive(leg_mm, where="weld leg")


def least_leg_mm(thickness_mm: float) -> float:
    """Return the least leg, mm, a fillet on steel of this thickness should have. Source: AISC 360 Table J2.4."""
    check_positive(thickness_mm, where="thickness")
    rows = table("fillet_welds", "to_thickness_mm").values()
    return next(float(r["least_leg_mm"]) for r in rows if thickness_mm <= float(r["to_thickness_mm"]))


def largest_leg_mm(thickness_mm: float) -> float:
    """Return the largest leg, mm, along an edge of this thickness. Source: AISC 360 J2.2b."""
    check_positive(thickness_mm, where="thickness")
    return thickness_mm - (LARGEST_LESS_MM if thickness_mm >= LARGEST_FROM_MM else 0.0)
