"""Help under a pick: drawn pictures whose edges, corners and rims are known by construction (closed form)."""

from __future__ import annotations

import numpy as np
import pytest
from tests.recon.drawn_shapes import Coding, ellipse, half_plane, picture, power, srgb, wedge

from elbowroom.recon.picks.rims import fit_ellipse, snap_ellipse
from elbowroom.recon.picks.snap import snap_corner, snap_edge
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError

LEVELS = [(0.05, 0.6), (0.6, 0.1), (0.2, 0.5)]
"""Light of ground and shape: clear steps of a daylight photo, both ways round."""


def rms(values: object) -> float:
    return float(np.sqrt(np.mean(np.square(np.asarray(values)))))


@pytest.mark.parametrize("coding", [srgb, power])
@pytest.mark.parametrize("blur", [0.7, 1.0, 1.5])
def test_edges_are_found_to_a_twentieth_of_a_pixel(blur: float, coding: Coding) -> None:
    rng, off, ratio = np.random.default_rng(1), [], []
    for k in range(15):
        place, angle = rng.uniform(30, 34, 2), rng.uniform(0, 2 * np.pi)
        ground, light = LEVELS[k % 3]
        image = picture(
            [(half_plane(place, angle), light)],
            ground=ground,
            blur=blur,
            seed=k,
            coding=coding,
            size=(64, 64),
        )
        along = np.array([np.cos(angle), np.sin(angle)])
        normal = np.array([-along[1], along[0]])
        pick = place + rng.uniform(-5, 5) * normal
        found = snap_edge(image, pick)
        assert found is not None
        off.append((found.xy_px - place) @ normal)
        ratio.append(off[-1] / found.sd_px)
        assert abs(found.direction @ along) > np.cos(np.deg2rad(3))
        assert abs((found.xy_px - pick) @ along) < 0.3  # the nearest point of the edge, not another one
    assert rms(off) < 0.05
    assert 0.6 < rms(ratio) < 1.6  # 15 trials: 18 % of spread, and a gamma that is not the one assumed


@pytest.mark.parametrize("opening", [60, 90, 120])
@pytest.mark.parametrize("blur", [0.7, 1.2])
def test_corners_are_found_to_a_tenth_of_a_pixel(blur: float, opening: float) -> None:
    rng, off, squares = np.random.default_rng(2), [], []
    for k in range(12):
        place, angle = rng.uniform(30, 34, 2), rng.uniform(0, 2 * np.pi)
        ground, light = LEVELS[k % 3]
        image = picture(
            [(wedge(place, angle, np.deg2rad(opening)), light)], (64, 64), ground=ground, blur=blur, seed=k
        )
        found = snap_corner(image, place + rng.uniform(-4, 4, 2))
        assert found is not None
        off.append(np.linalg.norm(found.xy_px - place))
        squares.append((found.xy_px - place) @ np.linalg.solve(found.covariance_px2, found.xy_px - place))
    assert rms(off) < 0.1
    assert 0.5 < np.mean(squares) / 2 < 2.0


@pytest.mark.parametrize("coding", [srgb, power])
@pytest.mark.parametrize("blur", [0.7, 1.5])
def test_rims_are_found_to_a_twentieth_of_a_pixel(blur: float, coding: Coding) -> None:
    rng, off, squares, sizes = np.random.default_rng(3), [], [], []
    for k in range(15):
        centre, short, turn = rng.uniform(62, 66, 2), rng.uniform(8, 28), rng.uniform(0, np.pi)
        axes = (min(45.0, short * rng.uniform(1, 2)), short)
        ground, light = LEVELS[k % 3]
        image = picture(
            [(ellipse(centre, axes, turn), light)], (130, 130), ground=ground, blur=blur, seed=k, coding=coding
        )  # fmt: skip
        found = snap_ellipse(image, centre + rng.uniform(-0.5, 0.5, 2) * short, reach_px=60)
        assert found is not None
        off.append(np.linalg.norm(found.xy_px - centre))
        d = found.xy_px - centre
        squares.append(d @ np.linalg.solve(found.covariance[:2, :2], d))
        sizes.append(sum(found.semi_axes_px) - sum(axes))
        if axes[0] > 1.2 * axes[1]:
            assert abs(np.sin(found.angle_rad - turn)) < 0.02
    assert rms(off) < 0.05
    assert rms(sizes) < 0.1
    assert 0.4 < np.mean(squares) / 2 < 2.0


def test_a_stronger_edge_nearer_by_is_kept_to() -> None:
    """A strong edge at x = 48 and a weak one at x = 53; from between, nearer the strong one, and from beyond both."""
    image = picture(
        [
            (half_plane(np.array([48.0, 0]), np.pi / 2), 0.05),
            (half_plane(np.array([53.0, 0]), -np.pi / 2), 0.25),
        ]
    )
    for x, edge in ((49.5, 48.0), (44.0, 48.0), (53.4, 53.0)):
        found = snap_edge(image, np.array([x, 48.0]))
        assert found is not None
        assert found.xy_px == pytest.approx([edge, 48], abs=0.15)


def test_an_edge_may_be_asked_for_by_its_direction() -> None:
    image = picture([(wedge(np.array([40.0, 40.0]), 0.0, np.pi / 2), 0.05)])
    pick = np.array([44.0, 46.0])  # 4 px from the upright edge, 6 from the level one
    for direction, expected in (((0.0, 1.0), (40, 46)), ((1.0, 0.1), (44, 40))):
        found = snap_edge(image, pick, direction=np.array(direction))
        assert found is not None
        assert found.xy_px == pytest.approx(expected, abs=0.1)


def test_the_first_rim_round_the_pick_is_taken() -> None:
    """A washer round a hole, not concentric, its outer step as strong."""
    hole = (ellipse(np.array([64.0, 63.0]), (16, 12), 0.3), 0.03)
    washer = (ellipse(np.array([65.0, 65.0]), (33, 27), 0.4), 0.5)
    image = picture([washer, hole], (130, 130), ground=0.1)
    found = snap_ellipse(image, np.array([60.0, 61.0]), reach_px=60)
    assert found is not None
    assert found.semi_axes_px == pytest.approx((16, 12), abs=0.1)
    assert found.step > 0  # brighter outside
    on_washer = snap_ellipse(image, np.array([85.0, 75.0]), reach_px=60)
    assert on_washer is None or on_washer.semi_axes_px == pytest.approx((33, 27), abs=0.3)


def test_a_rim_partly_hidden_is_still_found() -> None:
    """A quarter of the rim lies behind something: its own edge is let go."""
    hole = (ellipse(np.array([64.0, 64.0]), (25, 18), 0.5), 0.04)
    before = (half_plane(np.array([82.0, 64.0]), -np.pi / 2), 0.25)
    image = picture([hole, before], (130, 130))
    found = snap_ellipse(image, np.array([60.0, 64.0]), reach_px=60)
    assert found is not None
    assert found.share < 0.9
    assert found.xy_px == pytest.approx([64, 64], abs=0.15)


@pytest.mark.parametrize("seed", range(8))
def test_nothing_there_is_none(seed: int) -> None:
    """Noise alone, and a light that falls off by a grey level a pixel: no edge, no corner, no rim."""
    rng = np.random.default_rng(seed)
    shading = np.add.outer(np.arange(120.0), 0.3 * np.arange(120.0)) * (seed % 2)
    image = np.clip(80 + shading + rng.normal(0, 4, (120, 120)), 0, 255).astype(np.uint8)
    pick = rng.uniform(40, 80, 2)
    assert snap_edge(image, pick) is None
    assert snap_corner(image, pick) is None
    assert snap_ellipse(image, pick, reach_px=40) is None


def test_beyond_the_reach_is_none_and_a_straight_edge_is_no_corner() -> None:
    image = picture([(half_plane(np.array([48.0, 0]), np.pi / 2), 0.05)])
    assert snap_edge(image, np.array([60.0, 48.0])) is None
    assert snap_edge(image, np.array([60.0, 48.0]), reach_px=14) is not None
    assert snap_corner(image, np.array([47.0, 48.0])) is None


def test_a_whole_photo_is_not_touched_beyond_the_pick() -> None:
    """Only the patch is read: the rest of a 12-megapixel photo may hold anything, and float photos do as well."""
    image = np.full((3000, 4000), np.nan)
    image[1450:1546, 1950:2046] = picture([(half_plane(np.array([48.3, 0]), np.pi / 2), 0.05)])
    found = snap_edge(image, np.array([1996.0, 1500.0]))
    assert found is not None
    assert found.xy_px[0] == pytest.approx(1998.3, abs=0.05)


def test_the_rim_of_the_photo_is_no_trouble() -> None:
    image = picture([(half_plane(np.array([2.6, 0]), np.pi / 2), 0.05)])
    for pick in (np.zeros(2), np.array([95.0, 95.0]), np.array([1.0, 50.0])):
        for found in (
            snap_edge(image, pick),
            snap_corner(image, pick),
            snap_ellipse(image, pick, reach_px=20),
        ):
            assert found is None or np.isfinite(found.xy_px).all()


def test_an_ellipse_through_exact_points_is_that_ellipse() -> None:
    """Closed form: points of x = c + S u; its covariance is the spread of fits to noisy points."""
    shape, centre = np.array([[30.0, 6.0], [6.0, 18.0]]), np.array([500.0, 300.0])
    u = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    points = centre + np.column_stack([np.cos(u), np.sin(u)]) @ shape
    exact = fit_ellipse(points, np.ones(40))
    assert exact is not None
    assert exact[0] == pytest.approx(centre, abs=1e-6)
    assert exact[1] == pytest.approx(shape, abs=1e-6)
    rng, squares = np.random.default_rng(4), []
    for _ in range(150):
        fitted = fit_ellipse(points + rng.normal(0, 0.2, points.shape), np.full(40, 0.2))
        assert fitted is not None
        off = np.concatenate([fitted[0] - centre, (fitted[1] - shape)[[0, 0, 1], [0, 1, 1]]])
        squares.append(off @ np.linalg.solve(fitted[2], off))
    # chi-square with 5 x 150 degrees: 95 % bounds are 750 +- 76
    assert 674 < sum(squares) < 826


@pytest.mark.parametrize(
    ("image", "pick", "reach", "message"),
    [
        (np.zeros((50, 50, 3)), [5, 5], 8, "needs a grey photo"),
        (np.zeros((50, 60)), [70, 5], 8, "lies outside the photo.*60 x 50"),
        (np.zeros((50, 50)), [np.nan, 5], 8, "lies outside the photo"),
        (np.zeros((50, 50)), [5, 5], 0, "reach of a pick is out of range"),
    ],
)
def test_bad_picks_are_refused(image: Floats, pick: list[float], reach: float, message: str) -> None:
    for snap in (snap_edge, snap_corner, snap_ellipse):
        with pytest.raises(InputError, match=message):
            snap(image, np.array(pick, dtype=float), reach_px=reach)
