"""Drawn photos to a measured scene: precision against known truth, the scale's three sources, and every fault by name."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import cv2
import numpy as np
import pytest
from synthetic import Layout, Look, draw
from tests.recon.drawn import (
    CARD,
    LENS,
    SIDE_MM,
    distance_errors,
    photos_of_spot,
    scene_of,
    spot,
    stations,
)

from elbowroom.recon import NetworkDoubt, measure
from elbowroom.recon.network.prints import prints_of
from elbowroom.shared.errors import Finding, InputError, SolveError
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane
from elbowroom.shared.media import digest
from elbowroom.shared.scene import PrintBatch, Scene, TargetSpec, TypedDistance

pytestmark = pytest.mark.slow

LOOSE = tuple(TargetSpec(id=i, side_mm=SIDE_MM) for i in range(4))


def codes(scene: Scene) -> set[str]:
    return {f.code for f in scene.findings}


def finding(scene: Scene, code: str) -> Finding:
    return next(f for f in scene.findings if f.code == code)


def typed(mm: float, a: int = 100, b: int = 103, sd_mm: float = 0.05) -> TypedDistance:
    return TypedDistance(name="calipers", from_target=a, to_target=b, mm=mm, sd_mm=sd_mm)


def true_length(a: int, b: int) -> float:
    places = spot().places
    return float(np.linalg.norm(places[a].shift - places[b].shift))


@pytest.fixture(scope="module")
def with_card() -> tuple[Scene, dict[str, bytes]]:
    scene, media = scene_of(photos_of_spot(), cards=(CARD,), targets=LOOSE, default_side_mm=None)
    return measure(scene, media)


def test_a_scale_card_gives_distances_to_hundredths(with_card: tuple[Scene, dict[str, bytes]]) -> None:
    scene, _ = with_card
    errors = distance_errors(scene, spot().places)
    assert len(scene.measured) == 8
    # six photos of 2 MP, every edge 0.3 px off by gamma and blur: asked 0.03 mm, 95th percentile
    assert np.percentile(np.abs(errors), 95) < 0.03
    assert scene.accuracy is not None
    assert scene.accuracy.scale_source == "scale cards and distances"
    assert codes(scene) == {"datum-by-default"}


def test_the_lens_and_the_stations_are_found(with_card: tuple[Scene, dict[str, bytes]]) -> None:
    scene, _ = with_card
    (lens,) = scene.lenses
    assert abs(lens.focal_px - LENS.focal_px) < 4 * lens.focal_sd_px
    assert lens.focal_sd_px < 2.0
    places = {m.id: m for m in scene.measured}
    for photo, station in zip(scene.photos, stations(), strict=True):
        assert photo.camera_from_world is not None
        seen = photo.camera_from_world.rigid() @ places[100].world_from_target.rigid()  # type: ignore[var-annotated]
        true = station @ spot().places[100]
        np.testing.assert_allclose(seen.rotation, true.rotation, atol=2e-3)
        np.testing.assert_allclose(seen.shift, true.shift, atol=1.0)
        assert photo.rms_px is not None
        assert photo.rms_px < 0.1
    rolled = scene.photos[3].camera_from_world, scene.photos[5].camera_from_world  # portrait, and on its head
    assert all(rolled)


def test_the_predicted_doubt_holds_the_truth(with_card: tuple[Scene, dict[str, bytes]]) -> None:
    scene, made = with_card
    assert scene.accuracy is not None
    errors = distance_errors(scene, spot().places)
    # each distance has two ends, and the common scale: no error beyond 4 sigma of all that
    sd = np.sqrt(2 * scene.accuracy.typical_sd_mm**2 + (300 * scene.accuracy.scale_sd) ** 2)
    assert np.abs(errors).max() < 4 * sd
    assert scene.network in made
    doubt = NetworkDoubt.of_bytes(made[str(scene.network)])
    np.testing.assert_allclose(
        doubt.centres_world, [m.world_from_target.shift_mm for m in scene.measured], atol=1e-9
    )
    for i, m in enumerate(scene.measured):
        own = doubt.covariance_mm2[3 * i : 3 * i + 3, 3 * i : 3 * i + 3]
        np.testing.assert_allclose(m.covariance_mm2, own, atol=1e-12)


def test_shifted_edges_do_not_reach_the_scale_taken_from_sides() -> None:
    scene, media = scene_of(photos_of_spot())
    out, _ = measure(scene, media)
    errors = distance_errors(out, spot().places)
    assert out.accuracy is not None
    assert out.accuracy.scale_source == "target sides"
    assert np.abs(errors).max() < 300 * 3 * out.accuracy.scale_sd
    assert np.abs(errors).max() < 0.3  # edges 0.3 px off on both sides of 90 px would make 2 mm of 300
    assert "scale-from-sides" in codes(out)


def test_a_typed_distance_sets_the_scale() -> None:
    # the same photos, said to show everything 2 % larger: sides and distance agree on it
    scene, media = scene_of(
        photos_of_spot(), default_side_mm=1.002 * SIDE_MM, distances=(typed(true_length(100, 103)),)
    )
    out, _ = measure(scene, media)
    assert out.accuracy is not None
    assert out.accuracy.scale_source == "scale cards and distances"
    assert np.abs(distance_errors(out, spot().places)).max() < 0.2
    assert out.measured[0].side_mm == pytest.approx(SIDE_MM, abs=0.03)


def test_measured_check_bars_correct_card_and_sides() -> None:
    # bars of 99.6 mm say the printer shrank 0.4 %; what is drawn is right, so what was meant is 0.4 % larger
    batch = PrintBatch(name="home", bar_x_mm=99.6, bar_y_mm=99.6, measured=True)
    big = 1 / 0.996
    card = CARD.model_copy(
        update={
            "batch": "home",
            "side_mm": SIDE_MM * big,
            "targets": tuple(
                t.model_copy(update={"x_mm": t.x_mm * big, "y_mm": t.y_mm * big}) for t in CARD.targets
            ),
        }
    )
    scene, media = scene_of(
        photos_of_spot(), cards=(card,), targets=LOOSE, default_side_mm=None, batches=(batch,)
    )
    out, _ = measure(scene, media)
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.03
    assert "sides-off" not in codes(out)


def test_a_distance_typed_in_the_wrong_unit_is_named_and_not_used() -> None:
    scene, media = scene_of(
        photos_of_spot(), cards=(CARD,), targets=LOOSE, distances=(typed(10 * true_length(0, 1), 0, 1),)
    )
    out, _ = measure(scene, media)
    told = finding(out, "distance-off")
    assert told.severity == "fault"
    assert f"given {10 * true_length(0, 1):.2f} mm" in told.message
    assert told.numbers["measured_mm"] == pytest.approx(true_length(0, 1), rel=0.01)
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.03


def test_a_lone_distance_ten_times_wrong_leaves_the_scale_to_the_sides() -> None:
    scene, media = scene_of(photos_of_spot(), distances=(typed(10 * true_length(0, 1), 0, 1),))
    out, _ = measure(scene, media)
    assert {"distance-off", "scale-from-sides"} <= codes(out)
    assert np.abs(distance_errors(out, spot().places)).max() < 0.3


def test_a_slightly_wrong_distance_is_reported_with_its_miss() -> None:
    scene, media = scene_of(
        photos_of_spot(), cards=(CARD,), targets=LOOSE, distances=(typed(true_length(0, 1) + 1.0, 0, 1),)
    )
    out, _ = measure(scene, media)
    told = next(f for f in out.findings if f.code == "distance-off" and f.subject == "calipers")
    assert told.severity == "warning"
    # closed form: card and calipers, one scale each, share the miss by weight; relative sds 0.02 mm over the card's rms
    # distance and 0.05 mm over the length typed
    ends = [np.array([t.x_mm, t.y_mm]) for t in CARD.targets]
    card = np.mean([np.sum((a - b) ** 2) for a, b in combinations(ends, 2)]) / CARD.sd_mm**2
    calipers = (true_length(0, 1) / 0.05) ** 2
    miss = told.numbers["given_mm"] - told.numbers["measured_mm"]
    assert miss == pytest.approx(card / (card + calipers), abs=0.1)


def test_a_wrong_target_size_gives_way_to_the_card() -> None:
    wrong = tuple(t.model_copy(update={"side_mm": 50.0}) for t in LOOSE)
    card = CARD.model_copy(update={"side_mm": 50.0})
    scene, media = scene_of(photos_of_spot(), cards=(card,), targets=wrong, default_side_mm=None)
    out, _ = measure(scene, media)
    assert finding(out, "sides-off").numbers["percent"] == pytest.approx(25.0, abs=1.5)
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.03


def test_targets_of_unknown_size_are_named_and_left_out() -> None:
    scene, media = scene_of(photos_of_spot(), cards=(CARD,), default_side_mm=None)
    out, _ = measure(scene, media)
    assert (
        "targets 0, 1, 2, 3 were read but their printed size isn't given"
        in finding(out, "size-unknown").message
    )
    assert [m.id for m in out.measured] == [100, 101, 102, 103]


def test_no_size_at_all_stops_with_what_to_give() -> None:
    scene, media = scene_of(photos_of_spot(), default_side_mm=None)
    with pytest.raises(
        InputError, match=r"spot: the printed size .*value targets 0, 1, .*; give default_side_mm"
    ):
        measure(scene, media)


def test_an_id_printed_twice_is_named() -> None:
    layout = spot()
    double = Layout(
        {**layout.sides, 7: SIDE_MM},
        {
            **layout.places,
            7: frame_on_plane(np.array([60.0, 170, 0]), np.array([0, 0, 1.0]), np.array([0, 1.0, 0])),
        },
    )
    photo = drawn_with_twins(double)
    scene, media = scene_of((*photos_of_spot()[1:], photo), cards=(CARD,), targets=LOOSE)
    out, _ = measure(scene, media)
    told = finding(out, "id-twice")
    assert (told.subject, told.numbers["target"]) == ("f.jpg", 2.0)
    assert "Take one of the two prints away" in told.message
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.04


def drawn_with_twins(layout: Layout) -> bytes:
    """Return the first station's photo with target 7 painted over by a second copy of target 2."""
    camera, rng = stations()[0], np.random.default_rng(3)
    twin: dict[int, Rigid[World, Target]] = {2: layout.places[7]}
    first = grey_of(draw(layout, LENS, camera, rng, Look()))
    second = grey_of(draw(Layout({2: SIDE_MM}, twin), LENS, camera, rng, Look()))
    corners = camera.apply(
        layout.places[7].apply(np.array([[x, y, 0.0] for x in (-27, 27) for y in (-27, 27)]))
    )
    pixels = (corners[:, :2] / corners[:, 2:]) * LENS.focal_px + [LENS.cx_px, LENS.cy_px]
    (x0, y0), (x1, y1) = np.floor(pixels.min(axis=0)).astype(int), np.ceil(pixels.max(axis=0)).astype(int)
    first[y0:y1, x0:x1] = second[y0:y1, x0:x1]
    return bytes(cv2.imencode(".jpg", first, [cv2.IMWRITE_JPEG_QUALITY, 95])[1])


def grey_of(data: bytes) -> np.ndarray:
    return np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE))


def blank() -> bytes:
    noise = np.random.default_rng(0).normal(120, 3, (LENS.height_px, LENS.width_px))
    return bytes(cv2.imencode(".jpg", noise.astype(np.uint8))[1])


def test_a_target_that_moved_is_rejected_there_and_named() -> None:
    layout = spot()
    moved = dict(layout.places)
    moved[1] = Rigid(moved[1].rotation, moved[1].shift + np.array([0, 6.0, 0]))
    photo = draw(Layout(layout.sides, moved), LENS, stations()[4], np.random.default_rng(3), Look())
    photos = (*photos_of_spot()[:4], photo, photos_of_spot()[5])
    scene, media = scene_of(photos, cards=(CARD,), targets=LOOSE)
    out, _ = measure(scene, media)
    told = finding(out, "target-moved")
    assert told.subject == "target 1"
    assert "in e.jpg it stands" in told.message
    assert told.numbers["moved_mm"] == pytest.approx(6.0, abs=1.0)
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.04


def test_a_photo_without_targets_is_kept_and_named() -> None:
    scene, media = scene_of((*photos_of_spot()[:4], blank()), cards=(CARD,), targets=LOOSE)
    out, _ = measure(scene, media)
    assert finding(out, "no-targets").subject == "e.jpg"
    assert out.photos[4].camera_from_world is None
    assert all(p.camera_from_world for p in out.photos[:4])


def test_a_photo_that_shares_nothing_is_named_with_what_to_take() -> None:
    rng = np.random.default_rng(4)
    alone: dict[int, Rigid[World, Target]] = {
        20 + i: frame_on_plane(np.array([90.0 * i - 90, 0, 0]), np.array([0, 0, 1.0]), np.array([1.0, 0, 0]))
        for i in range(3)
    }
    photo = draw(Layout(dict.fromkeys(alone, SIDE_MM), alone), LENS, stations()[0], rng, Look())
    scene, media = scene_of((*photos_of_spot()[:4], photo))
    out, _ = measure(scene, media)
    told = finding(out, "not-joined")
    assert told.subject == "e.jpg"
    assert "Take one more photo that shows its targets and theirs together" in told.message
    scene, media = scene_of((photos_of_spot()[0], photo))
    with pytest.raises(
        InputError, match=r"a.jpg, b.jpg: the photos share no target .*value 2 photo.*take photos that"
    ):
        measure(scene, media)


def test_a_mirrored_photo_is_named_as_such() -> None:
    mirrored = grey_of(photos_of_spot()[4])[:, ::-1]
    photo = bytes(cv2.imencode(".jpg", mirrored, [cv2.IMWRITE_JPEG_QUALITY, 95])[1])
    scene, media = scene_of((*photos_of_spot()[:4], photo), cards=(CARD,), targets=LOOSE)
    out, _ = measure(scene, media)
    told = finding(out, "photo-mirrored")
    assert (told.subject, told.severity) == ("e.jpg", "fault")
    assert "flipped left to right it shows targets 0, 1, " in told.message
    assert "no-targets" not in codes(out)


def test_one_photo_is_too_few() -> None:
    scene, media = scene_of(photos_of_spot()[:1])
    with pytest.raises(
        InputError, match=r"spot: measuring needs .*value 1 photo\(s\); limit 2, better 8 to 24; add"
    ):
        measure(scene, media)


def test_no_target_anywhere_says_what_to_print() -> None:
    scene, media = scene_of((blank(), blank()[:-2] + b"\xff\xd9"))
    with pytest.raises(
        InputError, match=r"spot: no coded target was found in any photo; value 2 photos; stick"
    ):
        measure(scene, media)


def test_bytes_of_another_photo_are_refused() -> None:
    scene, media = scene_of(photos_of_spot()[:2])
    small = bytes(cv2.imencode(".jpg", np.zeros((300, 400), np.uint8))[1])
    swapped = media | {scene.photos[1].media: small}
    with pytest.raises(
        InputError, match=r"b.jpg: the photo's size differs .*value 400 x 300 px; limit 1600 x 1200 px"
    ):
        measure(scene, swapped)
    with pytest.raises(InputError, match=r"b.jpg: the photo can't be decoded; copy it from the phone again"):
        measure(scene, media | {scene.photos[1].media: b"nothing"})


def test_two_cameras_get_a_lens_each() -> None:
    other = LENS.model_copy(
        update={
            "width_px": 1500,
            "height_px": 1130,
            "focal_px": 1150.0,
            "cx_px": 744.0,
            "cy_px": 570.0,
            "k1": -0.05,
        }
    )
    rng = np.random.default_rng(9)
    extra = [draw(spot(), other, s, rng, Look()) for s in stations()[::2]]
    scene, media = scene_of((*photos_of_spot(), *extra), cards=(CARD,), targets=LOOSE)
    out, _ = measure(scene, media)
    focal = {lens.width_px: lens.focal_px for lens in out.lenses}
    assert focal[1600] == pytest.approx(1400.0, abs=2.0)
    assert focal[1500] == pytest.approx(1150.0, abs=3.0)
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.03


def test_progress_only_rises_and_ends_at_one() -> None:
    told: list[tuple[float, str]] = []
    scene, media = scene_of(photos_of_spot()[:3])
    measure(scene, media, progress=lambda share, what: told.append((share, what)))
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert "a.jpg: 7 targets" in {what for _, what in told}


@pytest.mark.parametrize("after", [0, 2, 5])
def test_cancelling_stops_wherever_it_comes(after: int) -> None:
    asked = []

    def cancelled() -> bool:
        asked.append(1)
        return len(asked) > after

    scene, media = scene_of(photos_of_spot()[:3])
    with pytest.raises(SolveError, match="cancelled; start the measurement again when ready"):
        measure(scene, media, cancelled=cancelled)


def test_measuring_again_gives_the_same_and_no_double_findings() -> None:
    scene, media = scene_of(photos_of_spot()[:4])
    once, made = measure(scene, media)
    again, _ = measure(once, media | made)
    assert [f.code for f in again.findings] == [f.code for f in once.findings]
    np.testing.assert_allclose(
        [m.world_from_target.shift_mm for m in again.measured],
        [m.world_from_target.shift_mm for m in once.measured],
        atol=0.02,  # the second starts from the first's lens
    )
    assert once.network == digest(made[str(once.network)])


SPOILERS: dict[str, Callable[[Scene], Scene]] = {
    "size": lambda s: s.model_copy(update={"targets": (TargetSpec(id=100, side_mm=30.0),), "cards": (CARD,)}),
    "card": lambda s: s.model_copy(update={"cards": (CARD, CARD.model_copy(update={"name": "card b"}))}),
    "batch": lambda s: s.model_copy(update={"cards": (CARD.model_copy(update={"batch": "lost"}),)}),
}


@pytest.mark.parametrize(
    ("spoiler", "message"),
    [
        (
            "size",
            "target 100: a target id is given twice with different sizes; value 30 mm and 40 mm; keep the right one",
        ),
        (
            "card",
            "card card b: a target id stands on two cards.*value 100; give every printed target an id of its own",
        ),
        (
            "batch",
            "lost: no print batch of that name; limit there are: none; name the batch, or leave it out",
        ),
    ],
)
def test_prints_that_contradict_each_other_are_refused(spoiler: str, message: str) -> None:
    scene, media = scene_of(photos_of_spot()[:2])
    with pytest.raises(InputError, match=message):
        measure(SPOILERS[spoiler](scene), media)


def test_a_blurred_photo_adds_doubt_not_error() -> None:
    blurred = draw(spot(), LENS, stations()[4], np.random.default_rng(3), Look(blur_px=3.0))
    photos = (*photos_of_spot()[:4], blurred, photos_of_spot()[5])
    scene, media = scene_of(photos, cards=(CARD,), targets=LOOSE)
    out, _ = measure(scene, media)
    assert np.percentile(np.abs(distance_errors(out, spot().places)), 95) < 0.05


def test_a_print_without_thickness_of_its_own_has_the_default() -> None:
    """A card's thickness is typed once for all; a target named for its size alone must not lose it."""
    scene = Scene(
        default_thickness_mm=1.5,
        default_side_mm=40,
        targets=(TargetSpec(id=1, side_mm=30), TargetSpec(id=2, side_mm=30, thickness_mm=0.2)),
    )
    prints = prints_of(scene, {1, 2, 3})
    assert [prints[i].thickness_mm for i in (1, 2, 3)] == [1.5, 0.2, 1.5]
