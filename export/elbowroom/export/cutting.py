"""A plate made ready for a way of cutting: holes to drill, slots with room for slag, kerf, and what was changed and why."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.outline import Outline, Piece
from elbowroom.shared.processes import ProcessRules
from elbowroom.shared.scene import Loop, Plate, PlateHole
from elbowroom.shared.tolerances import COINCIDENT_MM

SMOOTH_RAD = 1e-3
"""Pieces that meet within this angle meet smoothly: a corner of 0.06 deg is no corner to a cutter."""


@dataclass(frozen=True)
class CutPlate:
    """What is cut of a plate, what is only marked, and what was changed for the process.

    `plate` has the outlines to cut: finished edges, or the middle of the cut when `kerf_mm` is not zero. `drilled` holes
    are not in it. `rules` is None when nobody said how it is cut.
    """

    plate: Plate
    drilled: tuple[PlateHole, ...] = ()
    rules: ProcessRules | None = None
    kerf_mm: float = 0.0
    findings: tuple[Finding, ...] = field(default=())


def prepare_cut(plate: Plate, rules: ProcessRules, *, compensate_kerf: bool = False) -> CutPlate:
    """Return a plate as a way of cutting wants it, with a finding for everything that was changed or will be.

    Parameters
    ----------
    plate : Plate
        Its outlines are the finished edges.
    rules : ProcessRules
        The way of cutting, in this plate's thickness.
    compensate_kerf : bool
        Move the outlines by half the kerf, outward and into the openings, so that a machine that follows them with the
        middle of its cut leaves the finished edges.

    Raises
    ------
    InputError
        When kerf is compensated and an opening is narrower than the cut.
    """
    findings: list[Finding] = []
    drilled = tuple(h for h in plate.holes if _is_drilled(h, rules))
    for hole in drilled:
        message = (
            f"plate {plate.name}: hole {hole.name}, {hole.diameter_mm:g} mm, is under the least hole for {rules.process} "
            f"({rules.least_hole_mm:g} mm in {plate.thickness_mm:g} mm): marked with a centre, drill it"
        )
        findings.append(Finding(code="cut-drilled", severity="note", subject=plate.name, message=message))
    holes = [_with_slag_room(plate, h, rules, findings) for h in plate.holes if h not in drilled]
    outer = Outline.of_loop(plate.outer).simplified().counter_clockwise()
    _tell_sharp(plate, "outline", outer, rules, findings, opening=False)
    for hole in holes:
        _tell_sharp(plate, hole.name, Outline.of_loop(hole.loop).simplified(), rules, findings, opening=True)
    made = plate.model_copy(update={"holes": tuple(holes)})
    if compensate_kerf and rules.kerf_mm > 0:
        made = _with_kerf(made, rules.kerf_mm)
        message = (
            f"plate {plate.name}: the outlines are moved by half the kerf ({rules.kerf_mm / 2:g} mm) into the waste; "
            "switch compensation off at the machine"
        )
        findings.append(Finding(code="cut-kerf", severity="warning", subject=plate.name, message=message))
    kerf = rules.kerf_mm if compensate_kerf else 0.0
    return CutPlate(made, drilled, rules, kerf, tuple(findings))


def _is_drilled(hole: PlateHole, rules: ProcessRules) -> bool:
    return hole.kind == "round" and hole.diameter_mm is not None and hole.diameter_mm < rules.least_hole_mm


def _with_slag_room(plate: Plate, hole: PlateHole, rules: ProcessRules, findings: list[Finding]) -> PlateHole:
    """Return a slot that slides over a plate widened by the allowance; other openings as they are."""
    if hole.kind != "slot" or rules.slot_allowance_mm <= 0:
        return hole
    wider = _one(Outline.of_loop(hole.loop), rules.slot_allowance_mm, plate, hole.name)
    message = (
        f"plate {plate.name}: slot {hole.name} is widened by {rules.slot_allowance_mm:g} mm on every side for the slag and "
        f"bevel of {rules.process}"
    )
    findings.append(Finding(code="cut-slot", severity="note", subject=plate.name, message=message))
    return hole.model_copy(update={"loop": wider})


def _with_kerf(plate: Plate, kerf_mm: float) -> Plate:
    """Return a plate whose outlines are the middle of the cut."""
    outer = _one(Outline.of_loop(plate.outer), kerf_mm / 2, plate, "outline")
    holes = []
    for hole in plate.holes:
        update: dict[str, object] = {"loop": _one(Outline.of_loop(hole.loop), -kerf_mm / 2, plate, hole.name)}
        if hole.kind == "round" and hole.diameter_mm is not None and hole.diameter_mm > kerf_mm:
            inner = hole.diameter_mm - kerf_mm
            update = {"loop": Outline.circle(hole.centre_mm, inner / 2).loop(), "diameter_mm": inner}
        holes.append(hole.model_copy(update=update))
    return plate.model_copy(update={"outer": outer, "holes": tuple(holes)})


def _one(outline: Outline, by_mm: float, plate: Plate, name: str) -> Loop:
    """Return an outline moved outward; raises InputError when it closes up or falls apart."""
    moved = outline.simplified().counter_clockwise().offset(by_mm)
    if len(moved) != 1:
        raise InputError(
            "too narrow somewhere for this way of cutting: its moved outline closes up or falls apart",
            where=f"plate {plate.name}, {name}",
            value=f"moved by {by_mm:+g} mm",
            todo="widen it there, or cut without compensation",
        )
    return moved[0].loop()


def _tell_sharp(
    plate: Plate, name: str, outline: Outline, rules: ProcessRules, findings: list[Finding], *, opening: bool
) -> None:
    """Tell of inside corners that come out rounder than they are drawn."""
    count, least = _sharp(outline.counter_clockwise(), rules.least_inside_radius_mm, opening)
    if count == 0:
        return
    message = (
        f"plate {plate.name}, {name}: {count} inside corner{'s' * (count > 1)} sharper than {rules.process} cuts, least "
        f"radius {least:g} mm drawn; they come out at {rules.least_inside_radius_mm:g} mm or more: file them where "
        "something must go in square"
    )
    findings.append(Finding(code="cut-corner", severity="warning", subject=plate.name, message=message))


def _sharp(outline: Outline, least_mm: float, opening: bool) -> tuple[int, float]:
    """Return how many inside corners are sharper than a radius, and the least radius drawn among them.

    An inside corner turns right on the outer outline, and left on an opening (both counter-clockwise).
    """
    side = 1.0 if opening else -1.0
    pieces = outline.pieces()
    radii = [
        p.radius
        for p in pieces
        if not p.is_line and side * p.sweep > 0 and p.radius < least_mm - COINCIDENT_MM
    ]
    for one, other in zip(pieces, (*pieces[1:], pieces[0]), strict=True):
        if side * _turn(one, other) > SMOOTH_RAD:
            radii.append(0.0)
    return len(radii), round(min(radii, default=0.0), 3)


def _turn(one: Piece, other: Piece) -> float:
    """Return the angle by which the way turns left where two pieces meet, radians."""
    a, b = _heading(one, at_end=True), _heading(other, at_end=False)
    return math.remainder(b - a, 2 * math.pi)


def _heading(piece: Piece, *, at_end: bool) -> float:
    """Return the direction of travel at a piece's end or start, radians from x."""
    (x0, y0), (x1, y1) = piece.start, piece.end
    chord = float(np.arctan2(y1 - y0, x1 - x0))
    return chord + (piece.sweep / 2 if at_end else -piece.sweep / 2)
