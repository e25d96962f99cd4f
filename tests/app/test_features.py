"""Features at the command line: names looked up as tags come in, the table shown, plates void when a feature moved."""

from __future__ import annotations

import numpy as np
import pytest

from elbowroom.app.cli.show import show_features
from elbowroom.app.names import check_named, check_photos
from elbowroom.shared.errors import InputError
from elbowroom.shared.fresh import without_stale
from elbowroom.shared.scene import (
    Accuracy,
    BoltTag,
    Datum,
    DatumPlane,
    EdgeTag,
    HoleIntent,
    HoleTag,
    LinePicks,
    Loop,
    MeasuredEdge,
    MeasuredFeature,
    MeasuredHole,
    MeasuredPoint,
    Photo,
    PickedPoint,
    Plate,
    PlateIntent,
    PointPick,
    Pose,
    RimPicks,
    Scene,
    cov3,
)

SMALL = cov3(np.diag([0.04, 0.01, 0.01]))
EYE = MeasuredHole(
    name="eye", centre_mm=(1, 2, 3), axis=(0, 0, 1), radius_mm=6.35, covariance_mm2=SMALL, radius_sd_mm=0.0254,
    tilt_sd_rad=0.01, rms_px=0.5, photos=2,
)  # fmt: skip
LIP = MeasuredEdge(
    name="lip", start_mm=(0, 0, 0), end_mm=(50, 0, 0), covariance_mm2=SMALL, tilt_sd_rad=0.001, rms_px=0.4, photos=1,
    width_mm=12.0, width_sd_mm=0.08,
)  # fmt: skip
TIP = MeasuredPoint(name="tip", point_mm=(7, 8, 9), covariance_mm2=SMALL, rms_px=0.3, photos=3)
RIM = RimPicks(photo="a.jpg", points_px=((1.0, 2.0),))
LINE = LinePicks(photo="a.jpg", points_px=((1.0, 2.0), (3.0, 4.0)))


def test_features_are_shown_with_place_size_and_sd(capsys: pytest.CaptureFixture[str]) -> None:
    """By hand: sd in the worst direction sqrt(0.04) = 0.2; diameter 12.7 mm is 0.5 in, its sd 2 x 0.0254."""
    show_features(Scene(measured_features=(EYE, LIP, TIP)))
    rows = {line.split()[0]: line for line in capsys.readouterr().out.splitlines()[1:]}
    assert rows["eye"].split() == [
        "eye",
        "hole",
        "1.00,",
        "2.00,",
        "3.00",
        "0.200",
        "diameter",
        "12.700",
        "0.051",
        "2",
    ]
    assert "width 12.000" in rows["lip"]
    assert "0.080" in rows["lip"]
    assert rows["tip"].split() == ["tip", "point", "7.00,", "8.00,", "9.00", "0.200", "3"]
    show_features(Scene(measured_features=(EYE,), shown_in="in"))
    assert "diameter 0.5000" in capsys.readouterr().out
    show_features(Scene())
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"features": (HoleTag(name="eye", rims=(RIM,), face="lid"),)}, "hole eye: names a face that isn't tagged; value lid"),
        ({"features": (EdgeTag(name="lip", lines=(LINE,), across="far"),)}, "edge lip: names an edge that isn't tagged; value far"),
        ({"tags": (BoltTag(name="b", thread="M12", seat=PickedPoint(feature="eye"), tip=PickedPoint(feature="eye")),)}, "bolt b: names a feature that isn't tagged; value eye"),
    ],
)  # fmt: skip
def test_names_that_are_not_there_are_refused(parts: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        check_named(Scene().model_copy(update=parts))


def test_a_feature_s_photo_is_looked_up() -> None:
    photo = Photo(name="b.jpg", media="0" * 64, width_px=40, height_px=30)
    scene = Scene(photos=(photo,), features=(HoleTag(name="eye", rims=(RIM,), face="lid"),))
    with pytest.raises(InputError, match=r"hole eye: names a photo that isn't in the job; value a\.jpg"):
        check_photos(scene)


def test_a_datum_takes_no_feature_and_no_snap() -> None:
    plain = PickedPoint(target=1)
    helped = PickedPoint(picks=(PointPick(photo="a.jpg", xy_px=(1, 2), snap="corner"),))
    for bad in (PickedPoint(feature="eye"), helped):
        with pytest.raises(ValueError, match="no feature and no snap"):
            Datum(plane=(plain, plain, plain), direction=(plain, plain), origin=bad)


@pytest.mark.parametrize(("moved", "left"), [(EYE, 1), (EYE.model_copy(update={"radius_mm": 6.4}), 0)])
def test_a_plate_goes_when_a_feature_it_names_has_moved(moved: MeasuredFeature, left: int) -> None:
    intent = PlateIntent(
        name="mount", plane=DatumPlane(normal="z", offset_mm=0), thickness_mm=8,
        holes=(HoleIntent(name="h", point=PickedPoint(feature="eye"), thread="M12"),),
    )  # fmt: skip
    before = scene_with(intent)
    after = without_stale(before, before.model_copy(update={"measured_features": (moved,)}))
    assert len(after.plates) == left


def scene_with(intent: PlateIntent) -> Scene:
    accuracy = Accuracy(
        sigma0_px=0.1, rms_px=0.1, redundancy=9, observations=99, rejected=0, scale_source="target sides",
        scale_sd=0.001, typical_sd_mm=0.1,
    )  # fmt: skip
    square = Loop(vertices_mm=((0, 0), (9, 0), (9, 9), (0, 9)), bulges=(0, 0, 0, 0))
    still = Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 0))
    plate = Plate(name="mount", world_from_plate=still, thickness_mm=8, material="A36", outer=square)
    return Scene(accuracy=accuracy, intents=(intent,), plates=(plate,), measured_features=(EYE,))
