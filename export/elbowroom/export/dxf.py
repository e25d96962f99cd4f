"""Flat patterns as DXF: closed lines and arcs to cut, and words kept apart from them.

Layers: CUT (outer outlines and openings), MARK (crosses to centre-punch and drill), BEND (bend lines), NOTE (words,
not plotted). Round holes are CIRCLE, since cutting and quoting software counts those as holes and picks pierce
and lead-in by diameter; a circle of two bulged halves reads as a contour with two corners. Everything else is a
closed LWPOLYLINE with bulges: one contour, true arcs.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np

from elbowroom.export.files import write_whole
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, PlateHole, Vec2
from elbowroom.shared.tolerances import COINCIDENT_MM

Unit = Literal["mm", "in"]

LAYERS = {"CUT": 7, "MARK": 3, "BEND": 5, "NOTE": 8}
"""Layer names and their AutoCAD colour index."""

VERSIONS = ("R2000", "R2004", "R2007", "R2010", "R2013", "R2018")
"""R12 is left out: it can't say its unit."""

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
    plates: Sequence[Plate],
    path: Path | str,
    *,
    unit: Unit = "mm",
    version: str = "R2010",
    geometry_only: bool = False,
    least_cut_hole_mm: float = 0.0,
    verdicts: Mapping[str, str] | None = None,
) -> None:
    """Write plates as one DXF flat pattern, full size.

    One plate keeps the coordinates of its plate frame; several are laid side by side along x.

    Parameters
    ----------
    plates : sequence of Plate
        What to draw, each seen from the side its z points to.
    path : Path
        The file; replaced whole.
    unit : {"mm", "in"}
        The drawing's unit, set in its header ($INSUNITS, $MEASUREMENT).
    version : str
        One of VERSIONS.
    geometry_only : bool
        Leave the NOTE layer empty.
    least_cut_hole_mm : float
        Round holes under this diameter are not cut but marked with a cross on MARK, to be drilled.

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
    for plate in plates:
        check_openings(plate)
    document = _document(version, unit)
    shift = 0.0
    for plate in plates:
        left, _, right, _ = Outline.of_loop(plate.outer).bounds()
        origin = (shift - left, 0.0) if len(plates) > 1 else (0.0, 0.0)
        pen = _Pen(document.modelspace(), 1.0 if unit == "mm" else 1 / 25.4, origin)
        _draw_plate(pen, plate, least_cut_hole_mm)
        said = (verdicts or {}).get(plate.name, "NOT CHECKED")
        words = [] if geometry_only else _notes(plate, unit, right - left, said)
        if words:
            _write_notes(pen, plate, words, unit, least_cut_hole_mm)
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
        self.space.add_lwpolyline(rows, format="xyb", close=True, dxfattribs={"layer": layer})

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


def check_openings(plate: Plate) -> None:
    """Check that a plate's outlines don't cross themselves and that its openings lie inside it, apart.

    Raises
    ------
    InputError
        Otherwise, naming plate and opening.
    """
    outer = Outline.of_loop(plate.outer).simplified().check_simple()
    holes = {h.name: Outline.of_loop(h.loop).simplified().check_simple() for h in plate.holes}
    names = list(holes)
    for n, name in enumerate(names):
        where = f"plate {plate.name}, opening {name}"
        if not outer.contains(holes[name].vertices).all() or outer.distance_to(holes[name]) <= COINCIDENT_MM:
            raise InputError(
                "the opening does not lie inside the plate", where=where, todo="move or shrink it"
            )
        for other in names[n + 1 :]:
            if holes[name].distance_to(holes[other]) <= COINCIDENT_MM:
                raise InputError(
                    f"it meets opening {other}", where=where, todo="move them apart or join them"
                )


def is_drilled(hole: PlateHole, least_cut_hole_mm: float) -> bool:
    """Say whether a hole is too small to cut and is marked for the drill instead."""
    return hole.kind == "round" and hole.diameter_mm is not None and hole.diameter_mm < least_cut_hole_mm


def _draw_plate(pen: _Pen, plate: Plate, least_cut_hole_mm: float) -> None:
    pen.outline(Outline.of_loop(plate.outer).simplified().counter_clockwise(), "CUT")
    for hole in plate.holes:
        if is_drilled(hole, least_cut_hole_mm):
            _draw_cross(pen, hole.centre_mm)
        elif is_circle(hole):
            pen.circle(hole.centre_mm, (hole.diameter_mm or 0.0) / 2, "CUT")
        else:
            pen.outline(Outline.of_loop(hole.loop).simplified().counter_clockwise(), "CUT")
    for bend in plate.bends:
        pen.line(bend.from_mm, bend.to_mm, "BEND")


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


def _notes(plate: Plate, unit: Unit, width_mm: float, verdict: str) -> list[str]:
    """Return the words that go below a plate, in lines about as long as the plate."""
    thick = f"{plate.thickness_mm:.2f} mm / {plate.thickness_mm / 25.4:.3f} in"
    lines = [
        f"{plate.name}: {plate.material}, {thick} thick",
        f"Drawing unit {'millimetre' if unit == 'mm' else 'inch'}, full size, seen from the side its z points to.",
        "Outlines are the finished edge: kerf is NOT compensated, no slag allowance is added.",
        f"Clearance check: {verdict}.",
        *(_bend_words(n, b.angle_deg, b.inside_radius_mm) for n, b in enumerate(plate.bends, 1)),
        CAUTION,
    ]
    letters = max(int(width_mm / LETTER_MM), LEAST_LETTERS)
    return [part for line in lines for part in textwrap.wrap(line, letters)]


def _write_notes(pen: _Pen, plate: Plate, lines: Sequence[str], unit: Unit, least_cut_hole_mm: float) -> None:
    """Write a plate's words below it, and the openings' names beside them."""
    left, bottom, _, _ = Outline.of_loop(plate.outer).bounds()
    for n, words in enumerate(lines):
        pen.text((left, bottom - 10.0 - 1.6 * TEXT_MM * n), words)
    for hole in plate.holes:
        drill = "drill " if is_drilled(hole, least_cut_hole_mm) else ""
        size = f" {drill}{_diameter(hole.diameter_mm, unit)}" if hole.diameter_mm else ""
        reach = Outline.of_loop(hole.loop).bounds()[2]
        pen.text((reach + 1.5, hole.centre_mm[1]), f"{hole.name}{size}", TEXT_MM * 0.6)


def _diameter(mm: float, unit: Unit) -> str:
    return f"dia {mm:.2f} mm" if unit == "mm" else f"dia {mm / 25.4:.3f} in ({mm:.2f} mm)"


def _bend_words(number: int, angle_deg: float, radius_mm: float) -> str:
    return f"Bend {number}: {angle_deg:g} deg, inside radius {radius_mm:g} mm"


def _document(version: str, unit: Unit) -> Any:
    """Return an empty drawing with its unit and layers set."""
    import ezdxf

    document = ezdxf.new(version, units=INSUNITS[unit])
    document.header["$INSUNITS"] = INSUNITS[unit]
    document.header["$MEASUREMENT"] = MEASUREMENT[unit]
    for name, colour in LAYERS.items():
        layer = document.layers.add(name, color=colour)
        if name == "NOTE":
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
