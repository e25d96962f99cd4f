"""Outlines through a bent lens: the section holds the photo's straight edges and the world's, and all between clicks."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from tests.recon.true_job import job, pixels

from elbowroom.recon.obstacles.outlines import cone_polygon, drawn_outline
from elbowroom.recon.picks.stations import station_of
from elbowroom.shared.lens import undistort_points

CORNERS = np.array([(150, 150), (3850, 180), (3800, 420), (200, 380)], float)  # along the photo's upper edge
WIDEN = 2.0


def section() -> shapely.Polygon:
    station = station_of(job(), "north")
    return shapely.Polygon(
        cone_polygon(drawn_outline(CORNERS, station, where="x", doubt_px=1.0), WIDEN, station)
    )


def along(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return a + (b - a) * np.linspace(0, 1, 300)[:, None]


def test_the_lens_bends_this_outline_by_much_more_than_the_widening() -> None:
    lens = job().lens("phone")
    ends = undistort_points(CORNERS[:2], lens)
    middle = undistort_points(CORNERS[:2].mean(axis=0)[None], lens)[0]
    assert np.linalg.norm(middle - ends.mean(axis=0)) * lens.focal_px > 4 * WIDEN


@pytest.mark.parametrize("edge", range(4))
def test_straight_in_the_photo_is_held(edge: int) -> None:
    edge_px = along(CORNERS[edge], CORNERS[(edge + 1) % 4])
    square = np.array([[0, 1], [-1, 0]]) @ (CORNERS[(edge + 1) % 4] - CORNERS[edge])
    off = WIDEN * square / np.linalg.norm(square)
    for shift in (off, -off):
        xy = undistort_points(edge_px + shift, job().lens("phone"))
        assert shapely.contains(section(), shapely.points(xy)).all()


@pytest.mark.parametrize("edge", range(4))
def test_straight_in_the_world_is_held(edge: int) -> None:
    ends = undistort_points(CORNERS[[edge, (edge + 1) % 4]], job().lens("phone"))
    assert shapely.contains(section(), shapely.points(along(*ends))).all()


def test_it_is_hardly_more_than_those() -> None:
    """The section's area against the two outlines' union grown by the widening in normalised units."""
    lens = job().lens("phone")
    bent = shapely.Polygon(
        np.vstack([undistort_points(along(CORNERS[i], CORNERS[(i + 1) % 4]), lens) for i in range(4)])
    )
    plain = shapely.Polygon(undistort_points(CORNERS, lens))
    least = bent.union(plain).buffer(WIDEN / lens.focal_px)
    assert 1.0 < section().area / least.area < 1.02


def test_pixels_match_the_station() -> None:
    """OpenCV's projection and the station's agree, so the pictures above are the lens' own."""
    points = np.array([[10.0, 20, 30], [-60, 40, 5]])
    assert station_of(job(), "west").project(points) == pytest.approx(pixels("west", points), abs=1e-6)
