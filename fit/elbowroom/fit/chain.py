"""A loop as a chain of discs: wrapped counter-clockwise (plate inside) or clockwise (blocker outside), with tangents.

Between neighbours runs their common tangent line, along each disc an arc, so that lines and arcs meet tangentially.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.outline import Outline

WRAP_MOST_RAD = 1.75 * np.pi
"""A disc wrapped further than this is a disc the band has left: the turn came out slightly negative."""

SHORTEST_MM = 1.0
"""No line or arc of a profile is shorter: cutters stutter on them."""

SAME_MM = 1e-6
"""Tangent points nearer than this are one point."""

TINY_TURN_RAD = 1e-6
"""A turn below this is none: 0.0001 mm over a 100 mm line."""


class ChainError(ValueError):
    """Neighbouring discs have no common tangent of the wanted kind."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Chain:
    """Discs in the order a counter-clockwise loop meets them.

    Parameters
    ----------
    centres : Points2
        (n, 2) mm.
    radii : Floats
        (n,) mm, 0 or more.
    senses : Floats
        (n,) +1: wrapped counter-clockwise, plate on its inside; -1: clockwise, plate outside.
    """

    centres: Points2
    radii: Floats
    senses: Floats

    def __len__(self) -> int:
        return len(self.radii)

    def without(self, index: int) -> Chain:
        """Return the chain with one disc left out."""
        keep = np.arange(len(self)) != index
        return Chain(centres=self.centres[keep], radii=self.radii[keep], senses=self.senses[keep])

    def with_disc(self, index: int, centre: Floats, radius: float, sense: float) -> Chain:
        """Return the chain with a disc put in before `index`."""
        return Chain(
            centres=np.insert(self.centres, index, centre, axis=0),
            radii=np.insert(self.radii, index, radius),
            senses=np.insert(self.senses, index, sense),
        )

    def replaced(self, index: int, centre: Floats, radius: float) -> Chain:
        """Return the chain with one disc moved and resized."""
        centres, radii = self.centres.copy(), self.radii.copy()
        centres[index], radii[index] = centre, radius
        return Chain(centres=centres, radii=radii, senses=self.senses)


@dataclass(frozen=True, kw_only=True, eq=False)
class Legs:
    """The chain's tangents: `arrive` and `leave` (n, 2) on each disc, `turns` (n,) rad (signed), `lines` (n,) mm after."""

    arrive: Points2
    leave: Points2
    turns: Floats
    lines: Floats


def legs(chain: Chain) -> Legs:
    """Return the tangents of a chain.

    With signed radii rho (positive when wrapped counter-clockwise), the left normal m of the line from one disc to
    the next obeys m.(c2 - c1) = rho2 - rho1, and it touches at c - rho m.

    Raises
    ------
    ChainError
        When one disc lies within its neighbour, or discs on opposite sides overlap.
    """
    rho = chain.radii * chain.senses
    step = np.roll(chain.centres, -1, axis=0) - chain.centres
    size = np.hypot(step[:, 0], step[:, 1])
    differ = np.roll(rho, -1) - rho
    square = size**2 - differ**2
    if len(chain) < 2 or (size <= SAME_MM).any() or (square < -1e-9 * (1 + size**2)).any():
        raise ChainError("neighbouring discs have no common tangent")
    length = np.sqrt(np.maximum(square, 0.0))
    e = step / size[:, None]
    left = np.column_stack([-e[:, 1], e[:, 0]])
    normal = (differ / size)[:, None] * e + (length / size)[:, None] * left
    before = np.roll(normal, 1, axis=0)
    turn = np.arctan2(
        before[:, 0] * normal[:, 1] - before[:, 1] * normal[:, 0], (before * normal).sum(axis=1)
    )
    turn = np.where(np.abs(turn) < TINY_TURN_RAD, 0.0, turn)
    turn = np.where(turn * chain.senses < 0, turn + 2 * np.pi * chain.senses, turn)
    return Legs(
        arrive=chain.centres - rho[:, None] * before,
        leave=chain.centres - rho[:, None] * normal,
        turns=turn,
        lines=length,
    )


def settled(chain: Chain) -> Chain:
    """Return the chain without discs the band doesn't touch.

    Raises
    ------
    ChainError
        When tangents are missing, or fewer than two discs remain.
    """
    if len(chain) == 1 and chain.senses[0] > 0:
        return chain
    for _ in range(len(chain)):
        try:
            turns = np.abs(legs(chain).turns)
        except ChainError:
            inner = _swallowed(chain)
            if inner < 0:
                raise
            chain = chain.without(inner)
            continue
        worst = int(turns.argmax())
        if turns[worst] > WRAP_MOST_RAD or turns.min() == 0:
            chain = chain.without(worst if turns[worst] > WRAP_MOST_RAD else int(turns.argmin()))
            continue
        return chain
    raise ChainError("no loop of discs remains")


def _swallowed(chain: Chain) -> int:
    """Return a disc that lies within a neighbour of its own sense, or -1."""
    for i in range(len(chain)):
        j = (i + 1) % len(chain)
        apart = float(np.hypot(*(chain.centres[j] - chain.centres[i])))
        if chain.senses[i] == chain.senses[j] and apart <= abs(chain.radii[i] - chain.radii[j]) + SAME_MM:
            return i if chain.radii[i] < chain.radii[j] else j
    return -1


def outline_of(chain: Chain) -> Outline:
    """Return the chain's outline; arcs of no radius are corners, a single disc is a circle.

    Raises
    ------
    ChainError
        When tangents are missing.
    """
    if len(chain) == 1:
        return Outline.circle(chain.centres[0], float(chain.radii[0]))
    found = legs(chain)
    vertices: list[Floats] = []
    bulges: list[float] = []
    for i in range(len(chain)):
        if chain.radii[i] * abs(found.turns[i]) > SAME_MM:
            _add_arc(vertices, bulges, chain.centres[i], found.arrive[i], float(found.turns[i]))
        if found.lines[i] > SAME_MM:
            vertices.append(found.leave[i])
            bulges.append(0.0)
    return Outline(np.array(vertices), np.array(bulges))


def _add_arc(vertices: list[Floats], bulges: list[float], centre: Floats, start: Floats, turn: float) -> None:
    """Add an arc, as two halves when it turns more than 200 degrees: a full-turn bulge would be infinite."""
    halves = 2 if abs(turn) > np.radians(200) else 1
    for k in range(halves):
        a = k * turn / halves
        c, s = np.cos(a), np.sin(a)
        offset = start - centre
        vertices.append(centre + np.array([c * offset[0] - s * offset[1], s * offset[0] + c * offset[1]]))
        bulges.append(float(np.tan(turn / halves / 4)))


def piece_lengths(chain: Chain) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the lengths (n,) of the arcs and of the lines after them, mm."""
    found = legs(chain)
    return chain.radii * np.abs(found.turns), found.lines
