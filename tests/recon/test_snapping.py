"""Picks helped by the photo, from drawn photos of a known hole and edge to measured features in the scene."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from tests.recon.drawn_shapes import srgb
from tests.recon.true_job import LENS, STATIONS, job, pick, pixels

from elbowroom.recon import measure_tags, resolve_intent
from elbowroom.recon.picks.snapping import snapped
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.errors import InputError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import (
    BoltTag,
    EdgeLines,
    EdgeTag,
    FaceTag,
    HoleIntent,
    HoleTag,
    LinePicks,
    PickedPoint,
    PlateIntent,
    PointPick,
    PointsPlane,
    PointTag,
    RimPicks,
    Scene,
    TubeTag,
    Vec2,
)

CENTRE, RADIUS = np.array([10.0, 20.0, 0.0]), 11.0
CORNER = np.array([60.0, -40.0, 0.0])
PHOTOS = ("north", "east", "top", "west")
CORNERS = [(-60.0, -40.0, 0.0), (50.0, -35.0, 0.0), (60.0, 45.0, 0.0), (-50.0, 50.0, 0.0)]


def light_at(points_px: Points2, photo: str) -> Floats:
    """Light of the plane z = 0 at pixels: dark hole, bright plate that ends at a corner; rays by OpenCV's own lens."""
    camera = np.array([[LENS.focal_px, 0, LENS.cx_px], [0, LENS.focal_px, LENS.cy_px], [0, 0, 1]])
    bend = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    flat = cv2.undistortPoints(points_px.reshape(-1, 1, 2), camera, bend).reshape(-1, 2)
    station = STATIONS[photo].inverse()
    rays = np.column_stack([flat, np.ones(len(flat))]) @ station.rotation.T
    places = station.shift + rays * (-station.shift[2] / rays[:, 2])[:, None]
    hole = np.linalg.norm(places - CENTRE, axis=1) < RADIUS
    plate = (places[:, 0] < CORNER[0]) & (places[:, 1] > CORNER[1])
    return np.where(hole, 0.03, np.where(plate, 0.45, 0.12))


def drawn(photo: str, half: int = 75, fine: int = 4) -> bytes:
    """A 12-megapixel photo, painted round hole and corner only."""
    image = np.full((3000, 4000), 90, np.uint8)
    rng = np.random.default_rng(7)
    for place in (CENTRE, CORNER):
        x0, y0 = (pixels(photo, place)[0] - half).astype(int)
        steps = (np.arange(2 * half * fine) + 0.5) / fine - 0.5
        x, y = np.meshgrid(x0 + steps, y0 + steps)
        light = light_at(np.stack([x, y], axis=2).reshape(-1, 2), photo).reshape(x.shape)
        light = (
            cv2.GaussianBlur(light, (0, 0), 0.9 * fine)
            .reshape(2 * half, fine, 2 * half, fine)
            .mean(axis=(1, 3))
        )
        coded = 255 * srgb(light) + rng.normal(0, 1.5, light.shape)
        image[y0 : y0 + 2 * half, x0 : x0 + 2 * half] = np.clip(np.round(coded), 0, 255)
    return cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()


@pytest.fixture(scope="module")
def photos() -> tuple[Scene, dict[str, bytes]]:
    data = {p: drawn(p) for p in PHOTOS}
    plain = job()
    named = [
        p.model_copy(update={"media": digest(data[p.name])}) if p.name in data else p for p in plain.photos
    ]
    return plain.model_copy(update={"photos": tuple(named)}), {digest(d): d for d in data.values()}


def rough(photo: str, place: Floats, off: tuple[float, float]) -> Vec2:
    x, y = pixels(photo, place)[0]
    return float(x + off[0]), float(y + off[1])


FACE = FaceTag(name="pad", points=tuple(pick(c) for c in CORNERS))
HOLE = HoleTag(
    name="eye", face="pad",
    rims=tuple(RimPicks(photo=p, points_px=(rough(p, CENTRE, (6, -5)),), snap="ellipse", reach_px=70) for p in PHOTOS[:2]),
)  # fmt: skip
POINT = PointTag(
    name="tip",
    point=PickedPoint(
        picks=tuple(PointPick(photo=p, xy_px=rough(p, CORNER, (3, 2)), snap="corner") for p in PHOTOS)
    ),
)
UP = CORNER + np.array([[0.0, 3, 0], [0, 14, 0]])
SIDE = EdgeTag(
    name="side", face="pad",
    lines=(LinePicks(photo="north", points_px=(rough("north", UP[0], (2, 2)), rough("north", UP[1], (-2, 1))), snap="edge"),),
)  # fmt: skip


def test_rough_picks_give_hole_corner_and_edge_to_a_few_hundredths(
    photos: tuple[Scene, dict[str, bytes]],
) -> None:
    scene = photos[0].model_copy(update={"faces": (FACE,), "features": (HOLE, POINT, SIDE)})
    made, _ = measure_tags(scene, photos[1])
    assert made.features == scene.features  # the tags keep the hand's picks
    assert [f for f in made.findings if f.code == "tag-snap-missed"] == []
    hole, tip, side = (made.feature(n) for n in ("eye", "tip", "side"))
    assert hole.kind == "hole"
    assert hole.centre_mm == pytest.approx(CENTRE, abs=0.05)  # a pixel is 0.27 mm
    assert hole.radius_mm == pytest.approx(RADIUS, abs=0.03)
    assert 0.005 < hole.radius_sd_mm < 0.05
    assert tip.kind == "point"
    assert tip.point_mm == pytest.approx(CORNER, abs=0.06)
    assert side.kind == "edge"
    assert [side.start_mm[0], side.end_mm[0]] == pytest.approx([CORNER[0]] * 2, abs=0.08)


def test_a_miss_is_told_and_the_hand_s_pick_stays(photos: tuple[Scene, dict[str, bytes]]) -> None:
    picks = tuple(
        PointPick(photo=p, xy_px=rough(p, np.array([35.0, 0, 0]), (0, 0)), snap="corner") for p in PHOTOS
    )
    plain = tuple(p.model_copy(update={"snap": None}) for p in picks)
    found = []
    for given in (picks, plain):
        tag = PointTag(name="bare", point=PickedPoint(picks=given))
        found.append(measure_tags(photos[0].model_copy(update={"features": (tag,)}), photos[1])[0])
    assert found[0].measured_features == found[1].measured_features
    missed = [f for f in found[0].findings if f.code == "tag-snap-missed"]
    assert len(missed) == len(PHOTOS)
    assert "point bare: no corner found within 8 px" in missed[0].message


def test_a_bolt_and_a_plate_s_hole_sit_on_a_measured_hole(photos: tuple[Scene, dict[str, bytes]]) -> None:
    bolt = BoltTag(name="b", thread="M12", face="pad", seat=PickedPoint(feature="eye"))
    scene = photos[0].model_copy(update={"faces": (FACE,), "features": (HOLE,), "tags": (bolt,)})
    made, _ = measure_tags(scene, photos[1])
    axis = made.obstacles[0].axis_mm
    assert axis is not None
    assert axis[0] == pytest.approx(CENTRE, abs=0.05)
    seat = made.feature("eye")
    assert seat.kind == "hole"
    assert (
        seat.covariance_mm2[0][0] < made.obstacles[0].covariance_mm2[0][0]
    )  # its axis leans as the face may
    on_hole = HoleIntent(name="h", point=PickedPoint(feature="eye"), thread="M12")
    a, b, c = (pick(p) for p in CORNERS[:3])
    intent = PlateIntent(name="mount", plane=PointsPlane(points=(a, b, c)), thickness_mm=8, holes=(on_hole,))
    point = resolve_intent(intent, made).holes[0].point
    assert point is not None
    assert point.world_mm == seat.centre_mm


def test_a_tube_s_edges_are_laid_on_the_photo_s(photos: tuple[Scene, dict[str, bytes]]) -> None:
    """Rough picks beside the plate's side edge end on it, as a line in the world, and so does a tag's own doubt."""
    lines = []
    for photo in ("north", "top"):
        (a, b), (c, d) = ((rough(photo, p, off) for p in UP) for off in ((3.0, 2.0), (-2.0, 1.0)))
        lines.append(EdgeLines(photo=photo, one_px=(a, b), other_px=(d, c), snap="edge"))
    tag = TubeTag(name="rod", edges=tuple(lines))
    made, missed = snapped(tag, photos[0], photos[1])
    assert missed == ()
    for line in made.edges:
        one, other = pixels(line.photo, UP)
        normal = np.array([one[1] - other[1], other[0] - one[0]]) / np.linalg.norm(other - one)
        for x, y in (*line.one_px, *line.other_px):
            assert abs((np.array([x, y]) - one) @ normal) < 0.2
        assert line.sd_px is not None
        assert 0.1 <= line.sd_px < 0.5


def test_what_can_not_be_helped_is_refused(photos: tuple[Scene, dict[str, bytes]]) -> None:
    for features, media, message in (
        (
            (HOLE.model_copy(update={"face": None, "rims": HOLE.rims[:1]}),),
            photos[1],
            "hole eye: a rim in one photo needs",
        ),
        ((POINT,), {}, "point tip, photo north.*isn't in the job's file|isn't in the job's file"),
        (
            (PointTag(name="p", point=PickedPoint(feature="eye")),),
            photos[1],
            "point p, feature eye: no measured feature",
        ),
        ((SIDE.model_copy(update={"across": "far side"}),), photos[1], "edge side: lies across from an edge"),
        ((SIDE, HOLE.model_copy(update={"name": "side"})), photos[1], "two features of one name"),
    ):
        with pytest.raises(InputError, match=message):
            measure_tags(photos[0].model_copy(update={"faces": (FACE,), "features": features}), media)
