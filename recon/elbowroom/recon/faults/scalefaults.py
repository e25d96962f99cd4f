"""What the adjusted network says of the prints' scale: a printer that shrank or stretched its pages."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from elbowroom.recon.network.prints import Print
from elbowroom.recon.network.solution import Solution
from elbowroom.shared.errors import Finding

LEAST_SHARE, MOST_SHARE = 0.002, 0.02
"""Printers are true to 0.2 % and 'fit to page' shrinks by 3 % or more (common practice): in between is worth a warning,
above it the sides are told to be off altogether."""

SURE_SIGMAS = 4.0
"""...if it stands out of its own doubt by this much."""


def scale_findings(solution: Solution, prints: Mapping[int, Print]) -> list[Finding]:
    """Return a finding for each print batch whose sides differ from what cards and distances say."""
    if not solution.scale_known or any(f.code == "sides-off" for f in solution.findings):
        return []
    out, index = [], solution.index
    for i, batch in enumerate(index.batches):
        mine = [t for t, b in enumerate(solution.network.batch) if b == i]
        given = np.median([solution.network.sides_mm[t] / prints[index.targets[t]].side_mm for t in mine])
        share = float(given * solution.adjusted.state.factors[i]) - 1
        sd = float(np.sqrt(solution.adjusted.factor_covariance[i, i]))
        if abs(share) >= LEAST_SHARE and abs(share) > SURE_SIGMAS * sd:
            out.append(_printer(batch, 100 * share, 100 * sd))
    return out


def _printer(batch: str, percent: float, sd: float) -> Finding:
    which = f"the prints of batch {batch}" if batch else "the printed targets"
    size = "larger" if percent > 0 else "smaller"
    return Finding(
        code="printer-scale",
        severity="warning" if abs(percent) <= 100 * MOST_SHARE else "fault",
        subject=f"batch {batch}" if batch else "targets",
        message=f"{which} are {abs(percent):.2f} % {size} (± {sd:.2f} %) than given by what the scale cards and typed "
        "distances say; these are followed. Measure the check bars and type them in, check the typed distance, and "
        "print at 100 % without 'fit to page'.",
        numbers={"percent": percent, "sd_percent": sd},
    )
