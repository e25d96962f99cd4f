"""Length measuring deviations in the manner of VDI/VDE 2634 part 1: seven lines through the volume, five lengths on each.

The artefact is an imaginary block, 1.0 m from corner to corner, with six targets along each of seven lines: its four
space diagonals and three of its edges. Photos of it, 8 MP, are drawn from the exact geometry at fixed seeds and
measured like anybody's; the scale comes from one card beside it, as printed. Each length's deviation is printed.

Source: VDI/VDE 2634 part 1, 2002: at least seven lines, at least five test lengths on each, the longest at least two
thirds of the volume's diagonal (from memory; the guideline was not at hand).

Usage: python benchmarks/lengths.py [PHOTOS]
"""

from __future__ import annotations

import sys
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from synthetic import Layout, Look, draw, look_at

from elbowroom.recon import import_photo, measure
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane
from elbowroom.shared.scene import CardTarget, Lens, ScaleCard, Scene

Floats = npt.NDArray[np.float64]
LIMIT_MM = 0.1
SIDE_MM, CARD_SIDE_MM = 24.0, 40.0
SIZE_MM = np.array([760.0, 560.0, 330.0])
"""The block: 1.0 m from corner to corner."""

LENS = Lens(
    name="drawn", width_px=3264, height_px=2448, focal_px=2530.0, cx_px=1639.0, cy_px=1217.0,
    k1=0.06, k2=-0.15, k3=0.04, p1=2e-4, p2=-2e-4,
)  # fmt: skip
LINES = (
    ((0, 0, 0), (1, 1, 1)),
    ((1, 0, 0), (0, 1, 1)),
    ((0, 1, 0), (1, 0, 1)),
    ((1, 1, 0), (0, 0, 1)),
    ((0.08, -0.08, 0), (0.92, -0.08, 0)),
    ((-0.08, 0.08, 0), (-0.08, 0.92, 0)),
    ((0.08, 1.08, 0), (0.92, 1.08, 0)),
)
"""Ends of the seven lines, as shares of the block's size."""

STOPS = np.array([0.0, 0.15, 0.33, 0.6, 0.8, 1.0])
"""Places of the six targets of a line; its five lengths run from the first to each of the others."""

CARD = {100: (0.0, 0.0), 101: (150.0, 0.0), 102: (0.0, 100.0), 103: (150.0, 100.0)}
CARD_CORNER = np.array([300.0, -190.0, 0.0])
SEED = 2634


def main(photos: int = 14) -> int:
    """Print every length's deviation; return 1 when the worst is beyond the limit."""
    layout, lines = artefact()
    out, _ = measure(*photographed(layout, photos))
    centres = {m.id: np.array(m.world_from_target.shift_mm) for m in out.measured}
    rows = deviations(layout, lines, centres)
    for number, true, off in rows:
        print(f"line {number}: {true:8.3f} mm, deviation {off:+.4f} mm")
    accuracy = out.accuracy
    assert accuracy is not None
    print(f"photos {len(out.photos)}, targets measured {len(out.measured)} of {len(layout.places)}")
    print(f"scale sd {100 * accuracy.scale_sd:.4f} %, typical target sd {accuracy.typical_sd_mm:.4f} mm")
    for finding in out.findings:
        print(f"{finding.severity}: {finding.message}")
    lengths = [off for _, _, off in rows]
    asked = len(lines) * (len(STOPS) - 1)
    worst = max(lengths, key=abs)
    print(f"lengths {len(lengths)} of {asked}: worst deviation {worst:+.4f} mm (limit {LIMIT_MM})")
    return 0 if len(lengths) == asked and abs(worst) <= LIMIT_MM else 1


def deviations(
    layout: Layout, lines: list[list[int]], centres: Mapping[int, Floats]
) -> list[tuple[int, float, float]]:
    """Return line number, true length and deviation (mm) of every test length both of whose ends were measured."""
    out = []
    for number, ids in enumerate(lines, 1):
        for other in ids[1:]:
            if ids[0] in centres and other in centres:
                true = float(np.linalg.norm(layout.places[ids[0]].shift - layout.places[other].shift))
                got = float(np.linalg.norm(centres[ids[0]] - centres[other]))
                out.append((number, true, got - true))
    return out


def artefact() -> tuple[Layout, list[list[int]]]:
    """Return the block's targets and the card's, and the ids along each line."""
    rng = np.random.default_rng(SEED)
    places: dict[int, Rigid[World, Target]] = {}
    lines = []
    for start, end in LINES:
        first = len(places)
        for stop in STOPS:
            spot = (np.array(start) + stop * (np.array(end, dtype=float) - start)) * SIZE_MM
            lean = np.array([*(0.5 * (spot / SIZE_MM - 0.5)[:2]), 1.0])  # outwards, as on a body
            places[len(places)] = frame_on_plane(spot, lean, rng.normal(size=3))
        lines.append(list(range(first, len(places))))
    for i, (x, y) in CARD.items():
        spot = CARD_CORNER + np.array([x, y, 0.0])
        places[i] = frame_on_plane(spot, np.array([0, 0, 1.0]), np.array([1.0, 0, 0]))
    return Layout({i: CARD_SIDE_MM if i in CARD else SIDE_MM for i in places}, places), lines


def photographed(layout: Layout, count: int) -> tuple[Scene, dict[str, bytes]]:
    """Return a scene of photos round the block, every fifth from above, turned about the view, and their bytes."""
    rng = np.random.default_rng(SEED + 1)
    middle = SIZE_MM * [0.5, 0.4, 0.4]
    media, photos, lenses = {}, [], {}
    for i in range(count):
        bearing = 2 * np.pi * i / count
        out = np.array([720 * np.cos(bearing), 640 * np.sin(bearing), (760.0, 950.0)[i % 2]])
        if i % 5 == 4:
            out = np.array([150 * np.cos(bearing), 120 * np.sin(bearing), 1200.0])
        station = look_at(middle + out, middle, (0.0, 1.57, 3.14, 4.71)[i % 4])
        photo, lens, stored, _ = import_photo(
            f"block_{i + 1:02d}.jpg", draw(layout, LENS, station, rng, Look())
        )
        media[photo.media], lenses[lens.name] = stored, lens
        photos.append(photo)
    spots = tuple(CardTarget(id=i, x_mm=x, y_mm=y) for i, (x, y) in CARD.items())
    scene = Scene(
        name="block",
        photos=tuple(photos),
        lenses=tuple(lenses.values()),
        cards=(ScaleCard(name="card", side_mm=CARD_SIDE_MM, targets=spots),),
        default_side_mm=SIDE_MM,
    )
    return scene, media


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:])))
