"""Results in plain words, the same on the command line and on the page."""

from __future__ import annotations

from elbowroom.shared.scene import Accuracy
from elbowroom.shared.units import ShownUnit

CAUTION = (
    "Check the part before it is cut and before it is loaded. This is a fit check, not an approval: structural, "
    "lifting, brake, steering and vehicle parts fall under local codes and licensed practice."
)


def accuracy_words(accuracy: Accuracy) -> str:
    """Return how good the network is, as a sentence."""
    return (
        f"target centres are known to +/- {2 * accuracy.typical_sd_mm:.3f} mm (19 in 20), the scale to "
        f"+/- {200 * accuracy.scale_sd:.3f} % from {accuracy.scale_source}; residuals {accuracy.rms_px:.3f} px rms, "
        f"{accuracy.rejected} sightings rejected"
    )


def sentence(words: str) -> str:
    """Return words as a sentence: the first letter large, a full stop behind."""
    return f"{words[:1].upper()}{words[1:]}."


def bare_length(mm: float, unit: ShownUnit) -> str:
    """Return a length without its unit, for a column that names it."""
    return f"{mm:.2f}" if unit == "mm" else f"{mm / 25.4:.3f}"
