"""The traveller's stamps follow the job, and the sights are where OpenCV and a hand calculation put them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from tests.export.example_plates import TILTED, bracket

from elbowroom.app.job import Job, remove_tag, show_lengths_in
from elbowroom.app.page.op_frame import distance_of
from elbowroom.app.page.op_obstacles import outlined_tag
from elbowroom.app.page.pictures import reduced
from elbowroom.app.sights import stations, target_outlines
from elbowroom.app.traveller import traveller
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import (
    Accuracy,
    Check,
    GapRow,
    Lens,
    MeasuredTarget,
    Photo,
    PhotoOutline,
    PickedPoint,
    Pose,
    Scene,
    TubeTag,
)
from elbowroom.shared.store import SceneFile

PLATE = bracket(TILTED)
ROW = GapRow(
    plate=PLATE.name,
    obstacle="hose",
    gap_mm=3.0,
    clearance_mm=6.0,
    required_mm=6.4,
    sd_mm=0.2,
    at_plate_mm=(0, 0, 0),
    at_obstacle_mm=(0, 0, 3),
    verdict="tight",
)
GOOD = Accuracy(
    sigma0_px=0.1,
    rms_px=0.1,
    redundancy=9,
    observations=99,
    rejected=0,
    scale_source="target sides",
    scale_sd=1e-4,
    typical_sd_mm=0.1,
)
PHOTO = Photo(name="a.jpg", media="0" * 64, width_px=4000, height_px=3000, lens="phone")


def stamps(scene: Scene, *, written: bool = False) -> dict[int, tuple[str, str]]:
    return {o.number: (o.stamp, o.missing) for o in traveller(scene, written=written)}


def test_an_empty_job_is_open_throughout() -> None:
    assert {s for s, _ in stamps(Scene()).values()} == {"open"}
    assert all(missing for _, missing in stamps(Scene()).values())


def test_photos_wait_to_be_measured_and_then_to_be_placed() -> None:
    assert stamps(Scene(photos=(PHOTO,)))[10] == ("hold", "1 photo, not measured")
    assert stamps(Scene(photos=(PHOTO,), accuracy=GOOD))[10] == ("hold", "no place found for a.jpg")
    placed = PHOTO.model_copy(update={"camera_from_world": Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 1))})
    assert stamps(Scene(photos=(placed,), accuracy=GOOD))[10] == ("pass", "")


def test_a_tag_that_is_not_measured_holds() -> None:
    ends = (PickedPoint(world_mm=(0, 0, 0)), PickedPoint(world_mm=(0, 0, 9)))
    scene = Scene(tags=(TubeTag(name="hose", axis=ends, diameter_mm=20),))
    assert stamps(scene)[30] == ("hold", "not measured: hose")


def test_a_tight_gap_holds_check_and_files() -> None:
    unchecked = stamps(Scene(plates=(PLATE,)))
    assert unchecked[50] == ("hold", f"not checked: {PLATE.name}")
    tight = stamps(Scene(plates=(PLATE,), checks=(Check(plate=PLATE.name, rows=(ROW,), passes=False),)))
    assert tight[50] == ("hold", "too close: hose")
    assert tight[60][0] == "hold"
    clear = Scene(plates=(PLATE,), checks=(Check(plate=PLATE.name, rows=(), passes=True),))
    assert (stamps(clear)[50], stamps(clear)[60]) == (("pass", ""), ("open", "ready to write"))
    assert stamps(clear, written=True)[60] == ("pass", "")


def test_targets_lie_in_a_photo_where_opencv_projects_them() -> None:
    """Against cv2.projectPoints, which has the same lens model (pixel centres whole numbers in both)."""
    lens = Lens(
        name="phone",
        width_px=4000,
        height_px=3000,
        focal_px=3100,
        cx_px=2010,
        cy_px=1490,
        k1=0.08,
        k2=-0.1,
        p1=1e-3,
    )
    view, target = (
        Pose(rotation_rad=(2.8, 0.3, -0.2), shift_mm=(12, -20, 900)),
        Pose(rotation_rad=(0.2, -0.4, 1.1), shift_mm=(60, 30, -10)),
    )
    photo = PHOTO.model_copy(update={"camera_from_world": view, "targets_read": (7,)})
    zero = ((0.0, 0.0, 0.0),) * 3
    measured = (
        MeasuredTarget(id=7, side_mm=40, world_from_target=target, covariance_mm2=zero, seen_in=2),
        MeasuredTarget(id=8, side_mm=40, world_from_target=target, covariance_mm2=zero, seen_in=2),
    )
    scene = Scene(lenses=(lens,), photos=(photo,), measured=measured)
    (outline,) = target_outlines(scene, photo)
    square = np.array([[-20, 20, 0], [20, 20, 0], [20, -20, 0], [-20, -20, 0]], dtype=float)
    corners = square @ cv2.Rodrigues(np.array(target.rotation_rad))[0].T + target.shift_mm
    matrix = np.array([[3100, 0, 2010], [0, 3100, 1490], [0, 0, 1]], dtype=float)
    expected, _ = cv2.projectPoints(
        corners,
        np.array(view.rotation_rad),
        np.array(view.shift_mm),
        matrix,
        np.array([0.08, -0.1, 1e-3, 0, 0]),
    )
    assert outline.id == 7
    np.testing.assert_allclose(outline.corners_px, expected.reshape(4, 2), atol=1e-6)


def test_stations_are_seen_round_the_targets() -> None:
    """A camera straight at (0, 1000, 1000) from the middle of the targets: a quarter turn round, 45 degrees up."""
    at = Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 0))
    zero = ((0.0, 0.0, 0.0),) * 3
    measured = (MeasuredTarget(id=1, side_mm=40, world_from_target=at, covariance_mm2=zero, seen_in=2),)
    photo = PHOTO.model_copy(
        update={"camera_from_world": Pose(rotation_rad=(0, 0, 0), shift_mm=(0, -1000, -1000))}
    )
    (station,) = stations(Scene(photos=(photo,), measured=measured))
    assert (station.round_rad, station.up_rad) == pytest.approx((np.pi / 2, np.pi / 4))


@pytest.mark.parametrize("ends", [("1", "1"), ("", "2"), ("a", "2"), ("-1", "2"), ("²", "1")])
def test_a_distance_needs_two_targets(ends: tuple[str, str]) -> None:
    with pytest.raises(InputError, match="two different targets"):
        distance_of({"from": ends[0], "to": ends[1], "length": "100", "sd": "0.2"}, "mm")


def test_an_outlined_thing_needs_a_free_name_and_two_photos() -> None:
    outlines = [PhotoOutline(photo=n, points_px=((0, 0), (9, 0), (9, 9))) for n in ("a.jpg", "b.jpg")]
    assert outlined_tag("box", "hot", outlines, Scene()).clearance_class == "hot"
    taken = Scene(tags=(outlined_tag("box", "hot", outlines, Scene()),))
    with pytest.raises(InputError, match="the name is taken"):
        outlined_tag("box", "hot", outlines, taken)
    with pytest.raises(InputError, match="one photo only"):
        outlined_tag("box", "hot", outlines[:1], Scene())
    for name, kind in (("", "hot"), ("a/b", "hot"), ("box", "cold")):
        with pytest.raises(InputError, match="can't be kept"):
            outlined_tag(name, kind, outlines, Scene())


def test_tags_are_deleted_and_units_turned_as_revisions(tmp_path_factory: pytest.TempPathFactory) -> None:
    ends = (PickedPoint(world_mm=(0, 0, 0)), PickedPoint(world_mm=(0, 0, 9)))
    scene = Scene(tags=(TubeTag(name="hose", axis=ends, diameter_mm=20),))
    with SceneFile.create(tmp_path_factory.mktemp("job") / "a.elbow", scene, author="me") as file:
        job = Job(file, "me")
        assert remove_tag(job, "hose").tags == ()
        with pytest.raises(InputError, match="isn't tagged"):
            remove_tag(job, "hose")
        assert show_lengths_in(job, "in").shown_in == "in"
        file.undo()
        file.undo()
        assert file.scene() == scene


def test_pictures_are_as_wide_as_asked_and_never_wider_than_the_photo() -> None:
    _, data = cv2.imencode(".png", np.full((300, 400, 3), 128, np.uint8))
    for asked, wide in ((240, 240), (2000, 400), (0, 400)):
        image = cv2.imdecode(
            np.frombuffer(reduced(data.tobytes(), asked, where="a"), np.uint8), cv2.IMREAD_COLOR
        )
        assert image is not None
        assert image.shape[1] == wide
    with pytest.raises(InputError, match="can't be decoded"):
        reduced(b"nothing", 240, where="a")
