"""Neatening of a chain: several arcs of one bay or bend become one, and nothing shorter than a millimetre stays."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from elbowroom.fit.arcs import LOSS_LEAST_MM, LOSS_MOST_MM, LOSS_SHARE, fitted_disc
from elbowroom.fit.chain import SAME_MM, SHORTEST_MM, Chain, ChainError, legs, piece_lengths, settled
from elbowroom.shared.arrays import Floats, Points2

FLATTEST_MM = 3000.0
"""Largest radius an arc is widened to before it is left out instead."""

MARGIN = 1.02
"""Short pieces are brought a little past the least length."""

SAMPLES = 17
"""Points taken on each arc when two are replaced by one."""

NEAR_SHARE = 0.8
"""Two arcs are one bend when the line between them is shorter than this share of their radii's sum."""

Holds = Callable[[Chain], bool]


def neatened(chain: Chain, holds: Holds, bosses: Floats, radius: float) -> Chain:
    """Return the chain with fewer and longer pieces wherever `holds` still agrees.

    `bosses` (k, 3) are discs whose arcs stay concentric with them; inside radii stay at `radius` or more.
    """
    if len(chain) < 2:
        return chain
    chain = _merged(chain, holds, bosses, radius)
    for _ in range(2 * len(chain)):
        better = _lengthened(chain, holds)
        if better is None:
            return chain
        chain = better
    return chain


def _merged(chain: Chain, holds: Holds, bosses: Floats, radius: float) -> Chain:
    i = 0
    while i < len(chain) and len(chain) > 3:
        better = _pair_as_one(chain, i, holds, bosses, radius)
        if better is None:
            i += 1
        else:
            chain, i = better, max(i - 1, 0)
    return chain


def _pair_as_one(chain: Chain, i: int, holds: Holds, bosses: Floats, radius: float) -> Chain | None:
    """Return the chain with discs i and i + 1 replaced by one, or None when they should stay two."""
    j = (i + 1) % len(chain)
    lines = legs(chain).lines
    if chain.senses[i] != chain.senses[j] or lines[i] > NEAR_SHARE * (chain.radii[i] + chain.radii[j]):
        return None
    if chain.senses[i] > 0 and (_is_boss(chain, i, bosses) or _is_boss(chain, j, bosses)):
        return None
    disc, stands_off = _one_disc(chain, i, j, radius if chain.senses[i] < 0 else 0.0)
    if stands_off > min(max(LOSS_SHARE * disc[2], LOSS_LEAST_MM), LOSS_MOST_MM):
        return None
    return _accepted(chain.replaced(i, disc[:2], disc[2]).without(j), holds)


def _is_boss(chain: Chain, i: int, bosses: Floats) -> bool:
    disc = np.append(chain.centres[i], chain.radii[i])
    return bool((np.abs(bosses - disc).max(axis=1) < SAME_MM).any())


def _one_disc(chain: Chain, i: int, j: int, radius: float) -> tuple[Floats, float]:
    """Return the disc fitted to the arcs of i and j that covers both, and how far it stands off them."""
    found = legs(chain)
    rows = [_arc_samples(chain, k, found.arrive[k], float(found.turns[k])) for k in (i, j)]
    samples, normals = (np.vstack(column) for column in zip(*rows, strict=True))
    disc = fitted_disc(samples, normals, radius)
    bulge = max(_sagitta(chain, k, float(found.turns[k])) for k in (i, j))
    disc[2] += bulge
    return disc, float(disc[2] - np.hypot(*(samples - disc[:2]).T).min())


def _sagitta(chain: Chain, k: int, turn: float) -> float:
    """Return how far an arc swells between its samples."""
    return float(chain.radii[k] * (1 - np.cos(turn / (SAMPLES - 1) / 2)))


def _arc_samples(chain: Chain, k: int, start: Floats, turn: float) -> tuple[Points2, Points2]:
    """Return points on an arc and the directions away from its centre."""
    out = (start - chain.centres[k]) / max(float(chain.radii[k]), 1e-12)
    a = turn * np.linspace(0, 1, SAMPLES)
    c, s = np.cos(a), np.sin(a)
    normals = np.column_stack([c * out[0] - s * out[1], s * out[0] + c * out[1]])
    return chain.centres[k] + chain.radii[k] * normals, normals


def _accepted(chain: Chain, holds: Holds) -> Chain | None:
    try:
        settled_chain = settled(chain)
    except ChainError:
        return None
    return settled_chain if holds(settled_chain) else None


def _lengthened(chain: Chain, holds: Holds) -> Chain | None:
    """Return the chain with one short piece mended, or None when there is none that can be."""
    arcs, lines = piece_lengths(chain)
    for i in np.argsort(arcs):
        if SAME_MM < arcs[i] < SHORTEST_MM and chain.radii[i] > 0:
            better = _without_short_arc(chain, int(i), holds)
            if better is not None:
                return better
    for i in np.argsort(lines):
        if SAME_MM < lines[i] < SHORTEST_MM:
            better = _without_short_line(chain, int(i), holds)
            if better is not None:
                return better
    return None


def _without_short_arc(chain: Chain, i: int, holds: Holds) -> Chain | None:
    """Leave the disc out if nobody misses it, else widen it: about the arc's middle, or about one end, which stays put."""
    gone = _accepted(chain.without(i), holds)
    if gone is not None:
        return gone
    found = legs(chain)
    turn = float(found.turns[i])
    wide = MARGIN * SHORTEST_MM / abs(turn)
    if wide > FLATTEST_MM:
        return None
    points, normals = _arc_samples(chain, i, found.arrive[i], turn)
    for k in (SAMPLES // 2, 0, -1):
        better = _accepted(chain.replaced(i, points[k] - wide * normals[k], wide), holds)
        if better is not None:
            return better
    return None


def _without_short_line(chain: Chain, i: int, holds: Holds) -> Chain | None:
    """Let a bay's disc grow until it touches its neighbour, or put one disc for two of the same sense."""
    j = (i + 1) % len(chain)
    step = chain.centres[j] - chain.centres[i]
    apart = float(np.hypot(step[0], step[1]))
    if chain.senses[i] != chain.senses[j]:
        k = i if chain.senses[i] < 0 else j
        grown = chain.radii[k] + apart - chain.radii[i] - chain.radii[j]
        return _accepted(chain.replaced(k, chain.centres[k], grown), holds)
    both = 0.5 * (apart + chain.radii[i] + chain.radii[j])
    centre = chain.centres[i] + step / apart * (both - chain.radii[i])
    return _accepted(chain.replaced(i, centre, both).without(j), holds)
