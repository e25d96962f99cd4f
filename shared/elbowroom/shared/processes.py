"""What a way of cutting can do in a thickness, read from a table that a shop edits."""

from __future__ import annotations

from dataclasses import dataclass

from elbowroom.shared.errors import InputError
from elbowroom.shared.hardware import table


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessRules:
    """One row of the table; lengths in mm.

    `kerf_mm` is the width of the cut. Round holes under `least_hole_mm` are drilled. Inside corners come out no sharper
    than `least_inside_radius_mm`. A slot that slides over a plate is widened by `slot_allowance_mm` on every side, for
    slag and bevel. `tolerance_mm` is how far the edge may lie from the line, either way.
    """

    process: str
    up_to_mm: float
    kerf_mm: float
    least_hole_mm: float
    least_inside_radius_mm: float
    slot_allowance_mm: float
    tolerance_mm: float
    edge: str
    status: str
    source: str


def known_processes() -> tuple[str, ...]:
    """Return the ways of cutting that the table knows."""
    return tuple(dict.fromkeys(row["process"] for row in table("processes", "rule").values()))


def process_rules(process: str, thickness_mm: float) -> ProcessRules:
    """Return what a way of cutting does in a thickness: the first row of the table that reaches it.

    Raises
    ------
    InputError
        When the table doesn't know the process, or no row of it reaches the thickness.
    """
    rows = [r for r in table("processes", "rule").values() if r["process"] == process]
    if not rows:
        raise InputError(
            "no such way of cutting", where="process", value=process, limit=", ".join(known_processes())
        )
    for row in sorted(rows, key=lambda r: float(r["up_to_mm"])):
        if thickness_mm <= float(row["up_to_mm"]):
            words = {k: row[k] for k in ("process", "edge", "status", "source")}
            sizes = {k: float(v) for k, v in row.items() if k.endswith("_mm")}
            return ProcessRules(**words, **sizes)  # type: ignore[arg-type]
    raise InputError(
        f"too thick for {process} by the table",
        where="thickness",
        value=f"{thickness_mm:g} mm",
        limit=f"{max(float(r['up_to_mm']) for r in rows):g} mm",
        todo="choose another way of cutting, or add a row for yours to processes.csv",
    )
