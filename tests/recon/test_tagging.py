"""All tags at once, on the made-up job and on the demo's own tags with true stations."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import trimesh
import yaml
from tests.recon.test_hull import BLOCK, outline
from tests.recon.true_job import job, pick, target, typed, winding
from true_scene import DEMO, read_truth, true_scene

from elbowroom.recon.network.datum import datum_from_network
from elbowroom.recon.obstacles.tagging import measure_tags, resolve_intent
from elbowroom.shared.arrays import Floats, Mat3
from elbowroom.shared.clearance import class_clearance
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.media import digest, mesh_bytes, read_mesh
from elbowroom.shared.scene import (
    BoltTag,
    BoxTag,
    DatumPlane,
    FaceTag,
    Hinge,
    HoleIntent,
    MeshTag,
    Obstacle,
    ObstacleTag,
    PickedPoint,
    PlateIntent,
    PointsPlane,
    Scene,
    TagFile,
    TubeTag,
    VolumeTag,
)

HINGE = Hinge(axis=(typed(0, 0, 0), typed(0, 0, 50)), from_deg=-5, to_deg=5)
MESH = mesh_bytes(
    *(np.array(a) for a in (trimesh.creation.box().vertices * 20, trimesh.creation.box().faces))
)


class Flat:
    """A network with the same doubt everywhere."""

    def point_covariance(self, point_world: Floats) -> Mat3:
        return np.diag([0.01, 0.02, 0.03])


def tags() -> tuple[ObstacleTag, ...]:
    return (
        VolumeTag(name="pump", outlines=tuple(outline(p, BLOCK) for p in ("north", "east", "top"))),
        TubeTag(name="hose", axis=(typed(0, 0, 0), typed(0, 60, 0), typed(0, 120, 5)), diameter_mm=20, clearance_class="hot"),
        BoxTag(name="bar", corner=pick((0, 0, 0)), along_x=pick((50, 0, 0)), along_y=pick((0, 30, 0)), along_z=pick((0, 0, 20)), motion=HINGE),
        BoltTag(name="stud", thread="M12", seat=typed(0, 0, 10), face="lid", nut=True, tool="socket", clearance_mm=1.5),
        MeshTag(name="scan", media=digest(MESH), file="scan.ply", sd_mm=0.4),
    )  # fmt: skip


def full() -> Scene:
    cards = tuple(
        target(n, at, np.eye(3)) for n, at in ((1, (0, 0, 11.5)), (2, (90, 0, 11.5)), (3, (0, 90, 11.5)))
    )
    lid = FaceTag(name="lid", points=tuple(PickedPoint(target=n) for n in (1, 2, 3)))
    stale = (
        Finding(code="tag-pick-off", severity="warning", subject="x", message="old"),
        Finding(code="photo_blurred", severity="warning", subject="x", message="kept"),
    )
    return job(measured=cards, faces=(lid,), tags=tags(), findings=stale)


def test_every_tag_becomes_an_obstacle_with_its_meshes() -> None:
    told: list[tuple[int, int, str]] = []
    scene, made = measure_tags(full(), {digest(MESH): MESH}, progress=lambda *a: told.append(a))
    assert [(o.name, o.part, o.convex) for o in scene.obstacles] == [
        ("pump", "body", False), ("hose", "body", True), ("bar", "body", True),
        ("stud", "body", True), ("stud", "tool room", True), ("scan", "body", False),
    ]  # fmt: skip
    assert set(made) == {m for o in scene.obstacles for m in o.meshes}
    assert all(digest(data) == name for name, data in made.items())
    assert told == [(i, 6, n) for i, n in enumerate(["lid", "pump", "hose", "bar", "stud", "scan"])]
    assert [f.name for f in scene.measured_faces] == ["lid"]


def test_convex_pieces_are_convex_and_closed() -> None:
    scene, made = measure_tags(full(), {digest(MESH): MESH})
    for obstacle in scene.obstacles:
        for name in obstacle.meshes:
            mesh = trimesh.Trimesh(*read_mesh(made[name]), process=False)
            assert mesh.is_volume
            if obstacle.convex:
                assert mesh.convex_hull.volume == pytest.approx(mesh.volume, rel=1e-9)


def test_clearance_motion_and_axis_are_carried() -> None:
    scene, _ = measure_tags(full(), {digest(MESH): MESH})
    pump, hose, bar, stud, room, scan = scene.obstacles
    assert (pump.clearance_mm, hose.clearance_mm) == (class_clearance("static"), class_clearance("hot"))
    assert (stud.clearance_mm, room.clearance_mm) == (1.5, class_clearance("tool"))
    assert (bar.travel_kind, bar.travel, bar.motion_direction) == ("hinge", (-5, 5), (0, 0, 1))
    assert stud.axis_mm is not None
    assert np.array(stud.axis_mm) == pytest.approx(np.array([[0, 0, 10], [0, 0, 20.8]]))  # ISO 4032 M12: 10.8
    assert hose.axis_mm is None
    assert np.array(scan.covariance_mm2) == pytest.approx(0.16 * np.eye(3))


def test_the_network_is_in_every_picked_position() -> None:
    plain, _ = measure_tags(full(), {digest(MESH): MESH})
    doubted, _ = measure_tags(full(), {digest(MESH): MESH}, network=Flat())
    for a, b in zip(plain.obstacles, doubted.obstacles, strict=True):
        added = np.array(b.covariance_mm2) - np.array(a.covariance_mm2)
        # typed seat; its face is a target whose whole doubt this network explains: no tilt left
        if a.name == "stud":
            assert np.linalg.eigvalsh(added).max() < 2e-6
            continue
        picked = a.name in ("pump", "bar")
        assert added == pytest.approx(
            np.diag([0.01, 0.02, 0.03]) if picked else np.zeros((3, 3)), abs=2e-6
        ), a.name


def test_findings_of_this_step_are_replaced_and_others_kept() -> None:
    scene, _ = measure_tags(full(), {digest(MESH): MESH})
    assert "old" not in [f.message for f in scene.findings]
    assert "kept" in [f.message for f in scene.findings]
    again, _ = measure_tags(scene, {digest(MESH): MESH})
    assert again == scene


@pytest.mark.parametrize(
    ("tag", "message"),
    [
        (MeshTag(name="scan", file="a.stl"), "^mesh scan: its file is not in the scene; value a.stl"),
        (BoltTag(name="stud", thread="M12", seat=typed(0, 0, 0), face="roof"), "^bolt stud.*no measured face"),
        (BoltTag(name="stud", thread="M99", seat=typed(0, 0, 0), face="lid"), "^bolt stud.*no such thread"),
        (VolumeTag(name="pump", outlines=()), "^volume pump: a volume needs outlines"),
        (TubeTag(name="rod", axis=(pick((0, 0, 0)), PickedPoint(target=9)), diameter_mm=9), "^tube rod, axis point 2: this target"),
        (TubeTag(name="hose", axis=(typed(0, 0, 0), typed(0, 0, 9)), diameter_mm=9, motion=HINGE.model_copy(update={"to_deg": -9.0})), "^tube hose: the travel runs"),
    ],
)  # fmt: skip
def test_errors_name_the_tag(tag: ObstacleTag, message: str) -> None:
    with pytest.raises(InputError, match=message):
        measure_tags(full().model_copy(update={"tags": (tag,)}), {})


def test_two_of_one_name_are_refused() -> None:
    scene = full()
    with pytest.raises(InputError, match="obstacle pump: two obstacles of one name"):
        measure_tags(scene.model_copy(update={"tags": (scene.tags[0], scene.tags[0])}), {})


def test_intents_get_world_points() -> None:
    points = (pick((0, 0, 0)), pick((50, 0, 0)), PickedPoint(target=3))
    hole = HoleIntent(name="a", point=pick((10, 20, 0)), thread="M12")
    kept = HoleIntent(name="b", at_mm=(1, 2), thread="M12")
    intent = PlateIntent(name="p", plane=PointsPlane(points=points), thickness_mm=8, holes=(hole, kept))
    done = resolve_intent(intent, full())
    assert isinstance(done.plane, PointsPlane)
    found = [p.world_mm for p in done.plane.points]
    assert np.array(found) == pytest.approx(np.array([[0, 0, 0], [50, 0, 0], [0, 90, 10]]), abs=1e-6)
    assert done.holes[0].point is not None
    assert done.holes[0].point.world_mm == pytest.approx((10, 20, 0), abs=1e-6)
    assert done.holes[1] == kept
    plain = intent.model_copy(update={"plane": DatumPlane(), "holes": (kept,)})
    assert resolve_intent(plain, full()) == plain
    lost = HoleIntent(name="c", point=PickedPoint(target=99), thread="M12")
    with pytest.raises(InputError, match="plate p, hole c"):
        resolve_intent(intent.model_copy(update={"holes": (lost,)}), full())


# --- the demo's own tags against its truth -------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> tuple[Scene, dict[str, bytes]]:
    file = TagFile.model_validate(yaml.safe_load((DEMO / "tags.yaml").read_text(encoding="utf-8")))
    scene = true_scene(read_truth())
    return measure_tags(scene.model_copy(update={"faces": file.faces, "tags": file.tags}), {})


def obstacle(scene: Scene, name: str, part: str = "body") -> Obstacle:
    return next(o for o in scene.obstacles if o.name == name and o.part == part)


def true_mesh(name: str) -> trimesh.Trimesh:
    return trimesh.load_mesh(DEMO / "truth" / f"{name}.ply")


def outside_mm(points: Floats, found: Obstacle, made: dict[str, bytes]) -> Floats:
    """How far points stick out of an obstacle of convex pieces: the least over pieces of the worst flat."""
    out = np.full(len(points), np.inf)
    for name in found.meshes:
        mesh = trimesh.Trimesh(*read_mesh(made[name]), process=False)
        level = (mesh.face_normals * mesh.triangles_center).sum(axis=1)
        out = np.minimum(out, (points @ mesh.face_normals.T - level).max(axis=1))
    return out


@pytest.mark.parametrize(
    ("tag", "truth"),
    [("steering box", "steering_box"), ("steering box", "cover_screws"), ("hose fitting", "hose_fitting")],
)
def test_demo_volumes_hold_the_true_things(
    demo: tuple[Scene, dict[str, bytes]], tag: str, truth: str
) -> None:
    scene, made = demo
    vertices, faces = read_mesh(made[obstacle(scene, tag).meshes[0]])
    assert winding(np.asarray(true_mesh(truth).vertices), vertices, faces).min() > 0.99


def test_demo_rod_and_its_ends_hold_the_true_tie_rod(demo: tuple[Scene, dict[str, bytes]]) -> None:
    """The rod's own prism may be off by its doubt; the outlined ends may not."""
    scene, made = demo
    points = np.asarray(true_mesh("tie_rod").vertices)
    held = outside_mm(points, obstacle(scene, "tie rod"), made) < 2 * worst_sd(obstacle(scene, "tie rod"))
    for name in ("tie rod inner end", "tie rod outer end"):
        held |= winding(points, *read_mesh(made[obstacle(scene, name).meshes[0]])) > 0.99
    assert held.all()


def worst_sd(found: Obstacle) -> float:
    return float(np.sqrt(np.linalg.eigvalsh(np.array(found.covariance_mm2))[-1]))


def bar_skin(points: Floats) -> Floats:
    """Points of a bar along x on the stretch that was boxed: its corners, moved along it."""
    return np.vstack([points * [0, 1, 1] + [x, 0, 0] for x in (-299.0, 0.0, 299.0)])


Shown = Callable[[Floats], Floats]
SHOWN: dict[str, tuple[str, Shown]] = {
    "hose": (
        "hose",
        lambda p: p[(p[:, 0] < 270) & ((p[:, 2] > 45) | (p[:, 0] > 0))],
    ),  # below 45 in its fitting
    "nut 1": ("nut_1", lambda p: p[p[:, 1] >= 14]),  # seats: the studs go on inside
    "nut 2": ("nut_2", lambda p: p[p[:, 1] >= 14]),
    "nut 3": ("nut_3", lambda p: p[p[:, 1] >= 14]),
    "nut 4": ("nut_4", lambda p: p[p[:, 1] >= 14]),
    "rail bolt": ("rail_bolt", lambda p: p[p[:, 1] >= 0]),
    "tab": ("tab", lambda p: p[p[:, 2] >= -150]),  # welded below
    "frame rail": ("frame_rail", lambda p: bar_skin(p[p[:, 2] > -155])),  # the ledge hides the rest
    "ledge": ("ledge", lambda p: bar_skin(p[p[:, 1] > 0])),
}


@pytest.mark.parametrize("tag", SHOWN)
def test_demo_pieces_hold_what_shows_of_the_truth_within_their_doubt(
    demo: tuple[Scene, dict[str, bytes]], tag: str
) -> None:
    scene, made = demo
    truth, shown = SHOWN[tag]
    found, points = obstacle(scene, tag), shown(np.asarray(true_mesh(truth).vertices))
    assert len(points) > 20
    assert outside_mm(points, found, made).max() < 3 * worst_sd(found)


def test_demo_datum_is_the_true_world() -> None:
    """Its plane and direction are targets, exact here; its origin is clicked in five photos, a pixel is 0.3 mm."""
    file = TagFile.model_validate(yaml.safe_load((DEMO / "tags.yaml").read_text(encoding="utf-8")))
    assert file.datum is not None
    move = datum_from_network(file.datum, true_scene(read_truth()))
    assert move.rotation == pytest.approx(np.eye(3), abs=1e-6)
    assert abs(move.shift[1]) < 1e-4
    assert np.linalg.norm(move.shift) < 0.5


def test_demo_hinge_and_faces_agree_with_truth(demo: tuple[Scene, dict[str, bytes]]) -> None:
    scene, _ = demo
    truth = read_truth()["tie_rod"]
    rod = obstacle(scene, "tie rod outer end")
    point, along = np.array(rod.hinge_point_mm), np.array(rod.motion_direction)
    off = np.array(truth["hinge_point"]) - point
    assert np.linalg.norm(off - along * (off @ along)) < 1.0
    assert abs(along @ truth["hinge_direction"]) > np.cos(0.02)
    assert rod.travel == (truth["from_deg"], truth["to_deg"])
    for name, level in (("rail_face", 0.0), ("flange_face", 14.0)):
        face = scene.face(name)
        sd = np.sqrt(np.array(face.covariance_mm2)[1, 1])
        rounding = 1e-6  # mm, rad: a face on targets that are exactly right is exactly right
        assert abs(face.point_mm[1] - level) < 3 * sd + rounding
        assert np.hypot(face.normal[0], face.normal[2]) < 3 * face.tilt_sd_rad + rounding
    assert not [f for f in scene.findings if f.severity != "note"]
