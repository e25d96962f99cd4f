"""Subcommands on what the steel bears: the strength check of fitted plates, and bends on the flat."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from elbowroom.app import job as steps
from elbowroom.app.cli.job import JobPath, PlateName, opened
from elbowroom.app.cli.show import console, progress, show_findings
from elbowroom.app.writing import write_stresses
from elbowroom.shared.loads import STRENGTH_CAUTION, Strength
from elbowroom.shared.scene import Vec2
from elbowroom.shared.units import ShownUnit, parse_length, show_length


def strength(
    path: JobPath,
    plate: PlateName = None,
    pictures: Annotated[
        Path | None, typer.Option(help="Folder for a stress picture (PNG) of each load case.")
    ] = None,
) -> int:
    """Check fitted plates under their load cases; exit code 1 when a factor asked for is not kept."""
    with opened(path) as job, progress("strength") as tell:
        found = steps.strength_job(job, plate, tell=tell)
        unit = job.file.scene().shown_in
    for _, made in found:
        show_strength(made, unit)
    for file in write_stresses(found, pictures) if pictures is not None else ():
        console().print(f"wrote {file}", markup=False)
    console().print(STRENGTH_CAUTION, markup=False)
    return 0 if all(made.holds for _, made in found) else 1


def show_strength(made: Strength, unit: ShownUnit) -> None:
    """Print what can give, least margin first, the largest stress and the deflection."""
    title = f"{made.plate} under {made.case}, least margin first"
    table = Table(title=title, title_justify="left", box=None)
    for name in ("what", "where", "load", "bears", "", "factor", "asked", "by"):
        table.add_column(
            name, justify="left" if name in ("what", "where", "", "by") else "right", no_wrap=True
        )
    for r in made.rows:
        cells = [f"{v:.1f}" for v in (r.demand, r.capacity)]
        table.add_row(r.what, r.where, *cells, r.unit, f"{r.factor:.2f}", f"{r.asked:.2f}", r.source)
    Console(file=sys.stdout, highlight=False, width=150).print(table)
    least, settled = made.least, f"moved {100 * made.moved_share:.1f} % in the last refinement"
    lines = (
        f"least factor {least.factor:.2f} ({least.what}, {least.where}), asked {least.asked:.2f}",
        f"largest stress {made.stress_mpa:.1f} MPa of {made.yield_mpa:.0f} at {made.stress_near}, {_at(made.stress_at_plate, unit)}; "
        f"{made.triangles} triangles, {settled}",
        f"moves {_fine(made.deflection_mm, unit)} at most, at {_at(made.deflection_at_plate, unit)}: "
        f"{', '.join(_fine(v, unit) for v in made.deflection_vector_mm)} along the plate's x, y, z",
    )
    for line in lines:
        console().print(line, markup=False)
    show_findings(made.findings)
    console().print(f"{made.plate}, {made.case}: {made.verdict}", markup=False)


def _at(place: Vec2, unit: ShownUnit) -> str:
    return f"plate x {show_length(place[0], unit)}, y {show_length(place[1], unit)}"


def _fine(mm: float, unit: ShownUnit) -> str:
    return f"{mm:.3f} mm" if unit == "mm" else f"{mm / 25.4:.4f} in"


def bend(
    angle: Annotated[float, typer.Argument(help="Degrees the sheet is bent by, from flat.")],
    thickness: Annotated[str, typer.Option(help='Of the sheet, like 4 mm or 1/8".')],
    radius: Annotated[str, typer.Option(help="Inside radius of the bend.")],
    k: Annotated[
        float | None, typer.Option(help="K-factor, 0 to 0.5; the handbook's soft-steel rule when left out.")
    ] = None,
) -> int:
    """Show what a bend takes of the flat: allowance, setback and deduction."""
    from elbowroom.fit import bending

    sizes = {"inside_radius_mm": parse_length(radius, "mm"), "thickness_mm": parse_length(thickness, "mm")}
    if k is None:
        allowance = bending.soft_steel_allowance_mm(angle, **sizes)
    else:
        allowance = bending.bend_allowance_mm(angle, k_factor=k, **sizes)
    out = console()
    shown_k = bending.k_factor_of(allowance, angle, **sizes)
    out.print(f"allowance {_both(allowance)} (flat length of the bend, K {shown_k:.3f})", markup=False)
    if angle < 180:
        setback = bending.setback_mm(angle, **sizes)
        out.print(f"setback {_both(setback)} (from the bend's tangent to the outer corner)", markup=False)
        deduction = bending.bend_deduction_mm(allowance, setback)
        out.print(f"deduction {_both(deduction)} (taken off the sum of both outside lengths)", markup=False)
    out.print("Bend a test strip: K depends on the steel, the tool and the press.", markup=False)
    return 0


def _both(mm: float) -> str:
    return f"{mm:.3f} mm / {mm / 25.4:.4f} in"
