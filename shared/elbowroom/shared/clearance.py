"""The clearance each class of obstacle asks, from a table the shop may edit."""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import TYPE_CHECKING

from elbowroom.shared.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

COLUMNS = ("class", "mm", "source")


@cache
def class_clearances() -> Mapping[str, float]:
    """Return the clearance, mm, of every class in `tables/clearance.csv`."""
    path = files("elbowroom.shared").joinpath("tables", "clearance.csv")
    return read_clearances(path.read_text(encoding="utf-8"), where="tables/clearance.csv")


def class_clearance(name: str) -> float:
    """Return the clearance, mm, that a class asks.

    Raises
    ------
    InputError
        When the table doesn't hold the class.
    """
    table = class_clearances()
    if name not in table:
        raise InputError("no such clearance class", where=name, limit=f"there are: {', '.join(table)}")
    return table[name]


def read_clearances(text: str, *, where: str) -> Mapping[str, float]:
    """Return class name to mm from a table with the columns class, mm, source.

    Raises
    ------
    InputError
        When a column is missing, a class comes twice, a clearance is no number from 0 up, or its source is empty.
    """
    rows = csv.DictReader(text.splitlines())
    if tuple(rows.fieldnames or ()) != COLUMNS:
        raise InputError("wrong columns", where=where, value=rows.fieldnames, limit=", ".join(COLUMNS))
    out: dict[str, float] = {}
    for row in rows:
        name, place = row["class"], f"{where}, line {rows.line_num}"
        if name in out or not row["source"]:
            raise InputError("a class comes once and names its source", where=place, value=name)
        out[name] = _clearance(row["mm"], place)
    return MappingProxyType(out)


def _clearance(text: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e4:
        raise InputError("a clearance is a number of mm from 0 up", where=where, value=text)
    return value
