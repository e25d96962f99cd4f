"""Lengths as people type and read them. Inside the program every length is millimetres; this is the border.

One inch is 25.4 mm exactly (international yard and pound agreement, 1959), one foot 12 inches.
"""

from __future__ import annotations

import re
import unicodedata
from fractions import Fraction
from typing import Literal

from elbowroom.shared.errors import InputError

InputUnit = Literal["mm", "in"]
ShownUnit = Literal["mm", "in", "in fraction"]

MM_PER_INCH = Fraction(127, 5)
SHOWN_FRACTION = 64
"""Fractional inches are shown to the nearest 64th: the finest mark on a steel rule (common practice, no source)."""

LONGEST_TEXT = 60
"""Characters: more is not a length, and would only cost time."""

EXAMPLES = 'type it like 30.2 mm, 1-3/16", 1.189 in or 2\' 3-1/2"'

_MM_PER = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
}
_DECIMAL = r"(?:\d+[.,]?\d*|[.,]\d+)"
_RATIO = r"\d+\s*/\s*\d+"
_NUMBER = rf"(?:\d+(?:\s*-\s*|\s+){_RATIO}|{_RATIO}|{_DECIMAL})"
_PLAIN = re.compile(rf"({_NUMBER})\s*(mm|cm|m|inches|inch|in|\")?\.?")
_FEET = re.compile(
    rf"({_DECIMAL})\s*(?:'|feet|foot|ft)\.?(?:\s*-?\s*({_NUMBER})\s*(?:\"|inches|inch|in)\.?)?"
)
_MARKS = str.maketrans(
    {
        "′": "'",
        "’": "'",
        "‘": "'",
        "`": "'",
        "″": '"',
        "”": '"',
        "“": '"',
        "⁄": "/",
        "∕": "/",
        "‐": "-",
        "‑": "-",
        "–": "-",
        "−": "-",
    }
)


def parse_length(text: str, default_unit: InputUnit) -> float:
    """Return a typed length in mm; a bare number is in `default_unit`.

    Takes decimals with point or comma, fractions and mixed numbers of inches, feet and inches, and mm, cm, m.

    Raises
    ------
    InputError
        When nothing was typed, or it is negative, or can't be read in one way only.
    """
    plain = _tidy(text)
    if plain.startswith("-"):
        raise _refused(text, "a length can't be negative")
    return float(_millimetres(plain, default_unit, text))


def parse_offset(text: str, default_unit: InputUnit) -> float:
    """Return a typed signed distance in mm: as `parse_length`, with a leading + or - allowed.

    Raises
    ------
    InputError
        When it can't be read in one way only.
    """
    plain = _tidy(text)
    sign = -1 if plain.startswith("-") else 1
    body = plain[1:].lstrip() if plain[:1] in ("-", "+") else plain
    return float(sign * _millimetres(body, default_unit, text))


def show_length(mm: float, unit: ShownUnit, digits: int = 2) -> str:
    """Return a length for people: ``30.20 mm``, ``1.19"``, or ``1-3/16"`` to the nearest 64th.

    A fraction that is not the length exactly (to 1e-9 mm) starts with ``~``. `digits` counts decimals and is not
    used for fractions.
    """
    if unit == "mm":
        return f"{_rounded(mm, digits)} mm"
    if unit == "in":
        return f'{_rounded(mm / 25.4, digits)}"'
    nearest = fraction_of_inch(mm)
    near = "" if abs(float(nearest * MM_PER_INCH) - mm) <= 1e-9 else "~"
    sign, size = ("-" if nearest < 0 else ""), abs(nearest)
    whole, rest = divmod(size, 1)
    parts = [str(whole)] if whole or not rest else []
    parts += [f"{rest.numerator}/{rest.denominator}"] if rest else []
    return f'{near}{sign}{"-".join(parts)}"'


def fraction_of_inch(mm: float) -> Fraction:
    """Return the nearest 64th of an inch to a length in mm, in inches, reduced."""
    return Fraction(round(Fraction(mm) / MM_PER_INCH * SHOWN_FRACTION), SHOWN_FRACTION)


def _rounded(value: float, digits: int) -> str:
    shown = f"{value:.{digits}f}"
    return shown[1:] if float(shown) == 0 and shown.startswith("-") else shown


def _tidy(text: str) -> str:
    """Return the text with one kind of each mark, vulgar fractions spelled out, in lower case."""
    if len(text) > LONGEST_TEXT:
        raise _refused(text, "too long for a length")
    spelled = re.sub(r"(?<=\d)(?=[¼-¾⅐-⅞])", " ", str(text))
    plain = unicodedata.normalize("NFKC", spelled.translate(_MARKS)).translate(_MARKS)
    return re.sub(r"\s+", " ", plain.replace("''", '"')).strip().lower()


def _millimetres(plain: str, default_unit: InputUnit, typed: str) -> Fraction:
    if not plain:
        raise _refused(typed, "no length was typed")
    feet = _FEET.fullmatch(plain)
    if feet:
        return (12 * _number(feet[1], typed) + (_number(feet[2], typed) if feet[2] else 0)) * MM_PER_INCH
    match = _PLAIN.fullmatch(plain)
    if not match:
        raise _refused(typed, "not a length")
    unit = match[2] or default_unit
    if "/" in match[1] and unit not in ("in", "inch", "inches", '"'):
        raise _refused(typed, "a fraction needs its inch mark")
    return _number(match[1], typed) * _MM_PER[unit]


def _number(text: str, typed: str) -> Fraction:
    if "/" not in text:
        return _decimal(text, typed)
    whole, ratio = re.fullmatch(rf"(?:(\d+)(?:\s*-\s*|\s+))?({_RATIO})", text).groups()  # type: ignore[union-attr]
    over, under = (int(part) for part in ratio.split("/"))
    if under == 0:
        raise _refused(typed, "a fraction over zero")
    return int(whole or 0) + Fraction(over, under)


def _decimal(text: str, typed: str) -> Fraction:
    """Return a decimal number; a comma that could set thousands apart is refused."""
    if re.fullmatch(r"[1-9]\d{0,2},\d{3}", text):
        raise _refused(typed, "the comma may mean decimals or thousands; use a point")
    return Fraction(text.replace(",", ".").rstrip(".") or "0")


def _refused(typed: str, why: str) -> InputError:
    return InputError(why, where="length", value=f"typed {str(typed)[:60]!r}", todo=EXAMPLES)
