"""Flat patterns as DXF: closed lines and arcs to cut, and words kept apart from them.

Layers: CUT (outer outlines and openings), MARK (what is scribed or punched: crosses to drill at, the part number, lines
where other plates stand), BEND (bend lines, scribed too), NOTE (words, not plotted). Round holes are CIRCLE, since cutting and quoting software counts those as holes and picks pierce
and lead-in by diameter; a circle of two bulged halves reads as a contour with two corners. Everything else is a
closed polyline with bulges: one contour, true arcs.
"""

from __future__ import annotations

import io
import logging
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np

from elbowroom.export.cutting import CutPlate
from elbowroom.export.files import write_whole
from elbowroom.export.letters import known, strokes
from elbowroom.export.setout import number_place, set_out_lines
from elbowroom.export.soundness import check_openings
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, PlateHole, Vec2

Unit = Literal["mm", "in"]

LAYERS = {"CUT": 7, "MARK": 3, "BEND": 5, "NOTE": 8}
"""Layer names and their AutoCAD colour index."""

VERSIONS = ("R12", "R2000", "R2004", "R2007", "R2010", "R2013", "R2018")
"""R12, for old controllers, has no header code for its unit: its notes and its file's name must say it."""

INSUNITS = {"mm": 4, "in": 1}
MEASUREMENT = {"mm": 1, "in": 0}
"""Header codes. Source: the DXF reference's HEADER section ($INSUNITS 1 inches, 4 millimetres; $MEASUREMENT 1 metric)."""

BETWEEN_MM = 20.0
"""Gap between plates laid side by side in one drawing."""

CROSS_MM = 6.0
"""Length of the two lines of a centre mark."""

TEXT_MM = 4.0
LETTER_MM = 0.75 * TEXT_MM
"""Room a letter is given when lines are broken: CAD fonts run 0.6 to 0.75 of their height."""

LEAST_LETTERS = 44
"""Lines under a small plate are not broken shorter than this."""

TRUE_CIRCLE_MM = 1e-4
"""A round hole is written as CIRCLE when its outline lies this near the circle it claims to be."""

CAUTION = (
    "A person must check this part before it is cut and before it is loaded. Structural, lifting, brake, "
    "steering and vehicle parts fall under local codes and licensed practice."
)


def write_dxf(
    plates: Sequence[Plate | CutPlate],
    path: Path | str,
    *,
    unit: Unit = "mm",
    version: str = "R2010",
    geometry_only: bool = False,
    others: Sequence[Plate] = (),
    verdicts: Mapping[str, str] | None = None,
) -> None:
    """Write plates as one DXF flat pattern, full size.

    One plate keeps the coordinates of its plate frame; several are laid side by side along x.

    Parameters
    ----------
    plates : sequence of Plate or CutPlate
        What to draw, each seen from the side its z points to: as it is, or made ready for a way of cutting.
    path : Path
        The file; replaced whole.
    unit : {"mm", "in"}
        The drawing's unit, set in its header ($INSUNITS, $MEASUREMENT).
    version : str
        One of VERSIONS.
    geometry_only : bool
        Leave the NOTE layer empty: for a service that takes outlines and marks only.
    others : sequence of Plate
        Plates of the same job; where one stands on a plate that is drawn, its lines go on MARK.
    verdicts : mapping of str to str, optional
        What the clearance check said of each plate by name; written into its notes.

    Raises
    ------
    InputError
        No plate, an unknown unit or version, an outline that crosses itself, an opening outside its plate.
    ExportError
        The file can't be written, or the drawing does not pass its audit.
    """
    check_choice("unit", unit, tuple(INSUNITS))
    check_choice("version", version, VERSIONS)
    if not plates:
        raise InputError("there is no plate to draw", where=str(path), todo="make a plate first")
    cuts = [p if isinstance(p, CutPlate) else CutPlate(p) for p in plates]
    for cut in cuts:
        check_openings(cut.plate)
    document = _document(version, unit)
    shift = 0.0
    for cut in cuts:
        plate = cut.plate
        left, _, right, _ = Outline.of_loop(plate.outer).bounds()
        origin = (shift - left, 0.0) if len(plates) > 1 else (0.0, 0.0)
        pen = _Pen(document.modelspace(), 1.0 if unit == "mm" else 1 / 25.4, origin)
        _draw_plate(pen, cut, [o for o in others if o.name != plate.name])
        said = (verdicts or {}).get(plate.name, "NOT CHECKED")
        words = [] if geometry_only else _notes(cut, unit, right - left, said)
        if words:
            _write_notes(pen, cut, words, unit)
        shift += max(right - left, *(len(w) * LETTER_MM for w in words), 0.0) + BETWEEN_MM
    write_whole(path, _audited_bytes(document, path))


class _Pen:
    """Draws into a model space with a unit scale and an origin."""

    def __init__(self, space: Any, scale: float, origin: Vec2) -> None:
        self.space, self.scale, self.origin = space, scale, np.array(origin)

    def at(self, point: Any) -> tuple[float, float]:
        """Return a plate point, mm, as the drawing's coordinates."""
        x, y = (np.asarray(point, dtype=np.float64) + self.origin) * self.scale
        return float(x), float(y)

    def outline(self, outline: Outline, layer: str) -> None:
        """Draw a closed outline of lines and arcs."""
        pieces = zip(outline.vertices, outline.bulges, strict=True)
        rows = [(*self.at(v), float(b)) for v, b in pieces]
        draw = self.space.add_polyline2d if self.space.dxfversion == "AC1009" else self.space.add_lwpolyline
        draw(rows, format="xyb", close=True, dxfattribs={"layer": layer})

    def circle(self, centre: Vec2, radius_mm: float, layer: str) -> None:
        """Draw a circle."""
        self.space.add_circle(self.at(centre), radius_mm * self.scale, dxfattribs={"layer": layer})

    def line(self, start: Any, end: Any, layer: str) -> None:
        """Draw a straight line."""
        self.space.add_line(self.at(start), self.at(end), dxfattribs={"layer": layer})

    def text(self, place: Vec2, words: str, height_mm: float = TEXT_MM) -> None:
        """Write one line of words on NOTE."""
        attributes = {"layer": "NOTE", "height": height_mm * self.scale, "insert": self.at(place)}
        self.space.add_text(words, dxfattribs=attributes)


def _draw_plate(pen: _Pen, cut: CutPlate, others: Sequence[Plate]) -> None:
    plate = cut.plate
    pen.outline(Outline.of_loop(plate.outer).simplified().counter_clockwise(), "CUT")
    for hole in plate.holes:
        if is_circle(hole):
            pen.circle(hole.centre_mm, (hole.diameter_mm or 0.0) / 2, "CUT")
        else:
            pen.outline(Outline.of_loop(hole.loop).simplified().counter_clockwise(), "CUT")
    for hole in cut.drilled:
        _draw_cross(pen, hole.centre_mm)
    for bend in plate.bends:
        pen.line(bend.from_mm, bend.to_mm, "BEND")
    for start, end in set_out_lines(plate, others):
        pen.line(start, end, "MARK")
    holes = (*plate.holes, *cut.drilled)
    spot = number_place(plate.model_copy(update={"holes": holes}), plate.name)
    if spot is not None and known(plate.name):
        for start, end in strokes(plate.name, *spot):
            pen.line(start, end, "MARK")


def _draw_cross(pen: _Pen, centre: Vec2) -> None:
    x, y = centre
    pen.line((x - CROSS_MM / 2, y), (x + CROSS_MM / 2, y), "MARK")
    pen.line((x, y - CROSS_MM / 2), (x, y + CROSS_MM / 2), "MARK")


def is_circle(hole: PlateHole) -> bool:
    """Say whether a hole's outline is the circle its diameter and centre claim."""
    if hole.kind != "round" or hole.diameter_mm is None:
        return False
    radius = hole.diameter_mm / 2
    return all(
        not p.is_line
        and np.hypot(p.centre[0] - hole.centre_mm[0], p.centre[1] - hole.centre_mm[1]) <= TRUE_CIRCLE_MM
        and abs(p.radius - radius) <= TRUE_CIRCLE_MM
        for p in Outline.of_loop(hole.loop).pieces()
    )


def _notes(cut: CutPlate, unit: Unit, width_mm: float, verdict: str) -> list[str]:
    """Return the words that go below a plate, in lines about as long as the plate."""
    plate = cut.plate
    thick = f"{plate.thickness_mm:.2f} mm / {plate.thickness_mm / 25.4:.3f} in"
    lines = [
        f"{plate.name}: {plate.material}, {thick} thick",
        f"Drawing unit {'millimetre' if unit == 'mm' else 'inch'}, full size, seen from the side its z points to.",
        *cut_words(cut),
        f"Clearance check: {verdict}.",
        *(_bend_words(n, b.angle_deg, b.inside_radius_mm) for n, b in enumerate(plate.bends, 1)),
        CAUTION,
    ]
    letters = max(int(width_mm / LETTER_MM), LEAST_LETTERS)
    return [part for line in lines for part in textwrap.wrap(line, letters)]


def cut_words(cut: CutPlate) -> list[str]:
    """Return what a drawing says of kerf, allowances, tolerance and edge."""
    kerf = "Outlines are the finished edge: kerf is NOT compensated"
    if cut.kerf_mm:
        kerf = f"Outlines are the middle of the cut: kerf IS compensated, {cut.kerf_mm:g} mm wide"
    if cut.rules is None:
        return [f"{kerf}, no slag allowance is added."]
    rules = cut.rules
    slots = [f for f in cut.findings if f.code == "cut-slot"]
    slag = f"slots are widened by {rules.slot_allowance_mm:g} mm a side" if slots else "no slot is widened"
    made = f"Made ready for {rules.process}: edges within {rules.tolerance_mm:g} mm; {rules.edge}."
    drilled = [f"Drill {h.name} {h.diameter_mm:g} mm at its cross." for h in cut.drilled]
    return [f"{kerf}, {slag}.", made, *drilled]


def _write_notes(pen: _Pen, cut: CutPlate, lines: Sequence[str], unit: Unit) -> None:
    """Write a plate's words below it, and the openings' names beside them."""
    left, bottom, _, _ = Outline.of_loop(cut.plate.outer).bounds()
    for n, words in enumerate(lines):
        pen.text((left, bottom - 10.0 - 1.6 * TEXT_MM * n), words)
    for hole in (*cut.plate.holes, *cut.drilled):
        drill = "drill " if hole in cut.drilled else ""
        finished = (hole.diameter_mm or 0.0) + (0.0 if drill else cut.kerf_mm)
        size = f" {drill}{_diameter(finished, unit)}" if hole.diameter_mm else ""
        reach = Outline.of_loop(hole.loop).bounds()[2]
        pen.text((reach + 1.5, hole.centre_mm[1]), f"{hole.name}{size}", TEXT_MM * 0.6)


def _diameter(mm: float, unit: Unit) -> str:
    return f"dia {mm:.2f} mm" if unit == "mm" else f"dia {mm / 25.4:.3f} in ({mm:.2f} mm)"


def _bend_words(number: int, angle_deg: float, radius_mm: float) -> str:
    return f"Bend {number}: {angle_deg:g} deg, inside radius {radius_mm:g} mm"


def _document(version: str, unit: Unit) -> Any:
    """Return an empty drawing with its unit and layers set."""
    import ezdxf

    logger = logging.getLogger("ezdxf")
    level = logger.level
    logger.setLevel(logging.ERROR)  # it would warn that R12 can't state a unit, whatever is asked of it
    document = ezdxf.new(version, units=0 if version == "R12" else INSUNITS[unit])
    logger.setLevel(level)
    if version != "R12":
        document.header["$INSUNITS"] = INSUNITS[unit]
        document.header["$MEASUREMENT"] = MEASUREMENT[unit]
    for name, colour in LAYERS.items():
        layer = document.layers.add(name, color=colour)
        if name == "NOTE" and version != "R12":
            layer.dxf.plot = 0
    return document


def _audited_bytes(document: Any, path: Path | str) -> bytes:
    """Return the drawing as bytes after an audit."""
    from ezdxf import zoom

    zoom.extents(document.modelspace())
    audit = document.audit()
    if audit.has_errors or audit.has_fixes:
        problem = (audit.errors + audit.fixes)[0].message
        raise ExportError(f"the drawing does not pass its audit: {problem}", where=str(path))
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode(document.output_encoding, errors="dxfreplace")


def check_choice(where: str, value: str, allowed: Sequence[str]) -> None:
    """Raise InputError when a value isn't one of the choices."""
    if value not in allowed:
        raise InputError("not one of the choices", where=where, value=value, limit=", ".join(allowed))
