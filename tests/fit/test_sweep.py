"""Swept meshes contain what moves and take little more. Reference: the moved corners and surfaces themselves, finely."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import trimesh

from elbowroom.fit.sweep import motion_at, poses, swept_meshes
from elbowroom.shared.arrays import Faces, Floats, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.media import digest, mesh_bytes
from elbowroom.shared.scene import Obstacle

NO_DOUBT = ((0.0, 0.0, 0.0),) * 3
ROUNDING = 1e-7  # mm: hulls of points some 300 mm from the axis


def obstacle(
    mesh: trimesh.Trimesh, convex: bool = True, **motion: object
) -> tuple[Obstacle, dict[str, bytes]]:
    data = mesh_bytes(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    fields = {
        "travel_kind": "hinge",
        "hinge_point_mm": (0, 0, 0),
        "motion_direction": (0, 0, 1),
        "travel": (-2, 3.5),
    }
    thing = Obstacle.model_validate(
        {
            "name": "link",
            "kind": "mesh",
            "meshes": (digest(data),),
            "convex": convex,
            "clearance_mm": 3,
            "covariance_mm2": NO_DOUBT,
            **(fields | motion),
        }
    )
    return thing, {digest(data): data}


def depth_below(points: Points3, hulls: list[tuple[Points3, Faces]]) -> Floats:
    """The least distance outside any of the convex meshes, by their face planes; 0 or less inside one of them."""
    least = np.full(len(points), np.inf)
    for vertices, faces in hulls:
        a, b, c = (vertices[faces[:, k]] for k in range(3))
        normals = np.cross(b - a, c - a)
        size = np.linalg.norm(normals, axis=1)
        normals, a = normals[size > 1e-9] / size[size > 1e-9, None], a[size > 1e-9]
        least = np.minimum(least, (points @ normals.T - (a * normals).sum(axis=1)).max(axis=1))
    return least


def bar(length: float, width: float, away: float) -> trimesh.Trimesh:
    box = trimesh.creation.box((length, width, 12.0))
    box.apply_translation((away, 0, 0))
    return box


def corner_parts() -> list[trimesh.Trimesh]:
    """The two bars of an L."""
    one, two = trimesh.creation.box((60, 20, 12)), trimesh.creation.box((20, 60, 12))
    return [one.apply_translation((120, 0, 0)), two.apply_translation((100, 20, 0))]


def corner_shape() -> trimesh.Trimesh:
    """An L, not convex."""
    return trimesh.boolean.union(corner_parts(), engine="manifold")


CASES: dict[str, tuple[trimesh.Trimesh, bool, dict[str, Any]]] = {
    "radial link": (bar(200, 30, 150), True, {}),
    "crosswise bar": (bar(20, 80, 120), True, {}),
    "round the axis": (bar(100, 24, 10), True, {}),
    "ball": (trimesh.creation.icosphere(subdivisions=2, radius=25).apply_translation((90, 0, 5)), True, {}),
    "tilted axis": (bar(80, 30, 100), True, {"motion_direction": (0.2, -0.3, 1.0)}),
    "not convex": (corner_shape(), False, {"travel": (0, 3)}),
    "slide": (
        bar(60, 30, 0),
        True,
        {"travel_kind": "slide", "motion_direction": (1, 2, 0.5), "travel": (-10, 40)},
    ),
    "bent slide": (
        corner_shape(),
        False,
        {"travel_kind": "slide", "motion_direction": (0, 0.1, 1), "travel": (0, 40)},
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_contains_ten_times_finer_poses(case: str) -> None:
    mesh, convex, motion = CASES[case]
    thing, media = obstacle(mesh, convex, **motion)
    hulls = swept_meshes(thing, media)
    points = np.vstack([mesh.vertices, mesh.sample(150, seed=1)])
    count = 10 * len(hulls) if convex else 300
    for _, move in poses(thing, min(count, 400)):
        assert depth_below(move.apply(points), hulls).max() <= ROUNDING


@pytest.mark.parametrize("case", CASES)
def test_takes_no_more_than_the_excess(case: str) -> None:
    """Points on the swept meshes, moved back along the travel, come within 0.1 mm of the obstacle's own surface or inside.

    Nearness is read off face planes, those of the two bars where the obstacle is not convex.
    """
    mesh, convex, motion = CASES[case]
    thing, media = obstacle(mesh, convex, **motion)
    hulls = swept_meshes(thing, media)
    rng = np.random.default_rng(2)
    weights = rng.dirichlet(np.ones(3), 3)
    picked = rng.choice(len(hulls), min(len(hulls), 25), replace=False)
    points = np.vstack(
        [
            (v[f][:, None] * weights[..., None]).sum(axis=2).reshape(-1, 3)
            for v, f in (hulls[k] for k in picked)
        ]
    )
    points = points[rng.permutation(len(points))[:1000]]
    solids = [(m.vertices, m.faces) for m in ([mesh] if convex else corner_parts())]
    first, last = thing.travel
    gap = np.full(len(points), np.inf)
    for value in np.linspace(first, last, 600):
        back = motion_at(thing, float(value)).inverse().apply(points)
        gap = np.minimum(gap, depth_below(back, solids))
    # depth_below is the plane distance, at most the true one; steps of the comparison add under 0.03 mm
    assert gap.max() <= 0.1 + 0.03


def test_at_rest_the_meshes_are_unchanged() -> None:
    mesh = bar(40, 20, 0)
    thing, media = obstacle(mesh, travel_kind="none")
    ((vertices, faces),) = swept_meshes(thing, media)
    assert np.array_equal(vertices, mesh.vertices)
    assert np.array_equal(faces, mesh.faces)


def test_motion_closed_forms() -> None:
    thing, _ = obstacle(bar(10, 10, 50), hinge_point_mm=(10, 0, 0))
    turned = motion_at(thing, 90).apply(np.array([[60.0, 0, 3]]))
    assert turned[0] == pytest.approx((10, 50, 3), abs=1e-12)  # right-hand rule about +z through (10, 0)
    slid, _ = obstacle(bar(10, 10, 0), travel_kind="slide", motion_direction=(0, 0, 5))
    assert motion_at(slid, 7).apply(np.zeros((1, 3)))[0] == pytest.approx((0, 0, 7))
    assert [v for v, _ in poses(thing, 5)] == pytest.approx([-2, -0.9, 0.2, 1.3, 2.4, 3.5])


def test_faults_are_named() -> None:
    thing, media = obstacle(bar(10, 10, 50))
    with pytest.raises(InputError, match="missing"):
        swept_meshes(thing, {})
    with pytest.raises(InputError, match="above zero"):
        swept_meshes(thing, media, excess_mm=0)
    with pytest.raises(InputError, match="no axis"):
        motion_at(thing.model_copy(update={"motion_direction": None}), 3)
    with pytest.raises(InputError, match="too many steps"):
        swept_meshes(thing, media, excess_mm=1e-9)
