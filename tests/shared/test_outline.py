"""Outlines against closed forms, ezdxf (bulges), shapely (distance, containment), and laws."""

from __future__ import annotations

import math

import ezdxf.math
import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon

from elbowroom.shared.errors import InputError
from elbowroom.shared.outline import Outline

ROUNDING = 1e-9  # mm: float64 on outlines of some 100 mm leaves 1e-13 per step


def stadium(length: float, radius: float) -> Outline:
    corners = np.array([[0, -radius], [length, -radius], [length, radius], [0, radius]])
    return Outline(corners, np.array([0.0, 1.0, 0.0, 1.0]))


def rounded_rectangle(a: float, b: float, r: float) -> Outline:
    corners = [(r, 0), (a - r, 0), (a, r), (a, b - r), (a - r, b), (r, b), (0, b - r), (0, r)]
    return Outline(np.array(corners), np.array([0, 1, 0, 1, 0, 1, 0, 1]) * math.tan(math.pi / 8))


def random_outline(seed: int) -> Outline:
    """A simple counter-clockwise star of lines and arcs; tries on until one doesn't cross itself."""
    rng = np.random.default_rng(seed)
    while True:
        n = int(rng.integers(5, 14))
        turns, radii = np.sort(rng.uniform(0, 2 * np.pi, n)), rng.uniform(30, 100, n)
        bulges = np.where(rng.random(n) < 0.5, 0, rng.uniform(-0.5, 0.5, n))
        vertices = np.column_stack([radii * np.cos(turns), radii * np.sin(turns)])
        outline = Outline(vertices, bulges)
        if not outline.self_crossings():
            return outline.counter_clockwise()


SEEDS = range(12)


def test_circle_closed_form() -> None:
    circle = Outline.circle((3, 4), 10)
    assert circle.area() == pytest.approx(math.pi * 100, abs=ROUNDING)
    assert circle.length() == pytest.approx(20 * math.pi, abs=ROUNDING)
    assert circle.bounds() == pytest.approx((-7, -6, 13, 14), abs=ROUNDING)
    assert circle.centroid() == pytest.approx((3, 4), abs=ROUNDING)


def test_stadium_and_rounded_rectangle_closed_forms() -> None:
    slot = stadium(20, 5)
    assert slot.area() == pytest.approx(200 + math.pi * 25, abs=ROUNDING)
    assert slot.length() == pytest.approx(40 + 10 * math.pi, abs=ROUNDING)
    plate = rounded_rectangle(80, 50, 6)
    assert plate.area() == pytest.approx(80 * 50 - (4 - math.pi) * 36, abs=ROUNDING)
    assert plate.length() == pytest.approx(2 * (80 + 50) - 8 * 6 + 2 * math.pi * 6, abs=ROUNDING)
    assert plate.centroid() == pytest.approx((40, 25), abs=ROUNDING)


@pytest.mark.parametrize("sweep", [1e-3, 9.9e-3, 1.01e-2, 0.5, math.pi, 4.0, 5.5])
def test_circular_segment_closed_form(sweep: float) -> None:
    """Area r²/2 (θ - sin θ), centroid 4 r sin³(θ/2) / (3 (θ - sin θ)) from the centre (any handbook of geometry)."""
    r = 50.0
    half = sweep / 2
    ends = np.array([[math.cos(-half), math.sin(-half)], [math.cos(half), math.sin(half)]]) * r
    segment = Outline(ends, np.array([math.tan(sweep / 4), 0.0]))
    from fractions import Fraction

    if sweep < 0.02:  # series of θ - sin θ, as the difference itself cancels in float64
        t = Fraction(sweep)
        less_sine = float(t**3 / 6 - t**5 / 120 + t**7 / 5040)
    else:
        less_sine = sweep - math.sin(sweep)
    assert segment.area() == pytest.approx(r * r / 2 * less_sine, rel=1e-9)
    x = 4 * r * math.sin(half) ** 3 / (3 * less_sine)
    assert segment.centroid() == pytest.approx((x, 0), abs=1e-6)
    assert segment.length() == pytest.approx(r * sweep + 2 * r * math.sin(half), abs=ROUNDING)


@pytest.mark.parametrize("seed", SEEDS)
def test_bulges_mean_what_dxf_says(seed: int) -> None:
    """Centre and radius of each bulge by ezdxf.math, an independent reader of the DXF definition."""
    for piece in (p for p in random_outline(seed).pieces() if not p.is_line):
        centre = ezdxf.math.bulge_center(piece.start, piece.end, piece.bulge)
        radius = ezdxf.math.bulge_radius(piece.start, piece.end, piece.bulge)
        assert piece.centre == pytest.approx((centre.x, centre.y), rel=1e-9, abs=1e-7)
        assert piece.radius == pytest.approx(radius, rel=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_laws_of_motion_and_reversal(seed: int) -> None:
    outline = random_outline(seed)
    turn = np.array([[math.cos(0.7), -math.sin(0.7)], [math.sin(0.7), math.cos(0.7)]])
    moved = outline.moved(turn, (12.0, -5.0))
    assert moved.area() == pytest.approx(outline.area(), rel=1e-12)
    assert moved.length() == pytest.approx(outline.length(), rel=1e-12)
    assert moved.centroid() == pytest.approx(turn @ np.array(outline.centroid()) + [12, -5], abs=ROUNDING)
    assert outline.reversed().area() == pytest.approx(-outline.area(), rel=1e-12)
    assert outline.reversed().counter_clockwise().area() == pytest.approx(outline.area(), rel=1e-12)
    assert outline.scaled(3).area() == pytest.approx(9 * outline.area(), rel=1e-12)
    mirrored = outline.moved(np.diag([-1.0, 1.0]), (0, 0))
    assert mirrored.area() == pytest.approx(-outline.area(), rel=1e-12)
    assert Outline.of_loop(outline.loop()).area() == outline.area()


@pytest.mark.parametrize("seed", SEEDS)
def test_distance_and_containment_against_shapely(seed: int) -> None:
    """Shapely on chords within 0.0001 mm: distances agree to that, sides wherever the outline is further away."""
    outline, chord = random_outline(seed), 1e-4
    polygon = Polygon(outline.flatten(chord))
    points = np.random.default_rng(seed).uniform(-120, 120, (800, 2))
    distance, signed = outline.distance(points), outline.signed_distance(points)
    assert np.abs(distance - shapely.distance(polygon.exterior, shapely.points(points))).max() <= chord
    clear = distance > 2 * chord
    assert (outline.contains(points) == shapely.contains_xy(polygon, *points.T))[clear].all()
    assert ((signed < 0) == outline.contains(points)).all()
    assert polygon.area == pytest.approx(outline.area(), abs=chord * outline.length())
    assert polygon.bounds == pytest.approx(outline.bounds(), abs=chord)
    low = polygon.centroid
    assert (low.x, low.y) == pytest.approx(outline.centroid(), abs=1e-2 * chord * 100)


def test_containment_on_levels_of_vertices_and_chords() -> None:
    """Points level with vertices, and on the chord of an arc, are told right (closed form: the unit shapes)."""
    circle, square = Outline.circle((0, 0), 1), Outline.polygon([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    points = np.array([[0.0, 0], [0.5, 0], [-0.5, 0], [1.5, 0], [-1.5, 0], [0, 1.5], [0, 0.9], [0, -0.9]])
    inside = [True, True, True, False, False, False, True, True]
    assert circle.contains(points).tolist() == inside
    assert square.contains(points).tolist() == inside
    assert circle.reversed().contains(points).tolist() == inside
    diamond = Outline(np.array([[1.0, 0], [0, 1], [-1, 0], [0, -1]]), np.full(4, math.tan(math.pi / 8)))
    assert diamond.contains(np.array([[0.5, 0.5], [0, 0], [0.71, 0.71], [-1.5, 0]])).tolist() == [
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize("seed", SEEDS)
def test_distance_between_outlines_against_shapely(seed: int) -> None:
    one, other = random_outline(seed), random_outline(seed + 100).moved(np.eye(2), (230.0, 40.0))
    rings = [Polygon(o.flatten(1e-4)).exterior for o in (one, other)]
    assert one.distance_to(other) == pytest.approx(rings[0].distance(rings[1]), abs=2e-4)
    assert one.distance_to(one.moved(np.eye(2), (5.0, 0.0))) == 0


def test_distance_between_circles_closed_form() -> None:
    inner, outer = Outline.circle((3, 0), 10), Outline.circle((0, 0), 40)
    assert inner.distance_to(outer) == pytest.approx(27, abs=ROUNDING)
    assert Outline.circle((0, 0), 5).distance_to(Outline.circle((9, 12), 4)) == pytest.approx(6, abs=ROUNDING)


@pytest.mark.parametrize("chord", [0.5, 0.01, 0.0003])
@pytest.mark.parametrize("seed", SEEDS)
def test_flattened_within_the_chord_error(seed: int, chord: float) -> None:
    outline = random_outline(seed)
    inner, outer = outline.flatten(chord), outline.flatten_outside(chord)
    middles = (inner + np.roll(inner, -1, axis=0)) / 2
    assert outline.distance(inner).max() < 1e-9
    assert outline.distance(middles).max() <= chord + 1e-9
    assert outline.distance(outer).max() <= chord + 1e-9
    fine = Polygon(outline.flatten(chord / 20)).buffer(-chord / 10)
    assert Polygon(outer).buffer(0).contains(fine)


@pytest.mark.parametrize("distance", [0.5, 5.0, 40.0])
def test_offset_of_convex_outlines_closed_form(distance: float) -> None:
    """Steiner: outward, a convex region of area A and perimeter P becomes A + P d + pi d²."""
    for shape in (
        Outline.circle((1, 2), 10),
        Outline.polygon([(0, 0), (60, 0), (60, 60), (0, 60)]),
        stadium(30, 7),
        rounded_rectangle(80, 50, 6),
    ):
        (found,) = shape.offset(distance)
        steiner = shape.area() + shape.length() * distance + math.pi * distance**2
        assert found.area() == pytest.approx(steiner, rel=1e-9)
        (back,) = found.offset(-distance)
        assert back.area() == pytest.approx(shape.area(), rel=1e-7)  # 2e-6 mm nudges over the length


def test_offset_vanishes_splits_and_leaves_holes() -> None:
    square = Outline.polygon([(0, 0), (100, 0), (100, 100), (0, 100)])
    assert square.offset(-49.9)[0].area() == pytest.approx(0.04, rel=1e-6)
    assert square.offset(-50) == () == square.offset(-51) == stadium(20, 5).offset(-5)
    bone = [
        (0, 0),
        (100, 0),
        (100, 40),
        (200, 40),
        (200, 0),
        (300, 0),
        (300, 100),
        (200, 100),
        (200, 60),
        (100, 60),
    ]
    assert len(Outline.polygon([*bone, (100, 100), (0, 100)]).offset(-11)) == 2
    bay = Outline.polygon([(0, 0), (100, 0), (100, 100), (55, 100), (60, 20), (40, 20), (45, 100), (0, 100)])
    areas = sorted(o.area() for o in bay.offset(6))
    assert len(areas) == 2
    assert areas[0] < 0 < areas[1]


@pytest.mark.parametrize("seed", range(40))
def test_offset_is_where_the_distance_says(seed: int) -> None:
    """Independent of the construction: a point lies in the offset region exactly when its distance says so."""
    outline, rng = random_outline(seed), np.random.default_rng(seed)
    points = rng.uniform(-140, 140, (2000, 2))
    signed = outline.signed_distance(points)
    for distance in rng.uniform(-25, 40, 3):
        loops = outline.offset(float(distance))
        turns = sum((np.sign(o.area()) * o.contains(points) for o in loops), np.zeros(len(points)))
        sure = np.abs(signed - distance) > 1e-4  # nudges of 0.00003 mm are allowed
        assert ((turns > 0) == (signed < distance))[sure].all()
        for loop in loops:
            assert np.abs(outline.distance(loop.vertices) - abs(distance)).max() < 1e-4


@pytest.mark.parametrize("seed", range(8))
def test_offset_area_of_polygons_against_shapely(seed: int) -> None:
    """Straight outlines only: of finely flattened hollow arcs shapely's buffer drops detail up to a hundredth of d."""
    outline = Outline.polygon(random_outline(seed).vertices)
    if outline.self_crossings():
        pytest.skip("the straight version of this one crosses itself")
    polygon = Polygon(outline.vertices)
    for distance in (-12.0, -3.0, 2.0, 15.0):
        area = sum(o.area() for o in outline.offset(distance))
        assert area == pytest.approx(polygon.buffer(distance, quad_segs=500).area, rel=1e-5, abs=1e-3)


def test_simplified_joins_what_continues() -> None:
    square = Outline.polygon([(0, 0), (5, 0), (10, 0), (10, 10), (10, 10 + 1e-9), (0, 10), (0, 4)])
    assert len(square.simplified().vertices) == 4
    quarters = Outline(np.array([[1.0, 0], [0, 1], [-1, 0], [0, -1]]), np.full(4, math.tan(math.pi / 8)))
    circle = quarters.simplified()
    assert len(circle.vertices) == 2
    assert circle.area() == pytest.approx(math.pi, abs=ROUNDING)
    kept = Outline.polygon([(0, 0), (5, -0.01), (10, 0), (10, 10), (0, 10)])
    assert len(kept.simplified().vertices) == 5
    assert len(kept.simplified(0.02).vertices) == 4


def test_faults_are_named() -> None:
    with pytest.raises(InputError, match="two or more"):
        Outline(np.zeros((1, 2)), np.zeros(1))
    with pytest.raises(InputError, match="not a finite"):
        Outline.polygon([(0, 0), (1, math.nan), (1, 1)])
    with pytest.raises(InputError, match="bulge is not"):
        Outline(np.array([[0.0, 0], [1, 0]]), np.array([math.inf, 0]))
    with pytest.raises(InputError, match="no area"):
        Outline.polygon([(0, 0), (10, 0), (5, 0)])
    with pytest.raises(InputError, match="as many bulges"):
        Outline(np.array([[0.0, 0], [1, 0], [1, 1]]), np.zeros(2))
    bow = Outline.polygon([(0, 0), (10, 10), (10, 0), (0, 5)])
    with pytest.raises(InputError, match="crosses"):
        bow.check_simple()
    assert len(bow.self_crossings()) == 1
    assert bow.self_crossings()[0] == pytest.approx(
        (10 / 3, 10 / 3), abs=ROUNDING
    )  # y = x meets y = 5 - x / 2
    with pytest.raises(InputError, match="rotation"):
        bow.moved(np.eye(2) * 2, (0, 0))
    with pytest.raises(InputError, match="finite"):
        bow.offset(math.nan)
    with pytest.raises(ValueError, match="read-only"):
        bow.vertices[0, 0] = 1
