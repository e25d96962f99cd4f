"""The datum: a world frame from a plane, a direction and an origin, against frames known beforehand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.spatial.transform import Rotation

from elbowroom.recon.network.datum import datum_from_network, fit_plane, into_datum, move_scene
from elbowroom.recon.network.doubt import NetworkDoubt
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import Camera, Rigid, Target, World
from elbowroom.shared.scene import Datum, Lens, MeasuredTarget, Photo, PickedPoint, Pose, Scene, cov3

Floats = npt.NDArray[np.float64]
PLANE = {
    1: (0.0, 0.0, 0.0),
    2: (300.0, 0.0, 0.0),
    3: (0.0, 200.0, 0.0),
    4: (300.0, 200.0, 0.0),
    5: (50.0, 60.0, 80.0),
}
NETWORK_FROM_SHOP: Rigid[World, World] = Rigid(
    Rotation.from_euler("xyz", [30, -50, 110], degrees=True).as_matrix(), np.array([400.0, -30, 900])
)


def at(*places: tuple[float, float, float]) -> tuple[PickedPoint, ...]:
    return tuple(
        PickedPoint(world_mm=tuple(float(v) for v in NETWORK_FROM_SHOP.apply(np.array([p]))[0]))
        for p in places
    )


def scene() -> Scene:
    """Return a measured scene in the network's frame: targets on a shop plane, a camera above it."""
    shop_from_camera: Rigid[World, Camera] = Rigid(np.diag([1.0, -1, -1]), np.array([100.0, 80, 700]))
    camera_from_network = (NETWORK_FROM_SHOP @ shop_from_camera).inverse()
    measured = tuple(
        MeasuredTarget(
            id=i,
            side_mm=40.0,
            world_from_target=Pose.of(NETWORK_FROM_SHOP @ Rigid[World, Target](np.eye(3), np.array(p))),
            covariance_mm2=cov3(np.diag([0.01, 0.02, 0.03])),
            seen_in=3 + (i == 4),
        )
        for i, p in PLANE.items()
    )
    lens = Lens(name="l", width_px=4000, height_px=3000, focal_px=3000.0, cx_px=2000.0, cy_px=1500.0)
    photo = Photo(
        name="a.jpg",
        media="0" * 64,
        width_px=4000,
        height_px=3000,
        lens="l",
        camera_from_world=Pose.of(camera_from_network),
    )
    return Scene(name="datum", photos=(photo,), lenses=(lens,), measured=measured)


def datum(**changes: object) -> Datum:
    given: dict[str, object] = {
        "plane": at((0, 0, 0), (300, 0, 0), (0, 200, 0), (310, 190, 0)),
        "direction": at((10, 20, 0), (200, 20, 55)),
        "origin": at((40, 30, 12))[0],
    }
    return Datum(**(given | changes))


def doubt() -> NetworkDoubt:
    centres = np.array([m.world_from_target.shift_mm for m in scene().measured])
    rng = np.random.default_rng(0)
    root = rng.normal(0, 0.1, (15, 15))
    return NetworkDoubt(centres, root @ root.T)


def test_plane_direction_and_origin_make_the_frame() -> None:
    move = datum_from_network(datum(), scene())
    # z is the plane's normal to the cameras' side; the direction and the origin are laid into the plane
    expected = Rigid[World, World](np.eye(3), np.array([-40.0, -30, 0])) @ NETWORK_FROM_SHOP.inverse()
    np.testing.assert_allclose(move.matrix(), expected.matrix(), atol=1e-9)


def test_flipping_turns_z_away_and_stays_right_handed() -> None:
    move = datum_from_network(datum(plane_flip=True), scene()) @ NETWORK_FROM_SHOP
    np.testing.assert_allclose(move.rotation, np.diag([1.0, -1, -1]), atol=1e-9)


@pytest.mark.parametrize(
    ("normal", "direction"), [("x", "y"), ("x", "z"), ("y", "x"), ("y", "z"), ("z", "x"), ("z", "y")]
)
def test_any_two_axes_can_be_named(normal: str, direction: str) -> None:
    move = datum_from_network(datum(normal_is=normal, direction_is=direction), scene()) @ NETWORK_FROM_SHOP
    np.testing.assert_allclose(move.turn(np.array([0, 0, 1.0])), np.eye(3)["xyz".index(normal)], atol=1e-9)
    np.testing.assert_allclose(move.turn(np.array([1.0, 0, 0])), np.eye(3)["xyz".index(direction)], atol=1e-9)
    assert np.linalg.det(move.rotation) == pytest.approx(1.0)


def test_targets_serve_as_datum_points() -> None:
    points = {i: PickedPoint(target=i) for i in PLANE}
    named = Datum(plane=(points[1], points[2], points[3]), direction=(points[1], points[2]), origin=points[1])
    move = datum_from_network(named, scene())
    np.testing.assert_allclose(move.matrix(), NETWORK_FROM_SHOP.inverse().matrix(), atol=1e-9)


def test_points_in_line_make_no_plane() -> None:
    with pytest.raises(
        InputError, match=r"datum plane: .*one line.*they spread 0.0 mm across; limit 10.0 mm; take a"
    ):
        datum_from_network(datum(plane=at((0, 0, 0), (100, 0, 0), (300, 0, 0))), scene())


def test_a_direction_along_the_normal_is_refused() -> None:
    with pytest.raises(
        InputError, match=r"datum direction: .*value 2.00 mm; limit 10.0 mm; take two points further"
    ):
        datum_from_network(datum(direction=at((0, 0, 0), (2, 0, 300))), scene())


def test_the_fitted_plane_is_numpys_least_squares() -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(-100, 100, (30, 3)) * [1, 1, 0.01] + np.array([5.0, 6, 7])
    middle, normal = fit_plane(points, where="here")
    least = np.linalg.eigh(np.cov(points.T))[1][:, 0]  # the direction of least variance: another road to it
    assert abs(normal @ least) == pytest.approx(1.0, abs=1e-12)
    np.testing.assert_allclose(middle, points.mean(axis=0))


def camera_from_target(scene: Scene, target: MeasuredTarget) -> Rigid[Camera, Target]:
    pose = scene.photos[0].camera_from_world
    assert pose is not None
    camera_from_world: Rigid[Camera, World] = pose.rigid()
    world_from_target: Rigid[World, Target] = target.world_from_target.rigid()
    return camera_from_world @ world_from_target


def test_moving_a_scene_keeps_what_every_camera_sees() -> None:
    before, move = scene(), NETWORK_FROM_SHOP.inverse()
    after = move_scene(before, move)
    for m, n in zip(before.measured, after.measured, strict=True):
        seen_before, seen_after = camera_from_target(before, m), camera_from_target(after, n)
        np.testing.assert_allclose(seen_after.matrix(), seen_before.matrix(), atol=1e-9)
        np.testing.assert_allclose(
            np.linalg.eigvalsh(n.covariance_mm2), np.linalg.eigvalsh(m.covariance_mm2), atol=1e-12
        )


def test_the_networks_doubt_turns_with_it() -> None:
    out, moved, findings = into_datum(scene().model_copy(update={"datum": datum()}), doubt())
    assert findings == []
    np.testing.assert_allclose(
        moved.centres_world, [m.world_from_target.shift_mm for m in out.measured], atol=1e-9
    )
    move = datum_from_network(datum(), scene())
    place = np.array([20.0, -30, 40])
    there = move.apply(place[None])[0]
    np.testing.assert_allclose(
        moved.point_covariance(there),
        move.rotation @ doubt().point_covariance(place) @ move.rotation.T,
        atol=1e-9,
    )


def test_without_a_datum_the_most_seen_target_is_the_world() -> None:
    out, _, findings = into_datum(scene(), doubt())
    four = next(m for m in out.measured if m.id == 4)
    np.testing.assert_allclose(four.world_from_target.rigid().matrix(), np.eye(4), atol=1e-9)
    assert [f.code for f in findings] == ["datum-by-default"]
    assert "target 4's frame" in findings[0].message
