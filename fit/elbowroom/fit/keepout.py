"""The keep-out of a closed mesh: where in its plane a flat slab would come too close to it.

A point q of the obstacle forbids the disc of radius r(z) = sqrt(c^2 - d^2) round its foot, d being how far q lies
above or below the slab. r is concave in z, so the discs of a convex body fill a convex region, and its reach in a
direction u is the largest u.q + r(z) over the body's edges. Tangent lines at enough directions bound that region from
outside: the polygon is never too small, and directions are added until it is nowhere too large by more than
`tangents.EXCESS_MM`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry import MultiPolygon, Polygon

from elbowroom.fit.tangents import edges_in_band, tangent_polygons
from elbowroom.shared.arrays import Faces, Floats, Points3, check_points, check_positive
from elbowroom.shared.errors import InputError

CONVEX_MM = 1e-5
"""A mesh whose vertices pass no face plane by more than this counts as convex."""

CHUNK = 256
"""Polygons joined at a time: those an earlier chunk covers are skipped."""

FLAT_COSINE = 1 - 1e-14
"""Faces whose normals agree this well are one flat face: its inner edges never decide a reach."""

BATCH = 1_500_000
"""Edges times directions worked on at a time, to bound memory."""

BATCH_MOST = 64
"""Convex shells in one batch: sorted by size, so that padding stays small."""

PLANES_AT_ONCE = 512
"""Face planes tested together for convexity, to bound memory."""


def keepout_section(
    vertices_plate: Points3,
    faces: Faces,
    *,
    thickness_mm: float,
    clearance_mm: float,
    directions: int = 32,
) -> MultiPolygon:
    """Return where the slab 0 <= z <= thickness comes nearer than the clearance to a closed mesh.

    A plate point p belongs to it when the upright line from (p, 0) to (p, thickness) passes within `clearance_mm`
    of the solid, or through it.

    Parameters
    ----------
    vertices_plate : Points3
        (n, 3) mm, plate frame.
    faces : Faces
        (m, 3), counter-clockwise from outside. Several closed shells may overlap.
    thickness_mm, clearance_mm : float
        mm; the clearance may be 0.
    directions : int
        Tangent directions to start from, 8 or more.

    Returns
    -------
    MultiPolygon
        Plate xy, mm. Nowhere smaller than the true set, nowhere more than 0.05 mm larger.

    Raises
    ------
    InputError
        When a number is out of range or a face names a vertex that isn't there.
    """
    vertices = check_points(vertices_plate, 3, where="keepout_section, vertices_plate")
    check_positive(thickness_mm, where="keepout_section, thickness_mm")
    triangles = _checked(vertices, faces, clearance_mm, directions)
    parts: list[shapely.Geometry] = []
    convex: list[tuple[Points3, Faces]] = []
    for shell in _shells(vertices, triangles):
        if _misses_band(vertices[shell], thickness_mm, clearance_mm):
            continue
        if _is_convex(vertices, shell):
            convex.append((vertices, shell))
        else:
            parts.append(_triangle_keepout(vertices, shell, thickness_mm, clearance_mm, directions))
    parts += _convex_polygons(convex, thickness_mm, clearance_mm, directions)
    return as_multi(shapely.union_all(parts))


def convex_keepout(
    meshes_plate: Sequence[tuple[Points3, Faces]],
    *,
    thickness_mm: float,
    clearance_mm: float,
    directions: int = 32,
) -> MultiPolygon:
    """Return the keep-out of many meshes known to be convex, such as the pieces of a swept volume.

    Parameters
    ----------
    meshes_plate : Sequence
        Vertices (n, 3) mm, plate frame, and faces (m, 3) of each.
    thickness_mm, clearance_mm, directions
        As for `keepout_section`.

    Raises
    ------
    InputError
        When a number is out of range or a face names a vertex that isn't there.
    """
    check_positive(thickness_mm, where="convex_keepout, thickness_mm")
    checked = [(v, _checked(v, f, clearance_mm, directions)) for v, f in meshes_plate]
    near = [(v, f) for v, f in checked if len(f) and not _misses_band(v[f], thickness_mm, clearance_mm)]
    return as_multi(shapely.union_all(_convex_polygons(near, thickness_mm, clearance_mm, directions)))


def as_multi(shape: shapely.Geometry) -> MultiPolygon:
    """Return the polygons of any geometry as one MultiPolygon (lines and points are dropped)."""
    flat = shapely.get_parts(shapely.get_parts([shape]))
    return MultiPolygon([p for p in flat if isinstance(p, Polygon) and not p.is_empty])


def _checked(vertices: Points3, faces: Faces, clearance: float, directions: int) -> Faces:
    if not np.isfinite(clearance) or clearance < 0:
        raise InputError(
            "a clearance can't be negative", where="keepout_section", value=clearance, limit="0 or more"
        )
    if directions < 8:
        raise InputError("too few directions", where="keepout_section", value=directions, limit="8 or more")
    triangles = np.asarray(faces, dtype=np.int64).reshape(-1, 3)
    if len(triangles) and (triangles.min() < 0 or triangles.max() >= len(vertices)):
        raise InputError(
            "a face names a vertex that isn't there", where="keepout_section", limit=len(vertices) - 1
        )
    return triangles


def _shells(vertices: Points3, triangles: Faces) -> list[Faces]:
    """Return the connected shells of a mesh as face lists."""
    if not len(triangles):
        return []
    a, b = triangles[:, [0, 1]].ravel(), triangles[:, [1, 2]].ravel()
    graph = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(len(vertices), len(vertices)))
    _, label = connected_components(graph, directed=False)
    of_face = label[triangles[:, 0]]
    return [triangles[of_face == k] for k in np.unique(of_face)]


def _misses_band(corners: Floats, thickness: float, clearance: float) -> bool:
    z = corners[..., 2]
    return bool(z.min() >= thickness + clearance or z.max() <= -clearance)


def _is_convex(vertices: Points3, shell: Faces) -> bool:
    """Say whether no vertex lies outside any face plane, and the faces look outward."""
    corners = vertices[shell]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    sizes = np.linalg.norm(normals, axis=1)
    solid = sizes > 1e-12
    if not solid.any():
        return False
    normals, anchors = normals[solid] / sizes[solid, None], corners[solid, 0]
    points = vertices[np.unique(shell)]
    for i in range(0, len(normals), PLANES_AT_ONCE):
        n = normals[i : i + PLANES_AT_ONCE]
        heights = n @ points.T - (n * anchors[i : i + PLANES_AT_ONCE]).sum(axis=1)[:, None]
        if heights.max() > CONVEX_MM:
            return False
    return True


def _convex_polygons(
    shells: Sequence[tuple[Points3, Faces]], thickness: float, clearance: float, directions: int
) -> list[Polygon]:
    """Return one polygon for each convex shell, worked out a batch at a time."""
    ends = sorted((_sharp_edges(v, f) for v, f in shells), key=len)
    found: list[Polygon] = []
    i = 0
    while i < len(ends):
        size = max(1, BATCH // (directions * max(len(ends[min(i + BATCH_MOST, len(ends)) - 1]), 1)))
        batch = ends[i : i + min(size, BATCH_MOST)]
        most = max(len(e) for e in batch)
        padded = np.stack([np.concatenate([e, np.repeat(e[:1], most - len(e), axis=0)]) for e in batch])
        edges = edges_in_band(padded[:, :, 0], padded[:, :, 1], thickness, clearance)
        found += list(tangent_polygons(edges, directions))
        i += len(batch)
    return found


def _sharp_edges(vertices: Points3, shell: Faces) -> Floats:
    """Return the ends (e, 2, 3) of the edges of a convex shell, those within flat faces left out."""
    corners = vertices[shell]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.sqrt((normals**2).sum(axis=1)), 1e-300)[:, None]
    a, b = shell[:, [0, 1, 2]].ravel(), shell[:, [1, 2, 0]].ravel()
    key = np.minimum(a, b) * np.int64(len(vertices)) + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    key, owner = key[order], np.repeat(np.arange(len(shell)), 3)[order]
    first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    paired = np.r_[key[1:] == key[:-1], False][first]
    mate = np.minimum(first + 1, len(key) - 1)
    flat = paired & ((normals[owner[first]] * normals[owner[mate]]).sum(axis=1) > FLAT_COSINE)
    keep = key[first][~flat]
    return np.stack([vertices[keep // len(vertices)], vertices[keep % len(vertices)]], axis=1)


def _triangle_keepout(
    vertices: Points3, shell: Faces, thickness: float, clearance: float, directions: int
) -> shapely.Geometry:
    corners = vertices[shell]
    z = corners[:, :, 2]
    near = corners[(z.min(axis=1) < thickness + clearance) & (z.max(axis=1) > -clearance)]
    edges = edges_in_band(near, np.roll(near, -1, axis=1), thickness, clearance)
    union = _union(tangent_polygons(edges, directions))
    return _fill_inside(union, corners, 0.5 * thickness)


def _union(polygons: Floats) -> shapely.Geometry:
    """Return the union, largest first, leaving out what is covered already."""
    order = np.argsort(-shapely.area(polygons))
    union: shapely.Geometry = Polygon()
    for i in range(0, len(order), CHUNK):
        chunk = polygons[order[i : i + CHUNK]]
        shapely.prepare(union)
        fresh = chunk[~shapely.covers(union, chunk)]
        if len(fresh):
            union = shapely.union_all([union, *fresh])
    return union


def _fill_inside(union: shapely.Geometry, corners: Floats, level: float) -> shapely.Geometry:
    """Fill what the union leaves open inside the solid: there the slab is wholly in it."""
    rings = shapely.get_rings(shapely.get_parts(union))
    if len(rings) == shapely.get_num_geometries(union):
        return union
    open_parts = shapely.get_parts(shapely.difference(shapely.union_all(shapely.polygons(rings)), union))
    filled = [union]
    for part in open_parts:
        at = part.representative_point()
        if _winding(np.array([at.x, at.y]), level, corners) > 0:
            filled.append(part)
    return shapely.union_all(filled) if len(filled) > 1 else union


def _winding(point: Floats, level: float, corners: Floats) -> int:
    """Return how often the faces wind round (point, level): crossings of the upward ray, outward ones positive."""
    flat = corners[:, :, :2] - point
    nxt = np.roll(flat, -1, axis=1)
    cross = flat[:, :, 0] * nxt[:, :, 1] - flat[:, :, 1] * nxt[:, :, 0]
    up, down = np.all(cross > 0, axis=1), np.all(cross < 0, axis=1)
    hit = np.flatnonzero(up | down)
    share = np.roll(cross[hit], -1, axis=1) / cross[hit].sum(axis=1, keepdims=True)
    above = (share * corners[hit, :, 2]).sum(axis=1) > level
    sense = np.where(up, 1, -1)[hit]
    return int(sense[above].sum())
