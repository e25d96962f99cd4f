"""What each source of scale says against the others, and how far their disagreement widens the scale's doubt.

A source is a card, all cards of one print batch, or one typed distance. Each says the scale by a ratio: its lengths over
those of the network. Where the ratios scatter more than their own doubts allow, the doubts are too small: all of them
grow by the root of chi squared over its freedom.

Source: R. T. Birge, The calculation of errors by the method of least squares, 1932 (ratio of external to internal
consistency); the Particle Data Group's scale factor for averages (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.adjust import Adjusted, adjust
from elbowroom.recon.distances import weighing_sds
from elbowroom.recon.prints import KnownDistance, known_distances
from elbowroom.recon.similarity import shape_alone
from elbowroom.recon.solution import Solution
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import Scene

ODD_SIGMAS, SURELY_ODD_SIGMAS = 2.0, 3.0
"""A source further from the surest one than this many of the pair's sigmas is a note, then a warning."""

LISTED = 4
"""Sources named at most, those that disagree most first."""


@dataclass(frozen=True)
class Source:
    """What one source says the scale is, as a ratio to the network's, with its sd."""

    name: str
    ratio: float
    sd: float


def settled_scale(scene: Scene, solution: Solution) -> Solution:
    """Return a network whose scale's doubt covers what its sources disagree by, and findings on that."""
    refused = {f.subject for f in solution.findings if f.code == "distance-off" and f.severity == "fault"}
    known = [d for d in known_distances(scene, set(solution.index.targets)) if d.name not in refused]
    if len({d.source or d.name for d in known}) < 2:
        return solution
    sources = sources_of(known, solution.adjusted, solution.index.targets)
    widened = widening(sources)
    if widened <= 1:
        return solution
    network = replace(solution.network, distance_sds_mm=widened * solution.network.distance_sds_mm)
    adjusted = adjust(solution.adjusted.state, network)
    findings = solution.findings + source_findings(sources, widened)
    return replace(solution, network=network, adjusted=adjusted, findings=findings)


def sources_of(known: Sequence[KnownDistance], adjusted: Adjusted, ids: Sequence[int]) -> list[Source]:
    """Return what each source of scale says: cards by their source, typed distances one by one.

    Its sd is that of what was given and of the network's shape between its targets; the scale they share is left out.
    """
    seen = [i for i in range(len(ids)) if np.isfinite(adjusted.centre_covariance[3 * i, 3 * i])]
    place = {ids[i]: k for k, i in enumerate(seen)}
    known = [d for d in known if set(d.ends) <= set(place)]
    rows = (3 * np.array(seen)[:, None] + np.arange(3)).ravel()
    centres = adjusted.state.target_shifts[seen]
    shape = shape_alone(centres)
    covariance = shape @ adjusted.centre_covariance[np.ix_(rows, rows)] @ shape
    lengths, levers = _lengths(known, centres, place)
    sds, groups = weighing_sds(known), [d.source or d.name for d in known]
    out = []
    for name in dict.fromkeys(groups):
        mine = np.array([g == name for g in groups])
        weight = lengths[mine] / sds[mine] ** 2
        share = weight / (weight @ lengths[mine])  # the ratio is these shares of the lengths given
        lever = share @ levers[mine]
        given = 1 / np.sqrt(weight @ lengths[mine])
        ratio = float(share @ np.array([d.mm for d in known])[mine])
        out.append(Source(name, ratio, float(np.hypot(given, np.sqrt(max(lever @ covariance @ lever, 0.0))))))
    return out


def _lengths(known: Sequence[KnownDistance], centres: Floats, place: dict[int, int]) -> tuple[Floats, Floats]:
    """Return the network's lengths (d,) mm of known distances and their derivatives (d, 3t) by its centres."""
    ends = np.array([[place[e] for e in d.ends] for d in known], dtype=np.int64).reshape(-1, 2)
    between = centres[ends[:, 1]] - centres[ends[:, 0]]
    lengths = np.linalg.norm(between, axis=1)
    levers = np.zeros((len(known), len(centres), 3))
    each = np.arange(len(known))
    levers[each, ends[:, 1]] = between / lengths[:, None]
    levers[each, ends[:, 0]] = -between / lengths[:, None]
    return lengths, levers.reshape(len(known), 3 * len(centres))


def widening(sources: Sequence[Source]) -> float:
    """Return by how much all sources' sds must grow for them to agree, 1 when they do already."""
    if len(sources) < 2:
        return 1.0
    ratios, weights = np.array([s.ratio for s in sources]), np.array([s.sd**-2.0 for s in sources])
    mean = ratios @ weights / weights.sum()
    return max(1.0, float(np.sqrt(weights @ (ratios - mean) ** 2 / (len(sources) - 1))))


def source_findings(sources: Sequence[Source], widened: float) -> list[Finding]:
    """Return a finding when a source disagrees with the surest one: what each says, in percent and in sigmas."""
    surest = min(sources, key=lambda s: s.sd)
    off = {s.name: s.ratio / surest.ratio - 1 for s in sources if s is not surest}
    sigmas = {s.name: abs(off[s.name]) / np.hypot(s.sd, surest.sd) for s in sources if s is not surest}
    odd = sorted((n for n in sigmas if sigmas[n] > ODD_SIGMAS), key=lambda n: -sigmas[n])
    if not odd:
        return []
    sds = {s.name: s.sd for s in sources}
    said = "; ".join(
        f"{n} says {1 + off[n]:.4f} +/- {sds[n]:.4f}, {100 * off[n]:+.2f} % or {sigmas[n]:.1f} sigmas off"
        for n in odd[:LISTED]
    )
    return [
        Finding(
            code="scale-disagrees",
            severity="warning" if sigmas[odd[0]] > SURELY_ODD_SIGMAS else "note",
            subject="scale",
            message=f"the sources of scale disagree: {surest.name} says 1.0000 +/- {surest.sd:.4f}; {said}. All are used, "
            f"and the scale's doubt is widened {widened:.1f} times to cover it. Measure these again, and look at the "
            "card's flatness and check bars.",
            numbers={
                "percent": 100 * off[odd[0]],
                "sigmas": float(sigmas[odd[0]]),
                "sources": float(len(sources)),
                "widened": widened,
            },
        )
    ]
