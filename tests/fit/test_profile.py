"""Profiles against closed forms of belts and strings, and against shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon

from elbowroom.fit.pads import Pad, Wall, round_pad, weld_pad
from elbowroom.fit.profile import Demand, Profile, fit_profile
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import SolveError
from elbowroom.shared.outline import Piece

LENGTH_MM = 1e-6
"""Lengths of lines and arcs are exact; this is float64 over a few hundred mm."""


def demand(
    *pads: Pad,
    keepouts: dict[str, Polygon] | None = None,
    walls: tuple[Wall, ...] = (),
    area: Floats | None = None,
    web: float = 15.0,
    radius: float = 5.0,
) -> Demand:
    return Demand(pads=pads, keepouts=keepouts or {}, walls=walls, area=area, web=web, inside_radius=radius)


def disc(x: float, y: float, r: float) -> Polygon:
    return Point(x, y).buffer(r, quad_segs=512)


def check(found: Profile, wanted: Demand, web: float = 15.0) -> Polygon:
    """What every profile owes, by shapely on a finely flattened outline."""
    polygon = Polygon(found.outline.flatten(0.0005))
    assert polygon.is_valid
    for pad in wanted.pads:
        assert polygon.buffer(0.01).covers(pad.shape)
    for keepout in wanted.keepouts.values():
        assert not polygon.buffer(-0.001).intersects(keepout)
    core = [p for p in shapely.get_parts(polygon.buffer(-web / 2 + 0.05)) if p.area > 1]
    assert len(core) == 1
    pieces = found.outline.pieces()
    for p, q in zip(pieces, pieces[1:] + pieces[:1], strict=True):
        assert abs(np.angle(direction(q, 0) / direction(p, 1))) < 1e-6
    return polygon


def direction(piece: Piece, share: float) -> complex:
    if piece.is_line:
        d = complex(*np.subtract(piece.end, piece.start))
        return d / abs(d)
    return np.exp(1j * (piece.from_rad + share * piece.sweep)) * 1j * np.sign(piece.sweep)


def test_two_equal_pads_make_a_stadium() -> None:
    # closed form: length 2 d + 2 pi r, area 2 r d + pi r^2
    wanted = demand(round_pad("a", (0, 0), 20), round_pad("b", (100, 0), 20))
    outline = fit_profile(wanted).outline
    assert outline.length() == pytest.approx(2 * 100 + 2 * np.pi * 20, abs=LENGTH_MM)
    assert outline.area() == pytest.approx(2 * 20 * 100 + np.pi * 400, abs=1e-4)
    assert len(outline.vertices) == 4


def test_one_pad_is_a_disc() -> None:
    outline = fit_profile(demand(round_pad("a", (3, 4), 20))).outline
    assert outline.area() == pytest.approx(np.pi * 400, abs=1e-6)


def test_two_unequal_pads_make_an_open_belt() -> None:
    # closed form of the open belt: L = 2 C cos a + (pi + 2 a) R + (pi - 2 a) r, sin a = (R - r) / C
    c, big, small = 90.0, 28.0, 12.0
    outline = fit_profile(demand(round_pad("a", (5, 7), big), round_pad("b", (5, 7 + c), small))).outline
    a = np.arcsin((big - small) / c)
    belt = 2 * c * np.cos(a) + (np.pi + 2 * a) * big + (np.pi - 2 * a) * small
    assert outline.length() == pytest.approx(belt, abs=LENGTH_MM)


def test_pads_with_room_make_a_compact_plate() -> None:
    # closed form: equal discs on a convex polygon: its perimeter + 2 pi r (Minkowski)
    corners = [(0, 0), (120, 10), (140, 90), (30, 110)]
    wanted = demand(
        *(round_pad(f"h{k}", p, 16) for k, p in enumerate(corners)), round_pad("mid", (70, 50), 20)
    )
    found = fit_profile(wanted)
    hull = Polygon(corners).length + 2 * np.pi * 16
    assert found.outline.length() == pytest.approx(hull, abs=LENGTH_MM)
    check(found, wanted)


def test_string_bends_round_a_round_keepout() -> None:
    # closed form: pads of radius r at (0, 0) and (2 L, 0), a round keep-out of radius R at (L, h) from above.
    # Crossed tangents from pad to keep-out: half the string's top is sqrt(L^2 + h^2 - (R + r)^2) + R b,
    # b being the angle wrapped on each side.
    r, big, reach, h = 20.0, 25.0, 80.0, 33.0
    wanted = demand(
        round_pad("a", (0, 0), r), round_pad("b", (2 * reach, 0), r), keepouts={"hose": disc(reach, h, big)}
    )
    found = fit_profile(wanted)
    check(found, wanted)
    d = np.hypot(reach, h)
    tangent = np.sqrt(d**2 - (big + r) ** 2)
    rise = np.arcsin((big + r) / d) - np.arctan2(h, reach)  # downward slope of the tangent
    exact = 2 * reach + 2 * np.pi * r + 2 * tangent + 2 * rise * big + 2 * r * rise
    # the arc covers the 256-gon of the keep-out with 0.004 mm to spare: a string that much further out
    assert found.outline.length() == pytest.approx(exact, abs=0.02)
    hollow = [p for p in found.outline.pieces() if not p.is_line and p.sweep < 0]
    assert len(hollow) == 1
    assert hollow[0].radius == pytest.approx(big, abs=0.02)


def test_mirrored_scene_gives_the_mirrored_plate() -> None:
    keepouts = {"a": disc(60, 60, 30)}
    pads = [(0, 0, 18), (120, 5, 24), (70, 110, 16)]
    one = fit_profile(
        demand(*(round_pad(str(k), p[:2], p[2]) for k, p in enumerate(pads)), keepouts=keepouts)
    )
    two = fit_profile(
        demand(
            *(round_pad(str(k), (-p[0], p[1]), p[2]) for k, p in enumerate(pads)),
            keepouts={"a": disc(-60, 60, 30)},
        )
    )
    assert two.outline.length() == pytest.approx(one.outline.length(), abs=0.05)
    assert two.outline.area() == pytest.approx(one.outline.area(), abs=2.0)


def test_sharp_corner_of_a_keepout_gets_the_inside_radius() -> None:
    wanted = demand(
        round_pad("a", (0, 0), 20),
        round_pad("b", (160, 0), 20),
        keepouts={"box": shapely.box(60, 5, 100, 80)},
    )
    found = fit_profile(wanted)
    check(found, wanted)
    hollow = [p.radius for p in found.outline.pieces() if not p.is_line and p.sweep < 0]
    assert hollow
    assert min(hollow) >= 5.0 - 1e-9
    assert found.inside_radius == pytest.approx(min(hollow))


def test_island_between_pads_is_left_outside_through_a_notch() -> None:
    pads = [round_pad(str(k), p, 18) for k, p in enumerate([(0, 0), (150, 0), (150, 150), (0, 150)])]
    wanted = demand(*pads, keepouts={"post": disc(75, 75, 25)})
    polygon = check(fit_profile(wanted), wanted)
    assert not polygon.interiors
    assert not polygon.intersects(disc(75, 75, 24.9))


def test_weld_edge_lies_on_its_line() -> None:
    wall = Wall(name="rail", point=np.zeros(2), normal=np.array([0.0, 1.0]))
    weld = weld_pad(
        "w", np.array([10.0, 0]), np.array([150.0, 0]), np.array([0, 1.0]), depth=15, corner=3, web=15
    )
    wanted = demand(weld, round_pad("hole", (60, 110), 24), walls=(wall,), keepouts={"x": disc(150, 60, 30)})
    found = fit_profile(wanted)
    polygon = check(found, wanted)
    lines = [
        p for p in found.outline.pieces() if p.is_line and abs(p.start[1]) < 1e-9 and abs(p.end[1]) < 1e-9
    ]
    assert len(lines) == 1
    assert lines[0].start[0] <= 10 + 1e-9
    assert lines[0].end[0] >= 150 - 1e-9
    assert polygon.bounds[1] > -1e-9


def test_profile_stays_in_the_area() -> None:
    area = np.array([(-30.0, -30), (200, -30), (200, 140), (100, 140), (100, 60), (-30, 60)])
    wanted = demand(round_pad("a", (0, 0), 20), round_pad("b", (160, 100), 20), area=area)
    polygon = check(fit_profile(wanted), wanted)
    assert Polygon(area).buffer(0.001).covers(polygon)


def test_no_piece_is_under_a_millimetre() -> None:
    wanted = demand(
        *(round_pad(str(k), p, 17) for k, p in enumerate([(0, 0), (80, 0.6), (160, 0), (90, 95)])),
        keepouts={"a": disc(40, 52, 15), "b": disc(151, 60, 22)},
    )
    found = fit_profile(wanted)
    check(found, wanted)
    for p in found.outline.pieces():
        length = np.hypot(*np.subtract(p.end, p.start)) if p.is_line else p.radius * abs(p.sweep)
        assert length >= 1.0 - 1e-6


def test_pad_in_a_keepout_is_refused_by_name() -> None:
    wanted = demand(
        round_pad("pin", (0, 0), 20), round_pad("b", (90, 0), 20), keepouts={"x": disc(25, 0, 10)}
    )
    with pytest.raises(SolveError, match="no room") as caught:
        fit_profile(wanted)
    assert caught.value.where == "pin"


@pytest.mark.parametrize(("gap", "feasible"), [(15.3, True), (14.9, False)])
def test_web_needs_its_width(gap: float, feasible: bool) -> None:
    wall = LineString([(60, -400), (60, -gap / 2)]).buffer(2, cap_style="flat")
    other = LineString([(60, gap / 2), (60, 400)]).buffer(2, cap_style="flat")
    wanted = demand(
        round_pad("a", (0, 0), 20), round_pad("b", (120, 0), 20), keepouts={"x": wall, "y": other}
    )
    if feasible:
        check(fit_profile(wanted), wanted)
    else:
        with pytest.raises(SolveError, match="can't be joined"):
            fit_profile(wanted)
