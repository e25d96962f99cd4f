"""A picture of the stress in a plate: colour over the profile, a scale, where it is worst, and the caution."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path

import numpy as np
from PIL import Image as Pictures
from PIL import ImageDraw, ImageFont
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree

from elbowroom.export.files import write_whole
from elbowroom.shared.arrays import Floats, Image, Points2
from elbowroom.shared.loads import STRENGTH_CAUTION, Strength, StressField
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, Vec2

SIDE_PX, BORDER_PX, SCALE_PX, LINE_PX, TEXT_PX = 1400, 60, 170, 26, 18
"""Longer side of the plate, border, room for the colour scale, from line to line, height of letters."""

COLOURS = np.array(
    [[45, 40, 95], [40, 95, 145], [35, 145, 140], [100, 185, 95], [190, 205, 65], [255, 235, 120]],
    dtype=np.float64,
)
"""From no stress to yield, dark to light, so that it reads in grey as well."""

YIELDED = (200, 20, 40)
"""Over yield."""

LETTERS = 118


def write_stress(plate: Plate, strength: Strength, path: Path | str) -> None:
    """Write the stress of a plate under a load case as a PNG, seen from the side its z points to.

    Colour is the larger face's equivalent stress over the yield; what is over yield is red.

    Parameters
    ----------
    plate : Plate
    strength : Strength
    path : Path
        The file; replaced whole.

    Raises
    ------
    ExportError
        When the file can't be written.
    """
    x0, y0, x1, y1 = Outline.of_loop(plate.outer).bounds()
    zoom = SIDE_PX / max(x1 - x0, y1 - y0)
    width, height = round((x1 - x0) * zoom), round((y1 - y0) * zoom)
    words = _words(plate, strength)
    total = (
        max(width + 2 * BORDER_PX + SCALE_PX, LETTERS * 10),
        height + 3 * BORDER_PX + LINE_PX * len(words),
    )
    picture = Pictures.new("RGB", total, "white")
    pen = ImageDraw.Draw(picture)
    font = ImageFont.load_default(TEXT_PX)

    def at(points: Points2) -> list[tuple[float, float]]:
        return [(BORDER_PX + (x - x0) * zoom, BORDER_PX + (y1 - y) * zoom) for x, y in points]

    grid = np.mgrid[0:height, 0:width]
    places = np.stack([x0 + (grid[1] + 0.5) / zoom, y1 - (grid[0] + 0.5) / zoom], axis=2)
    colours = _colours(strength.field, places, strength.yield_mpa)
    loops = [Outline.of_loop(loop).flatten() for loop in (plate.outer, *(h.loop for h in plate.holes))]
    mask = Pictures.new("L", total, 0)
    shape = ImageDraw.Draw(mask)
    for k, loop in enumerate(loops):
        shape.polygon(at(loop), fill=0 if k else 255)
    layer = Pictures.new("RGB", total, "white")
    layer.paste(Pictures.fromarray(colours), (BORDER_PX, BORDER_PX))
    picture.paste(layer, (0, 0), mask)
    for loop in loops:
        pen.line([*at(loop), at(loop[:1])[0]], fill="black", width=2)
    _mark(pen, font, at, strength.stress_at_plate, f"{strength.stress_mpa:.0f} MPa")
    _mark(pen, font, at, strength.deflection_at_plate, f"{strength.deflection_mm:.3f} mm")
    _scale(pen, font, (width + 2 * BORDER_PX, BORDER_PX), height, strength.yield_mpa)
    for k, line in enumerate(words):
        pen.text((BORDER_PX, height + 2 * BORDER_PX + LINE_PX * k), line, fill="black", font=font)
    data = io.BytesIO()
    picture.save(data, "PNG")
    write_whole(path, data.getvalue())


def _colours(field: StressField, places: Floats, yield_mpa: float) -> Image:
    """Return the colour (rows, columns, 3) of each place (rows, columns, 2) mm; the nearest corner's outside the mesh."""
    stress = LinearNDInterpolator(field.nodes_plate, field.von_mises_mpa)(places)
    beyond = np.isnan(stress)  # between a rim's corners and its arc
    stress[beyond] = field.von_mises_mpa[cKDTree(field.nodes_plate).query(places[beyond])[1]]
    return _coloured(stress / yield_mpa)


def _coloured(share: Floats) -> Image:
    """Return the colours (..., 3) of stresses as shares of yield (...)."""
    steps = np.linspace(0.0, 1.0, len(COLOURS))
    out = np.stack([np.interp(share, steps, COLOURS[:, c]) for c in range(3)], axis=-1)
    out[share > 1.0] = YIELDED
    return out.round().astype(np.uint8)


def _mark(pen: ImageDraw.ImageDraw, font: object, at: object, place: Vec2, words: str) -> None:
    x, y = at(np.array([place]))[0]  # type: ignore[operator]
    pen.ellipse((x - 7, y - 7, x + 7, y + 7), outline="white", width=5)
    pen.ellipse((x - 7, y - 7, x + 7, y + 7), outline="black", width=2)
    pen.text((x + 12, y - 10), words, fill="black", font=font, stroke_width=3, stroke_fill="white")  # type: ignore[arg-type]


def _scale(
    pen: ImageDraw.ImageDraw, font: object, corner: tuple[int, int], height: int, yield_mpa: float
) -> None:
    """Draw the colour scale: zero at the bottom, yield near the top, red above."""
    x, y = corner
    for row in range(height):
        share = 1.1 * (1 - row / height)
        colour = tuple(int(c) for c in _coloured(np.array([share]))[0])
        pen.line((x, y + row, x + 30, y + row), fill=colour)
    for share, name in ((0.0, "0"), (0.5, f"{yield_mpa / 2:.0f}"), (1.0, f"{yield_mpa:.0f} MPa yield")):
        pen.text((x + 36, y + height * (1 - share / 1.1) - 10), name, fill="black", font=font)  # type: ignore[arg-type]


def _words(plate: Plate, strength: Strength) -> list[str]:
    least = strength.least
    lines = [
        f"{strength.plate}, load case {strength.case}: {plate.thickness_mm:g} mm {plate.material}; seen from the side z points to",
        f"Largest stress {strength.stress_mpa:.1f} MPa at {strength.stress_near}; moves {strength.deflection_mm:.3f} mm at most",
        f"Least margin: {least.what}, {least.where}: factor {least.factor:.2f}, asked {least.asked:.2f}. {strength.verdict}",
        STRENGTH_CAUTION,
    ]
    return [part for line in lines for part in textwrap.wrap(line, LETTERS)]
