"""Plates from intents: frames, openings, weld edges, clearances with doubt, motion, and refusals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from shapely.geometry import LineString, Point, Polygon

from elbowroom.fit import check_plate, fit_plate
from elbowroom.fit.plane import plate_frame
from elbowroom.fit.shortfall import Shortfall
from elbowroom.shared.errors import InputError, SolveError
from elbowroom.shared.hardware import clearance_hole_mm, edge_distance_mm
from elbowroom.shared.media import digest, mesh_bytes
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import (
    DatumPlane,
    FacePlane,
    HoleIntent,
    MeasuredFace,
    Obstacle,
    PickedPoint,
    Plate,
    PlateIntent,
    PointsPlane,
    Scene,
    SlotIntent,
    Vec3,
    WeldEdgeIntent,
)

ZERO = ((0.0, 0.0, 0.0),) * 3
RAIL = MeasuredFace(
    name="rail", point_mm=(5, 0, -3), normal=(0, 1, 0), covariance_mm2=ZERO, tilt_sd_rad=0, rms_mm=0, reach_mm=200
)  # fmt: skip


class Spot:
    """A scene put together for a test."""

    def __init__(self, *faces: MeasuredFace) -> None:
        self.media: dict[str, bytes] = {}
        self.obstacles: list[Obstacle] = []
        self.faces = faces or (RAIL,)

    def add(self, name: str, mesh: trimesh.Trimesh, clearance: float = 6.0, **more: Any) -> Spot:
        data = mesh_bytes(np.array(mesh.vertices), np.array(mesh.faces))
        self.media[digest(data)] = data
        given = {"kind": "mesh", "convex": True, "covariance_mm2": ZERO} | more
        self.obstacles.append(Obstacle(name=name, meshes=(digest(data),), clearance_mm=clearance, **given))
        return self

    def scene(self) -> Scene:
        return Scene(obstacles=tuple(self.obstacles), measured_faces=self.faces)

    def fit(self, **given: Any) -> Plate:
        return fit_plate(intent(**given), self.scene(), self.media)


def intent(**given: Any) -> PlateIntent:
    given = {"name": "mount", "plane": DatumPlane(), "thickness_mm": 8.0} | given
    return PlateIntent(**given)


def holes(*rows: Vec3) -> tuple[HoleIntent, ...]:
    return tuple(
        HoleIntent(name=f"h{k}", at_mm=r[:2], diameter_mm=12.0, edge_distance_mm=r[2])
        for k, r in enumerate(rows)
    )


def post(x: float, y: float, radius: float = 10.0, low: float = -30.0, high: float = 40.0) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius, segment=[(x, y, low), (x, y, high)], sections=96)


def shortfalls(caught: pytest.ExceptionInfo[SolveError]) -> tuple[Shortfall, ...]:
    assert isinstance(caught.value.partial, tuple)
    return caught.value.partial


def polygon_of(plate: Plate) -> Polygon:
    return Polygon(Outline.of_loop(plate.outer).flatten(0.0005))


# --- frames ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("normal", "x", "y"),
    [
        ("z", (1, 0, 0), (0, 1, 0)),
        ("-z", (1, 0, 0), (0, -1, 0)),
        ("x", (0, 1, 0), (0, 0, 1)),
        ("-x", (0, 1, 0), (0, 0, -1)),
        ("y", (1, 0, 0), (0, 0, -1)),
        ("-y", (1, 0, 0), (0, 0, 1)),
    ],
)
def test_datum_planes_take_world_axes(normal: str, x: Vec3, y: Vec3) -> None:
    frame = plate_frame(DatumPlane(normal=normal, offset_mm=12.0), Scene())
    assert np.allclose(frame.rotation[:, 0], x)
    assert np.allclose(frame.rotation[:, 1], y)
    assert np.allclose(frame.shift, 12.0 * np.cross(x, y))


def test_face_and_points_give_the_same_frame() -> None:
    normal = np.array([0.2, -0.3, 0.9])
    normal /= np.linalg.norm(normal)
    at = np.array([10.0, 20, 30])
    face = MeasuredFace(
        name="f", point_mm=tuple(at), normal=tuple(normal), covariance_mm2=ZERO, tilt_sd_rad=0, rms_mm=0, reach_mm=9
    )  # fmt: skip
    one = plate_frame(FacePlane(face="f", offset_mm=4), Scene(measured_faces=(face,)))
    a = np.cross(normal, (0, 0, 1))
    b = np.cross(normal, a)
    points = [PickedPoint(world_mm=tuple(p)) for p in (at, at + 50 * a, at + 30 * b)]
    two = plate_frame(PointsPlane(points=tuple(points), offset_mm=4), Scene())
    assert np.allclose(one.matrix(), two.matrix())
    # the origin is the foot of the world's origin, 4 mm along the normal
    assert np.allclose(np.cross(one.shift, normal), 0, atol=1e-9)
    assert one.shift @ normal == pytest.approx(at @ normal + 4)


def test_points_nobody_measured_are_refused() -> None:
    with pytest.raises(InputError, match="not measured yet"):
        Spot().fit(holes=(HoleIntent(name="h", point=PickedPoint(target=3), diameter_mm=10),))


# --- openings -------------------------------------------------------------------------------------------------


def test_threaded_hole_takes_hole_and_edge_from_the_tables() -> None:
    plate = Spot().fit(
        holes=(
            HoleIntent(name="pin", at_mm=(0, 0), thread="M16"),
            HoleIntent(name="stay", at_mm=(90, 0), thread="M12", hole_class="coarse"),
        )
    )
    # ISO 273 medium M16 17.5 mm, coarse M12 14.5 mm; AISC 360 table J3.4 metric M16: 22 mm
    assert plate.holes[0].diameter_mm == 17.5 == clearance_hole_mm("M16")
    assert plate.holes[1].diameter_mm == 14.5
    assert edge_distance_mm("M16") == 22
    outline = Outline.of_loop(plate.outer)
    assert outline.distance(np.array([[0.0, 0]]))[0] == pytest.approx(22, abs=1e-6)


def test_plain_hole_gets_an_edge_of_one_and_a_half_diameters_and_says_so() -> None:
    # common practice, no source
    plate = Spot().fit(holes=(HoleIntent(name="a", at_mm=(0, 0), diameter_mm=20), *holes((90, 0, 20))))
    assert Outline.of_loop(plate.outer).distance(np.array([[0.0, 0]]))[0] == pytest.approx(30, abs=1e-6)
    assert [f.code for f in plate.findings] == ["edge-distance-assumed"]


def test_hole_on_a_bolt_follows_its_axis_and_the_bolt_is_no_obstacle() -> None:
    spot = Spot().add("bolt", post(50, 40, 8), axis_mm=((50, 40, 0), (50, 40, 30)), kind="bolt")
    spot.add("bolt", post(50, 40, 20, 8, 60), part="tool room", kind="bolt")
    plate = spot.fit(
        holes=(HoleIntent(name="a", bolt="bolt", thread="M12"), *holes((140, 40, 20))),
    )
    assert plate.holes[0].centre_mm == pytest.approx((50, 40))
    assert plate.touches == ("bolt",)


def test_plate_in_its_own_bolts_tool_room_is_warned_of() -> None:
    spot = Spot().add("bolt", post(50, 40, 8), axis_mm=((50, 40, 0), (50, 40, 30)), kind="bolt")
    spot.add("bolt", post(50, 40, 20, 3, 60), part="tool room", kind="bolt")
    plate = spot.fit(holes=(HoleIntent(name="a", bolt="bolt", thread="M12"), *holes((140, 40, 20))))
    assert "tool-room" in [f.code for f in plate.findings]


@pytest.mark.parametrize("turn", [0.0, 0.6])
def test_slot_clears_what_it_slides_over_by_the_slip(turn: float) -> None:
    bar = trimesh.creation.box((6, 40, 120))
    bar.apply_transform(trimesh.transformations.rotation_matrix(turn, (0, 0, 1)))
    bar.apply_translation((63, 60, 0))
    plate = (
        Spot()
        .add("tab", bar)
        .fit(holes=holes((150, 60, 22)), slots=(SlotIntent(name="slot", over="tab", slip_mm=0.8),))
    )
    slot = Polygon(Outline.of_loop(plate.holes[1].loop).flatten(0.001))
    section = shapely.affinity.translate(
        shapely.affinity.rotate(shapely.box(-3, -20, 3, 20), turn, use_radians=True, origin=(0, 0)), 63, 60
    )
    assert slot.exterior.distance(section) == pytest.approx(0.8, abs=2e-3)
    # closed form: a rectangle with round corners
    assert Outline.of_loop(plate.holes[1].loop).area() == pytest.approx(
        240 + 2 * 0.8 * 46 + np.pi * 0.64, abs=0.01
    )
    assert polygon_of(plate).exterior.distance(slot) >= 15 - 0.01
    assert plate.slides_over == ("tab",)
    assert polygon_of(plate).covers(section)


def test_slot_over_nothing_is_refused() -> None:
    spot = Spot().add("tab", trimesh.creation.box(bounds=[(60, 30, 20), (66, 70, 90)]))
    with pytest.raises(InputError, match="does not reach the plate"):
        spot.fit(slots=(SlotIntent(name="slot", over="tab"),))


def test_slot_whose_surround_meets_the_weld_face_is_refused() -> None:
    spot = Spot().add("tab", trimesh.creation.box(bounds=[(60, 8, -40), (66, 50, 40)]))
    with pytest.raises(InputError, match="pass through the face"):
        spot.fit(
            slots=(SlotIntent(name="slot", over="tab", slip_mm=0.8),),
            weld_edges=(WeldEdgeIntent(name="w", face="rail", from_mm=(10, 0), to_mm=(150, 0)),),
        )


# --- weld edges -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("gap", [0.0, 2.0])
def test_weld_edge_is_straight_on_the_face(gap: float) -> None:
    plate = Spot().fit(
        holes=holes((80, 100, 24)),
        weld_edges=(WeldEdgeIntent(name="w", face="rail", from_mm=(200, 3), to_mm=(10, -4), gap_mm=gap),),
    )
    polygon = polygon_of(plate)
    assert polygon.exterior.distance(Point(10, gap)) < 1e-6
    assert polygon.exterior.buffer(1e-6).covers(LineString([(10, gap), (200, gap)]))
    assert polygon.bounds[1] == pytest.approx(gap, abs=1e-6)


def test_body_the_face_belongs_to_may_be_touched_but_not_what_sticks_out_of_it() -> None:
    rail = trimesh.creation.box(bounds=[(-300, -20, -60), (300, 0, 60)])
    given = {
        "holes": holes((80, 100, 24)),
        "weld_edges": (WeldEdgeIntent(name="w", face="rail", from_mm=(10, 0), to_mm=(150, 0)),),
    }
    plate = Spot().add("frame rail", rail).fit(**given)
    assert plate.touches == ("frame rail",)
    assert "weld-contact" in [f.code for f in plate.findings]
    nosed = trimesh.boolean.union([rail, trimesh.creation.box(bounds=[(40, -5, -60), (60, 30, 60)])])
    with pytest.raises(SolveError, match="frame rail is in the way of w"):
        Spot().add("frame rail", nosed, convex=False).fit(**given)


def test_parallel_face_and_short_edge_are_refused() -> None:
    flat = RAIL.model_copy(update={"normal": (0.0, 0.0, 1.0)})
    edge = WeldEdgeIntent(name="w", face="rail", from_mm=(10, 0), to_mm=(150, 0))
    with pytest.raises(InputError, match="parallel to the plate"):
        Spot(flat).fit(weld_edges=(edge,))
    with pytest.raises(InputError, match="no length"):
        Spot().fit(weld_edges=(edge.model_copy(update={"to_mm": (10.0, 60.0)}),))


def test_an_edge_typed_away_from_its_face_is_not_moved_there_in_silence() -> None:
    edge = WeldEdgeIntent(name="w", face="rail", from_mm=(10, 200), to_mm=(100, 200))
    with pytest.raises(InputError, match=r"does not lie on its face; value 200.0 mm off rail"):
        Spot().fit(weld_edges=(edge,))


# --- clearances -----------------------------------------------------------------------------------------------


def test_doubt_is_added_to_the_clearance() -> None:
    # closed form: sd of the gap = root of the largest eigenvalue of the covariance; 6 + 2 x 0.5 mm
    covariance = ((0.01, 0, 0), (0, 0.25, 0), (0, 0, 0.04))
    foot = np.array(post(60, 24).vertices)[:, :2]
    spot = Spot().add("post", post(60, 24), covariance_mm2=covariance)
    plate = spot.fit(holes=holes((0, 0, 20), (120, 0, 20)))
    gap = polygon_of(plate).distance(shapely.convex_hull(shapely.multipoints(foot)))
    assert 7.0 <= gap <= 7.1
    check = check_plate(plate, spot.obstacles, spot.media, sigmas=2.0)
    assert check.passes


def test_swinging_rod_keeps_its_clearance_over_the_whole_travel() -> None:
    rod = trimesh.creation.cylinder(12, segment=[(-150, 150, 4), (300, 150, 4)], sections=48)
    spot = Spot().add(
        "rod", rod, 12.0, hinge_point_mm=(-150, 150, 4), motion_direction=(0, 0, 1), travel_kind="hinge",
        travel=(-14, 5),
    )  # fmt: skip
    # the second pad stands 0.2 mm clear of the rod at -14 degrees: 12 + 12 + 20 + 0.2 mm from its axis
    normal = np.array([np.sin(np.radians(14)), np.cos(np.radians(14))])
    x, y = np.array([-150.0, 150]) + 280 * np.array([normal[1], -normal[0]]) - 44.2 * normal
    plate = spot.fit(holes=holes((-60, 60, 20), (x, y, 20)))
    # the 3D check shares no code with the fitter
    check = check_plate(plate, spot.obstacles, spot.media, sigmas=2.0, travel_steps=60)
    assert check.passes
    assert check.rows[0].gap_mm == pytest.approx(12.2, abs=0.02)


def test_obstacle_the_web_must_go_round_is_found_though_it_stands_off_the_pads() -> None:
    # the wall pushes the web out to where the post stands, which no line between the pads comes near
    spot = Spot().add("wall", trimesh.creation.box(bounds=[(60, -900, -20), (70, 60, 30)]))
    spot.add("post", post(65, 122, 12))
    plate = spot.fit(holes=holes((0, 0, 20), (130, 0, 20)))
    check = check_plate(plate, spot.obstacles, spot.media, sigmas=2.0)
    assert check.passes
    assert {r.obstacle for r in check.rows if r.gap_mm < 40} == {"wall", "post"}


def test_tilted_plane_is_checked_in_3d() -> None:
    spot = Spot()
    spot.add("bar", trimesh.creation.cylinder(9, segment=[(-40, 45, -60), (140, 20, 70)], sections=48), 8.0)
    spot.add("block", trimesh.creation.box(bounds=[(60, -70, -20), (95, -28, 30)]), 5.0)
    points = [PickedPoint(world_mm=p) for p in ((0, 0, 0), (100, 0, 12), (0, 100, -9))]
    plate = spot.fit(
        plane=PointsPlane(points=tuple(points)), holes=holes((0, -20, 20), (130, -15, 20), (10, 75, 18))
    )
    check = check_plate(plate, spot.obstacles, spot.media, sigmas=2.0)
    assert check.passes
    assert min(r.gap_mm - r.required_mm for r in check.rows) < 0.5


# --- refusals -------------------------------------------------------------------------------------------------


def test_hole_too_near_names_obstacle_and_shortfall() -> None:
    # closed form: the pad's edge is 28 - 16 = 12 mm from the post's axis, 2 mm from its 10 mm radius; 6 are asked
    spot = Spot().add("hose", post(128, 0)).add("far", post(60, 90))
    with pytest.raises(SolveError, match="hose is in the way of h1") as caught:
        spot.fit(holes=holes((0, 0, 16), (100, 0, 16)))
    assert caught.value.where == "h1"
    assert shortfalls(caught)[0].culprit == "hose"
    assert shortfalls(caught)[0].mm == pytest.approx(4.0, abs=0.1)


def test_hole_in_the_body_itself_says_how_far_to_move() -> None:
    # closed form: 20 mm apart, radii 16 + 10, clearance 6: 12 mm short
    with pytest.raises(SolveError) as caught:
        Spot().add("hose", post(120, 0)).fit(holes=holes((0, 0, 16), (100, 0, 16)))
    assert shortfalls(caught)[0].mm == pytest.approx(12.0, abs=0.1)
    assert not shortfalls(caught)[0].within


def test_web_too_narrow_names_the_one_in_the_way() -> None:
    # closed form: walls leave 24 mm, clearances 6 + 6, web 15: 3 mm short
    spot = Spot()
    spot.add("upper", trimesh.creation.box(bounds=[(60, 12, -20), (70, 900, 30)]))
    spot.add("lower", trimesh.creation.box(bounds=[(60, -900, -20), (70, -12, 30)]))
    with pytest.raises(SolveError, match="in the way of web between h0 and h1") as caught:
        spot.fit(holes=holes((0, 0, 20), (140, 0, 20)))
    found = shortfalls(caught)
    assert {f.culprit for f in found} == {"upper", "lower"}
    assert found[0].mm == pytest.approx(3.0, abs=0.15)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"holes": holes((0, 0, 20), (5, 0, 20))}, "run into each other"),
        ({"holes": holes((0, 0, 5), (90, 0, 20))}, "leaves no steel"),
        (
            {"holes": holes((0, 0, 20)), "area": ((50.0, 0.0), (90.0, 0.0), (90.0, 50.0))},
            "off the plate's area",
        ),
        ({"slots": (SlotIntent(name="s", over="nothing"),)}, "no obstacle of that name"),
        ({"holes": (*holes((0, 0, 20)), *holes((90, 0, 20)))}, "used twice"),
    ],
)
def test_intents_that_cannot_be_right_are_refused(given: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        Spot().fit(**given)


def test_zero_thickness_is_refused() -> None:
    thin = intent(holes=holes((0, 0, 20))).model_copy(update={"thickness_mm": 0.0})
    with pytest.raises(InputError, match="above zero"):
        fit_plate(thin, Scene(), {})


def test_progress_runs_from_zero_to_one() -> None:
    told: list[float] = []
    fit_plate(
        intent(holes=holes((0, 0, 20), (90, 0, 20))),
        Scene(),
        {},
        progress=lambda share, what: told.append(share),
    )
    assert told[0] == 0
    assert told[-1] == 1
    assert told == sorted(told)
