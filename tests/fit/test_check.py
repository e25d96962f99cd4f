"""The check against closed forms and python-fcl (an independent collision library; it is no part of the product)."""

from __future__ import annotations

import math

import fcl
import numpy as np
import pytest
import trimesh
from shapely.geometry import Polygon

from elbowroom.fit.check import check_plate
from elbowroom.fit.check_gap import least_gap
from elbowroom.fit.check_solid import plate_solid
from elbowroom.fit.check_tree import mesh_tree
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import rotation_from_vector
from elbowroom.shared.media import digest, mesh_bytes
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Check, GapRow, Obstacle, Plate, PlateHole, Pose

PROMISED = 1e-3  # mm
NO_DOUBT = ((0.0, 0.0, 0.0),) * 3
SQUARE = Outline.polygon([(-50, -50), (50, -50), (50, 50), (-50, 50)])


def plate(outer: Outline = SQUARE, hole_radius: float | None = 10.0, **fields: object) -> Plate:
    holes = []
    if hole_radius:
        loop = Outline.circle((0, 0), hole_radius).loop()
        holes = [
            PlateHole(name="bolt", kind="round", loop=loop, centre_mm=(0, 0), diameter_mm=2 * hole_radius)
        ]
    return Plate.model_validate(
        {
            "name": "mount",
            "world_from_plate": Pose(rotation_rad=(0, 0, 0), shift_mm=(0, 0, 0)),
            "thickness_mm": 10,
            "material": "A36",
            "outer": outer.loop(),
            "holes": tuple(holes),
            **fields,
        }
    )


def obstacle(
    mesh: trimesh.Trimesh, at: tuple[float, float, float], **fields: object
) -> tuple[Obstacle, dict[str, bytes]]:
    data = mesh_bytes(np.asarray(mesh.vertices) + np.array(at), np.asarray(mesh.faces))
    base = {
        "name": "thing",
        "kind": "mesh",
        "meshes": (digest(data),),
        "convex": True,
        "clearance_mm": 3.0,
        "covariance_mm2": NO_DOUBT,
    }
    return Obstacle.model_validate(base | fields), {digest(data): data}


def only(result: Check) -> GapRow:
    (row,) = result.rows
    return row


def gap_to(
    mesh: trimesh.Trimesh, at: tuple[float, float, float], target: Plate | None = None, **fields: object
) -> GapRow:
    thing, media = obstacle(mesh, at, **fields)
    return only(check_plate(target or plate(), [thing], media, sigmas=2))


BALL = trimesh.creation.icosphere(subdivisions=4, radius=10.0)  # a corner of it lies at each end of each axis
BOX = trimesh.creation.box((20, 20, 20))


@pytest.mark.parametrize(
    ("mesh", "at", "gap"),
    [
        (BOX, (30, 20, 25), 5.0),  # over the face
        (BOX, (75, 0, 5), 15.0),  # beside an edge
        (BOX, (65, 65, 5), 5 * math.sqrt(2)),  # off a corner, edge to edge
        (BOX, (70, 70, 40), math.sqrt(10**2 + 10**2 + 20**2)),  # corner to corner
        (trimesh.creation.cylinder(4, 60, sections=256), (0, 0, 5), 6.0),  # a bolt in the middle of its hole
        (trimesh.creation.cylinder(4, 60, sections=256), (3, 0, 5), 3.0),  # off the middle
        (trimesh.creation.box((1, 1, 60)), (0, 0, 5), 10 - math.sqrt(0.5)),  # square bar in the round hole
    ],
)
def test_closed_forms(mesh: trimesh.Trimesh, at: tuple[float, float, float], gap: float) -> None:
    row = gap_to(mesh, at)
    chord = 4 * (1 - math.cos(math.pi / 256))  # the cylinder's own flats
    assert row.gap_mm == pytest.approx(gap, abs=PROMISED + (chord if len(mesh.faces) > 100 else 0))
    away = np.array(row.at_obstacle_mm) - np.array(row.at_plate_mm)
    assert np.linalg.norm(away) == pytest.approx(row.gap_mm, abs=1e-9)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_bar_across_a_rim_edge_to_edge(side: float) -> None:
    """Closed form: the bar's edge and the plate's rim are lines at right angles, 2.5 mm apart, both met half way."""
    out, rim = np.array([1, 0, side]) / math.sqrt(2), np.array([50.0, 3, 5 + 5 * side])
    along = np.array([1, 0, -side]) / math.sqrt(2)
    up = (out + np.array([0, 1.0, 0])) / math.sqrt(2)  # a square bar turned so that an edge faces the rim
    bar = trimesh.creation.box((60, 4, 4))
    frame = np.column_stack([along, up, np.cross(along, up)])
    bar.vertices = bar.vertices @ frame.T + rim + out * (2.5 + 2 * math.sqrt(2))
    row = gap_to(bar, (0, 0, 0))
    assert row.gap_mm == pytest.approx(2.5, abs=1e-9)
    assert row.at_plate_mm == pytest.approx(rim, abs=1e-9)


def test_ball_over_the_face_and_over_the_hole() -> None:
    over = gap_to(BALL, (30, 0, 25))
    assert over.gap_mm == pytest.approx(5.0, abs=2e-2)  # facets: r (1 - cos of half a facet) below
    flats = 10 - float(np.abs(BALL.triangles_center).max())
    assert flats < 2e-2
    # over the hole the nearest steel is the rim, 10 mm out and 15 mm down from the ball's middle
    hole = gap_to(BALL, (0, 0, 25))
    assert hole.gap_mm == pytest.approx(math.hypot(10, 15) - 10, abs=3e-2)


@pytest.mark.parametrize(
    ("size", "at", "depth"),
    [
        ((4, 4, 4), (30, 0, 5), 3.0),  # wholly inside the steel, its corners 3 mm under the faces
        ((20, 20, 20), (30, 0, 19), None),  # 1 mm into the face, corners inside
        ((300, 300, 4), (0, 0, 5), None),  # a sheet that cuts the plate in two, no corner inside
        ((4, 4, 300), (30, 0, 5), None),  # a bar through both faces, no corner inside
        ((4, 300, 4), (30, 0, 5), None),  # a bar through both walls
        ((300, 300, 300), (0, 0, 0), None),  # the plate is inside the obstacle
    ],
)
def test_overlap_is_never_a_positive_gap(
    size: tuple[float, ...], at: tuple[float, float, float], depth: float | None
) -> None:
    """fcl's distance calls an obstacle inside the plate clear; here every overlap must read 0 or below."""
    row = gap_to(trimesh.creation.box(size), at)
    assert row.gap_mm <= 0
    assert row.verdict == "cuts"
    if depth:
        assert row.gap_mm == pytest.approx(-depth, abs=1e-6)


def test_a_weld_may_touch_but_not_cut_deep() -> None:
    """A contact asked for may seem up to half a millimetre deep (a dressed edge), not a centimetre."""
    for depth, verdict in ((0.4, "touches"), (6.0, "cuts")):
        seat, seats = obstacle(BOX, (30, 0, -10.0 + depth), name="seat", clearance_mm=6)
        result = check_plate(plate(touches=("seat",)), [seat], seats, sigmas=2)
        assert [r.verdict for r in result.rows] == [verdict]
        assert result.passes == (verdict == "touches")


def test_flush_on_the_face_is_contact() -> None:
    assert gap_to(BOX, (30, 0, 20)).gap_mm == pytest.approx(0, abs=1e-9)


def random_case(seed: int) -> tuple[Plate, trimesh.Trimesh, Floats, Floats]:
    rng = np.random.default_rng(seed)
    while True:
        n = int(rng.integers(5, 10))
        turns = np.arange(n) * 2 * np.pi / n + rng.uniform(-0.2, 0.2, n)
        radii = rng.uniform(50, 110, n)
        bulges = np.where(rng.random(n) < 0.4, 0, rng.uniform(-0.3, 0.5, n))
        outer = Outline(np.column_stack([radii * np.cos(turns), radii * np.sin(turns)]), bulges)
        if not outer.self_crossings() and outer.distance_to(Outline.circle((0, 0), 12)) > 1:
            break
    kinds = [
        trimesh.creation.icosphere(subdivisions=2, radius=30),
        trimesh.creation.box(rng.uniform(10, 150, 3)),
        trimesh.creation.cylinder(rng.uniform(5, 20), rng.uniform(20, 200), sections=48),
    ]
    away = rng.normal(size=3)
    shift = away / np.linalg.norm(away) * rng.uniform(60, 220)
    return (
        plate(outer, 12.0, thickness_mm=rng.uniform(4, 16)),
        kinds[seed % 3],
        rotation_from_vector(rng.normal(size=3)),
        shift,
    )


def fcl_model(mesh: trimesh.Trimesh) -> fcl.BVHModel:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.vertices), len(mesh.faces))
    model.addSubModel(mesh.vertices, mesh.faces)
    model.endModel()
    return model


def fcl_gap(target: Plate, mesh: trimesh.Trimesh, rotation: Floats, shift: Floats) -> float | None:
    """fcl's distance to the plate as triangles, chords within 0.00005 mm; None where it finds contact."""
    rings = [Outline.of_loop(loop).flatten(5e-5) for loop in (target.outer, target.holes[0].loop)]
    steel = trimesh.creation.extrude_polygon(Polygon(rings[0], [rings[1]]), target.thickness_mm)
    one = fcl.CollisionObject(fcl_model(steel), fcl.Transform())
    other = fcl.CollisionObject(fcl_model(mesh), fcl.Transform(rotation, shift))
    if fcl.collide(one, other, fcl.CollisionRequest(), fcl.CollisionResult()):
        return None
    return float(fcl.distance(one, other, fcl.DistanceRequest(), fcl.DistanceResult()))


@pytest.mark.parametrize("seed", range(36))
def test_agrees_with_fcl(seed: int) -> None:
    target, mesh, rotation, shift = random_case(seed)
    tree = mesh_tree([(np.asarray(mesh.vertices), np.asarray(mesh.faces))])
    found = least_gap(plate_solid(target), tree, rotation, shift)
    reference = fcl_gap(target, mesh, rotation, shift)
    if reference is None:
        assert found.gap <= 0
        return
    assert found.gap == pytest.approx(reference, abs=PROMISED)
    assert np.linalg.norm(found.at_plate - found.at_mesh) == pytest.approx(found.gap, abs=1e-9)


def test_gap_does_not_depend_on_where_the_job_lies() -> None:
    target, mesh, _, shift = random_case(4)
    thing, media = obstacle(mesh, (float(shift[0]), float(shift[1]), float(shift[2]) + 60))
    here = only(check_plate(target, [thing], media, sigmas=0))
    turn, move = rotation_from_vector(np.array([0.4, -1.1, 0.3])), np.array([900.0, -300, 40])
    data = mesh_bytes(
        (np.asarray(mesh.vertices) + shift + [0, 0, 60]) @ turn.T + move, np.asarray(mesh.faces)
    )
    far = target.model_copy(
        update={"world_from_plate": Pose(rotation_rad=(0.4, -1.1, 0.3), shift_mm=tuple(move))}
    )
    there = only(
        check_plate(
            far, [thing.model_copy(update={"meshes": (digest(data),)})], {digest(data): data}, sigmas=0
        )
    )
    assert there.gap_mm == pytest.approx(here.gap_mm, abs=1e-6)


def test_hinge_whose_least_gap_lies_between_steps() -> None:
    """A 2 mm bar on an arm swings past the plate's wall x = 50, its axis along y through (100, 0, 5).

    Its far corners run on a circle of radius sqrt(46² + 1²); the least gap is where one of them points straight at
    the wall: 50 - sqrt(46² + 1²) = 3.989 mm (closed form), at 180 degrees give or take atan(1 / 46) = 1.25, which none
    of the 8 positions looked at hits.
    """
    tip = trimesh.creation.box((2, 20, 2))
    thing, media = obstacle(
        tip,
        (145, 0, 5),
        travel_kind="hinge",
        hinge_point_mm=(100, 0, 5),
        motion_direction=(0, 1, 0),
        travel=(90, 301),
    )
    row = only(check_plate(plate(), [thing], media, sigmas=0, travel_steps=7))
    least = 50 - math.hypot(46, 1)
    assert row.gap_mm == pytest.approx(least, abs=PROMISED)
    assert row.worst_travel == pytest.approx(
        180, abs=8
    )  # any turn that brings a corner level with the slab's 10 mm


def test_slide_worst_at_its_end() -> None:
    thing, media = obstacle(
        BOX, (80, 0, 5), travel_kind="slide", motion_direction=(-1, 0, 0), travel=(0, 12.5)
    )
    row = only(check_plate(plate(), [thing], media, sigmas=0, travel_steps=4))
    assert row.gap_mm == pytest.approx(80 - 12.5 - 10 - 50, abs=PROMISED)
    assert row.worst_travel == pytest.approx(12.5)


def test_doubt_along_the_gap_is_added_to_the_clearance() -> None:
    """sd = sqrt(n' (Co + Cp) n), closed form: along z, sqrt(0.09 + 0.16) = 0.5."""
    doubt = ((4.0, 0.0, 0.0), (0.0, 4.0, 0.0), (0.0, 0.0, 0.09))
    target = plate(position_covariance_mm2=((9.0, 0, 0), (0, 9.0, 0), (0, 0, 0.16)))
    row = gap_to(BOX, (30, 20, 23.9), target, covariance_mm2=doubt)
    assert (row.sd_mm, row.required_mm) == pytest.approx((0.5, 4.0))
    assert row.gap_mm == pytest.approx(3.9, abs=PROMISED)
    assert row.verdict == "tight"
    assert gap_to(BOX, (30, 20, 24.001), target, covariance_mm2=doubt).verdict == "clear"


def test_verdicts_order_and_progress() -> None:
    near, media = obstacle(BOX, (30, 0, 24.0), name="near", clearance_mm=5)
    far, more = obstacle(BOX, (-30, 0, 60.0), name="far")
    rail, rails = obstacle(trimesh.creation.box((4, 4, 60)), (0, 0, 5), name="rail", clearance_mm=50)
    seat, seats = obstacle(BOX, (30, 0, -10.0), name="seat", clearance_mm=0)
    bag = media | more | rails | seats
    target = plate(slides_over=("rail",), touches=("seat",))
    shares: list[float] = []
    result = check_plate(target, [far, near, rail, seat], bag, sigmas=2, progress=shares.append)
    assert [r.obstacle for r in result.rows] == ["rail", "near", "seat", "far"]
    verdicts = {r.obstacle: r.verdict for r in result.rows}
    assert verdicts["rail"] == "slides over"
    assert verdicts["near"] == "tight"
    assert verdicts["far"] == "clear"
    assert verdicts["seat"] == "touches"
    assert not result.passes
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1)
    assert check_plate(target, [far, rail, seat], bag, sigmas=2).passes
    assert not check_plate(
        plate(), [far, seat.model_copy(update={"clearance_mm": 1.0})], bag, sigmas=2
    ).passes
    cut, cuts = obstacle(trimesh.creation.box((40, 4, 60)), (0, 0, 5), name="rail")
    assert not check_plate(target, [cut], cuts, sigmas=2).passes


def test_faults_are_named() -> None:
    thing, media = obstacle(BOX, (0, 0, 30))
    with pytest.raises(InputError, match="missing"):
        check_plate(plate(), [thing], {}, sigmas=2)
    with pytest.raises(InputError, match="negative"):
        check_plate(plate(), [thing], media, sigmas=-1)
    with pytest.raises(InputError, match="one step"):
        check_plate(plate(), [thing], media, sigmas=1, travel_steps=0)
    with pytest.raises(InputError, match="no mesh"):
        check_plate(plate(), [thing.model_copy(update={"meshes": ()})], media, sigmas=1)
