"""Slips of the unit when a number is typed: centimetres or inches for millimetres, a decimal point gone astray."""

from __future__ import annotations

SLIPS = {
    10.0: "10 times too large, as if tenths of a millimetre were typed or a decimal point is missing",
    0.1: "10 times too small, as if it were typed in centimetres",
    25.4: "25.4 times too large, as if inches were multiplied by 25.4 once too often",
    1 / 25.4: "25.4 times too small, as if it were typed in inches",
    0.001: "1000 times too small, as if it were typed in metres",
}
"""Ratios of a typed length to the true one, and what they say."""

SLIP_SHARE = 0.05
"""A ratio this near to one of the slips is taken for it: first values are within two percent."""


def slip(ratio: float) -> float | None:
    """Return the slip of the unit a ratio of typed to measured length speaks of, None when it speaks of none."""
    near = [s for s in SLIPS if abs(ratio / s - 1) < SLIP_SHARE]
    return near[0] if near else None


def slip_words(ratio: float) -> str:
    """Return a sentence on the slip a ratio of typed to measured length speaks of, empty when it speaks of none."""
    found = slip(ratio)
    return f"It is {SLIPS[found]}. " if found is not None else ""
