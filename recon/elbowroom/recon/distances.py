"""Known distances against what the photos say: which are used, and findings on those that can't be right."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.prints import KnownDistance
from elbowroom.recon.slips import slip, slip_words
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding

GROSS_RATIO = 0.02
"""A known distance whose ratio to the sides' scale is off its fellows by more than this is not used."""

DOUBT_SIGMAS = 5.0
"""...widened by this many of its own standard deviations, so that a short or rough one isn't thrown out."""

MISS_SIGMAS = 4.0
"""A used distance that misses by more than this many of its standard deviations is reported."""


def trusted_distances(
    distances: Sequence[KnownDistance], centres: Mapping[int, Floats]
) -> tuple[list[KnownDistance], float, list[Finding]]:
    """Return the distances to use, the scale they ask of the network, and findings on those that can't be right.

    `centres` are target centres (3,) mm by id, scaled by the printed sides. With one distance, or distances of
    two minds, the sides cast the vote.
    """
    if not distances:
        return [], 1.0, []
    measured = np.array([_length(d, centres) for d in distances])
    ratios = np.array([d.mm for d in distances]) / np.maximum(measured, 1e-6)
    slack = np.array([GROSS_RATIO + DOUBT_SIGMAS * d.sd_mm / d.mm for d in distances])
    middle = float(np.median(ratios))
    base = middle if (np.abs(ratios / middle - 1) < slack).sum() >= 2 else 1.0
    if slip(base) is not None and not any(d.source for d in distances):
        base = 1.0  # all typed, in the wrong unit: cards would know better, the sides do
    good = np.abs(ratios / base - 1) < slack
    rows = list(zip(distances, measured * base, good, strict=True))
    findings = [_refused(d, float(mm)) for d, mm, ok in rows if not ok]
    kept = [d for d, _, ok in rows if ok]
    if kept and abs(base - 1) > GROSS_RATIO:
        findings.append(_sides_off(100 * (1 / base - 1)))
    return kept, base if kept else 1.0, findings


def weighing_sds(distances: Sequence[KnownDistance]) -> Floats:
    """Return the standard deviations (d,) mm with which distances are weighed as if they were independent.

    The n distances of one source share its error, so together they may weigh no more than one of them: each gets its
    sd times sqrt(n). That is exact for a common scale error and never says too little, however the errors hang together.

    Source: covariance intersection with equal weights, S. Julier and J. Uhlmann, 1997 (from memory).
    """
    shared = Counter(d.source for d in distances if d.source)
    return np.array([d.sd_mm * np.sqrt(shared[d.source] if d.source else 1) for d in distances])


def _length(distance: KnownDistance, centres: Mapping[int, Floats]) -> float:
    a, b = distance.ends
    return float(np.linalg.norm(centres[b] - centres[a]))


def _refused(distance: KnownDistance, measured_mm: float) -> Finding:
    return Finding(
        code="distance-off",
        severity="fault",
        subject=distance.name,
        message=f"{distance.name}: given {distance.mm:.2f} mm, but the photos say {measured_mm:.2f} mm; "
        f"it is not used. {slip_words(distance.mm / measured_mm)}Check the number and its unit.",
        numbers={"given_mm": distance.mm, "measured_mm": measured_mm, "ratio": distance.mm / measured_mm},
    )


def _sides_off(percent: float) -> Finding:
    return Finding(
        code="sides-off",
        severity="fault",
        subject="targets",
        message=f"the typed target sides are {percent:+.1f} % off what the scale cards and distances say; these "
        f"are followed. {slip_words(1 + percent / 100)}Check the target size and the printer's scaling.",
        numbers={"percent": percent},
    )


def distance_findings(distances: Sequence[KnownDistance], centres: Mapping[int, Floats]) -> list[Finding]:
    """Return a finding on each used distance that the adjusted centres (3,) mm by id miss by far."""
    out = []
    for d in distances:
        measured = _length(d, centres)
        times = abs(measured - d.mm) / d.sd_mm
        if times > MISS_SIGMAS:
            out.append(
                Finding(
                    code="distance-off",
                    severity="warning",
                    subject=d.name,
                    message=f"{d.name}: given {d.mm:.2f} mm, measured {measured:.2f} mm with all the rest; "
                    f"that is {times:.0f} times its doubt. Measure it again.",
                    numbers={"given_mm": d.mm, "measured_mm": measured},
                )
            )
    return out
