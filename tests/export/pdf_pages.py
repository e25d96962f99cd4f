"""A PDF's pages as pdfium reads them: vectors, words and rasters in mm from the lower left, page by page."""

from __future__ import annotations

import ctypes
import math
import re
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium_c

MM = 25.4 / 72
BEZIER_STEPS = 24


@dataclass(eq=False)
class PdfPage:
    """One page; `scale` is what a printer that is off makes of it, x and y."""

    page: Any
    scale: tuple[float, float] = (1.0, 1.0)
    factor: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.factor = np.array(self.scale) * MM

    @cached_property
    def size(self) -> np.ndarray:
        return np.array(self.page.get_size()) * self.factor

    @cached_property
    def paths(self) -> list[Any]:
        return [o for o in self.page.get_objects() if o.type == pdfium_c.FPDF_PAGEOBJ_PATH]

    @cached_property
    def boxes(self) -> np.ndarray:
        """Left, bottom, right, top of every path, mm."""
        return np.array([o.get_bounds() for o in self.paths]) * np.tile(self.factor, 2)

    def words(self) -> str:
        return " ".join(self.page.get_textpage().get_text_range().split())

    def near_text(self, place: np.ndarray, low: float, high: float) -> str:
        """Return the words right of and above a place, mm."""
        a, b = (place + low) / self.factor, (place + high) / self.factor
        return str(self.page.get_textpage().get_text_bounded(a[0], a[1], b[0], b[1])).strip()

    def marks(self) -> dict[int, np.ndarray]:
        """Return the centre of every ring of 4 mm with a number beside it, by number."""
        size = self.boxes[:, 2:] - self.boxes[:, :2]
        rings = self.boxes[(np.abs(size - 4.1) < 0.15).all(axis=1)]
        centres = (rings[:, :2] + rings[:, 2:]) / 2
        found = [(self.near_text(c, 1.4, 4.6), c) for c in centres]
        return {int(words): c for words, c in found if re.fullmatch(r"\d+", words)}

    def window(self) -> np.ndarray:
        """Return left, bottom, right, top of the frame of four pale long lines."""
        size = self.boxes[:, 2:] - self.boxes[:, :2]
        pale = np.array([_stroke_grey(o) for o in self.paths]) > 150
        lines = self.boxes[pale & (size.max(axis=1) > 150) & (size.min(axis=1) < 0.5)]
        assert len(lines) == 4
        return np.hstack([lines[:, :2].min(axis=0), lines[:, 2:].max(axis=0)])

    def polyline(self, index: int) -> np.ndarray:
        """Return points (n, 2) mm along a path, its Bezier curves evaluated by the cubic's formula."""
        handle = self.paths[index].raw
        m = pdfium_c.FS_MATRIX()
        pdfium_c.FPDFPageObj_GetMatrix(handle, m)
        points: list[np.ndarray] = []
        controls: list[np.ndarray] = []
        for n in range(pdfium_c.FPDFPath_CountSegments(handle)):
            segment = pdfium_c.FPDFPath_GetPathSegment(handle, n)
            x, y = ctypes.c_float(), ctypes.c_float()
            pdfium_c.FPDFPathSegment_GetPoint(segment, x, y)
            point = np.array(
                [m.a * x.value + m.c * y.value + m.e, m.b * x.value + m.d * y.value + m.f], dtype=float
            )
            if pdfium_c.FPDFPathSegment_GetType(segment) != pdfium_c.FPDF_SEGMENT_BEZIERTO:
                points.append(point)
                continue
            controls.append(point)
            if len(controls) == 3:
                t = np.linspace(0, 1, BEZIER_STEPS + 1)[1:, None]
                p0, (p1, p2, p3) = points[-1], controls
                points += list(
                    (1 - t) ** 3 * p0 + 3 * t * (1 - t) ** 2 * p1 + 3 * t**2 * (1 - t) * p2 + t**3 * p3
                )
                controls = []
        return np.array(points) * self.factor

    def grey(self, dpi: float) -> np.ndarray:
        """Return the page rendered, row 0 at the top."""
        return np.array(self.page.render(scale=dpi / 72).to_pil().convert("L"))

    def black(self, dpi: float, darker: int) -> np.ndarray:
        """Return the centres (n, 2) mm of the pixels darker than a limit."""
        image = self.grey(dpi)
        rows, columns = np.nonzero(image < darker)
        pixel = 25.4 / dpi * np.array(self.scale)
        return np.column_stack([(columns + 0.5) * pixel[0], self.size[1] - (rows + 0.5) * pixel[1]])


def _stroke_grey(path: Any) -> int:
    """Return how light a path's line is, 0 to 255."""
    channels = [ctypes.c_uint() for _ in range(4)]
    pdfium_c.FPDFPageObj_GetStrokeColor(path.raw, *channels)
    return int(channels[0].value)


def pages(path: Path, scale: tuple[float, float] = (1.0, 1.0)) -> list[PdfPage]:
    """Return all pages of a PDF."""
    document = pypdfium2.PdfDocument(path)
    return [PdfPage(document[n], scale) for n in range(len(document))]


def rigid_fit(source: np.ndarray, target: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the rotation (2, 2) and shift (2,) that lay points on points, least squares (two or more)."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return rotation, target.mean(axis=0) - rotation @ source.mean(axis=0)
