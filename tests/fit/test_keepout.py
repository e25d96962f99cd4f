"""Keep-outs against closed forms, and against distances measured by python-fcl."""

from __future__ import annotations

from typing import Any

import fcl
import numpy as np
import pytest
import shapely
import trimesh
from shapely.geometry import Point

from elbowroom.fit.keepout import convex_keepout, keepout_section
from elbowroom.shared.arrays import Faces, Floats
from elbowroom.shared.errors import InputError

OVER_MM = 0.05
"""What is promised: never too small, nowhere more than this too large."""


def section(mesh: trimesh.Trimesh, thickness: float = 8.0, clearance: float = 10.0) -> shapely.MultiPolygon:
    return keepout_section(
        np.array(mesh.vertices), np.array(mesh.faces), thickness_mm=thickness, clearance_mm=clearance
    )


def holds(
    found: shapely.Geometry, true_inner: shapely.Geometry, true_outer: shapely.Geometry, over: float = OVER_MM
) -> None:
    """The keep-out covers a polygon inscribed in the true one and stays within one drawn round it, plus `over`."""
    assert found.buffer(1e-6).covers(true_inner)
    assert true_outer.buffer(over, quad_segs=64).covers(found)


def test_box_through_the_slab_is_its_rectangle_grown_by_the_clearance() -> None:
    # closed form: a rectangle w x h grown by c has area w h + 2 c (w + h) + pi c^2
    mesh = trimesh.creation.box((40, 20, 100))
    found = section(mesh)
    rectangle = shapely.box(-20, -10, 20, 10)
    holds(found, rectangle.buffer(10, quad_segs=256), rectangle.buffer(10.001, quad_segs=256))
    exact = 40 * 20 + 2 * 10 * (40 + 20) + np.pi * 100
    assert exact <= found.area <= exact + OVER_MM * (2 * 60 + 2 * np.pi * 10)


@pytest.mark.parametrize("above", [0.5, 3.0, 9.0, 9.99])
def test_box_above_the_slab_reaches_by_pythagoras(above: float) -> None:
    # closed form: a body d above the slab forbids discs of radius sqrt(c^2 - d^2)
    mesh = trimesh.creation.box(bounds=[(-20, -10, 8 + above), (20, 10, 50)])
    reach = np.sqrt(100 - above**2)
    rectangle = shapely.box(-20, -10, 20, 10)
    holds(
        section(mesh), rectangle.buffer(reach, quad_segs=256), rectangle.buffer(reach + 0.001, quad_segs=256)
    )


def test_body_out_of_reach_forbids_nothing() -> None:
    assert section(trimesh.creation.box(bounds=[(-20, -10, 18), (20, 10, 50)])).is_empty
    assert section(trimesh.creation.box(bounds=[(-20, -10, -50), (20, 10, -10)])).is_empty


def test_ball_below_the_slab() -> None:
    # closed form: centre e below the slab, radius R: a disc of radius sqrt((R + c)^2 - e^2)
    mesh = trimesh.creation.icosphere(5, 20)
    mesh.apply_translation((3, -2, -28))
    inscribed = np.linalg.norm(mesh.triangles_center - (3, -2, -28), axis=1).min()
    disc = shapely.Point(3, -2)
    inner = disc.buffer(np.sqrt((inscribed + 10) ** 2 - 28**2), quad_segs=256)
    outer = disc.buffer(np.sqrt(30**2 - 28**2) * 1.0001, quad_segs=256)
    holds(section(mesh), inner, outer)


def test_no_clearance_gives_the_shadow_of_what_lies_in_the_slab() -> None:
    # independent: trimesh cuts the slab out of the body, its corners projected
    mesh = trimesh.creation.box(
        (60, 25, 40), transform=trimesh.transformations.rotation_matrix(0.7, (1, 2, 3))
    )
    cut = mesh.slice_plane((0, 0, 0), (0, 0, 1), cap=True).slice_plane((0, 0, 8), (0, 0, -1), cap=True)
    shadow = shapely.convex_hull(shapely.multipoints(np.array(cut.vertices)[:, :2]))
    holds(section(mesh, clearance=0.0), shadow.buffer(-1e-6), shadow.buffer(1e-5), over=0.001)


def test_slab_inside_a_solid_is_forbidden_but_the_bore_of_a_pipe_is_free() -> None:
    pipe = trimesh.creation.annulus(30, 80, 200, sections=128)
    found = section(pipe, clearance=5.0)
    assert found.covers(shapely.Point(55, 0))
    assert not found.intersects(shapely.Point(0, 0).buffer(30 * np.cos(np.pi / 128) - 5 - OVER_MM))
    block = trimesh.creation.box((200, 200, 200))
    block.faces = block.faces[:, [0, 1, 2]]
    assert section(block).covers(shapely.box(-100, -100, 100, 100))


def test_hollow_block_of_many_triangles_has_its_inside_filled() -> None:
    # not convex, so built triangle by triangle; the middle is far from every face
    notched = trimesh.boolean.difference(
        [
            trimesh.creation.box((200, 200, 200)),
            trimesh.creation.box(bounds=[(80, -20, -101), (101, 20, 101)]),
        ]
    )
    found = section(notched, clearance=5.0)
    assert found.covers(shapely.Point(0, 0))
    assert not found.intersects(shapely.Point(101, 0))


def test_turning_about_the_normal_turns_the_keepout() -> None:
    mesh = trimesh.creation.torus(40, 9, major_sections=32, minor_sections=16)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(0.5, (1, 0, 0)))
    before = section(mesh)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(0.3, (0, 0, 1)))
    turned = shapely.affinity.rotate(before, 0.3, origin=(0, 0), use_radians=True)
    assert section(mesh).hausdorff_distance(turned) < OVER_MM


def test_pieces_at_once_equal_pieces_one_by_one() -> None:
    boxes = [trimesh.creation.box((20, 10, 30)), trimesh.creation.icosphere(2, 9)]
    boxes[1].apply_translation((15, 4, 12))
    meshes = [(np.array(m.vertices), np.array(m.faces)) for m in boxes]
    together = convex_keepout(meshes, thickness_mm=8, clearance_mm=6)
    alone = shapely.union_all([section(m, clearance=6.0) for m in boxes])
    assert together.hausdorff_distance(alone) < OVER_MM


@pytest.mark.parametrize("clearance", [3.0, 12.0])
def test_edge_lies_at_the_clearance_measured_by_fcl(clearance: float) -> None:
    # python-fcl: distance of a line (a triangle of no width) to the mesh
    angle = trimesh.boolean.union([trimesh.creation.box((80, 10, 60)), trimesh.creation.box((10, 80, 60))])
    angle.apply_transform(trimesh.transformations.rotation_matrix(0.4, (1, 0.3, 0)))
    found = section(angle, clearance=clearance)
    mesh = fcl_object(np.array(angle.vertices), np.array(angle.faces))
    ring = found.geoms[0].exterior
    inner = found.geoms[0].buffer(-OVER_MM).exterior
    for share in np.linspace(0, 1, 60, endpoint=False):
        assert distance(mesh, ring.interpolate(share, normalized=True)) >= clearance - 1e-6
        assert distance(mesh, inner.interpolate(share, normalized=True)) <= clearance


def fcl_object(vertices: Floats, faces: Faces) -> fcl.CollisionObject:
    model = fcl.BVHModel()
    model.beginModel(len(vertices), len(faces))
    model.addSubModel(vertices, faces)
    model.endModel()
    return fcl.CollisionObject(model)


def distance(mesh: fcl.CollisionObject, point: Point, thickness: float = 8.0) -> float:
    line = fcl_object(
        np.array([[point.x, point.y, 0], [point.x + 1e-9, point.y, 0], [point.x, point.y, thickness]]),
        np.array([[0, 1, 2]]),
    )
    return fcl.distance(line, mesh, fcl.DistanceRequest(), fcl.DistanceResult())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"clearance_mm": -1.0}, "can't be negative"),
        ({"thickness_mm": 0.0}, "above zero"),
        ({"directions": 5}, "too few directions"),
    ],
)
def test_numbers_out_of_range_are_refused(change: dict[str, Any], message: str) -> None:
    mesh = trimesh.creation.box((1, 1, 1))
    given = {"thickness_mm": 8.0, "clearance_mm": 1.0} | change
    with pytest.raises(InputError, match=message):
        keepout_section(np.array(mesh.vertices), np.array(mesh.faces), **given)


def test_face_that_names_no_vertex_is_refused() -> None:
    with pytest.raises(InputError, match="vertex that isn't there"):
        keepout_section(np.zeros((3, 3)), np.array([[0, 1, 3]]), thickness_mm=8, clearance_mm=1)
