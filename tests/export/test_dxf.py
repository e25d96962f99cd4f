"""Flat patterns read back by GDAL (through pyogrio) and audited by ezdxf; areas and lengths in closed form."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from tests.export.example_plates import bent_tab, bracket, bracket_area, bracket_length, round_hole

from elbowroom.export.cutting import prepare_cut
from elbowroom.export.dxf import write_dxf
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.processes import process_rules
from elbowroom.shared.scene import Loop, Plate, Pose

SHARE = 1e-4  # areas and lengths within 0.01 %
ARC_STEP_DEG = 0.25  # GDAL's chords: they take 3e-6 off a circle's area, well inside SHARE
SCALE = {"mm": 1.0, "in": 1 / 25.4}


def _gdal(path: Path) -> dict[str, list[Any]]:
    """Return shapely geometries by layer, as GDAL reads them."""
    pyogrio.set_gdal_config_options(
        {"OGR_ARC_STEPSIZE": str(ARC_STEP_DEG), "DXF_CLOSED_LINE_AS_POLYGON": "NO"}
    )
    _, _, geometry, fields = pyogrio.raw.read(path, columns=["Layer"])
    out: dict[str, list[Any]] = {}
    for layer, shape in zip(fields[0], shapely.from_wkb(geometry), strict=True):
        out.setdefault(str(layer), []).append(shape)
    return out


@pytest.mark.parametrize("unit", ["mm", "in"])
@pytest.mark.parametrize("version", ["R12", "R2000", "R2010", "R2018"])
def test_area_and_length_read_by_gdal(tmp_path: Path, unit: Any, version: str) -> None:
    write_dxf([bracket()], tmp_path / "p.dxf", unit=unit, version=version)
    cut = _gdal(tmp_path / "p.dxf")["CUT"]
    assert all(shapely.get_coordinates(c)[0] == pytest.approx(shapely.get_coordinates(c)[-1]) for c in cut)
    rings = sorted((shapely.Polygon(shapely.get_coordinates(c)) for c in cut), key=lambda p: -p.area)
    outer_area, net_area = bracket_area()
    s = SCALE[unit]
    assert len(rings) == 4
    assert all(r.is_valid for r in rings)
    assert rings[0].area == pytest.approx(outer_area * s**2, rel=SHARE)
    assert rings[0].length == pytest.approx(bracket_length() * s, rel=SHARE)
    assert rings[0].area - sum(r.area for r in rings[1:]) == pytest.approx(net_area * s**2, rel=SHARE)
    assert np.array(rings[0].bounds) == pytest.approx(np.array([0, 0, 160, 90]) * s, abs=1e-6)


@pytest.mark.parametrize(("unit", "insunits", "measurement"), [("mm", 4, 1), ("in", 1, 0)])
def test_header_says_the_unit_and_audit_is_clean(
    tmp_path: Path, unit: Any, insunits: int, measurement: int
) -> None:
    # $INSUNITS 1 = inches, 4 = millimetres; $MEASUREMENT 0 = English, 1 = metric: DXF reference, HEADER section
    write_dxf([bracket(), bent_tab()], tmp_path / "p.dxf", unit=unit)
    document = ezdxf.readfile(tmp_path / "p.dxf")
    assert document.dxfversion == "AC1024"  # R2010
    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (insunits, measurement)
    audit = document.audit()
    assert not audit.errors
    assert not audit.fixes
    assert {e.dxf.layer for e in document.modelspace()} == {"CUT", "MARK", "BEND", "NOTE"}
    assert document.layers.get("NOTE").dxf.plot == 0


def test_outlines_are_closed_lines_and_arcs_without_tiny_or_double_pieces(tmp_path: Path) -> None:
    plate = bracket()
    v, b = plate.outer.vertices_mm, plate.outer.bulges
    # the same outline with a vertex too many on a straight, and one doubled
    noisy = Loop(
        vertices_mm=(v[0], (80.0, 0.0), *v[1:3], v[2], *v[3:]), bulges=(0.0, 0.0, b[1], 0.0, b[2], *b[3:])
    )
    write_dxf([plate.model_copy(update={"outer": noisy})], tmp_path / "p.dxf")
    space = ezdxf.readfile(tmp_path / "p.dxf").modelspace()
    polylines = list(space.query("LWPOLYLINE"))
    assert sorted(len(p) for p in polylines) == [4, 10]
    for polyline in polylines:
        assert polyline.closed
        points = np.array(polyline.get_points("xy"))
        assert np.hypot(*(points - np.roll(points, -1, axis=0)).T).min() > 1.0
    circles = sorted((c.dxf.radius, c.dxf.center.x, c.dxf.center.y) for c in space.query("CIRCLE"))
    assert circles == [(6.75, 25.0, 25.0), (8.75, 135.0, 25.0)]
    assert not list(space.query("ARC SPLINE"))
    assert {e.dxf.layer for e in space.query("LINE")} == {"MARK"}


def test_bulges_turn_the_right_way(tmp_path: Path) -> None:
    """The hollow in the top edge must be a hollow: GDAL's polygon leaves its middle out and has the corners cut."""
    write_dxf([bracket()], tmp_path / "p.dxf", geometry_only=True)
    rings = [shapely.Polygon(shapely.get_coordinates(c)) for c in _gdal(tmp_path / "p.dxf")["CUT"]]
    outer = max(rings, key=lambda p: p.area)
    assert not outer.contains(shapely.Point(80, 75))
    assert outer.contains(shapely.Point(80, 69.9))
    assert not outer.contains(shapely.Point(1, 1))


def test_small_holes_are_marked_for_the_drill(tmp_path: Path) -> None:
    cut = prepare_cut(bent_tab(), process_rules("plasma", 4.763))
    write_dxf([cut], tmp_path / "p.dxf")
    layers = _gdal(tmp_path / "p.dxf")
    assert len(layers["CUT"]) == 1
    across, up = (m for m in layers["MARK"] if m.length == pytest.approx(6.0))
    meet = shapely.intersection(across, up)
    assert (meet.x, meet.y) == (15, 20)
    words = [t.dxf.text for t in ezdxf.readfile(tmp_path / "p.dxf").modelspace().query("TEXT")]
    assert "pin drill dia 5.00 mm" in words
    assert "Drill pin 5 mm at its cross." in words


@pytest.mark.parametrize("version", ["R12", "R2010"])
def test_kerf_is_half_inside_and_half_outside_the_finished_edge(tmp_path: Path, version: str) -> None:
    """Areas against shapely's buffer of the finished outline (round joins), and the obround's and circles' closed forms."""
    rules = process_rules("plasma", 9.525)
    write_dxf([prepare_cut(bracket(), rules, compensate_kerf=True)], tmp_path / "p.dxf", version=version)
    layers = _gdal(tmp_path / "p.dxf")
    rings = sorted(
        (shapely.Polygon(shapely.get_coordinates(c)) for c in layers["CUT"]), key=lambda p: -p.area
    )
    d = rules.kerf_mm / 2
    finished = shapely.Polygon(Outline.of_loop(bracket().outer).flatten(0.0005))
    assert rings[0].area == pytest.approx(finished.buffer(d, quad_segs=256).area, rel=SHARE)
    assert rings[0].hausdorff_distance(finished) == pytest.approx(d, abs=0.3 * d)
    slot_length, slot_width, slag = 50.0, 10.0, rules.slot_allowance_mm
    long, wide = slot_length + 2 * (slag - d), slot_width + 2 * (slag - d)
    assert rings[1].area == pytest.approx((long - wide) * wide + np.pi / 4 * wide**2, rel=SHARE)
    round_ones = [np.pi / 4 * (size - 2 * d) ** 2 for size in (13.5, 17.5)]
    assert sorted(r.area for r in rings[2:]) == pytest.approx(round_ones, rel=SHARE)
    words = " ".join(t.dxf.text for t in ezdxf.readfile(tmp_path / "p.dxf").modelspace().query("TEXT"))
    assert f"kerf IS compensated, {rules.kerf_mm:g} mm wide" in words
    assert "B dia 17.50 mm" in words, "the finished size is told, not the cut's"


def test_a_service_gets_geometry_only(tmp_path: Path) -> None:
    write_dxf([bracket(), bent_tab()], tmp_path / "p.dxf", geometry_only=True, version="R12")
    document = ezdxf.readfile(tmp_path / "p.dxf")
    assert document.dxfversion == "AC1009"
    assert not document.audit().has_errors
    space = document.modelspace()
    assert {e.dxftype() for e in space} == {"POLYLINE", "CIRCLE", "LINE"}
    assert {e.dxf.layer for e in space} == {"CUT", "MARK", "BEND"}


def test_the_part_number_lies_on_the_steel(tmp_path: Path) -> None:
    write_dxf([bracket()], tmp_path / "p.dxf")
    layers = _gdal(tmp_path / "p.dxf")
    rings = sorted(
        (shapely.Polygon(shapely.get_coordinates(c)) for c in layers["CUT"]), key=lambda p: -p.area
    )
    steel = rings[0].difference(shapely.union_all(rings[1:]))
    strokes = shapely.union_all(layers["MARK"])
    assert steel.contains(strokes)
    assert len(layers["MARK"]) > 20


def test_where_another_plate_stands_is_set_out(tmp_path: Path) -> None:
    """A plate 60 wide and 6 thick stands on edge on the bracket's upper face: its foot is a 60 x 6 rectangle."""
    loop = Loop(vertices_mm=((0, 0), (60, 0), (60, 40), (0, 40)), bulges=(0, 0, 0, 0))
    # its y is the bracket's z, its z the bracket's -y: turned a quarter about x
    standing = Pose(rotation_rad=(np.pi / 2, 0, 0), shift_mm=(50, 56, 9.525))
    web = Plate(name="web", world_from_plate=standing, thickness_mm=6, material="A36", outer=loop)
    write_dxf([bracket(name="ф")], tmp_path / "p.dxf", others=[web, bracket(name="ф")])
    lines = shapely.union_all(_gdal(tmp_path / "p.dxf")["MARK"])
    assert lines.bounds == pytest.approx((50, 50, 110, 56), abs=1e-3)
    assert lines.length == pytest.approx(2 * (60 + 6), abs=1e-2)


def test_bend_lines_and_several_plates_lie_apart(tmp_path: Path) -> None:
    write_dxf([bracket(), bent_tab()], tmp_path / "p.dxf", geometry_only=True)
    layers = _gdal(tmp_path / "p.dxf")
    assert "NOTE" not in layers
    shapes = [shapely.Polygon(shapely.get_coordinates(c)) for c in layers["CUT"]]
    big = sorted(shapes, key=lambda p: -p.area)[:2]
    assert big[0].distance(big[1]) == pytest.approx(20.0, abs=1e-9)
    bend = layers["BEND"][0]
    assert bend.length == pytest.approx(40.0)
    assert bend.centroid.distance(big[1].centroid) < 1e-9


def test_notes_say_material_unit_kerf_and_caution(tmp_path: Path) -> None:
    write_dxf([bracket()], tmp_path / "p.dxf", unit="in")
    words = " ".join(t.dxf.text for t in ezdxf.readfile(tmp_path / "p.dxf").modelspace().query("TEXT"))
    for part in (
        "ram mount: A36, 9.53 mm / 0.375 in thick",
        "unit inch",
        "kerf is NOT compensated",
        "local codes",
    ):
        assert part in words


def test_names_in_any_script_survive(tmp_path: Path) -> None:
    write_dxf([bracket(name="кронштейн ½")], tmp_path / "p.dxf")
    words = " ".join(t.dxf.text for t in ezdxf.readfile(tmp_path / "p.dxf").modelspace().query("TEXT"))
    assert "кронштейн ½" in words


def _with_hole(centre: tuple[float, float], diameter: float) -> Plate:
    plate = bracket()
    return plate.model_copy(update={"holes": (*plate.holes, round_hole("C", centre, diameter))})


@pytest.mark.parametrize(
    ("plate", "message"),
    [
        (_with_hole((80, 88), 10.0), "opening C.*inside the plate"),
        (_with_hole((158, 45), 10.0), "opening C.*inside the plate"),
        (_with_hole((30, 25), 10.0), "opening A.*meets opening C"),
    ],
)
def test_bad_openings_are_named(tmp_path: Path, plate: Plate, message: str) -> None:
    with pytest.raises(InputError, match=message):
        write_dxf([plate], tmp_path / "p.dxf")
    assert list(tmp_path.iterdir()) == []


def test_bad_choices_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"R13.*R2000"):
        write_dxf([bracket()], tmp_path / "p.dxf", version="R13")
    with pytest.raises(InputError, match=r"cm.*mm, in"):
        write_dxf([bracket()], tmp_path / "p.dxf", unit="cm")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="no plate"):
        write_dxf([], tmp_path / "p.dxf")
    crossed = Loop(vertices_mm=((0, 0), (50, 40), (50, 0), (0, 30)), bulges=(0, 0, 0, 0))
    with pytest.raises(InputError, match="crosses"):
        write_dxf([bracket().model_copy(update={"outer": crossed, "holes": ()})], tmp_path / "p.dxf")
    with pytest.raises(ExportError, match="could not be written"):
        write_dxf([bracket()], tmp_path / "no" / "p.dxf")


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "p.dxf"
    write_dxf([bracket()], path)
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(ExportError, match="No space left"):
        write_dxf([bent_tab()], path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["p.dxf"]


def test_closed_forms_agree_with_the_outline() -> None:
    from elbowroom.shared.outline import Outline

    outline = Outline.of_loop(bracket().outer)
    assert outline.area() == pytest.approx(bracket_area()[0], rel=1e-12)
    assert outline.length() == pytest.approx(bracket_length(), rel=1e-12)
