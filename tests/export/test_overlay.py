"""Overlays against OpenCV's projection and trimesh's rays: where things are drawn, and what hides what."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import trimesh
from tests.export.example_plates import TILTED, bracket

from elbowroom.export.creases import sort_edges
from elbowroom.export.labels import Label, place_labels
from elbowroom.export.overlay import draw_overlay
from elbowroom.export.sight import grid_of, photo_map, seen_depths
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import Camera, Rigid, World, rotation_from_vector
from elbowroom.shared.media import digest, mesh_bytes
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Lens, Obstacle, Photo, Plate, Pose

LENS = Lens(
    name="phone",
    width_px=2000,
    height_px=1500,
    focal_px=1500,
    cx_px=1010.3,
    cy_px=744.8,
    k1=0.12,
    k2=-0.25,
    k3=0.05,
    p1=0.002,
    p2=-0.001,
)
LINE_PX = 6.0  # half a painted line with its dark rim, and the raster's own grain of 2.5 px


def _looking_at(eye: tuple[float, float, float], at: tuple[float, float, float]) -> Rigid[Camera, World]:
    z = np.subtract(at, eye) / np.linalg.norm(np.subtract(at, eye))
    x = np.cross(z, [0.05, 0.1, 1.0])
    x /= np.linalg.norm(x)
    rotation = np.array([x, np.cross(z, x), z])
    return Rigid(rotation, -rotation @ np.array(eye))


POSE: Rigid[Camera, World] = _looking_at((230, -280, 480), (70, -30, 70))  # the plate well off the middle


def _photo(pose: Rigid[Camera, World] | None = POSE, orientation: int = 1) -> Photo:
    return Photo(
        name="one.jpg",
        media="0" * 64,
        width_px=2000,
        height_px=1500,
        orientation=orientation,
        lens="phone",
        camera_from_world=None if pose is None else Pose.of(pose),
    )


def _grey(level: int = 110) -> bytes:
    return cv2.imencode(".png", np.full((1500, 2000, 3), level, np.uint8))[1].tobytes()


def _read(png: bytes) -> np.ndarray:
    return np.asarray(cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR), dtype=int)


def _opencv_pixels(points_world: np.ndarray, pose: Rigid[Camera, World] = POSE) -> np.ndarray:
    camera = np.array([[LENS.focal_px, 0, LENS.cx_px], [0, LENS.focal_px, LENS.cy_px], [0, 0, 1]])
    distortion = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    turn = cv2.Rodrigues(pose.rotation)[0]
    out = cv2.projectPoints(points_world.reshape(-1, 1, 3), turn, pose.shift, camera, distortion)[0]
    return np.asarray(out, dtype=float).reshape(-1, 2)


def _bare(plate: Plate) -> Plate:
    return plate.model_copy(update={"holes": ()})


def _near_face_mask(plate: Plate) -> np.ndarray:
    ring = Outline.of_loop(plate.outer).flatten(0.05)
    rows = np.column_stack([ring, np.full(len(ring), plate.thickness_mm)])
    pixels = _opencv_pixels(plate.world_from_plate.rigid().apply(rows))
    mask = np.zeros((1500, 2000), np.uint8)
    cv2.fillPoly(mask, [np.rint(pixels * 16).astype(np.int32)], 255, shift=4)
    return mask > 0


def test_plate_is_filled_where_opencv_projects_it() -> None:
    plate = _bare(bracket(TILTED))
    image = _read(draw_overlay(_grey(), _photo(), LENS, [plate], [], {}))
    mask = _near_face_mask(plate)
    rim = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    outside = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    blue = image[:, :, 0] - image[:, :, 2] > 30
    deep = rim > LINE_PX
    assert mask.sum() > 80_000
    assert blue[deep].mean() > 0.97  # the label and its leader take the rest
    # the thickness shows beyond the near face: 9.5 mm is 30 px at most here; nothing is tinted further out
    assert not blue[outside > 45].any()


def test_outline_is_painted_through_the_lens() -> None:
    """Every point of the outline has a light pixel near it, and the undistorted outline has not."""
    plate = _bare(bracket(TILTED))
    image = _read(draw_overlay(_grey(), _photo(), LENS, [plate], [], {}))
    light = (image.min(axis=2) > 200).astype(np.uint8)
    away = cv2.distanceTransform(1 - light, cv2.DIST_L2, 5)
    ring = Outline.of_loop(plate.outer).flatten(0.05)
    rows = np.column_stack([ring, np.full(len(ring), plate.thickness_mm)])
    world = plate.world_from_plate.rigid().apply(rows)
    pixels = np.rint(_opencv_pixels(world)).astype(int)
    assert np.percentile(away[pixels[:, 1], pixels[:, 0]], 95) < 2.0
    camera = POSE.apply(world)
    ideal = camera[:, :2] / camera[:, 2:] * LENS.focal_px + [LENS.cx_px, LENS.cy_px]
    assert np.abs(ideal - _opencv_pixels(world)).max() > 4.0  # the lens does bend this plate's edges


def _box(
    name: str, low: tuple[float, float, float], high: tuple[float, float, float]
) -> tuple[Obstacle, dict[str, bytes]]:
    box = trimesh.creation.box(bounds=[low, high])
    data = mesh_bytes(np.asarray(box.vertices), np.asarray(box.faces))
    covariance = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    obstacle = Obstacle(
        name=name, kind="box", meshes=(digest(data),), convex=True, clearance_mm=5, covariance_mm2=covariance
    )
    return obstacle, {digest(data): data}


@pytest.mark.parametrize(("towards", "hides"), [(0.35, True), (-0.5, False)])
def test_an_obstacle_hides_the_plate_only_from_in_front(towards: float, hides: bool) -> None:
    plate = _bare(bracket(TILTED))
    middle = plate.world_from_plate.rigid().apply(np.array([[80.0, 20.0, 9.5]]))[0]
    eye = POSE.inverse().shift
    centre = middle + towards * (eye - middle)
    low, high = tuple(centre - 25.0), tuple(centre + 25.0)
    box, media = _box("box", low, high)
    image = _read(draw_overlay(_grey(), _photo(), LENS, [plate], [box], media))
    x, y = np.rint(_opencv_pixels(middle[None])[0]).astype(int)
    patch = image[y - 4 : y + 5, x - 4 : x + 5]
    blue = (patch[:, :, 0] - patch[:, :, 2] > 30).mean()
    # from behind only its faint lines may cross the patch
    assert blue == 0.0 if hides else blue > 0.7


def test_depth_raster_agrees_with_ray_casting() -> None:
    """Independent method: trimesh's ray caster on the same triangles, through pixels of the photo."""
    rng = np.random.default_rng(5)
    parts = [
        trimesh.creation.icosphere(subdivisions=2, radius=60),
        trimesh.creation.box(extents=[400, 30, 50]),
        trimesh.creation.cylinder(radius=25, height=300),
    ]
    for part in parts:
        turn = np.eye(4)
        turn[:3, :3] = rotation_from_vector(rng.normal(size=3))
        turn[:3, 3] = [*rng.uniform(-80, 80, 2), rng.uniform(500, 800)]
        part.apply_transform(turn)
    mesh = trimesh.util.concatenate(parts)
    grid = grid_of(LENS, 400)
    depths = seen_depths(np.asarray(mesh.triangles), grid)
    pick = np.column_stack([rng.integers(0, grid.columns, 3000), rng.integers(0, grid.rows, 3000)])
    rays = np.array([grid.ray((float(c), float(r))) for c, r in pick])
    hits, index, _ = mesh.ray.intersects_location(np.zeros_like(rays), rays, multiple_hits=True)
    nearest = np.full(len(rays), np.inf)
    np.minimum.at(nearest, index, hits[:, 2])
    ours = depths.inverse[pick[:, 1], pick[:, 0]]
    same = np.isclose(np.where(ours > 0, 1 / np.maximum(ours, 1e-12), np.inf), nearest, rtol=1e-6)
    assert (nearest < np.inf).sum() > 200
    assert same.mean() > 0.998  # a ray grazing an edge may fall either way


def test_triangles_across_the_near_plane_are_cut() -> None:
    """A floor under the camera runs behind it; what lies ahead is still seen, at its closed-form depth."""
    floor = np.array([[[-5000, 100, -3000], [0, 100, 9000], [5000, 100, -3000]]], dtype=float)
    floor = floor if np.cross(*(floor[0, 1:] - floor[0, 0])) @ floor[0, 0] < 0 else floor[:, ::-1]
    grid = grid_of(LENS, 200)
    depths = seen_depths(floor, grid)
    column, row = np.rint(grid.at(np.array([[0.0, 100.0, 400.0]]))[0]).astype(int)
    ray = grid.ray((float(column), float(row)))
    assert depths.inverse[row, column] == pytest.approx(ray[1] / 100, rel=1e-9)
    assert depths.inverse[0].max() == 0  # above the horizon


def test_photo_map_is_the_lens() -> None:
    """Each photo pixel must look up the grid cell of its own ray: OpenCV's projection takes that ray back to it."""
    grid, (columns, rows) = grid_of(LENS, 800), photo_map(LENS, 800, (750, 1000))
    for v, u in [(0, 0), (10, 980), (375, 500), (740, 30), (749, 999)]:
        ray = grid.ray((float(columns[v, u]), float(rows[v, u])))
        back = _opencv_pixels(ray[None], Rigid(np.eye(3), np.zeros(3)))[0]
        assert (back + 0.5) / 2 - 0.5 == pytest.approx([u, v], abs=0.15)


def test_a_box_is_drawn_by_its_nine_edges_and_a_tube_by_its_rims_and_two_sides() -> None:
    box = trimesh.creation.box(extents=[2, 2, 2])
    # three faces seen: 9 of 12 edges; the diagonals of the triangles are no edges
    lines = sort_edges(np.asarray(box.vertices), np.asarray(box.faces)).lines_seen_from(
        np.array([5.0, 6.0, 7.0])
    )
    assert len(lines) == 9
    assert np.linalg.norm(lines[:, 0] - lines[:, 1], axis=1) == pytest.approx(2.0)
    tube = trimesh.creation.cylinder(radius=1, height=4, sections=32)
    lines = sort_edges(np.asarray(tube.vertices), np.asarray(tube.faces)).lines_seen_from(
        np.array([9.0, 0.3, 0.1])
    )
    along = np.abs(lines[:, 0, 2] - lines[:, 1, 2]) > 3
    assert along.sum() == 2
    # seen from 9 radii away the sides stand at acos(1/9) from the eye (closed form), within one facet of 11.25 deg
    angles = np.degrees(np.arctan2(lines[along][:, 0, 1], lines[along][:, 0, 0]))
    expected = math.degrees(math.acos(1 / math.hypot(9.0, 0.3)))
    assert np.sort(np.abs(angles - math.degrees(math.atan2(0.3, 9.0)))) == pytest.approx(
        [expected] * 2, abs=11.25
    )


@pytest.mark.parametrize(
    ("orientation", "corner"),
    # where the stored top left corner is shown: CIPA DC-008, tag 0x0112
    [
        (1, "top left"),
        (2, "top right"),
        (3, "bottom right"),
        (4, "bottom left"),
        (5, "top left"),
        (6, "top right"),
        (7, "bottom right"),
        (8, "bottom left"),
    ],
)
def test_orientation_turns_picture_and_labels_together(orientation: int, corner: str) -> None:
    stored = np.full((1500, 2000, 3), 110, np.uint8)
    stored[:60, :60] = (0, 0, 255)
    data = cv2.imencode(".png", stored)[1].tobytes()
    plate = bracket(TILTED)
    png = draw_overlay(data, _photo(orientation=orientation), LENS, [plate], [], {}, width_px=1000)
    image = _read(png)
    assert image.shape[1] == 1000
    assert image.shape[0] == (1333 if orientation >= 5 else 750)
    quarter = {"top": 0, "bottom": -1}[corner.split()[0]], {"left": 0, "right": -1}[corner.split()[1]]
    assert image[quarter][2] > 200
    assert image[quarter][0] < 60
    # as stored and turned by hand, the picture away from the labels is the same
    plain = _read(draw_overlay(data, _photo(), LENS, [plate], [], {}, show_orientation=False, width_px=1000))
    assert plain.shape[:2] == (750, 1000)


def test_labels_keep_apart_and_hide_no_anchor() -> None:
    rng = np.random.default_rng(3)
    labels = [
        Label(words="x", at=(float(x), float(y)), colour=(255, 255, 255))
        for x, y in rng.uniform([300, 300], [700, 500], (14, 2))
    ]
    placed = place_labels(labels, [(120.0, 34.0)] * 14, np.zeros((800, 1000), np.uint8), 22.0)
    assert len(placed) == 14
    boxes = np.array([box for box, _, _ in placed])
    for i, a in enumerate(boxes):
        assert min(a[0], a[1], 1000 - a[2], 800 - a[3]) >= 0
        for b in boxes[i + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        for label in labels:
            assert not (a[0] < label.at[0] < a[2] and a[1] < label.at[1] < a[3])


def test_bad_input_is_named() -> None:
    plate = bracket(TILTED)
    with pytest.raises(InputError, match=r"one\.jpg.*no measured place"):
        draw_overlay(_grey(), _photo(None), LENS, [plate], [], {})
    with pytest.raises(InputError, match="can't be read"):
        draw_overlay(b"not a photo", _photo(), LENS, [plate], [], {})
    small = cv2.imencode(".png", np.zeros((100, 200, 3), np.uint8))[1].tobytes()
    with pytest.raises(InputError, match=r"200 x 100.*2000 x 1500"):
        draw_overlay(small, _photo(), LENS, [plate], [], {})
    with pytest.raises(InputError, match="width_px"):
        draw_overlay(_grey(), _photo(), LENS, [plate], [], {}, width_px=0)
    with pytest.raises(InputError, match="png, jpeg"):
        draw_overlay(_grey(), _photo(), LENS, [plate], [], {}, image_format="gif")  # type: ignore[arg-type]
    box, _ = _box("gear case", (0, 0, 0), (10, 10, 10))
    with pytest.raises(InputError, match=r"gear case.*not in the scene"):
        draw_overlay(_grey(), _photo(), LENS, [plate], [box], {})


def test_jpeg_and_png_show_the_same() -> None:
    plate = bracket(TILTED)
    one = _read(draw_overlay(_grey(), _photo(), LENS, [plate], [], {}, width_px=800))
    other = draw_overlay(_grey(), _photo(), LENS, [plate], [], {}, width_px=800, image_format="jpeg")
    assert other[:2] == b"\xff\xd8"  # JPEG's start of image, ITU-T T.81
    assert np.abs(_read(other) - one).mean() < 2.0


def test_things_behind_the_camera_draw_nothing() -> None:
    behind = POSE.inverse().apply(np.array([[0.0, 0.0, -400.0]]))[0]
    box, media = _box("box", tuple(behind - 30), tuple(behind + 30))
    image = _read(draw_overlay(_grey(), _photo(), LENS, [], [box], media))
    assert (image == 110).all()
