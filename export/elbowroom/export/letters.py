"""Letters of single strokes, as a scribing tool or a punch follows them: every stroke a straight line.

Drawn on a grid 4 wide and 6 high, feet on 0; capitals only, as on a drawing.
"""

from __future__ import annotations

from itertools import pairwise

from elbowroom.shared.scene import Vec2

WIDE, HIGH, NEXT = 4, 6, 6
"""Grid steps of a letter's width and height, and from one letter to the next."""

STROKES = {
    "A": "00 26 40|12 32", "B": "00 06 36 45 44 33 03|33 42 41 30 00", "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00", "E": "40 00 06 46|03 33", "F": "00 06 46|03 33",
    "G": "45 36 16 05 01 10 30 41 43 23", "H": "00 06|40 46|03 43", "I": "20 26|10 30|16 36",
    "J": "46 41 30 10 01", "K": "00 06|46 03 40", "L": "06 00 40", "M": "00 06 23 46 40", "N": "00 06 40 46",
    "O": "10 01 05 16 36 45 41 30 10", "P": "00 06 36 45 44 33 03", "Q": "10 01 05 16 36 45 41 30 10|22 40",
    "R": "00 06 36 45 44 33 03|23 40", "S": "01 10 30 41 42 33 13 04 05 16 36 45", "T": "20 26|06 46",
    "U": "06 01 10 30 41 46", "V": "06 20 46", "W": "06 10 23 30 46", "X": "00 46|06 40", "Y": "06 23 46|23 20",
    "Z": "06 46 00 40", "0": "10 01 05 16 36 45 41 30 10|01 45", "1": "15 26 20|10 30", "2": "05 16 36 45 44 00 40",
    "3": "05 16 36 45 44 33 13|33 42 41 30 10 01", "4": "30 36 02 42", "5": "46 06 03 33 42 41 30 10 01",
    "6": "45 36 16 05 01 10 30 41 42 33 03", "7": "06 46 10",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33", "9": "01 10 30 41 45 36 16 05 04 13 43",
    "-": "13 33", ".": "20 21", "/": "00 46", "_": "00 40", "(": "36 25 21 30", ")": "16 25 21 10", " ": "",
}  # fmt: skip


def known(words: str) -> bool:
    """Say whether all letters can be drawn."""
    return all(c in STROKES for c in words.upper())


def strokes(words: str, middle: Vec2, height_mm: float) -> list[tuple[Vec2, Vec2]]:
    """Return words as straight lines (from, to), mm, with their middle at a place; letters not known are left out."""
    step = height_mm / HIGH
    left = middle[0] - step * (NEXT * len(words) - (NEXT - WIDE)) / 2
    out: list[tuple[Vec2, Vec2]] = []
    for n, letter in enumerate(words.upper()):
        for run in filter(None, STROKES.get(letter, "").split("|")):
            points = [
                (left + step * (NEXT * n + int(p[0])), middle[1] + step * (int(p[1]) - HIGH / 2))
                for p in run.split()
            ]
            out += pairwise(points)
    return out
