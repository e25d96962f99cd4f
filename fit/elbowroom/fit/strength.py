"""The strength check of a plate: stress and deflection by finite elements, holes, bolts and welds by formula."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.interpolate import LinearNDInterpolator
from shapely.geometry import Polygon

from elbowroom.fit.bearing import YIELD_ASKED, hole_rows
from elbowroom.fit.boltgroup import bolt_forces
from elbowroom.fit.finite import PlateElements, Sheet, Solution, von_mises
from elbowroom.fit.holding import Held, Line, held_plate, rim_load
from elbowroom.fit.refinement import Refined, refine
from elbowroom.fit.weldgroup import (
    WELD_ASKED,
    WeldLoad,
    largest_leg_mm,
    least_leg_mm,
    leg_needed_mm,
    weld_load,
    weld_strength_n_mm,
)
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding
from elbowroom.shared.hardware import Material, material
from elbowroom.shared.loads import FACTOR_SHOWN, LoadCase, Strength, StrengthRow, StressField
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, Vec2

ACROSS = 14
"""Edges of the first mesh along the plate's longer side."""

TOE_NEAR, TOE_FAR, TOE_WEIGHTS = 0.4, 1.0, (1.67, -0.67)
"""Stress at a held edge is carried on to it from 0.4 and 1.0 thicknesses away (IIW-1823 on fatigue of welded joints,
structural hot-spot stress, fine mesh; from memory). Nearer by, a clamped edge's end has stress without bound."""

SHARED = (
    "bolts and welds both hold this plate: the welds are checked for all of the load, since bolts in clearance holes slip "
    "before welds give (AISC 360 J1.8, from memory); the holes that hold are not checked, and the stress counts on both: "
    "name the weld edges alone for the safe side"
)

LARGE_MOVE = 0.5
"""Deflection over thickness from which a plate's stretching by its own bending is no longer small (thin-plate theory)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Job:
    plate: Plate
    case: LoadCase
    held: Held
    steel: Material
    area: Polygon


def check_strength(
    plate: Plate,
    case: LoadCase,
    *,
    bolt_mm: Mapping[str, float] | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Strength:
    """Return how a plate stands up to a load case: rows of what can give (least margin first), stress, deflection.

    Parameters
    ----------
    plate : Plate
    case : LoadCase
    bolt_mm : Mapping[str, float]
        Diameters of the bolts in holes by name, mm, where known.
    progress : Callable[[float], None]

    Raises
    ------
    InputError
        When nothing holds the plate, a hole or support isn't there, the material isn't known or the thickness is zero.
    SolveError
        When no mesh comes out.
    """
    steel = material(plate.material)
    job = _Job(plate=plate, case=case, held=held_plate(plate, case), steel=steel, area=_polygon(plate))
    by_formula, notes = _formula_rows(job, bolt_mm or {})
    sheet = Sheet(thickness_mm=plate.thickness_mm, modulus_mpa=steel.modulus_mpa)

    def solve(elements: PlateElements) -> Solution:
        ends = elements.ends
        return elements.solve(sheet, job.held.held_edges(ends), job.held.edge_loads(ends))

    x0, y0, x1, y1 = job.area.bounds
    refined = refine(
        job.held.loops,
        max(x1 - x0, y1 - y0) / ACROSS,
        solve,
        counted=lambda places: _counted(job, places),
        report=lambda elements, solution: _figures(job, elements, solution),
        limit_mm=lambda places: _limit(job, places),
        finest_mm=TOE_NEAR * plate.thickness_mm,
        progress=progress,
    )
    return _result(job, refined, by_formula, notes)


def _formula_rows(job: _Job, bolt_mm: Mapping[str, float]) -> tuple[list[StrengthRow], list[Finding]]:
    """Return what needs no elements; it comes first, for it finds a plate that could turn round its only bolt."""
    welds, notes = _weld_rows(job)
    return [*_hole_rows(job, bolt_mm), *welds], notes


def _polygon(plate: Plate) -> Polygon:
    holes = [Outline.of_loop(h.loop).flatten() for h in plate.holes]
    return Polygon(Outline.of_loop(plate.outer).flatten(), holes)


def _counted(job: _Job, places: Floats) -> npt.NDArray[np.bool_]:
    """Say where the elements' own stress is reported: not right beside a held edge."""
    out = np.ones(len(places), dtype=bool)
    for line in job.held.lines:
        out &= line.distance(places) >= TOE_NEAR * job.plate.thickness_mm
    return out


def _limit(job: _Job, places: Floats) -> Floats:
    """Return the longest edge wanted: along held edges the stress is read at parts of the thickness."""
    t = job.plate.thickness_mm
    out = np.full(len(places), np.inf)
    for line in job.held.lines:
        out[line.distance(places) < TOE_FAR * t] = 1.2 * TOE_NEAR * t
    return out


def _figures(job: _Job, elements: PlateElements, solution: Solution) -> Floats:
    stress, _, _ = _worst(job, elements, solution)
    return np.array([stress, np.linalg.norm(solution.moved[:, :3], axis=1).max()])


def _worst(job: _Job, elements: PlateElements, solution: Solution) -> tuple[float, Floats, str]:
    """Return the largest stress (MPa) that counts, where (2,), and near what."""
    nodes = elements.mesh.nodes
    stress = np.where(_counted(job, nodes), solution.von_mises(), 0.0)
    row = int(stress.argmax())
    best = (float(stress[row]), nodes[row], _near(job, nodes[row]))
    both = LinearNDInterpolator(nodes, np.hstack([solution.membrane, solution.bending]))
    for line in job.held.lines:
        at, toe = _toe(job, line, both)
        if len(toe) and toe.max() > best[0]:
            best = (float(toe.max()), at[int(toe.argmax())], f"weld edge {line.name}")
    return best


def _toe(job: _Job, line: Line, both: LinearNDInterpolator) -> tuple[Floats, Floats]:
    """Return places (k, 2) on a held edge and the stress (k,) MPa carried on to them from inside the plate."""
    t = job.plate.thickness_mm
    length = float(np.hypot(*(line.end - line.start)))
    share = np.linspace(0.0, 1.0, max(int(np.ceil(2 * length / t)), 4) + 1)
    share = np.clip(share, 0.05 * t / length, 1 - 0.05 * t / length)
    at = line.start + share[:, None] * (line.end - line.start)
    total = np.zeros((len(at), 6))
    inside = np.ones(len(at), dtype=bool)
    for depth, weight in zip((TOE_NEAR, TOE_FAR), TOE_WEIGHTS, strict=True):
        probe = at + depth * t * line.inward
        inside &= shapely.contains_xy(job.area, probe)
        total += weight * both(probe)
    inside &= np.isfinite(total).all(axis=1)
    membrane, bending = total[inside, :3], total[inside, 3:]
    return at[inside], np.maximum(von_mises(membrane + bending), von_mises(membrane - bending))


def _near(job: _Job, place: Floats) -> str:
    """Return the name of the opening or held edge a place belongs to."""
    best, name = job.plate.thickness_mm, "the outline"
    for hole in job.plate.holes:
        off = float(Outline.of_loop(hole.loop).distance(place[None, :])[0])
        if off < best:
            best, name = off, f"{'hole' if hole.kind == 'round' else 'slot'} {hole.name}"
    for line in job.held.lines:
        off = float(line.distance(place[None, :])[0])
        if off < best:
            best, name = off, f"weld edge {line.name}"
    return name


def _result(job: _Job, refined: Refined, by_formula: list[StrengthRow], notes: list[Finding]) -> Strength:
    elements, solution = refined.elements, refined.solution
    stress, at, near = _worst(job, elements, solution)
    shift = solution.moved[:, :3]
    size = np.linalg.norm(shift, axis=1)
    most = int(size.argmax())
    rows = sorted([_steel_row(job, stress, near), *by_formula], key=lambda r: r.factor / r.asked)
    return Strength(
        plate=job.plate.name,
        case=job.case.name,
        rows=tuple(rows),
        stress_mpa=stress,
        stress_at_plate=_pair(at),
        stress_near=near,
        deflection_mm=float(size[most]),
        deflection_at_plate=_pair(elements.mesh.nodes[most]),
        deflection_vector_mm=(float(shift[most, 0]), float(shift[most, 1]), float(shift[most, 2])),
        triangles=len(elements.mesh.triangles),
        converged=refined.settled,
        moved_share=refined.moved,
        yield_mpa=job.steel.yield_mpa,
        findings=(*_findings(job, refined, float(np.abs(shift[:, 2]).max()), stress), *notes),
        field=StressField(
            nodes_plate=elements.mesh.nodes,
            triangles=elements.mesh.triangles,
            von_mises_mpa=solution.von_mises(),
            moved_mm=shift,
            counted=_counted(job, elements.mesh.nodes).astype(np.float64),
        ),
    )


def _pair(place: Floats) -> Vec2:
    return float(place[0]), float(place[1])


def _steel_row(job: _Job, stress: float, near: str) -> StrengthRow:
    factor = job.steel.yield_mpa / stress if stress > 0 else np.inf
    return StrengthRow(
        what="yield", where=near, demand=stress, capacity=job.steel.yield_mpa, unit="MPa",
        factor=min(factor, FACTOR_SHOWN), asked=job.case.least_factor, source="von Mises, finite elements",
    )  # fmt: skip


def _hole_rows(job: _Job, bolt_mm: Mapping[str, float]) -> list[StrengthRow]:
    """Return bearing, tear-out and net section of loaded holes and of the holes that hold."""
    plate = job.plate
    pushes = [(rim, rim_load(load)[0][:2], load.pin_mm) for rim, load in job.held.pulls]
    if job.held.rims and not job.held.lines:  # beside welds they are not relied on, see SHARED
        force, moment, at = _total(job)
        shares = bolt_forces(
            np.array([r.centre for r in job.held.rims]), force[:2], float(moment[2]), at_mm=at[:2]
        )
        pushes += [(rim, -share, None) for rim, share in zip(job.held.rims, shares, strict=True)]
    rows: list[StrengthRow] = []
    for rim, push, pin in pushes:
        rows += hole_rows(
            f"hole {rim.name}", job.area, centre_mm=rim.centre, hole_mm=2 * rim.radius,
            pin_mm=pin or bolt_mm.get(rim.name, 2 * rim.radius), force_n=push,
            thickness_mm=plate.thickness_mm, material=job.steel, least_factor=job.case.least_factor,
        )  # fmt: skip
    return rows


def _total(job: _Job) -> tuple[Floats, Floats, Floats]:
    """Return all loads as one force (3,) N and moment (3,) N mm, and where they act: the plate's origin, mid-thickness."""
    force, moment = np.zeros(3), np.zeros(3)
    for rim, load in job.held.pulls:
        f, m = rim_load(load)
        force += f
        moment += m + np.cross(np.append(rim.centre, 0.0), f)
    return force, moment, np.zeros(3)


def _weld_rows(job: _Job) -> tuple[list[StrengthRow], list[Finding]]:
    """Return the rows of the weld group, taken to carry all the load, and what to know of its size."""
    if not job.held.lines:
        return [], []
    force, moment, at = _total(job)
    names, lines = _weld_lines(job)
    worst = weld_load(lines, force, moment, at_mm=at)
    where = f"weld edge {names[worst.worst_line]}"
    legs = {w.name: w.leg_mm for w in job.plate.weld_edges}
    leg = legs[names[worst.worst_line]]
    asked = WELD_ASKED / YIELD_ASKED * job.case.least_factor
    needed = leg_needed_mm(worst.worst_n_mm, factor=asked)
    low, high = least_leg_mm(job.plate.thickness_mm), largest_leg_mm(job.plate.thickness_mm)
    notes = [_weld_note(job, where, worst, needed, low, high)]
    if job.held.rims:
        notes.append(_note(job, "strength-shared", "warning", SHARED))
    if leg is None:
        row = StrengthRow(
            what="weld, largest leg", where=where, demand=needed, capacity=high, unit="mm",
            factor=min(high / needed, FACTOR_SHOWN) * asked if needed > 0 else FACTOR_SHOWN, asked=asked,
            source="elastic line method, AISC 360 J2.4, J2.2b",
        )  # fmt: skip
        return [row], notes
    strength = weld_strength_n_mm(leg)
    if not low <= leg <= high:
        notes.append(_note(job, "weld-leg", "warning", f"{where}: a leg of {leg:g} mm is outside {low:g} to {high:g} mm for {job.plate.thickness_mm:g} mm steel (AISC 360 J2.2b, Table J2.4)"))  # fmt: skip
    row = StrengthRow(
        what="weld", where=where, demand=worst.worst_n_mm, capacity=strength, unit="N/mm",
        factor=min(strength / worst.worst_n_mm, FACTOR_SHOWN) if worst.worst_n_mm > 0 else FACTOR_SHOWN, asked=asked,
        source="elastic line method, AISC 360 J2.4",
    )  # fmt: skip
    return [row], notes


def _weld_lines(job: _Job) -> tuple[list[str], Floats]:
    """Return each weld's edge and its line (k, 2, 3) mm, z from mid-thickness: both faces, or the z = t face alone."""
    sides = {w.name: w.sides for w in job.plate.weld_edges}
    half = job.plate.thickness_mm / 2
    names, lines = [], []
    for line in job.held.lines:
        for z in (half, -half)[: sides[line.name]]:
            names.append(line.name)
            lines.append([np.append(line.start, z), np.append(line.end, z)])
    return names, np.array(lines)


def _weld_note(job: _Job, where: str, worst: WeldLoad, needed: float, low: float, high: float) -> Finding:
    return Finding(
        code="weld-size", severity="note" if needed <= high else "warning", subject=job.plate.name,
        message=f"{where}: {worst.worst_n_mm:.0f} N/mm at most, {worst.length_mm:.0f} mm of weld in all; a fillet leg of "
        f"{needed:.1f} mm carries it (E70), at least {low:g} and at most {high:g} mm on {job.plate.thickness_mm:g} mm steel",
        numbers={"load_n_mm": worst.worst_n_mm, "leg_mm": needed, "least_leg_mm": low, "largest_leg_mm": high},
    )  # fmt: skip


def _note(job: _Job, code: str, severity: str, message: str) -> Finding:
    return Finding.model_validate(
        {"code": code, "severity": severity, "subject": job.plate.name, "message": message}
    )


def _findings(job: _Job, refined: Refined, lift: float, stress: float) -> list[Finding]:
    out = []
    name = f"plate {job.plate.name}, load case {job.case.name}"
    if not refined.settled:
        message = (
            f"{name}: the mesh was refined as far as it may be ({len(refined.elements.mesh.triangles)} triangles) and the "
            f"figures still moved {100 * refined.moved:.1f} %: best so far, no verdict. A sharp inside corner does this: round it"
        )
        out.append(_note(job, "strength-unsettled", "fault", message))
    if lift > LARGE_MOVE * job.plate.thickness_mm:
        message = f"{name}: it bends by {lift:.1f} mm, more than half its thickness, and the calculation no longer holds; it says too weak all the same"
        out.append(_note(job, "strength-large", "warning", message))
    if stress > job.steel.yield_mpa:
        out.append(
            _note(
                job,
                "strength-yields",
                "fault",
                f"{name}: the steel yields; stress above yield is elastic only on paper",
            )
        )
    if job.steel.status != "standard":
        message = f"{job.steel.name}: its yield and strength are from {job.steel.status}: hold them against the mill certificate"
        out.append(_note(job, "strength-material", "note", message))
    return out
