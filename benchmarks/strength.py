"""The finite elements against published values and closed forms, and the time of one check.

Run: python benchmarks/strength.py
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from elbowroom.fit import check_strength
from elbowroom.fit.finite import EdgeLoad, PlateElements, Sheet, Solution
from elbowroom.fit.refinement import Refined, refine
from elbowroom.shared.arrays import Bools, Floats
from elbowroom.shared.loads import HoleLoad, LoadCase
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, PlateHole, Pose, WeldEdgeIntent

STEEL = Sheet(thickness_mm=8.0, modulus_mpa=200_000.0)


def solved(
    outlines: Sequence[Outline],
    sheet: Sheet,
    held: Callable[[Floats], Bools],
    pulled: Callable[[Floats], Bools],
    pull: tuple[float, float, float],
    size: float,
    counted: Callable[[Floats], Bools],
) -> Refined:
    def traction(places: Floats) -> Floats:
        return np.stack([np.full(places.shape[1:], v) for v in pull])

    def solve(elements: PlateElements) -> Solution:
        ends = elements.ends
        loads = [EdgeLoad(np.flatnonzero(pulled(ends)), traction)]
        return elements.solve(sheet, np.flatnonzero(held(ends)), loads)

    return refine([o.pieces() for o in outlines], size, solve, counted=counted)


def at_x(x: float) -> Callable[[Floats], Bools]:
    return lambda ends: np.abs(ends[:, :, 0] - x).max(axis=1) < 1e-7


def box(x0: float, y0: float, x1: float, y1: float) -> Outline:
    return Outline.polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def strip(share: float) -> tuple[float, int]:
    """Return the net stress concentration of a hole in a strip, and the triangles it took."""
    width, pull = 100.0, 100.0
    radius = share * width / 2
    found = solved(
        [box(-200, -50, 200, 50), Outline.circle((0, 0), radius)], STEEL, at_x(-200), at_x(200), (800.0, 0, 0), 20.0,
        lambda p: np.abs(p[:, 0]) < 100,
    )  # fmt: skip
    nodes = found.elements.mesh.nodes
    peak = found.solution.von_mises()[np.hypot(nodes[:, 0], nodes[:, 1]) < 1.5 * radius].max()
    return float(peak / pull * (1 - share)), len(found.elements.mesh.triangles)


def cook() -> float:
    shape = Outline.polygon([(0, 0), (48, 44), (48, 60), (0, 44)])
    sheet = Sheet(thickness_mm=1.0, modulus_mpa=1.0, poisson=1 / 3)
    found = solved([shape], sheet, at_x(0), at_x(48), (0, 1 / 16, 0), 4.0, lambda p: p[:, 0] > 5)
    row = int(np.argmin(np.hypot(*(found.elements.mesh.nodes - [48, 52]).T)))
    return float(found.solution.moved[row, 1])


def cantilever(axis: int) -> float:
    """Return the tip's deflection over P L^3 / 3 E I, in the plane (1) or out of it (2)."""
    length, height, pull = (400.0, 20.0, 500.0) if axis == 1 else (200.0, 10.0, 60.0)
    force = (0.0, pull / height, 0.0) if axis == 1 else (0.0, 0.0, pull / height)
    found = solved(
        [box(0, 0, length, height)], STEEL, at_x(0), at_x(length), force, height / 2, lambda p: p[:, 0] > 2 * height
    )  # fmt: skip
    t = STEEL.thickness_mm
    inertia = t * height**3 / 12 if axis == 1 else height * t**3 / 12
    return float(found.solution.moved[:, axis].max() / (pull * length**3 / (3 * STEEL.modulus_mpa * inertia)))


def tongue() -> Plate:
    hole = PlateHole(
        name="eye", kind="round", loop=Outline.circle((170, 20), 8.5).loop(), centre_mm=(170, 20), diameter_mm=17
    )  # fmt: skip
    return Plate(
        name="tongue", world_from_plate=Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 0)), thickness_mm=8.0,
        material="A36", outer=box(0, 0, 200, 40).loop(), holes=(hole,),
        weld_edges=(WeldEdgeIntent(name="root", face="rail", from_mm=(0, 0), to_mm=(0, 40)),),
    )  # fmt: skip


def main() -> None:
    for share, want in ((0.1, 2.722), (0.2, 2.508), (0.3, 2.349), (0.5, 2.159)):
        got, triangles = strip(share)
        print(
            f"hole in a strip, d / W {share}: {got:.3f} for {want} ({100 * (got / want - 1):+.2f} %), {triangles} triangles"
        )
    print(f"Cook's membrane: {cook():.3f} for 23.96")
    print(f"cantilever over P L^3 / 3 E I: in plane {cantilever(1):.4f}, out of plane {cantilever(2):.4f}")
    load = HoleLoad(hole="eye", force_n=(2000, 500, 200), offset_mm=(0, 0, 15))
    start = time.process_time()
    found = check_strength(tongue(), LoadCase(name="pull", plate="tongue", loads=(load,)))
    print(
        f"one check of a welded tongue: {time.process_time() - start:.1f} s CPU, {found.triangles} triangles, settled {found.converged}"
    )


if __name__ == "__main__":
    main()
