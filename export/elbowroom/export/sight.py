"""What a camera sees of triangles: a depth raster in the ideal image plane, and who is in front.

The raster lies in the undistorted image, where edges are straight and inverse depth is linear, so it is exact at
its pixel centres; `photo_map` says where each pixel of the (distorted) photo looks it up.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Floats, Points2, Points3
from elbowroom.shared.lens import undistort_points
from elbowroom.shared.scene import Lens

NEAR_MM = 5.0
"""Nothing nearer than this to the projection centre is drawn: it would lie inside the lens."""

MAP_NODES = 41
"""Nodes along each side at which the lens model is inverted; between them bilinear, 0.2 px off in a 12-megapixel photo."""

Singles = npt.NDArray[np.float32]
Owners = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A raster of the ideal image plane: column = x / z * scale - left, row = y / z * scale - top."""

    scale: float
    left: float
    top: float
    columns: int
    rows: int

    def at(self, points_camera: Points3) -> Points2:
        """Return column and row (n, 2), as decimals, of points (n, 3) mm in front of the camera."""
        ideal = points_camera[:, :2] / points_camera[:, 2:]
        return ideal * self.scale - [self.left, self.top]

    def ray(self, place: tuple[float, float]) -> Floats:
        """Return the camera point (3,) at depth 1 seen at a column and row."""
        return np.array([(place[0] + self.left) / self.scale, (place[1] + self.top) / self.scale, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Depths:
    """Inverse depth (rows, columns) 1/mm, 0 where nothing is; and the triangle seen there, -1 where none."""

    inverse: Floats
    owner: Owners


@lru_cache(maxsize=8)
def grid_of(lens: Lens, columns: int) -> Grid:
    """Return a grid that holds the whole photo, with about `columns` columns to the photo's width."""
    x, y = lens.width_px - 0.5, lens.height_px - 0.5
    along = np.linspace(-0.5, 1.0, 25)
    border = np.vstack(
        [np.column_stack([np.interp(along, [-0.5, 1], [-0.5, x]), np.full(25, v)]) for v in (-0.5, y)]
        + [np.column_stack([np.full(25, u), np.interp(along, [-0.5, 1], [-0.5, y])]) for u in (-0.5, x)]
    )
    ideal = undistort_points(border, lens)
    scale = lens.focal_px * columns / lens.width_px
    low, high = np.floor(ideal.min(axis=0) * scale) - 2, np.ceil(ideal.max(axis=0) * scale) + 2
    return Grid(
        scale=scale,
        left=float(low[0]),
        top=float(low[1]),
        columns=int(high[0] - low[0] + 1),
        rows=int(high[1] - low[1] + 1),
    )


@lru_cache(maxsize=8)
def photo_map(lens: Lens, columns: int, shape: tuple[int, int]) -> tuple[Singles, Singles]:
    """Return, for a picture of the photo `shape` (rows, columns) large, the grid columns and rows to look up."""
    grid = grid_of(lens, columns)
    us, vs = (
        np.linspace(-0.5, lens.width_px - 0.5, MAP_NODES),
        np.linspace(-0.5, lens.height_px - 0.5, MAP_NODES),
    )
    nodes = np.stack(np.meshgrid(us, vs), axis=-1).reshape(-1, 2)
    ideal = (undistort_points(nodes, lens) * grid.scale - [grid.left, grid.top]).reshape(
        MAP_NODES, MAP_NODES, 2
    )
    u = (np.arange(shape[1]) + 0.5) / shape[1] * (MAP_NODES - 1)
    v = (np.arange(shape[0]) + 0.5) / shape[0] * (MAP_NODES - 1)
    out = []
    for k in range(2):
        wide = _between(ideal[:, :, k].T, u).T  # (nodes, columns)
        out.append(_between(wide, v).astype(np.float32))
    return out[0], out[1]


def _between(nodes: Floats, places: Floats) -> Floats:
    """Return rows of `nodes` (k, m) linearly between, at decimal `places` (n,): (n, m)."""
    low = np.clip(places.astype(np.int64), 0, len(nodes) - 2)
    share = (places - low)[:, None]
    return nodes[low] * (1 - share) + nodes[low + 1] * share


def seen_depths(triangles_camera: Floats, grid: Grid) -> Depths:
    """Return what is nearest in each pixel of the grid.

    Parameters
    ----------
    triangles_camera : Floats
        (m, 3, 3) mm, camera frame, counter-clockwise from outside; only those facing the camera count.
    grid : Grid
        The raster.
    """
    triangles, owners = _in_front(triangles_camera)
    inverse = np.zeros(grid.rows * grid.columns)
    owner = np.full(grid.rows * grid.columns, -1, dtype=np.int64)
    if len(triangles):
        normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        planes = normals / np.einsum("ij,ij->i", normals, triangles[:, 0])[:, None]  # i: triangle, j: axis
        corners = grid.at(triangles.reshape(-1, 3)).reshape(-1, 3, 2)
        which, row, column = _covered(corners, grid)
        x, y = (column + grid.left) / grid.scale, (row + grid.top) / grid.scale
        depth = planes[which, 0] * x + planes[which, 1] * y + planes[which, 2]
        place = row * grid.columns + column
        np.maximum.at(inverse, place, depth)
        front = depth >= inverse[place]
        owner[place[front]] = owners[which[front]]
    shape = (grid.rows, grid.columns)
    return Depths(inverse=inverse.reshape(shape), owner=owner.reshape(shape))


def _in_front(triangles: Floats) -> tuple[Floats, Owners]:
    """Return the triangles that face the camera, cut off at the near plane, and the index each came from."""
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    facing = np.einsum("ij,ij->i", normals, triangles[:, 0]) < -1e-12  # i: triangle, j: axis
    ahead = triangles[:, :, 2] > NEAR_MM
    whole = facing & ahead.all(axis=1)
    cut = np.flatnonzero(facing & ahead.any(axis=1) & ~ahead.all(axis=1))
    parts, owners = [triangles[whole]], [np.flatnonzero(whole)]
    for index in cut:
        pieces = _cut_near(triangles[index])
        parts.append(pieces)
        owners.append(np.full(len(pieces), index))
    return np.concatenate(parts), np.concatenate(owners)


def _cut_near(triangle: Floats) -> Floats:
    """Return the part of one triangle (3, 3) beyond the near plane, as triangles (k, 3, 3)."""
    polygon: list[Floats] = []
    for a, b in zip(triangle, np.roll(triangle, -1, axis=0), strict=True):
        if a[2] > NEAR_MM:
            polygon.append(a)
        if (a[2] > NEAR_MM) != (b[2] > NEAR_MM):
            polygon.append(a + (NEAR_MM - a[2]) / (b[2] - a[2]) * (b - a))
    return np.array([[polygon[0], polygon[i], polygon[i + 1]] for i in range(1, len(polygon) - 1)])


def _covered(corners: Floats, grid: Grid) -> tuple[Owners, Owners, Owners]:
    """Return triangle, row and column of every pixel centre that lies in a triangle (m, 3, 2) of the grid."""
    y = corners[:, :, 1]
    first = np.clip(np.ceil(y.min(axis=1)), 0, grid.rows).astype(np.int64)
    last = np.clip(np.floor(y.max(axis=1)), -1, grid.rows - 1).astype(np.int64)
    which, row = _runs(first, last)
    low, high = np.full(len(row), np.inf), np.full(len(row), -np.inf)
    for k in range(3):
        start, end = corners[which, k], corners[which, (k + 1) % 3]
        crosses = (start[:, 1] <= row) != (end[:, 1] <= row)
        rise = np.where(crosses, end[:, 1] - start[:, 1], 1.0)
        x = start[:, 0] + (row - start[:, 1]) / rise * (end[:, 0] - start[:, 0])
        low = np.where(crosses, np.minimum(low, x), low)
        high = np.where(crosses, np.maximum(high, x), high)
    some = low <= high
    which, row, low, high = which[some], row[some], low[some], high[some]
    left = np.clip(np.ceil(low), 0, grid.columns).astype(np.int64)
    right = np.clip(np.floor(high), -1, grid.columns - 1).astype(np.int64)
    span, column = _runs(left, right)
    return which[span], row[span], column


def _runs(first: Owners, last: Owners) -> tuple[Owners, Owners]:
    """Return (index, value) for every whole number from first[i] to last[i]."""
    counts = np.maximum(last - first + 1, 0)
    index = np.repeat(np.arange(len(first)), counts)
    before = np.cumsum(counts) - counts
    return index, np.arange(len(index)) - before[index] + first[index]
