"""Paper templates read back by pdfium: vectors measured, rasters laid on the true outline, tiles joined by their marks."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import scipy.spatial
from tests.export.example_plates import LEVEL, bent_tab, bracket, bracket_area, bracket_length, round_hole
from tests.export.pdf_pages import PdfPage, pages, rigid_fit

from elbowroom.export.template import write_template
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Loop, Plate, PlateHole, PrintBatch

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; 8.5 x 11 in
BAR_MM = 0.01
VECTOR_MM = 0.01
LINE_MM = 0.1  # how far a drawn line's ink may lie from the outline, beside half its own width
CUT_WIDTH_MM = 0.2
AREA_SHARE = 5e-4  # of a large part joined from rasters at 300 dpi
OFF = PrintBatch(name="desk printer", bar_x_mm=99.4, bar_y_mm=100.7, measured=True)
OFF_SCALE = (OFF.bar_x_mm / 100, OFF.bar_y_mm / 100)  # what that printer does to a page


def _scaled(plate: Plate, s: float) -> Plate:
    def hole(h: PlateHole) -> PlateHole:
        loop = Outline.of_loop(h.loop).scaled(s).loop()
        x, y = h.centre_mm
        size = h.diameter_mm * s if h.diameter_mm else None
        return h.model_copy(update={"loop": loop, "centre_mm": (x * s, y * s), "diameter_mm": size})

    outer = Outline.of_loop(plate.outer).scaled(s).loop()
    return plate.model_copy(update={"outer": outer, "holes": tuple(hole(h) for h in plate.holes)})


def _samples(plate: Plate, step: float = 0.05) -> np.ndarray:
    """Points (n, 2) mm along every outline of a plate, by each piece's own fraction."""
    rows = []
    for loop in (plate.outer, *(h.loop for h in plate.holes)):
        for piece in Outline.of_loop(loop).pieces():
            n = max(2, math.ceil(piece.length / step))
            rows += [piece.at(k / n) for k in range(n)]
    return np.column_stack([np.real(rows), np.imag(rows)])


def _laid(points: np.ndarray, ink: np.ndarray, *, mirrored: bool) -> np.ndarray:
    """Return plate points laid on the ink: mirrored or not, turned by quarters, bounds' middles together."""
    if mirrored:
        points = points * [-1, 1]
    middle = (ink.min(axis=0) + ink.max(axis=0)) / 2
    tree = scipy.spatial.cKDTree(ink)
    best, least = points, math.inf
    for quarter in range(4):
        turned = points @ np.linalg.matrix_power(np.array([[0.0, 1.0], [-1.0, 0.0]]), quarter)
        turned = turned + middle - (turned.min(axis=0) + turned.max(axis=0)) / 2
        far = float(np.mean(tree.query(turned[::20])[0]))
        if far < least:
            best, least = turned, far
    return best


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("batch", [None, OFF])
def test_both_bars_come_out_at_100_mm_on_every_page(
    tmp_path: Path, paper: Any, batch: PrintBatch | None
) -> None:
    write_template(_scaled(bracket(), 3.2), tmp_path / "t.pdf", paper=paper, batch=batch)
    printed = pages(tmp_path / "t.pdf", OFF_SCALE if batch else (1.0, 1.0))
    assert len(printed) == 6
    for page in printed:
        paper_mm = page.size / page.scale
        assert paper_mm == pytest.approx(PAPERS[paper], abs=BAR_MM)  # the sheet itself is never scaled
        boxes = page.boxes
        width, height = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
        for along, across, lo, hi in ((width, height, 0, 2), (height, width, 1, 3)):
            bar = (np.abs(along - 100) < 1) & (np.abs(across - 0.2) < 0.01)
            ticks = (np.abs(along - 0.15) < 0.01) & (np.abs(across - 4.0) < 0.05)
            centres = np.sort((boxes[ticks, lo] + boxes[ticks, hi]) / 2)
            assert bar.sum() == 1
            assert along[bar][0] == pytest.approx(100.0, abs=BAR_MM)
            assert len(centres) == 2
            assert centres[1] - centres[0] == pytest.approx(100.0, abs=BAR_MM)


def test_arcs_are_true_within_a_hundredth(tmp_path: Path) -> None:
    """A disc of radius 400 and the bracket, their vectors against circle and closed forms."""
    disc = Plate(
        name="disc",
        world_from_plate=LEVEL,
        thickness_mm=6,
        material="A36",
        outer=Outline.circle((0, 0), 400).loop(),
    )
    write_template(disc, tmp_path / "t.pdf")
    for page in pages(tmp_path / "t.pdf"):
        line = page.polyline(_largest(page))
        radius = np.linalg.norm(line - (line.min(axis=0) + line.max(axis=0)) / 2, axis=1)
        assert np.abs(radius - 400).max() < VECTOR_MM
    write_template(bracket(), tmp_path / "b.pdf")
    (page,) = pages(tmp_path / "b.pdf")
    x, y = page.polyline(_largest(page)).T
    area = 0.5 * abs(float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum()))
    assert area == pytest.approx(bracket_area()[0], rel=1e-4)
    assert (np.ptp(x), np.ptp(y)) == pytest.approx((160, 90), abs=VECTOR_MM)
    assert float(np.hypot(np.diff(x), np.diff(y)).sum()) == pytest.approx(bracket_length(), rel=1e-4)


def _largest(page: PdfPage) -> int:
    """Return the index of the largest path: the part's outline."""
    size = page.boxes[:, 2:] - page.boxes[:, :2]
    return int(np.argmax(size[:, 0] * size[:, 1]))


@pytest.mark.parametrize("dpi", [300, 600])
@pytest.mark.parametrize("side", ["top", "bottom"])
def test_lines_lie_on_the_outline(tmp_path: Path, dpi: int, side: Any) -> None:
    """Both ways: no outline without ink, no ink away from outlines and centre lines (which are the plate's own)."""
    plate = bracket()
    write_template(plate, tmp_path / "t.pdf", side=side)
    (page,) = pages(tmp_path / "t.pdf")
    ink = page.black(dpi, 80)
    ink = ink[(ink[:, 0] > 20) & (ink[:, 1] > 31) & (ink[:, 1] < page.size[1] - 34)]  # bars, words left out
    samples = _samples(plate)
    crosses = np.vstack([_cross(h) for h in plate.holes])
    laid = _laid(np.vstack([samples, crosses]), ink, mirrored=side == "bottom")
    outline, all_drawn = laid[: len(samples)], laid
    assert scipy.spatial.cKDTree(ink).query(outline)[0].max() < LINE_MM
    off = scipy.spatial.cKDTree(all_drawn).query(ink)[0]
    assert off.max() < CUT_WIDTH_MM / 2 + LINE_MM


def _cross(hole: PlateHole) -> np.ndarray:
    """Points of a hole's centre lines, a little past its rim; of a slot also of its ends' centres."""
    x0, y0, x1, y1 = Outline.of_loop(hole.loop).bounds()
    (x, y), t = hole.centre_mm, np.linspace(-1, 1, 1201)
    rows = [np.column_stack([x + t * ((x1 - x0) / 2 + 4), 0 * t + y])]
    rows += [np.column_stack([0 * t + x, y + t * ((y1 - y0) / 2 + 4)])]
    if hole.kind == "slot":
        r = (y1 - y0) / 2
        rows += [np.column_stack([0 * t + c, y + 2 * t]) for c in (x0 + r, x1 - r)]
    return np.vstack(rows)


@pytest.mark.parametrize(("paper", "batch"), [("A4", None), ("Letter", None), ("A4", OFF)])
def test_tiles_joined_by_their_marks_give_the_part(
    tmp_path: Path, paper: Any, batch: PrintBatch | None
) -> None:
    """As printed, on a printer that is off where a batch says so: trimmed, laid mark on mark, and the area taken."""
    s, dpi = 3.2, 300.0
    plate = _scaled(bracket(), s)
    write_template(plate, tmp_path / "t.pdf", paper=paper, batch=batch)
    printed = pages(tmp_path / "t.pdf", OFF_SCALE if batch else (1.0, 1.0))
    shown = [page.marks() for page in printed]
    numbers = [n for marks in shown for n in marks]
    assert sorted(set(numbers)) == list(range(1, len(numbers) // 2 + 1))
    assert all(numbers.count(n) == 2 for n in numbers)
    poses = _joined(shown)
    ink = []
    for page, (rotation, shift) in zip(printed, poses, strict=True):
        x0, y0, x1, y1 = page.window()
        dots = page.black(dpi, 80)
        kept = (dots[:, 0] > x0) & (dots[:, 0] < x1) & (dots[:, 1] > y0) & (dots[:, 1] < y1)
        ink.append(dots[kept] @ rotation.T + shift)
    dots = np.vstack(ink)
    outline = _laid(_samples(plate), dots, mirrored=False)
    assert scipy.spatial.cKDTree(dots).query(outline)[0].max() < LINE_MM
    assert _area(dots, 25.4 / dpi) == pytest.approx(bracket_area()[0] * s**2, rel=AREA_SHARE)


def _joined(shown: list[dict[int, np.ndarray]]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return each page's rotation and shift to the first, going from neighbour to neighbour by shared marks."""
    poses: dict[int, tuple[np.ndarray, np.ndarray]] = {0: (np.eye(2), np.zeros(2))}
    for _ in shown:
        for here, marks in enumerate(shown):
            for there in [p for p in poses if here not in poses]:
                both = sorted(set(marks) & set(shown[there]))
                if len(both) < 2:
                    continue
                rotation, shift = poses[there]
                target = np.array([shown[there][n] for n in both]) @ rotation.T + shift
                source = np.array([marks[n] for n in both])
                poses[here] = rigid_fit(source, target)
                assert source @ poses[here][0].T + poses[here][1] == pytest.approx(target, abs=VECTOR_MM)
                break
    assert len(poses) == len(shown)
    return [poses[n] for n in range(len(shown))]


def _area(dots: np.ndarray, pixel: float) -> float:
    """Return the area, mm², inside the middle of the outermost closed line of ink."""
    place = np.rint((dots - dots.min(axis=0)) / pixel).astype(int) + 20
    image = np.zeros(tuple(place.max(axis=0)[::-1] + 21), dtype=np.uint8)
    image[place[:, 1], place[:, 0]] = 255
    image = cv2.morphologyEx(image, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))  # gaps of rounding
    outside = image.copy()
    cv2.floodFill(outside, None, (0, 0), 128)
    inside = (outside != 128).astype(np.uint8)
    band = inside - cv2.erode(inside, np.ones((25, 25), np.uint8))  # one mm: the outline and nothing else
    return float(inside.sum() - 0.5 * ((image > 0) & (band > 0)).sum()) * pixel**2


def test_blank_tiles_are_left_out_and_the_rest_hang_together(tmp_path: Path) -> None:
    corner = Loop(
        vertices_mm=((0, 0), (600, 0), (600, 60), (60, 60), (60, 600), (0, 600)), bulges=(0, 0, 0, 0, 0, 0)
    )
    plate = Plate(name="L", world_from_plate=LEVEL, thickness_mm=6, material="A36", outer=corner)
    write_template(plate, tmp_path / "t.pdf")
    printed = pages(tmp_path / "t.pdf")
    assert len(printed) == 6  # of 4 x 3
    _joined([page.marks() for page in printed])


def test_words_on_every_page(tmp_path: Path) -> None:
    findings = write_template(
        _scaled(bracket(), 2.2), tmp_path / "t.pdf", batch=OFF, side="bottom", verdict="PASS"
    )
    printed = pages(tmp_path / "t.pdf")
    for number, page in enumerate(printed, 1):
        words = page.words()
        for part in (
            "ram mount",
            "A36, 9.53 mm / 0.375 in thick",
            "Print at 100 %",
            f"row 1, column {number} page {number} of 3",
            "Clearance check: PASS. A fit check, not an approval",
            "local codes and licensed practice",
            "Drawn 100.60 % wide, 99.30 % high for the printer of batch desk printer only",  # 100/99.4, 100/100.7
            "BELOW (mirrored)",
        ):
            assert part in words
    assert {f.code for f in findings} == {"template-bars", "template-corrected"}


def test_bend_lines_are_drawn_and_named(tmp_path: Path) -> None:
    write_template(bent_tab(), tmp_path / "t.pdf")
    (page,) = pages(tmp_path / "t.pdf")
    x0, y0, _, y1 = page.boxes[_largest(page)]
    at = [b for b in page.boxes if abs((b[0] + b[2]) / 2 - x0 - 30) < 0.2 and b[3] - b[1] > 39]
    assert len(at) == 1
    assert (at[0][1], at[0][3]) == pytest.approx((y0, y1), abs=0.2)
    assert "bend 1: 90 deg, inside radius 6 mm" in page.words()


def test_an_unmeasured_batch_corrects_nothing_and_says_so(tmp_path: Path) -> None:
    findings = write_template(
        bracket(name="кронштейн"), tmp_path / "t.pdf", batch=PrintBatch(name="new", bar_x_mm=90)
    )
    assert {f.code for f in findings} == {"template-bars", "bars-not-measured", "name-not-printable"}
    (page,) = pages(tmp_path / "t.pdf")
    assert "No printer correction" in page.words()
    assert "Clearance check: NOT CHECKED" in page.words()
    assert np.ptp(page.polyline(_largest(page))[:, 0]) == pytest.approx(160, abs=VECTOR_MM)


@pytest.mark.parametrize(
    ("change", "options", "message"),
    [
        ({}, {"paper": "A3"}, r"no such paper.*A3.*A4, Letter"),
        ({}, {"side": "left"}, r"left.*top, bottom"),
        ({}, {"batch": OFF.model_copy(update={"bar_x_mm": 9.94})}, r"desk printer.*x check bar.*80 to 120"),
        ({"holes": (round_hole("C", (158, 45), 10.0),)}, {}, r"opening C.*inside the plate"),
        ({"outer": Outline.circle((0, 0), 3000).loop(), "holes": ()}, {}, r"too large.*sheets.*DXF"),
    ],
)
def test_bad_input_is_named(
    tmp_path: Path, change: dict[str, object], options: dict[str, Any], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        write_template(bracket().model_copy(update=change), tmp_path / "t.pdf", **options)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="could not be written"):
        write_template(bracket(), tmp_path / "no" / "t.pdf")
