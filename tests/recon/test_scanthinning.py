"""Thinned scans and the bound on their distance, against Open3D's and trimesh's distances."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from tests.recon.scans import surface
from tests.recon.true_job import winding

from elbowroom.recon.scans.distance import distance_bound, patched, point_triangle_distances, spread_samples
from elbowroom.recon.scans.solid import is_closed, volume_of
from elbowroom.recon.scans.thinning import thin
from elbowroom.recon.solids import MeshArrays
from elbowroom.shared.arrays import Floats


def arrays(mesh: trimesh.Trimesh) -> MeshArrays:
    return np.array(mesh.vertices), np.array(mesh.faces)


def apart(mesh: MeshArrays) -> MeshArrays:
    """Return a mesh's triangles that share no vertex."""
    return mesh[0][mesh[1]].reshape(-1, 3), np.arange(3 * len(mesh[1])).reshape(-1, 3)


MESHES: dict[str, MeshArrays] = {
    "field": surface(70, 0.1),
    "ball": arrays(trimesh.creation.icosphere(4, radius=60)),
    "box": arrays(trimesh.creation.box((80, 50, 6)).subdivide_to_size(5)),
    "soup": apart(surface(40)),
}


def dense(mesh: MeshArrays) -> Floats:
    return np.vstack([mesh[0], spread_samples(mesh[0][mesh[1]], 30_000)[0]])


def o3d_distances(points: Floats, mesh: MeshArrays) -> Floats:
    """Return distances by Open3D's ray casting scene (single precision: 1e-4 mm at these sizes)."""
    o3d = pytest.importorskip("open3d", exc_type=ImportError)
    scene = o3d.t.geometry.RaycastingScene()
    tensor = o3d.core.Tensor
    scene.add_triangles(tensor(mesh[0].astype(np.float32)), tensor(mesh[1].astype(np.uint32)))
    return np.asarray(scene.compute_distance(tensor(points.astype(np.float32))).numpy(), dtype=np.float64)


@pytest.mark.parametrize("name", MESHES)
@pytest.mark.parametrize("most", [300, 2000])
def test_the_bound_holds_everywhere_and_is_tight(name: str, most: int) -> None:
    mesh = MESHES[name]
    few = thin(mesh, most)
    assert len(few[1]) <= 1.05 * most or name == "soup"
    bound, off = distance_bound(mesh, few), o3d_distances(dense(mesh), few)
    assert off.max() <= bound + 1e-3
    if name != "soup":  # every triangle its own island: slivers all over, the bound is loose there
        assert (
            bound <= 1.1 * off.max() + 0.1 + 5 / 32
        )  # its own slack; splitting ends at a 32nd of a 5 mm side


def test_few_triangles_stay_as_they_are() -> None:
    assert thin(MESHES["box"], 10**6) is MESHES["box"]


def test_a_flat_sheet_is_thinned_for_nothing() -> None:
    """Its rim and corners hold: a flat square needs no more than a few triangles."""
    v, f = surface(150)
    v[:, 2] = 0
    assert distance_bound((v, f), thin((v, f), 200)) < 0.11


def test_more_triangles_come_nearer() -> None:
    bounds = [distance_bound(MESHES["ball"], thin(MESHES["ball"], n)) for n in (200, 800, 3200)]
    assert bounds[0] > 2 * bounds[1] > 4 * bounds[2]  # a ball's sag falls with the square of the side


@pytest.mark.parametrize("name", ["ball", "box"])
def test_closed_stays_closed(name: str) -> None:
    """By winding numbers about points well inside and outside, and the divergence theorem."""
    mesh = MESHES[name]
    few = patched(mesh, thin(mesh, 1500), 30)
    low, high = mesh[0].min(axis=0), mesh[0].max(axis=0)
    inside = np.random.default_rng(0).uniform(0.4 * low, 0.4 * high, (50, 3))
    assert winding(inside, *few) == pytest.approx(np.ones(50), abs=1e-6)
    assert winding(inside + 3 * (high - low), *few) == pytest.approx(np.zeros(50), abs=1e-6)
    assert volume_of(few) == pytest.approx(volume_of(mesh), rel=0.05)
    assert is_closed(mesh)


def test_the_two_sides_of_a_sheet_stay_apart() -> None:
    """A plate 6 thick thinned to triangles far larger than that keeps its thickness."""
    few = thin(MESHES["box"], 1500)
    assert distance_bound(MESHES["box"], few) < 1.0


def test_specks_and_hairs_stay() -> None:
    v, f = surface(100)
    ball = trimesh.creation.icosphere(1, radius=0.4)
    hair = np.array([[0, 0, 100], [0.05, 0, 100], [0, 1, 160]])
    vertices = np.vstack([v, ball.vertices + np.array([300, 0, 50]), hair])
    last = len(v) + len(ball.vertices)
    mesh = (vertices, np.vstack([f, ball.faces + len(v), [[last, last + 1, last + 2]]]))
    few = patched(mesh, thin(mesh, 500), 20)
    assert o3d_distances(dense(mesh), few).max() < 6  # would be 100 and 60 without them
    assert distance_bound(mesh, few) < 6


def test_patches_take_the_worst_away() -> None:
    """A tenth of the triangles put back: no vertex lies further off, the farthest far nearer (Open3D's distances)."""
    mesh = MESHES["field"]
    few = thin(mesh, 2000)
    more = patched(mesh, few, len(mesh[1]) // 10)
    before, after = o3d_distances(mesh[0], few), o3d_distances(mesh[0], more)
    assert after.max() < 0.8 * before.max()
    assert (after <= before + 1e-4).all()
    assert len(more[1]) <= len(few[1]) + 2 * (len(mesh[1]) // 10)


def test_point_triangle_distances_against_trimesh() -> None:
    rng = np.random.default_rng(1)
    triangles = rng.normal(size=(4000, 3, 3))
    triangles[:200, 2] = triangles[:200, 1]  # lines
    triangles[200:220] = triangles[200:220, :1]  # points
    points = rng.normal(size=(4000, 3)) * 2
    got = point_triangle_distances(points, triangles)
    nearest = trimesh.triangles.closest_point(triangles[220:], points[220:])
    assert got[220:] == pytest.approx(np.linalg.norm(nearest - points[220:], axis=1), abs=1e-12)
    a, b = triangles[:220, 0], triangles[:220, 1]
    share = np.linspace(0, 1, 20_001)[None, :, None]
    walked = np.linalg.norm(a[:, None] + share * (b - a)[:, None] - points[:220, None], axis=2).min(axis=1)
    assert got[:220] == pytest.approx(walked, abs=1e-3)


def test_bound_of_a_surface_moved_away() -> None:
    """A flat sheet moved 2.5 off square to itself lies 2.5 off, whatever its triangles."""
    v, f = surface(40)
    flat = (v * [1, 1, 0], f)
    assert distance_bound(flat, (flat[0] + [0, 0, 2.5], f)) == pytest.approx(2.5, rel=0.06)
