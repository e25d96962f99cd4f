"""Lines scribed on a plate: where the other plates of the job stand on it, and a place for its part number."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from elbowroom.export.letters import HIGH, NEXT
from elbowroom.export.solid import plate_mesh
from elbowroom.shared.arrays import Floats
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, Vec2

REACH_MM = 0.5
"""A plate that comes this near a face stands on it: a weld's root gap and the measurement's own doubt are less."""

LEAST_LINE_MM = 2.0
"""Shorter lines are no help to set a plate to."""

NUMBER_SHARE, LARGEST_NUMBER_MM, LEAST_NUMBER_MM = 0.5, 12.0, 3.0
"""Height of the part number: half of the free circle's radius, within these (common practice, no source)."""

LETTER_WIDE = NEXT / HIGH
"""From one letter to the next over a letter's height."""


def set_out_lines(plate: Plate, others: Sequence[Plate]) -> list[tuple[Vec2, Vec2]]:
    """Return where other plates stand on either face of a plate, as lines (from, to) in plate mm, within its outline."""
    import shapely

    outer = Outline.of_loop(plate.outer).counter_clockwise()
    steel = shapely.Polygon(outer.flatten())
    out: list[tuple[Vec2, Vec2]] = []
    for other in (o for o in others if o is not plate):
        for ring in _footprints(plate, other):
            shape = shapely.Polygon(ring)
            if not shape.is_valid or shape.intersection(steel).area < LEAST_LINE_MM**2:
                continue
            for start, end in zip(ring, np.roll(ring, -1, axis=0), strict=True):
                out += _within(shapely.LineString([start, end]).intersection(steel))
    return list(dict.fromkeys(out))


def _within(line: object) -> list[tuple[Vec2, Vec2]]:
    import shapely

    parts = [p for p in shapely.get_parts(line) if p.geom_type == "LineString" and p.length >= LEAST_LINE_MM]
    ends = [np.round(shapely.get_coordinates(p)[[0, -1]], 6) for p in parts]
    return [((float(a[0]), float(a[1])), (float(b[0]), float(b[1]))) for a, b in ends]


def _footprints(plate: Plate, other: Plate) -> list[Floats]:
    """Return the sections (n, 2) of another plate just off this plate's two faces, in plate mm."""
    from manifold3d import Manifold, Mesh64

    vertices_world, faces = plate_mesh(other)
    vertices_plate = plate.world_from_plate.rigid().inverse().apply(vertices_world)
    mesh = Mesh64(np.array(vertices_plate), np.array(faces, dtype=np.uint64))
    solid = Manifold(mesh)
    rings = []
    for height in (-REACH_MM, plate.thickness_mm + REACH_MM):
        rings += [np.asarray(r) for r in solid.slice(height).simplify(1e-6).to_polygons()]
    return rings


def number_place(plate: Plate, words: str) -> tuple[Vec2, float] | None:
    """Return where a part number's middle goes, and its height, mm: the largest free spot; None when it has no room."""
    import shapely

    free = shapely.Polygon(Outline.of_loop(plate.outer).counter_clockwise().flatten())
    for hole in plate.holes:
        free = free.difference(shapely.Polygon(Outline.of_loop(hole.loop).counter_clockwise().flatten()))
    for bend in plate.bends:
        free = free.difference(shapely.LineString([bend.from_mm, bend.to_mm]).buffer(2.0))
    if free.is_empty:
        return None
    spot = shapely.maximum_inscribed_circle(free, tolerance=0.5)
    middle, radius = shapely.get_coordinates(spot)[0], float(spot.length)
    # the words' box fits into the circle: half its diagonal is the radius
    fits = 2 * radius / np.hypot(LETTER_WIDE * max(len(words), 1), 1.0)
    height = min(NUMBER_SHARE * radius, LARGEST_NUMBER_MM, float(fits))
    if height < LEAST_NUMBER_MM:
        return None
    return (float(middle[0]), float(middle[1])), float(height)
