"""Lengths typed and shown. 1 in = 25.4 mm exactly: international yard and pound agreement of 1959."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from elbowroom.shared.errors import InputError
from elbowroom.shared.units import InputUnit, parse_length, parse_offset, show_length

READ = [
    ('1-3/16"', "mm", 30.1625),
    ("1 3/16 in", "mm", 30.1625),
    ("30.2 mm", "in", 30.2),
    (".25", "in", 6.35),
    (".25", "mm", 0.25),
    ('3/8"', "mm", 9.525),
    ("3/8", "in", 9.525),
    ("2'", "mm", 609.6),
    ("2' 3-1/2\"", "mm", 698.5),
    ("2′ 3½″", "mm", 698.5),
    ("1½”", "mm", 38.1),
    ("2 ft 3 1/2 in", "mm", 698.5),
    ("30,2 mm", "in", 30.2),
    ("0,125", "in", 3.175),
    ("1.5 cm", "in", 15.0),
    ("7/16 inch", "mm", 11.1125),
    ("  12\u00a0mm ", "in", 12.0),
    ("0", "mm", 0.0),
]


@pytest.mark.parametrize(("text", "unit", "mm"), READ)
def test_read(text: str, unit: InputUnit, mm: float) -> None:
    assert parse_length(text, unit) == mm  # exact: fractions inside, one rounding at the end


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no length"),
        ("   ", "no length"),
        ("-3", "negative"),
        ('1/0"', "over zero"),
        ('1/2/3"', "not a length"),
        ("nan", "not a length"),
        ("inf", "not a length"),
        ("1e3", "not a length"),
        ("1,250", "comma"),
        ("1,250.5", "not a length"),
        ("3/8", "inch mark"),
        ("2' 3", "not a length"),
        ("12 furlongs", "not a length"),
        ("9" * 400, "too long"),
    ],
)
def test_refused_with_what_was_typed_and_examples(text: str, why: str) -> None:
    with pytest.raises(InputError, match=why) as caught:
        parse_length(text, "mm")
    assert repr(text[:20])[:-1] in str(caught.value)
    assert "30.2 mm" in str(caught.value)


def test_offsets_take_a_sign() -> None:
    assert parse_offset('-1/4"', "mm") == -6.35
    assert parse_offset("+2", "mm") == 2
    assert parse_offset("−3 mm", "in") == -3
    with pytest.raises(InputError):
        parse_offset("--3", "mm")


@pytest.mark.parametrize(
    ("mm", "shown"),
    [
        (30.1625, ("30.163 mm", '1.188"', '1-3/16"')),  # the float lies just above the tie
        (30.2, ("30.200 mm", '1.189"', '~1-3/16"')),
        (0.0, ("0.000 mm", '0.000"', '0"')),
        (-0.0001, ("0.000 mm", '0.000"', '~0"')),
        (25.4, ("25.400 mm", '1.000"', '1"')),
        (-12.7, ("-12.700 mm", '-0.500"', '-1/2"')),
        (609.6, ("609.600 mm", '24.000"', '24"')),
        (25.4 * 63.9 / 64, ("25.360 mm", '0.998"', '~1"')),
    ],
)
def test_shown(mm: float, shown: tuple[str, str, str]) -> None:
    assert (show_length(mm, "mm", 3), show_length(mm, "in", 3), show_length(mm, "in fraction")) == shown


@settings(derandomize=True, max_examples=300)
@given(st.integers(0, 64 * 400))
def test_every_64th_survives_showing_and_reading(count: int) -> None:
    mm = float(Fraction(count, 64) * Fraction(127, 5))
    shown = show_length(mm, "in fraction")
    assert "~" not in shown
    assert parse_length(shown, "mm") == mm


@settings(derandomize=True, max_examples=300)
@given(st.floats(0, 1e5, allow_nan=False))
def test_decimals_survive_to_their_last_digit(mm: float) -> None:
    assert parse_length(show_length(mm, "mm", 4), "in") == pytest.approx(mm, abs=0.5e-4 + 1e-9)
    assert parse_length(show_length(mm, "in", 5), "mm") == pytest.approx(mm, abs=0.5e-5 * 25.4 + 1e-9)
    near = parse_length(show_length(mm, "in fraction").lstrip("~"), "mm")
    assert math.isclose(near, mm, abs_tol=25.4 / 128 + 1e-9)
