"""Target sheets read back: the PDF's own vectors measured, and its raster read by OpenCV's detector."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium_c
import pytest

from elbowroom.export.targets import Paper, default_card, write_targets
from elbowroom.shared.errors import ExportError, InputError
from elbowroom.shared.scene import CardTarget, PrintBatch, ScaleCard

BATCH = PrintBatch(name="first print")
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # ISO 216; 8.5 x 11 in
CORNER_MM = 0.1  # what a corner read back from a 600 dpi raster (0.042 mm a pixel) may be off
BAR_MM = 0.01


def _read(path: Path, number: int, dpi: float) -> dict[int, np.ndarray]:
    """Return corners (4, 2) mm from the paper's top left, by id, as OpenCV reads the rendered page."""
    page = pypdfium2.PdfDocument(path)[number]
    grey = np.array(page.render(scale=dpi / 72).to_pil().convert("L"))
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    codes = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(codes, settings).detectMarkers(grey)
    found = [] if ids is None else np.asarray(ids).reshape(-1).tolist()
    assert len(set(found)) == len(found)
    # pixel (0, 0) is a pixel's centre: + 0.5 to measure from the paper's edge
    return {
        i: (np.asarray(c, dtype=float).reshape(4, 2) + 0.5) * 25.4 / dpi
        for i, c in zip(found, corners, strict=True)
    }


def _boxes(path: Path, number: int) -> np.ndarray:
    """Return left, bottom, right, top, mm, of every filled path of a page, read from its vectors."""
    page = pypdfium2.PdfDocument(path)[number]
    rows = [o.get_bounds() for o in page.get_objects() if o.type == pdfium_c.FPDF_PAGEOBJ_PATH]
    return np.array(rows) * 25.4 / 72


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_page_is_the_papers_exact_size(tmp_path: Path, paper: Paper) -> None:
    write_targets(tmp_path / "t.pdf", ids=[1], side_mm=40, paper=paper, batch=BATCH)
    size = pypdfium2.PdfDocument(tmp_path / "t.pdf")[0].get_size()
    assert np.array(size) * 25.4 / 72 == pytest.approx(PAPERS[paper], abs=BAR_MM)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_both_bars_are_100_mm_on_every_page(tmp_path: Path, paper: Paper) -> None:
    card = default_card(paper, [50, 51, 52, 53])
    write_targets(tmp_path / "t.pdf", ids=range(30), side_mm=40, paper=paper, batch=BATCH, cards=[card])
    count = len(pypdfium2.PdfDocument(tmp_path / "t.pdf"))
    assert count >= 3
    for number in range(count):
        boxes = _boxes(tmp_path / "t.pdf", number)
        width, height = boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]
        for along, across, lo, hi in ((width, height, 0, 2), (height, width, 1, 3)):
            bar = (np.abs(along - 100) < 1) & (across < 1)  # the line itself
            ticks = (np.abs(along - 0.15) < 0.05) & (np.abs(across - 4.0) < 0.3)  # long and fine: end ticks
            centres = np.sort((boxes[ticks, lo] + boxes[ticks, hi]) / 2)
            assert bar.sum() == 1
            assert along[bar][0] == pytest.approx(100.0, abs=BAR_MM)
            assert len(centres) == 2
            assert centres[1] - centres[0] == pytest.approx(100.0, abs=BAR_MM)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("dpi", [300, 600])
def test_every_target_is_read_true_to_size_and_the_right_way_up(
    tmp_path: Path, paper: Paper, dpi: int
) -> None:
    sides = {0: 80.0, 586: 60.0} | dict.fromkeys(range(1, 9), 40.0) | dict.fromkeys(range(20, 26), 25.0)
    write_targets(tmp_path / "t.pdf", ids=list(sides), side_mm=list(sides.values()), paper=paper, batch=BATCH)
    found: dict[int, np.ndarray] = {}
    for number in range(len(pypdfium2.PdfDocument(tmp_path / "t.pdf"))):
        found |= _read(tmp_path / "t.pdf", number, dpi)
    assert set(found) == set(sides)
    for i, side in sides.items():
        # tl, tr, br, bl in a frame with y down: any turn or mirror breaks this
        square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * side / 2
        assert np.abs(found[i] - found[i].mean(axis=0) - square).max() < CORNER_MM


def test_targets_of_a_card_stand_where_the_card_says(tmp_path: Path) -> None:
    card = ScaleCard(
        name="odd",
        side_mm=30,
        targets=(
            CardTarget(id=7, x_mm=0, y_mm=0),
            CardTarget(id=8, x_mm=91.5, y_mm=12),
            CardTarget(id=9, x_mm=20, y_mm=123.25),
        ),
    )
    write_targets(tmp_path / "t.pdf", ids=[], side_mm=40, batch=BATCH, cards=[card])
    centres = {i: c.mean(axis=0) for i, c in _read(tmp_path / "t.pdf", 0, 600).items()}
    assert set(centres) == {7, 8, 9}
    for t in card.targets:
        step = (centres[t.id] - centres[7]) * [1, -1]
        assert step == pytest.approx([t.x_mm, t.y_mm], abs=CORNER_MM)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("count", [2, 3, 4, 6, 8])
def test_default_card_fits_and_is_read(tmp_path: Path, paper: Paper, count: int) -> None:
    card = default_card(paper, list(range(count)))
    assert len(card.targets) == count
    write_targets(tmp_path / "t.pdf", ids=[], side_mm=40, paper=paper, batch=BATCH, cards=[card])
    centres = {i: c.mean(axis=0) for i, c in _read(tmp_path / "t.pdf", 0, 300).items()}
    assert set(centres) == set(range(count))
    far = max(np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) for a in card.targets for b in card.targets)
    assert far >= 150  # a card shorter than the paper allows throws scale away


def test_quiet_zone_holds_nothing(tmp_path: Path) -> None:
    write_targets(tmp_path / "t.pdf", ids=range(12), side_mm=40, batch=BATCH)
    page = pypdfium2.PdfDocument(tmp_path / "t.pdf")[0]
    grey = np.array(page.render(scale=300 / 72).to_pil().convert("L"))
    px = 300 / 25.4
    for corners in _read(tmp_path / "t.pdf", 0, 300).values():
        lo, hi = corners.min(axis=0), corners.max(axis=0)
        outer = grey[
            int((lo[1] - 4.8) * px) : int((hi[1] + 4.8) * px),
            int((lo[0] - 4.8) * px) : int((hi[0] + 4.8) * px),
        ]
        inner = int(4.5 * px)
        ring = outer.astype(int)
        ring[inner:-inner, inner:-inner] = 255
        assert ring.min() == 255


def test_words_on_the_page(tmp_path: Path) -> None:
    write_targets(tmp_path / "t.pdf", ids=[3], side_mm=40, batch=BATCH)
    words = pypdfium2.PdfDocument(tmp_path / "t.pdf")[0].get_textpage().get_text_bounded()
    for part in (
        "first print",
        "Print at 100 %, measure both bars, type the measured lengths in",
        "id 3",
        "40 mm / 1.575 in",
        "up",
    ):
        assert part in words


def test_long_names_stay_on_the_page(tmp_path: Path) -> None:
    long = "W" * 80
    card = default_card("A4", [1, 2, 3, 4], name=long)
    write_targets(tmp_path / "t.pdf", ids=[], side_mm=40, batch=PrintBatch(name=long), cards=[card])
    page = pypdfium2.PdfDocument(tmp_path / "t.pdf")[0]
    boxes = np.array([o.get_bounds() for o in page.get_objects() if o.type == pdfium_c.FPDF_PAGEOBJ_TEXT])
    assert boxes[:, 0].min() > 9 * 72 / 25.4
    assert boxes[:, 2].max() < 201 * 72 / 25.4


def test_same_input_same_bytes(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        write_targets(tmp_path / name, ids=[3], side_mm=40, batch=BATCH)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_compensated_sheet_is_larger_by_the_printers_shortfall(tmp_path: Path) -> None:
    batch = PrintBatch(name="shrinks", bar_x_mm=99.0, bar_y_mm=98.0, measured=True)
    write_targets(tmp_path / "t.pdf", ids=[5], side_mm=60, batch=batch, compensate=True)
    corners = _read(tmp_path / "t.pdf", 0, 600)[5]
    printed = (corners[2] - corners[0]) * [0.99, 0.98]  # what that printer makes of it
    assert printed == pytest.approx([60, 60], abs=CORNER_MM)


def test_findings_speak_of_the_bars(tmp_path: Path) -> None:
    fresh = write_targets(tmp_path / "t.pdf", ids=[5], side_mm=40, batch=BATCH)
    assert [f.code for f in fresh] == ["bars-not-measured"]
    off = PrintBatch(name="b", bar_x_mm=99.6, measured=True)
    found = write_targets(tmp_path / "t.pdf", ids=[5], side_mm=40, batch=off)
    assert [f.code for f in found] == ["printer-scales"]
    assert found[0].numbers["bar_x_mm"] == 99.6
    odd = write_targets(tmp_path / "t.pdf", ids=[5], side_mm=10, batch=PrintBatch(name="пробы"))
    assert [f.code for f in odd] == ["bars-not-measured", "name-not-printable", "small-target"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"ids": [587]}, r"587.*0 to 586"),
        ({"ids": [-1]}, r"-1.*0 to 586"),
        ({"ids": [4, 4]}, "same id twice"),
        ({"ids": [4], "side_mm": 200.0}, r"target 4.*too large.*200 mm.*limit 142"),
        ({"ids": [4], "side_mm": 0.0}, "above zero"),
        ({"ids": [4], "side_mm": [40.0, 30.0]}, "one side"),
        ({"ids": [4], "paper": "A0"}, "A4, Letter"),
        ({"ids": []}, "nothing to print"),
    ],
)
def test_bad_input_is_named(tmp_path: Path, change: dict[str, object], message: str) -> None:
    given: dict[str, object] = {"side_mm": 40.0, "paper": "A4", "batch": BATCH} | change
    with pytest.raises(InputError, match=message):
        write_targets(tmp_path / "t.pdf", **given)  # type: ignore[arg-type]
    assert not (tmp_path / "t.pdf").exists()


def test_bad_cards_are_named(tmp_path: Path) -> None:
    wide = ScaleCard(
        name="wide",
        side_mm=40,
        targets=(CardTarget(id=1, x_mm=0, y_mm=0), CardTarget(id=2, x_mm=300, y_mm=0)),
    )
    near = ScaleCard(
        name="near", side_mm=40, targets=(CardTarget(id=1, x_mm=0, y_mm=0), CardTarget(id=2, x_mm=45, y_mm=0))
    )
    for card, message in (
        (wide, r"card wide.*350\.0 x 50\.0 mm.*limit"),
        (near, r"quiet zone.*5\.0 mm apart.*10\.0 mm"),
    ):
        with pytest.raises(InputError, match=message):
            write_targets(tmp_path / "t.pdf", ids=[], side_mm=40, batch=BATCH, cards=[card])
    with pytest.raises(InputError, match="same id twice"):
        write_targets(tmp_path / "t.pdf", ids=[1], side_mm=40, batch=BATCH, cards=[near])
    with pytest.raises(InputError, match="two or more"):
        default_card("A4", [1])


def test_missing_folder_is_a_clear_error(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="could not be written"):
        write_targets(tmp_path / "no" / "t.pdf", ids=[1], side_mm=40, batch=BATCH)
