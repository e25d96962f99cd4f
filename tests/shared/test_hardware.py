"""Hardware tables against published figures."""

from __future__ import annotations

import math

import pytest

from elbowroom.shared import hardware
from elbowroom.shared.errors import InputError


@pytest.mark.parametrize(
    ("thread", "fine", "medium", "coarse"),
    [  # ISO 273:1979, printed table
        ("M5", 5.3, 5.5, 5.8),
        ("M6", 6.4, 6.6, 7.0),
        ("M8", 8.4, 9.0, 10.0),
        ("M10", 10.5, 11.0, 12.0),
        ("M12", 13.0, 13.5, 14.5),
        ("M14", 15.0, 15.5, 16.5),
        ("M16", 17.0, 17.5, 18.5),
        ("M20", 21.0, 22.0, 24.0),
    ],
)
def test_metric_clearance_holes(thread: str, fine: float, medium: float, coarse: float) -> None:
    got = [hardware.clearance_hole_mm(thread, c) for c in ("fine", "medium", "coarse")]
    assert got == [fine, medium, coarse]


@pytest.mark.parametrize(
    ("thread", "standard_in"),
    [("1/2", 9 / 16), ("5/8", 11 / 16), ("3/4", 13 / 16), ("7/8", 15 / 16)],  # AISC 360 Table J3.3
)
def test_inch_normal_hole_is_the_standard_hole_of_structural_work(thread: str, standard_in: float) -> None:
    assert hardware.clearance_hole_mm(thread, "normal") == pytest.approx(standard_in * 25.4, abs=1e-9)


@pytest.mark.parametrize(
    ("thread", "decimals"),
    [  # Machinery's Handbook 31 p. 1741, decimal inches: close, normal, loose
        ("1/4", (0.266, 0.281, 0.297)),
        ("3/8", (0.391, 0.406, 0.422)),
        ("1/2", (0.531, 0.562, 0.609)),
        ("3/4", (0.781, 0.812, 0.906)),
    ],
)
def test_inch_clearance_holes_by_class(thread: str, decimals: tuple[float, float, float]) -> None:
    for hole_class, inch in zip(("close", "normal", "loose"), decimals, strict=True):
        assert hardware.clearance_hole_mm(thread, hole_class) / 25.4 == pytest.approx(inch, abs=0.6e-3)


@pytest.mark.parametrize(
    ("thread", "least_mm"),
    [  # AISC 360 Table J3.4 and its metric twin
        ("1/2", 19.05),
        ("5/8", 22.225),
        ("3/4", 25.4),
        ("7/8", 28.575),
        ("1", 31.75),
        ("M16", 22),
        ("M20", 26),
        ("M22", 28),
        ("M24", 30),
        ("M27", 34),
        ("M30", 38),
    ],
)
def test_edge_distance_of_the_standard(thread: str, least_mm: float) -> None:
    assert hardware.edge_distance_mm(thread) == pytest.approx(least_mm, abs=1e-9)


def test_edge_distance_outside_the_table_is_one_and_a_half_diameters() -> None:
    assert hardware.edge_distance_mm("M12") == 18.0  # common practice, no source


@pytest.mark.parametrize(
    ("thread", "flats", "height", "corners_least"),
    [  # ISO 4032: s, m max, e min
        ("M8", 13, 6.8, 14.38),
        ("M10", 16, 8.4, 17.77),
        ("M12", 18, 10.8, 20.03),
        ("M16", 24, 14.8, 26.75),
        ("M20", 30, 18.0, 32.95),
    ],
)
def test_metric_nuts(thread: str, flats: float, height: float, corners_least: float) -> None:
    sizes = hardware.bolt_sizes(thread)
    assert (sizes.nut_flats_mm, sizes.nut_height_mm) == (flats, height)
    assert corners_least <= sizes.nut_corners_mm <= flats * 2 / math.sqrt(3) + 1e-9


@pytest.mark.parametrize(
    ("thread", "flats_in", "height_in"),
    [  # ASME B18.2.1 hex cap screws
        ("1/4", 7 / 16, 5 / 32),
        ("3/8", 9 / 16, 15 / 64),
        ("1/2", 3 / 4, 5 / 16),
        ("5/8", 15 / 16, 25 / 64),
        ("3/4", 9 / 8, 15 / 32),
    ],
)
def test_inch_heads(thread: str, flats_in: float, height_in: float) -> None:
    sizes = hardware.bolt_sizes(thread)
    assert sizes.head_flats_mm == pytest.approx(flats_in * 25.4, abs=1e-9)
    assert sizes.head_height_mm == pytest.approx(height_in * 25.4, abs=1e-9)


@pytest.mark.parametrize(
    ("thread", "flats_in", "height_in"),
    [("1/2", (0.736, 0.750), 0.448), ("5/8", (0.922, 0.938), 0.559), ("3/4", (1.088, 1.125), 0.665)],
)
def test_inch_nuts_are_the_greatest_of_the_standard(
    thread: str, flats_in: tuple[float, float], height_in: float
) -> None:
    sizes = hardware.bolt_sizes(thread)  # ASME B18.2.2 limits
    assert flats_in[0] < sizes.nut_flats_mm / 25.4 <= flats_in[1] + 1e-9
    assert sizes.nut_height_mm / 25.4 == pytest.approx(height_in, abs=1e-9)


@pytest.mark.parametrize(
    ("thread", "outside", "thick"),
    [("M8", 16, 1.8), ("M10", 20, 2.2), ("M12", 24, 2.7), ("M16", 30, 3.3), ("M20", 37, 3.3)],  # ISO 7089
)
def test_metric_washers(thread: str, outside: float, thick: float) -> None:
    sizes = hardware.bolt_sizes(thread)
    assert (sizes.washer_od_mm, sizes.washer_thickness_mm) == (outside, thick)


@pytest.mark.parametrize(
    ("thread", "socket_in"),
    [("5/8", 1.75), ("3/4", 2.25), ("7/8", 2.5), ("1", 2.625)],  # AISC manual Table 8-4
)
def test_socket_room_of_the_standard(thread: str, socket_in: float) -> None:
    assert hardware.tool_room(thread, "socket")[0] == pytest.approx(socket_in * 25.4, abs=1e-9)


@pytest.mark.parametrize("thread", hardware.known_threads())
def test_every_thread_is_whole_and_in_order(thread: str) -> None:
    """Laws every size obeys: parts nest (thread, hole, hexagon, tool), whoever printed the figures."""
    sizes = hardware.bolt_sizes(thread)
    fine, medium, coarse = (hardware.clearance_hole_mm(thread, c) for c in ("fine", "medium", "coarse"))
    assert sizes.diameter_mm < fine < medium < coarse < sizes.head_flats_mm
    assert sizes.washer_od_mm > sizes.nut_flats_mm
    assert 1.2 * sizes.diameter_mm < hardware.edge_distance_mm(thread) <= 1.5 * sizes.diameter_mm + 1e-9
    for tool in ("socket", "spanner"):
        across, length = hardware.tool_room(thread, tool)
        assert across > sizes.head_corners_mm
        assert length > sizes.nut_height_mm


def test_every_row_names_its_source() -> None:
    for name in ("clearance_holes", "edge_distances", "heads", "nuts", "washers", "sockets"):
        for row in hardware.table(name).values():
            assert row["source"]
            assert row["status"] in {"standard", "package", "memory", "practice", "conflict"}


def test_thread_spellings() -> None:
    assert hardware.thread_name("m12 x 1.75") == "M12"
    assert hardware.thread_name('1/2"') == hardware.thread_name("1/2-13 UNC") == "1/2"


def test_unknown_names_list_the_known() -> None:
    with pytest.raises(InputError, match=r"M13.*known: M4, .*5/8"):
        hardware.clearance_hole_mm("M13")
    with pytest.raises(InputError, match=r"snug.*fine, medium"):
        hardware.clearance_hole_mm("M12", "snug")
    with pytest.raises(InputError, match="known: A36"):
        hardware.material("cheese")
    with pytest.raises(InputError, match="known: 7"):
        hardware.gauge_mm(9)


def test_steel_and_gauge() -> None:
    steel = hardware.material("a36")  # ASTM A36: 36 ksi, 58 ksi least
    assert (steel.yield_mpa, steel.ultimate_mpa, steel.density_kg_m3) == (250.0, 400.0, 7850.0)
    drawn = hardware.material("1018")  # 54 ksi and 64 ksi; 1 ksi = 6.894757 MPa
    assert drawn.yield_mpa == pytest.approx(54 * 6.894757, abs=0.5)
    assert drawn.ultimate_mpa == pytest.approx(64 * 6.894757, abs=0.5)
    # manufacturers' standard gauge, in: 7 .1793, 11 .1196, 14 .0747
    for gauge, inch in ((7, 0.1793), (11, 0.1196), (14, 0.0747)):
        assert hardware.gauge_mm(gauge) == pytest.approx(inch * 25.4, abs=1e-9)
