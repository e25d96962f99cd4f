"""Triangles over profiles: nothing lost, nothing thin, the boundary kept."""

from __future__ import annotations

import numpy as np
import pytest
from tests.export.example_plates import bracket
from tests.fit.plates import box

from elbowroom.fit.mesh import TriangleMesh, mesh_region
from elbowroom.fit.refinement import table_of
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.outline import Outline
from elbowroom.shared.outline_pieces import point_distances

LEAST_ANGLE_DEG = 20.0
"""Ruppert's bound is 20.7 degrees where no two edges of the outline meet under 60."""


def areas(mesh: TriangleMesh) -> Floats:
    a, b, c = (mesh.nodes[mesh.triangles[:, k]] for k in range(3))
    u, v = b - a, c - a
    return 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])


def least_angle_deg(mesh: TriangleMesh) -> float:
    corners = mesh.nodes[mesh.triangles]
    sides = [np.hypot(*(corners[:, (k + 1) % 3] - corners[:, (k + 2) % 3]).T) for k in range(3)]
    cosines = [
        (sides[(k + 1) % 3] ** 2 + sides[(k + 2) % 3] ** 2 - sides[k] ** 2)
        / (2 * sides[(k + 1) % 3] * sides[(k + 2) % 3])
        for k in range(3)
    ]
    return float(np.degrees(np.arccos(np.max(cosines))))


def rim(mesh: TriangleMesh) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    """Edges that belong to one triangle only."""
    edges = np.sort(np.vstack([mesh.triangles[:, [i, j]] for i, j in ((0, 1), (1, 2), (2, 0))]), axis=1)
    found, count = np.unique(edges, axis=0, return_counts=True)
    assert count.max() <= 2
    return np.asarray(found[count == 1])


def loops_of_bracket() -> list[Outline]:
    plate = bracket()
    return [Outline.of_loop(plate.outer), *(Outline.of_loop(h.loop) for h in plate.holes)]


@pytest.mark.parametrize("size", [25.0, 9.0, 4.0])
def test_a_bracket(size: float) -> None:
    outlines = loops_of_bracket()
    loops = [o.simplified().counter_clockwise().pieces() for o in outlines]
    mesh = mesh_region(loops, size)
    assert areas(mesh).min() > 0
    assert least_angle_deg(mesh) > LEAST_ANGLE_DEG
    edges = rim(mesh)
    assert point_distances(mesh.nodes[np.unique(edges)], table_of(loops)).max() < 1e-9
    chords = np.hypot(*(mesh.nodes[edges[:, 1]] - mesh.nodes[edges[:, 0]]).T)
    perimeter = sum(o.length() for o in outlines)
    assert perimeter * 0.985 < chords.sum() < perimeter  # chords of at most 30 degrees are 1.1 % short
    longest = max(
        np.hypot(*(mesh.nodes[mesh.triangles[:, k]] - mesh.nodes[mesh.triangles[:, k - 1]]).T).max()
        for k in range(3)
    )
    assert longest < 1.3 * size


def test_straight_edges_are_kept_exactly() -> None:
    mesh = mesh_region([box(0, 0, 120, 50).pieces(), box(30, 20, 31, 30).pieces()], 15.0)
    assert areas(mesh).sum() == pytest.approx(120 * 50 - 1 * 10, rel=1e-12)
    assert least_angle_deg(mesh) > LEAST_ANGLE_DEG


@pytest.mark.parametrize("seed", range(12))
def test_random_plates_anywhere(seed: int) -> None:
    """Random turned rectangles with random holes, far from the origin: area by closed form, angles by the bound."""
    rng = np.random.default_rng(seed)
    w, h = rng.uniform(40, 300, 2)
    turn, shift = rng.uniform(0, 2 * np.pi), rng.uniform(-5000, 5000, 2)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    radius = rng.uniform(1.0, 0.2 * min(w, h))
    place = rng.uniform([1.05 * radius, 1.05 * radius], [w - 1.05 * radius, h - 1.05 * radius])
    outlines = [box(0, 0, w, h), Outline.circle(place, radius)]
    mesh = mesh_region([o.moved(spin, shift).pieces() for o in outlines], max(w, h) / 12)
    true = w * h - np.pi * radius**2
    assert true < areas(mesh).sum() < true + 0.046 * np.pi * radius**2  # 12 chords: 4.5 % of the disc
    assert least_angle_deg(mesh) > LEAST_ANGLE_DEG


def test_a_sharp_corner_ends() -> None:
    """A wedge of 8 degrees can't have good triangles at its tip; it must still come out whole."""
    wedge = Outline.polygon([(0, 0), (200, 0), (200, 200 * np.tan(np.radians(8)))])
    mesh = mesh_region([wedge.pieces()], 20.0)
    assert areas(mesh).sum() == pytest.approx(wedge.area(), rel=1e-9)


def test_no_outline_and_no_size() -> None:
    with pytest.raises(InputError, match="no outline"):
        mesh_region([], 5.0)
    with pytest.raises(InputError, match="mesh size"):
        mesh_region([box(0, 0, 9, 9).pieces()], 0.0)
