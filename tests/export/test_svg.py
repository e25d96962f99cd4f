"""SVG flat patterns read by an XML parser; arcs evaluated here by the standard's own formulas, areas by shapely."""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
import shapely
from tests.export.example_plates import LEVEL, bent_tab, bracket, bracket_area, bracket_length, round_hole

from elbowroom.export.svg import write_svg
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.scene import Loop, Plate

NS = "{http://www.w3.org/2000/svg}"
SHARE = 1e-4  # areas and lengths within 0.01 %
STEP_RAD = math.radians(0.25)  # chords here: they take 3e-6 off a circle's area, well inside SHARE


def _arc(start: complex, end: complex, radius: float, large: bool, sweep: bool) -> list[complex]:
    """Points of an SVG arc after its start. Source: SVG 1.1, appendix F.6.5 (end points to centre), phi = 0."""
    half = (start - end) / 2
    radius = max(radius, abs(half))  # F.6.6: a radius too small is scaled up
    root = math.sqrt(max(radius**2 / abs(half) ** 2 - 1, 0)) * (1 if large != sweep else -1)
    centre = root * complex(half.imag, -half.real) + (start + end) / 2
    a = math.atan2((start - centre).imag, (start - centre).real)
    turn = math.atan2((end - centre).imag, (end - centre).real) - a
    turn = turn % (2 * math.pi) if sweep else -(-turn % (2 * math.pi))
    n = max(2, math.ceil(abs(turn) / STEP_RAD))
    angles = a + turn * np.arange(1, n + 1) / n
    return [centre + radius * complex(math.cos(t), math.sin(t)) for t in angles]


def _path(d: str) -> shapely.Polygon:
    """Return the closed polygon of a path's absolute M, L, A, Z commands."""
    tokens, i = d.split(), 0
    points: list[complex] = []
    assert tokens[0] == "M"
    assert tokens[-1] == "Z"
    while tokens[i] != "Z":
        size = {"M": 2, "L": 2, "A": 7}[tokens[i]]
        n = [float(t) for t in tokens[i + 1 : i + 1 + size]]
        end = complex(n[-2], n[-1])
        if tokens[i] == "A":
            assert n[0] == n[1]
            points += _arc(points[-1], end, n[0], bool(n[3]), bool(n[4]))
        else:
            points.append(end)
        i += 1 + size
    return shapely.Polygon([(p.real, p.imag) for p in points])


def _cuts(path: Path) -> list[shapely.Polygon]:
    """Return the contours of the group cut, largest first, y still down."""
    group = _group(path, "cut")
    shapes = [_path(e.attrib["d"]) for e in group.findall(f"{NS}path")]
    for e in group.findall(f"{NS}circle"):
        x, y, r = (float(e.attrib[k]) for k in ("cx", "cy", "r"))
        turns = np.arange(0, 2 * math.pi, STEP_RAD)
        shapes.append(shapely.Polygon(np.column_stack([x + r * np.cos(turns), y + r * np.sin(turns)])))
    return sorted(shapes, key=lambda s: -s.area)


def _group(path: Path, name: str) -> Xml.Element:
    groups = {g.attrib["id"]: g for g in Xml.parse(path).getroot().findall(f"{NS}g")}
    assert set(groups) == {"cut", "mark", "bend", "note"}
    return groups[name]


def _three_quarters() -> Plate:
    """A disc of radius 40 with a quarter cut out, one arc of 270 degrees, clockwise as given."""
    loop = Loop(vertices_mm=((0, 0), (0, -40), (40, 0)), bulges=(0, -math.tan(1.5 * math.pi / 4), 0))
    return Plate(name="pie", world_from_plate=LEVEL, thickness_mm=6, material="A36", outer=loop)


def test_area_and_length_are_the_closed_forms(tmp_path: Path) -> None:
    write_svg(bracket(), tmp_path / "p.svg")
    cut = _cuts(tmp_path / "p.svg")
    outer, net = bracket_area()
    assert len(cut) == 4
    assert all(c.is_valid for c in cut)
    assert cut[0].area == pytest.approx(outer, rel=SHARE)
    assert cut[0].length == pytest.approx(bracket_length(), rel=SHARE)
    assert cut[0].area - sum(c.area for c in cut[1:]) == pytest.approx(net, rel=SHARE)
    # y is down: the hollow of the top edge is at the top, the holes below the middle
    x0, y0, x1, y1 = cut[0].bounds
    assert (x1 - x0, y1 - y0) == pytest.approx((160, 90), abs=1e-5)
    assert not cut[0].contains(shapely.Point((x0 + x1) / 2, y0 + 15))
    assert all((y0 + y1) / 2 < c.centroid.y < y1 for c in cut[1:])


def test_an_arc_past_half_a_turn(tmp_path: Path) -> None:
    write_svg(_three_quarters(), tmp_path / "p.svg")
    (pie,) = _cuts(tmp_path / "p.svg")
    assert pie.area == pytest.approx(0.75 * math.pi * 40**2, rel=SHARE)
    assert pie.length == pytest.approx(1.5 * math.pi * 40 + 80, rel=SHARE)


def test_it_is_true_size_in_mm(tmp_path: Path) -> None:
    write_svg(bracket(), tmp_path / "p.svg")
    root = Xml.parse(tmp_path / "p.svg").getroot()
    _, _, wide, high = (float(v) for v in root.attrib["viewBox"].split())
    # one user unit is one millimetre (SVG 1.1, section 7.10: width and height may carry mm)
    assert root.attrib["width"] == f"{wide:g}mm"
    assert root.attrib["height"] == f"{high:g}mm"
    x0, y0, x1, y1 = _cuts(tmp_path / "p.svg")[0].bounds
    assert 0 < x0 < x1 < wide
    assert 0 < y0 < y1 < high


def test_marks_bends_and_words_stand_in_their_groups(tmp_path: Path) -> None:
    write_svg(bent_tab(), tmp_path / "p.svg", verdict="HOLD (tie rod)")
    x0, _, _, y1 = _cuts(tmp_path / "p.svg")[0].bounds
    marks = [_ends(e) for e in _group(tmp_path / "p.svg", "mark")]
    assert np.mean(marks, axis=(0, 1)) == pytest.approx([x0 + 15, y1 - 20])
    (bend,) = _group(tmp_path / "p.svg", "bend")
    assert np.sort(_ends(bend), axis=0) == pytest.approx(np.array([[x0 + 30, y1 - 40], [x0 + 30, y1]]))
    words = " ".join(e.text or "" for e in _group(tmp_path / "p.svg", "note"))
    for part in (
        "tab: A36, 4.76 mm / 0.188 in thick",
        "Bend 1: 90 deg",
        "Clearance check: HOLD (tie rod).",
        "local codes",
        "kerf not compensated",
    ):
        assert part in words


def test_names_with_any_sign_survive(tmp_path: Path) -> None:
    write_svg(bracket(name='a <b> & "c" кронштейн'), tmp_path / "p.svg")
    assert Xml.parse(tmp_path / "p.svg").getroot().findtext(f"{NS}title") == 'a <b> & "c" кронштейн'


def test_bad_input_is_named(tmp_path: Path) -> None:
    plate = bracket()
    outside = plate.model_copy(update={"holes": (round_hole("C", (158, 45), 10.0),)})
    with pytest.raises(InputError, match=r"opening C.*inside the plate"):
        write_svg(outside, tmp_path / "p.svg")
    with pytest.raises(ExportError, match="could not be written"):
        write_svg(plate, tmp_path / "no" / "p.svg")
    assert list(tmp_path.iterdir()) == []


def _ends(line: Xml.Element) -> np.ndarray:
    return np.array([[float(line.attrib[f"{axis}{n}"]) for axis in "xy"] for n in (1, 2)])
