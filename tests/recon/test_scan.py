"""Scans as obstacles: contained, laid, refined, cut to the spot; against trimesh, Open3D and closed forms."""

from __future__ import annotations

import sys

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation
from scipy.stats import chi2
from tests.recon.scans import SHIFT, TURN, file_of, in_scan, surface
from tests.recon.test_scanthinning import o3d_distances
from tests.recon.true_job import is_closed as all_edges_met
from tests.recon.true_job import job, target, typed, winding

from elbowroom.recon.obstacles.tagging import measure_tags
from elbowroom.recon.scans.pairs import Registration
from elbowroom.recon.scans.refinement import known_surfaces, refine
from elbowroom.recon.scans.scan import Scan, measure_scan
from elbowroom.recon.scans.solid import boxes_round, point_spacing, shell_on
from elbowroom.shared.arrays import Floats
from elbowroom.shared.clearance import class_clearance
from elbowroom.shared.errors import InputError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import MeasuredFace, ScanPair, ScanTag, Scene, TubeTag, cov3

PLACES = np.array([[-180, -170, 0], [175, -160, 10], [150, 190, 60], [-160, 140, 40], [0, -60, 30.0]])
FIELD = surface(90, 0.05)


def tag(off: Floats | float = 0.0, **more: object) -> ScanTag:
    rows = in_scan(PLACES) + off
    pairs = tuple(
        ScanPair(scan=tuple(map(float, s)), world=typed(*w)) for s, w in zip(rows, PLACES, strict=True)
    )
    fields = {
        "name": "axle",
        "file": "a.ply",
        "unit": "mm",
        "pairs": pairs,
        "pair_sd_mm": 0.5,
        "sd_mm": 0.2,
    } | more
    return ScanTag.model_validate(fields)


def measured(data: bytes, made: ScanTag | None = None, scene: Scene | None = None) -> Scan:
    return measure_scan(made or tag(), data, scene or job(), {})


def message(scan: Scan, code: str) -> str:
    return next(f.message for f in scan.findings if f.code == f"tag-scan-{code}")


def test_all_of_a_thinned_scan_lies_within_its_widening() -> None:
    """Against Open3D's distances, on points spread over every triangle of the scan."""
    field = surface(120, 0.05)
    scan = measured(file_of(in_scan(field[0]), field[1]))
    points = np.vstack([field[0], field[0][field[1]].mean(axis=1)])
    assert o3d_distances(points, scan.mesh).max() <= scan.widened_mm + 1e-3
    assert scan.widened_mm < 1.0
    assert len(scan.mesh[1]) < 45_000
    assert f"within {scan.widened_mm:.2f} mm" in message(scan, "thinned")


def test_an_open_scan_becomes_a_closed_shell_without_inside() -> None:
    v, f = surface(30)
    scan = measured(file_of(in_scan(v), f))
    assert all_edges_met(scan.mesh[1])
    below = v[::7] - [0, 0, 5]
    assert winding(below, *scan.mesh) == pytest.approx(np.zeros(len(below)), abs=1e-6)
    assert "it is open" in message(scan, "open")


def test_shells_on_sheets_that_share_an_edge_or_corner() -> None:
    """Three leaves on one spine, and two triangles on one corner: no proper surface, yet a closed shell."""
    v = np.array([[0, 0, 0], [0, 0, 9], [9, 0, 4], [-5, 8, 4], [-5, -8, 4], [0, 5, -8], [5, 0, -8.0]])
    f = np.array([[0, 1, 2], [0, 1, 3], [0, 1, 4], [0, 5, 6]])
    places, faces = shell_on((v, f))
    assert all_edges_met(faces)
    assert trimesh.Trimesh(places, faces, process=False).volume > 0
    middles = v[f].mean(axis=1)
    assert winding(middles, places, faces).min() > 0.9


def test_a_closed_scan_stays_solid() -> None:
    ball = trimesh.creation.icosphere(4, radius=50)
    inside_out = ball.faces[:, ::-1]
    for faces in (ball.faces, inside_out):
        scan = measured(file_of(in_scan(ball.vertices), np.array(faces)))
        assert winding(np.zeros((1, 3)), *scan.mesh)[0] == pytest.approx(1.0)
        assert scan.widened_mm == 0.0
        assert not [f for f in scan.findings if f.code == "tag-scan-open"]


def test_points_are_all_in_closed_convex_boxes() -> None:
    """Containment by the boxes' own planes (trimesh's normals), closedness by trimesh."""
    points = FIELD[0][::3]
    vertices, faces = boxes_round(points, 500)
    held = np.zeros(len(points), dtype=bool)
    boxes = trimesh.Trimesh(vertices, faces, process=False).split()
    assert len(boxes) <= 500
    for box in boxes:
        assert box.is_volume
        held |= _outside(points, box) <= 1e-6
    assert held.all()


def _outside(points: Floats, box: trimesh.Trimesh) -> Floats:
    levels = (box.face_normals * box.triangles_center).sum(axis=1)
    return np.asarray((points @ box.face_normals.T - levels).max(axis=1))


def test_a_scan_of_points() -> None:
    """A grid of pitch p: no place of the surface is further than p / sqrt(2) from a point (closed form)."""
    x, y = np.meshgrid(np.arange(-100, 101, 2.0), np.arange(-100, 101, 2.0))
    points = np.column_stack([x.ravel(), y.ravel(), 0.02 * x.ravel()])
    assert point_spacing(points) == pytest.approx(2.0, rel=1e-3)
    scan = measured(file_of(in_scan(points)))
    assert scan.widened_mm == pytest.approx(2 / np.sqrt(2), rel=1e-3)
    assert measured(file_of(in_scan(points)), tag(spacing_mm=3.0)).widened_mm == pytest.approx(3 / np.sqrt(2))


def test_what_is_far_from_the_spot_is_left_out_and_said_so() -> None:
    v, f = FIELD
    far = trimesh.creation.icosphere(2, radius=40)
    both = (np.vstack([v, far.vertices + np.array([3000, 0, 0])]), np.vstack([f, far.faces + len(v)]))
    scan = measured(file_of(in_scan(both[0]), both[1]), tag(within_mm=20))
    assert scan.mesh[0][:, 0].max() < 215
    assert "kept, what comes within (-200, -190, -20) to (195, 210, 80) mm" in message(scan, "thinned")
    with pytest.raises(InputError, match="nothing of the scan lies near the spot"):
        measured(file_of(in_scan(v + np.array([5000.0, 0, 0])), f))


# --- its place -----------------------------------------------------------------------------------------------


def face(
    name: str, point: tuple[float, float, float], normal: tuple[float, float, float], reach: float
) -> MeasuredFace:
    return MeasuredFace(
        name=name, point_mm=point, normal=normal, covariance_mm2=cov3(0.05**2 * np.eye(3)),
        tilt_sd_rad=0.001, rms_mm=0.05, reach_mm=reach,
    )  # fmt: skip


CORNER = trimesh.creation.box((120, 90, 70)).subdivide_to_size(4)  # centred on the origin
FACES = (
    face("top", (0, 0, 35), (0, 0, 1), 30), face("side", (60, 0, 0), (1, 0, 0), 25),
    face("front", (0, -45, 0), (0, -1, 0), 25),
)  # fmt: skip


def laid_off(turn: Floats, shift: Floats) -> tuple[ScanTag, bytes]:
    """Return a scan of the box whose pairs lay it off by a small motion."""
    wrong = Rotation.from_rotvec(turn).apply(PLACES) + shift
    rows = zip(in_scan(PLACES), wrong, strict=True)
    pairs = tuple(ScanPair(scan=tuple(map(float, s)), world=typed(*w)) for s, w in rows)
    return tag(pairs=pairs, pair_sd_mm=2.0), file_of(in_scan(CORNER.vertices), np.array(CORNER.faces))


def test_refining_on_three_faces_finds_the_true_place() -> None:
    pytest.importorskip("open3d", exc_type=ImportError)
    made, data = laid_off(np.zeros(3), np.array([0.8, -0.6, 0.7]))
    plain = measured(data, made)
    fine = measured(data, made, job(measured_faces=FACES))
    true = np.array([[x, y, z] for x in (-60, 60) for y in (-45, 45) for z in (-35, 35)], float)
    off = [o3d_distances(true, s.mesh).max() for s in (plain, fine)]
    assert off[0] > 0.8
    assert off[1] < 0.15
    assert np.trace(fine.covariance) < np.trace(plain.covariance)
    assert "onto 3 measured surfaces" in message(fine, "laid")


def test_a_tube_and_targets_are_known_surfaces() -> None:
    rod = TubeTag(name="rod", axis=(typed(0, 0, 0), typed(0, 0, 80)), diameter_mm=30)
    scene, made = measure_tags(job(tags=(rod,), measured=(target(3, (0, 0, 50), np.eye(3)),)), {})
    known = known_surfaces(scene, made)
    assert known is not None
    assert len(known.variances) == 2
    on_rod = known.points[known.owner == 1]
    radius = np.linalg.norm(on_rod[:, :2], axis=1)[np.abs(on_rod[:, 2] - 40) < 39]
    assert radius == pytest.approx(np.full(len(radius), 15.0), abs=0.04)  # its prism stands out by 0.2 %


def test_without_enough_to_lie_on_the_pairs_alone_decide() -> None:
    made, data = laid_off(np.zeros(3), np.array([0.3, 0.2, 0.1]))
    plain = measured(data, made)
    for faces, why in (
        ((), "no measured face"),
        (FACES[:1], "would let it slide"),
        ((face("a", (0, 0, 300), (0, 0, 1), 30),), "within"),
    ):
        scan = measured(data, made, job(measured_faces=faces))
        assert why in message(scan, "laid")
        assert scan.mesh[0] == pytest.approx(plain.mesh[0])
    off = measured(data, made.model_copy(update={"refine": False}), job(measured_faces=FACES))
    assert "refine is off" in message(off, "laid")


def test_without_open3d_the_pairs_decide_and_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "open3d", None)
    made, data = laid_off(np.zeros(3), np.array([0.3, 0.2, 0.1]))
    scan = measured(data, made, job(measured_faces=FACES))
    assert "pip install 'elbowroom[scan]'" in message(scan, "laid")


def test_surfaces_that_contradict_the_pairs_are_not_followed() -> None:
    pytest.importorskip("open3d", exc_type=ImportError)
    made, data = laid_off(np.zeros(3), np.array([1.4, 1.3, 1.4]))
    sure = made.model_copy(update={"pair_sd_mm": 0.1})
    scan = measured(data, sure, job(measured_faces=FACES))
    assert "more than its pairs' doubt allows" in message(scan, "laid")


def test_covariance_after_refining_holds_over_many_scans() -> None:
    """200 scans: pairs and faces off by their doubt; the 95 % ellipsoids of the pose hold 90 % or more.

    The surfaces' part is set to be safe (a face's points weigh as one measurement), so they may hold all.
    """
    pytest.importorskip("open3d", exc_type=ImportError)
    rng = np.random.default_rng(4)
    samples, owner = trimesh.sample.sample_surface_even(CORNER, 4000, seed=1)
    normals = CORNER.face_normals[owner]
    sd, hits = 0.3, 0
    covariance = np.zeros((7, 7))
    covariance[:6, :6] = np.diag([(sd / 100) ** 2] * 3 + [sd**2] * 3)
    for _ in range(200):
        error = rng.normal(0, np.sqrt(np.diag(covariance)))
        start = Registration(np.eye(3), 1.0, np.zeros(3), np.zeros(3), covariance).moved(error, covariance)
        faces = tuple(
            f.model_copy(
                update={"point_mm": tuple(np.array(f.point_mm) + rng.normal(0, 0.05) * np.array(f.normal))}
            )
            for f in FACES
        )
        found = refine(
            start,
            start.apply(samples),
            normals,
            known_surfaces(job(measured_faces=faces), {}),
            tag(sd_mm=0.05),
        )
        assert not found.why
        got = found.registration
        left = np.concatenate([Rotation.from_matrix(got.rotation).as_rotvec(), got.middle])
        hits += float(left @ np.linalg.solve(got.covariance[:6, :6], left)) < chi2(6).ppf(0.95)
    assert hits >= 180


# --- as a tag ------------------------------------------------------------------------------------------------


def test_the_obstacle_carries_widening_clearance_and_doubt() -> None:
    data = file_of(in_scan(FIELD[0]), FIELD[1])
    made = tag(media=digest(data))
    scene, media = measure_tags(job(tags=(made,)), {digest(data): data})
    (found,) = scene.obstacles
    assert (found.kind, found.convex) == ("scan", False)
    assert found.clearance_mm == pytest.approx(class_clearance("static") + found.widened_mm)
    assert found.meshes[0] in media
    assert np.linalg.eigvalsh(np.array(found.covariance_mm2)).min() > made.sd_mm**2
    with pytest.raises(InputError, match=r"^scan axle: its file is not in the scene"):
        measure_tags(job(tags=(made,)), {})


def test_errors_name_the_scan_and_a_motion_is_refused() -> None:
    made = tag(media=digest(b"ply\n"))
    with pytest.raises(InputError, match=r"^scan axle: can't be read"):
        measure_tags(job(tags=(made,)), {digest(b"ply\n"): b"ply\n"})
    with pytest.raises(ValueError, match="a scan can't have a motion"):
        tag(motion={"kind": "slide", "direction": ({"target": 1}, {"target": 2}), "from_mm": 0, "to_mm": 1})


def test_truth_of_the_made_scans() -> None:
    assert TURN.apply(in_scan(PLACES)) + SHIFT == pytest.approx(PLACES)
