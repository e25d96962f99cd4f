"""Flat patterns as SVG: true size in mm, with circles and arc commands, in groups named cut, mark, bend and note.

User units are millimetres. SVG's y points down: a plate point (x, y) stands at (x - left, top - y), and an arc that
runs counter-clockwise on the plate runs counter-clockwise to the eye, which is SVG's sweep flag 0.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree as Xml

from elbowroom.export.dxf import CAUTION, CROSS_MM, is_circle
from elbowroom.export.files import write_whole
from elbowroom.export.soundness import check_openings
from elbowroom.shared.outline import Outline, Piece
from elbowroom.shared.scene import Plate, PlateHole, Vec2

BORDER_MM = 5.0
"""Kept free round the part and its words."""

TEXT_MM, LINE_MM = 3.5, 5.5
"""Height of letters, and from one line of words to the next."""

LETTER_MM = 0.6 * TEXT_MM
"""Room a letter is given when lines are broken (sans-serif, common practice, no source)."""

LEAST_LETTERS = 44
"""Lines under a small plate are not broken shorter than this."""

HAIRLINE_MM = "0.1"

ARC_COMMAND_RAD = math.radians(120.0)
"""Arcs are written in parts of at most this: an end point's rounding moves the centre of a half circle the most."""

COLOURS = {"cut": "#000000", "mark": "#00a000", "bend": "#0000ff", "note": "#808080"}
"""Group names and their line colours."""


def write_svg(plate: Plate, path: Path | str, *, verdict: str = "NOT CHECKED") -> None:
    """Write a plate as an SVG flat pattern, full size, seen from the side its z points to.

    Groups: ``cut`` (outer outline and openings, each one closed contour), ``mark`` (centre crosses), ``bend`` (bend
    lines), ``note`` (words). Outlines are the finished edge; kerf is not compensated.

    Parameters
    ----------
    plate : Plate
        What to draw; its bends are lines on the flat pattern.
    path : Path
        The file; replaced whole.
    verdict : str
        What the clearance check said of the plate; written into its notes.

    Raises
    ------
    InputError
        An outline that crosses itself, an opening outside its plate.
    ExportError
        When the file can't be written.

    Source: SVG 1.1, sections 7.10 (units), 8.3.8 (elliptical arc commands).
    """
    check_openings(plate)
    left, bottom, right, top = Outline.of_loop(plate.outer).bounds()
    words = _words(plate, right - left, verdict)
    width = max(right - left, *(len(line) * LETTER_MM for line in words)) + 2 * BORDER_MM
    height = top - bottom + 3 * BORDER_MM + LINE_MM * len(words)
    drawing = _drawing(plate, width, height)
    groups = {name: _group(drawing, name) for name in COLOURS}
    pen = _Pen((left - BORDER_MM, top + BORDER_MM))
    _draw_cuts(groups["cut"], pen, plate)
    for hole in plate.holes:
        _draw_cross(groups["mark"], pen, hole)
        _text(groups["note"], pen, (hole.centre_mm[0] + 1.0, hole.centre_mm[1] + 1.0), hole.name)
    for bend in plate.bends:
        _line(groups["bend"], pen, bend.from_mm, bend.to_mm)
    for n, line in enumerate(words):
        _text(groups["note"], pen, (left, bottom - 2 * BORDER_MM - LINE_MM * n), line)
    Xml.indent(drawing)
    write_whole(path, Xml.tostring(drawing, encoding="utf-8", xml_declaration=True))


class _Pen:
    """Turns plate millimetres into the drawing's, given the plate point of its upper left corner."""

    def __init__(self, corner: Vec2) -> None:
        self.corner = corner

    def at(self, point: Vec2) -> tuple[str, str]:
        """Return a plate point as the drawing's numbers."""
        return _number(point[0] - self.corner[0]), _number(self.corner[1] - point[1])


def _number(value: float) -> str:
    """Return a length with its digits down to a nanometre, without an exponent."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _drawing(plate: Plate, width: float, height: float) -> Xml.Element:
    size = {"width": f"{_number(width)}mm", "height": f"{_number(height)}mm"}
    box = f"0 0 {_number(width)} {_number(height)}"
    root = Xml.Element(
        "svg", {"xmlns": "http://www.w3.org/2000/svg", "version": "1.1", **size, "viewBox": box}
    )
    Xml.SubElement(root, "title").text = plate.name
    return root


def _group(drawing: Xml.Element, name: str) -> Xml.Element:
    paint = {"fill": "none", "stroke": COLOURS[name], "stroke-width": HAIRLINE_MM}
    if name == "bend":
        paint["stroke-dasharray"] = "4 2"
    if name == "note":
        font = {"font-family": "sans-serif", "font-size": _number(TEXT_MM)}
        paint = {"fill": COLOURS[name], "stroke": "none", **font}
    return Xml.SubElement(drawing, "g", {"id": name, **paint})


def _draw_cuts(group: Xml.Element, pen: _Pen, plate: Plate) -> None:
    _outline(group, pen, Outline.of_loop(plate.outer), plate.name)
    for hole in plate.holes:
        if is_circle(hole) and hole.diameter_mm is not None:
            x, y = pen.at(hole.centre_mm)
            circle = Xml.SubElement(group, "circle", {"cx": x, "cy": y, "r": _number(hole.diameter_mm / 2)})
            Xml.SubElement(circle, "title").text = f"{hole.name}, diameter {hole.diameter_mm:.2f} mm"
        else:
            _outline(group, pen, Outline.of_loop(hole.loop), hole.name)


def _outline(group: Xml.Element, pen: _Pen, outline: Outline, name: str) -> None:
    pieces = outline.simplified().counter_clockwise().pieces()
    steps = ["M " + " ".join(pen.at(pieces[0].start))]
    for piece in pieces[:-1] if pieces[-1].is_line else pieces:  # Z draws a last line
        steps += _commands(pen, piece)
    shape = Xml.SubElement(group, "path", {"d": " ".join([*steps, "Z"])})
    Xml.SubElement(shape, "title").text = name


def _commands(pen: _Pen, piece: Piece) -> list[str]:
    """Return the path commands of one piece."""
    if piece.is_line:
        return ["L " + " ".join(pen.at(piece.end))]
    count = math.ceil(abs(piece.sweep) / ARC_COMMAND_RAD - 1e-9)
    ends = [piece.at(n / count) for n in range(1, count)]
    places = [*((p.real, p.imag) for p in ends), piece.end]
    radius, sweep = _number(piece.radius), "0" if piece.sweep > 0 else "1"
    return [f"A {radius} {radius} 0 0 {sweep} " + " ".join(pen.at(p)) for p in places]


def _draw_cross(group: Xml.Element, pen: _Pen, hole: PlateHole) -> None:
    (x, y), reach = hole.centre_mm, CROSS_MM / 2
    _line(group, pen, (x - reach, y), (x + reach, y))
    _line(group, pen, (x, y - reach), (x, y + reach))


def _line(group: Xml.Element, pen: _Pen, start: Vec2, end: Vec2) -> None:
    (x1, y1), (x2, y2) = pen.at(start), pen.at(end)
    Xml.SubElement(group, "line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2})


def _text(group: Xml.Element, pen: _Pen, place: Vec2, words: str) -> None:
    x, y = pen.at(place)
    Xml.SubElement(group, "text", {"x": x, "y": y}).text = words


def _words(plate: Plate, width_mm: float, verdict: str) -> Sequence[str]:
    """Return the words that go below a plate, in lines about as long as the plate."""
    thick = f"{plate.thickness_mm:.2f} mm / {plate.thickness_mm / 25.4:.3f} in thick"
    lines = [
        f"{plate.name}: {plate.material}, {thick}",
        "Full size in millimetres, seen from the side its z points to. Finished edge, kerf not compensated.",
        f"Clearance check: {verdict}.",
        *(
            f"Bend {n}: {b.angle_deg:g} deg, inside radius {b.inside_radius_mm:g} mm"
            for n, b in enumerate(plate.bends, 1)
        ),
        CAUTION,
    ]
    letters = max(int(width_mm / LETTER_MM), LEAST_LETTERS)
    return [part for line in lines for part in textwrap.wrap(line, letters)]
