"""Every tolerance that decides something, with unit and reason."""

ROTATION_TOLERANCE = 1e-6
"""Largest |R Rt - I|: float64 products of a long chain stay below 1e-12; a file with 7 digits passes."""

COINCIDENT_MM = 1e-7
"""Points of a profile nearer than this are one point: a ten-thousandth of what any cutter resolves."""

CHORD_MM = 0.01
"""Default greatest distance between an arc and the chords that show it: a tenth of a plasma cut's least step."""

PICK_SD_PX = 1.0
"""Assumed standard deviation of a hand-made pick, one axis, in photo pixels (common practice, no source)."""

PICK_SIGMAS = 4.0
"""Outlines are widened by this many pick sigmas: measured, 3 lost containment once in 400 volumes, 4 never."""
