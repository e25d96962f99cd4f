"""Bolts, holes, tools, steel and sheet gauges, read from the tables beside this file.

Every row of every table names its source and how far to trust it (`status`: standard, package, memory, practice,
conflict). Threads are written "M12" or "1/2"; pitch ("M12x1.75", "1/2-13") and inch marks are allowed and ignored.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

from elbowroom.shared.errors import InputError

Tool = Literal["socket", "spanner"]
Row = Mapping[str, str]

_MM_PER = {"mm": 1.0, "in": 25.4}
_HOLE_CLASS = {"fine": "fine", "medium": "medium", "coarse": "coarse"} | {
    "close": "fine",
    "normal": "medium",
    "loose": "coarse",
}

EDGE_DIAMETERS = 1.5
"""Least edge distance over bolt diameter where the standard's table has no row (common practice, no source)."""

SOCKET_FLATS, SOCKET_WALL_MM = 1.5, 4.0
"""Socket outside = 1.5 flats + 4 mm where the table has none (common practice, no source; measure your own)."""

SOCKET_TABLE_FROM_MM = 23.5
"""Flats, mm, from which the tabled sockets count: the smallest of them turns 27 mm, too big a guess for less."""

SOCKET_LENGTH_MM, SOCKET_LENGTH_DIAMETERS = 60.0, 3.0
"""Room along the axis for socket and ratchet head: 60 mm + 3 diameters (common practice, no source)."""

SPANNER_FLATS = 3.0
"""Circle an open spanner's jaws sweep, over flats: 3.0 (common practice, no source). The handle needs more."""

SPANNER_ABOVE_MM = 12.0
"""Room above the head or nut for the jaws and fingers (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoltSizes:
    """Sizes of a hexagon bolt, its nut and its washer, all mm. Corners are those of a sharp hexagon (the largest)."""

    diameter_mm: float
    head_flats_mm: float
    head_corners_mm: float
    head_height_mm: float
    nut_flats_mm: float
    nut_corners_mm: float
    nut_height_mm: float
    washer_od_mm: float
    washer_thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A steel: density kg/m3, yield, ultimate and elastic modulus MPa, and where the figures come from."""

    name: str
    density_kg_m3: float
    yield_mpa: float
    ultimate_mpa: float
    modulus_mpa: float
    status: str
    source: str


@cache
def table(name: str, key: str = "thread") -> Mapping[str, Row]:
    """Return one table as rows by their `key` column, in file order; `name` without the ending."""
    text = files("elbowroom.shared").joinpath("tables", f"{name}.csv").read_text(encoding="utf-8")
    return MappingProxyType({row[key]: MappingProxyType(row) for row in csv.DictReader(text.splitlines())})


def known_threads() -> tuple[str, ...]:
    """Return the threads the tables know, metric first, each from small to large."""
    return tuple(table("heads"))


def bolt_sizes(thread: str) -> BoltSizes:
    """Return nominal diameter, head, nut and washer sizes of a hexagon bolt.

    Raises
    ------
    InputError
        When the tables don't know the thread.

    Source: ISO 4014, 4032, 7089; ASME B18.2.1, B18.2.2, B18.21.1 (see each row); corners = flats / cos 30 deg.
    """
    name = thread_name(thread)
    head, nut, washer = (table(part)[name] for part in ("heads", "nuts", "washers"))
    return BoltSizes(
        diameter_mm=diameter_mm(name),
        head_flats_mm=_mm(head, "flats"),
        head_corners_mm=_mm(head, "flats") / math.cos(math.pi / 6),
        head_height_mm=_mm(head, "height"),
        nut_flats_mm=_mm(nut, "flats"),
        nut_corners_mm=_mm(nut, "flats") / math.cos(math.pi / 6),
        nut_height_mm=_mm(nut, "height"),
        washer_od_mm=_mm(washer, "outside"),
        washer_thickness_mm=_mm(washer, "thickness"),
    )


def clearance_hole_mm(thread: str, hole_class: str = "medium") -> float:
    """Return the clearance hole's diameter, mm, for "fine", "medium" or "coarse" (inch: close, normal, loose).

    Raises
    ------
    InputError
        When the thread or the class isn't known.

    Source: ISO 273; ASME B18.2.8.
    """
    if hole_class not in _HOLE_CLASS:
        raise InputError(
            "no such hole class", where="hole_class", value=hole_class, limit=", ".join(_HOLE_CLASS)
        )
    return _mm(table("clearance_holes")[thread_name(thread)], _HOLE_CLASS[hole_class])


def edge_distance_mm(thread: str) -> float:
    """Return the least distance, mm, from a hole's centre to the plate's edge.

    Sizes the standard's table lacks get 1.5 diameters (common practice, no source).

    Raises
    ------
    InputError
        When the thread isn't known.

    Source: AISC 360 Table J3.4.
    """
    name = thread_name(thread)
    row = table("edge_distances").get(name)
    return _mm(row, "least") if row else EDGE_DIAMETERS * diameter_mm(name)


def tool_room(thread: str, tool: Tool) -> tuple[float, float]:
    """Return diameter and length, mm, of the round room a tool needs about the bolt's axis, from the seat outward.

    A spanner's room is the circle its jaws sweep, without the handle.

    Raises
    ------
    InputError
        When the thread or the tool isn't known.

    Source: AISC manual Table 8-4 (socket of the next size up by flats); else common practice, see the constants.
    """
    sizes = bolt_sizes(thread)
    flats = max(sizes.head_flats_mm, sizes.nut_flats_mm)
    if tool == "socket":
        return _socket_mm(flats), SOCKET_LENGTH_MM + SOCKET_LENGTH_DIAMETERS * sizes.diameter_mm
    if tool == "spanner":
        return SPANNER_FLATS * flats, max(sizes.head_height_mm, sizes.nut_height_mm) + SPANNER_ABOVE_MM
    raise InputError("no such tool", where="tool", value=tool, limit="socket, spanner")


def _socket_mm(flats_mm: float) -> float:
    """Return a socket's outside diameter: the tabled one of the next size up, or the rule where that is far off."""
    rule = SOCKET_FLATS * flats_mm + SOCKET_WALL_MM
    tabled = [_mm(r, "outside") for r in table("sockets").values() if _mm(r, "fits_flats") >= flats_mm]
    return max(rule, tabled[0]) if tabled and flats_mm >= SOCKET_TABLE_FROM_MM else rule


def material(name: str) -> Material:
    """Return a steel of the table by name (case and spaces don't matter).

    Raises
    ------
    InputError
        When the table doesn't know it.
    """
    rows = {k.lower().replace(" ", ""): row for k, row in table("materials", "name").items()}
    row = rows.get(name.lower().replace(" ", ""))
    if row is None:
        known = ", ".join(table("materials", "name"))
        raise InputError("no such material", where="material", value=name, limit=f"known: {known}")
    return Material(
        name=row["name"],
        density_kg_m3=float(row["density_kg_m3"]),
        yield_mpa=float(row["yield_mpa"]),
        ultimate_mpa=float(row["ultimate_mpa"]),
        modulus_mpa=float(row["modulus_mpa"]),
        status=row["status"],
        source=row["source"],
    )


def gauge_mm(gauge: int) -> float:
    """Return the thickness, mm, of a sheet-steel gauge.

    Raises
    ------
    InputError
        When the table doesn't know it.

    Source: manufacturers' standard gauge for sheet steel.
    """
    row = table("gauges", "gauge").get(str(gauge))
    if row is None:
        known = ", ".join(table("gauges", "gauge"))
        raise InputError("no such sheet gauge", where="gauge", value=gauge, limit=f"known: {known}")
    return float(row["thickness_in"]) * 25.4


def diameter_mm(thread: str) -> float:
    """Return a thread's nominal diameter, mm: the number in its name.

    Raises
    ------
    InputError
        When the tables don't know the thread.
    """
    name = thread_name(thread)
    return float(name[1:]) if name.startswith("M") else _number(name) * 25.4


def thread_name(thread: str) -> str:
    """Return a thread as the tables spell it: "m12 x 1.75" gives "M12", '1/2-13' and '1/2"' give "1/2".

    Raises
    ------
    InputError
        When the tables don't know the thread.
    """
    text = re.sub(r"\s|\"|in(ch)?$|UNC$|UNF$", "", thread.strip(), flags=re.IGNORECASE).upper()
    match = re.fullmatch(r"(M\d+)(X\d+(\.\d+)?)?|(\d+(/\d+)?)(-\d+)?(UNC|UNF)?", text)
    name = (match.group(1) or match.group(4)) if match else ""
    if name not in table("heads"):
        known = ", ".join(known_threads())
        raise InputError(
            "no such thread in the tables",
            where="thread",
            value=thread,
            limit=f"known: {known}",
            todo="type the hole's diameter and edge distance instead",
        )
    return name


def _mm(row: Row, column: str) -> float:
    return _number(row[column]) * _MM_PER[row["unit"]]


def _number(text: str) -> float:
    """Return "1-1/8", "5/8" or "0.75" as a number."""
    return float(sum(Fraction(part) for part in text.split("-")))
