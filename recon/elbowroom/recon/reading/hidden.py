"""Targets that are partly covered: whole patches of their boundaries are missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from elbowroom.recon.reading.detect import Sighting
from elbowroom.recon.reading.pattern import Family, edge_samples
from elbowroom.shared.arrays import Floats, Ints
from elbowroom.shared.errors import Finding

PATCHES = 4
"""Patches a target is divided into along each side: two modules each, with boundaries of both directions in them."""

EMPTY_SHARE, LEAST_SAMPLES = 0.1, 6
"""A patch is covered when less than this share of at least so many boundary samples could be used. Of a target seen at a
grazing angle a third of the samples may be unusable, but they lie all over it."""

COVERED_SHARE = 0.25
"""Share of a target's boundaries in covered patches that is worth a word."""


def covered_share(sighting: Sighting, family: Family | None = None) -> float:
    """Return the share of a target's boundary samples that lie in patches of which next to nothing could be used.

    Shares that are not worth a word come out as zero.
    """
    samples = edge_samples(sighting.target, family).points
    if len(sighting.edges.points_target) > (1 - COVERED_SHARE) * len(samples):
        return 0.0  # so many were used that too few can be missing: most targets, told apart quickly
    expected = _counts(samples)
    found = _counts(sighting.edges.points_target)
    empty = (found < EMPTY_SHARE * expected) & (expected >= LEAST_SAMPLES)
    return float(expected[empty].sum() / expected.sum())


def _counts(points: Floats) -> Ints:
    cell = np.clip(((points + 0.5) * PATCHES).astype(np.int64), 0, PATCHES - 1)
    return np.bincount(cell[:, 0] * PATCHES + cell[:, 1], minlength=PATCHES * PATCHES)


def covered(sightings: Sequence[Sighting], family: Family | None = None) -> dict[int, float]:
    """Return the share covered of each target that is covered by enough to say so."""
    shares = {s.target: covered_share(s, family) for s in sightings}
    return {t: share for t, share in shares.items() if share >= COVERED_SHARE}


def covered_findings(photos: Mapping[str, Mapping[int, float]]) -> list[Finding]:
    """Return a finding for each target covered in some photos: `photos` gives the shares by photo and target."""
    where: dict[int, dict[str, float]] = {}
    for photo, shares in photos.items():
        for target, share in shares.items():
            where.setdefault(target, {})[photo] = share
    return [_covered(t, shares) for t, shares in sorted(where.items())]


def _covered(target: int, shares: Mapping[str, float]) -> Finding:
    worst = max(shares.values())
    listed = ", ".join(f"{p} ({100 * s:.0f} %)" for p, s in sorted(shares.items())[:6])
    return Finding(
        code="target-hidden",
        severity="warning",
        subject=f"target {target}",
        message=f"target {target} is partly covered in {len(shares)} photo(s): {listed}. Its place is weaker for it. "
        "Move what lies over it, or take one more photo from where it is in full view.",
        numbers={"photos": float(len(shares)), "covered_percent": 100 * worst},
    )
