"""Corners of a coded target from all its black/white boundaries, by one homography with a signed edge shift.

Blur, gamma, sharpening and ink spread move every boundary the same way, so a black square looks small or big and a
distance taken from four corners alone is up to 1 % wrong. Here the boundaries inside the pattern, which have black on
one side and on the other, let that shift be a parameter of the fit instead of an error of the corners.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from elbowroom.recon.pattern import CORNERS, MODULES, edge_samples
from elbowroom.shared.arrays import Floats, Image, Points2
from elbowroom.shared.lens import project_points, undistort_points
from elbowroom.shared.scene import Lens

PROFILE_TAPS = 13
"""Samples across a boundary; over at most REACH_PX either side that is one every half pixel or finer."""

REACH_PX = 3.0
"""Half length of the profile across a boundary: beyond it a phone's blur (0.5 to 1.5 px sigma) has died out."""

REACH_MODULES = 0.5
"""...and never past the middle of the next module, where the next boundary begins to be felt."""

FIT_ROUNDS = 3
"""Profile-and-fit rounds: the first moves up to a pixel or two, the last below 0.01 px."""

MIN_CONTRAST = 12.0
"""Grey levels between black and white sides below which a boundary sample is left out (8-bit noise is 2 to 4)."""

SHARED_PIXELS = 3.0
"""Neighbouring samples of one boundary share their pixels: three count as one in the covariance."""

SYSTEMATIC_PX = 0.01
"""Floor added to each corner's standard deviation: what neighbouring boundaries and uneven light leave behind."""


@dataclass(frozen=True, eq=False)
class Edges:
    """Boundary points of one target found in one photo.

    `points_px` (n, 2) lie on the boundary, `normals_px` (n, 2) unit, black to white; `points_target` (n, 2) and
    `normals_target` (n, 2) are the same boundary in a target of side 1.
    """

    points_px: Points2
    normals_px: Points2
    points_target: Points2
    normals_target: Points2


@dataclass(frozen=True, eq=False)
class Corners:
    """A target's corners (4, 2) px as printed order tl, tr, br, bl, their covariance (8, 8) px², and the edge shift."""

    corners_px: Points2
    covariance_px2: Floats
    shift_px: float
    rms_px: float


def homography_from_corners(corners: Points2) -> Floats:
    """Return the (3, 3) homography taking a target of side 1 to corners (4, 2), scaled to h33 = 1."""
    rows = []
    for (x, y), (u, v) in zip(CORNERS, corners, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    return np.append(np.linalg.solve(np.array(rows), corners.ravel()), 1.0).reshape(3, 3)


def find_edges(image: Image, target: int, corners_px: Points2) -> Edges | None:
    """Return the boundary points of a target near approximate corners (4, 2) px, or None when too few show.

    `image` is (rows, columns) 8-bit grey. Corners may be up to about 2 px off.
    """
    samples = edge_samples(target)
    corners = corners_px
    edges: Edges | None = None
    for _ in range(FIT_ROUNDS):
        edges = _profile(image, samples.points, samples.normals, homography_from_corners(corners))
        if edges is None:
            return None
        fitted = fit_corners(edges, corners, rounds=2)
        if fitted is None or np.abs(fitted.corners_px - corners).max() > 4 * REACH_PX:
            return None
        corners = fitted.corners_px
    return edges


def _profile(image: Image, points: Floats, normals: Floats, homography: Floats) -> Edges | None:
    """Read grey profiles across the boundaries and place each where it crosses half way between its two sides."""
    centre, across, module_px = _project_normals(points, normals, homography)
    reach = np.minimum(REACH_PX, REACH_MODULES * module_px)
    offsets = np.linspace(-1, 1, PROFILE_TAPS)[None, :] * reach[:, None]
    grid = centre[:, None, :] + offsets[:, :, None] * across[:, None, :]
    height, width = image.shape[:2]
    inside = (
        (grid[:, [0, -1], 0] > 1)
        & (grid[:, [0, -1], 0] < width - 2)
        & (grid[:, [0, -1], 1] > 1)
        & (grid[:, [0, -1], 1] < height - 2)
    ).all(axis=1)
    grey = _sample(image, grid)
    dark, light = grey[:, :2].mean(axis=1), grey[:, -2:].mean(axis=1)
    place = _half_crossing(grey - 0.5 * (dark + light)[:, None], offsets)
    use = inside & (light - dark > MIN_CONTRAST) & np.isfinite(place)
    if use.sum() < 40:
        return None
    found = centre + np.nan_to_num(place)[:, None] * across
    return Edges(found[use], across[use], points[use], normals[use])


def _project_normals(points: Floats, normals: Floats, homography: Floats) -> tuple[Floats, Floats, Floats]:
    """Return pixels (n, 2), unit pixel normals of the projected boundary (n, 2), and the module's size across (n,)."""
    along = np.column_stack([-normals[:, 1], normals[:, 0]])
    centre, d_along = _map(homography, points, along)
    _, d_across = _map(homography, points, normals)
    across = np.column_stack([d_along[:, 1], -d_along[:, 0]])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    step = (across * d_across).sum(axis=1)
    across *= np.sign(step)[:, None]
    return centre, across, np.abs(step) / MODULES


def _map(homography: Floats, points: Floats, directions: Floats) -> tuple[Floats, Floats]:
    """Return mapped points (n, 2) and the derivative of the map along directions (n, 2)."""
    w = points @ homography[2, :2] + homography[2, 2]
    mapped = (points @ homography[:2, :2].T + homography[:2, 2]) / w[:, None]
    slope = directions @ homography[:2, :2].T - mapped * (directions @ homography[2, :2])[:, None]
    return mapped, slope / w[:, None]


def _sample(image: Image, grid: Floats) -> Floats:
    """Return grey values at pixel positions (..., 2), bilinear; the crop keeps remap within its size limits."""
    low = np.maximum(np.floor(grid.reshape(-1, 2).min(axis=0)).astype(int) - 2, 0)
    high = np.ceil(grid.reshape(-1, 2).max(axis=0)).astype(int) + 3
    crop = image[low[1] : high[1], low[0] : high[0]]
    if crop.size == 0:
        return np.zeros(grid.shape[:-1])
    maps = (grid - low).astype(np.float32)
    out = cv2.remap(
        crop.astype(np.float32), maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, dtype=np.float64)


def _half_crossing(level: Floats, offsets: Floats) -> Floats:
    """Return where each profile (n, taps) rises through zero nearest its middle; NaN where it never does."""
    rising = (level[:, :-1] < 0) & (level[:, 1:] >= 0)
    middle = np.abs(0.5 * (offsets[:, :-1] + offsets[:, 1:]))
    pick = np.argmin(np.where(rising, middle, np.inf), axis=1)
    rows = np.arange(len(level))
    a, b = level[rows, pick], level[rows, pick + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        place = offsets[rows, pick] + a / (a - b) * (offsets[rows, pick + 1] - offsets[rows, pick])
    return np.where(rising[rows, pick], place, np.nan)


def fit_corners(
    edges: Edges, corners_px: Points2, lens: Lens | None = None, rounds: int = 4
) -> Corners | None:
    """Fit one homography and one edge shift to a target's boundary points.

    Parameters
    ----------
    edges : Edges
        Boundary points of the target in the photo.
    corners_px : Points2
        (4, 2) px start.
    lens : Lens or None
        With a lens the homography holds in the undistorted image, as it must on a photo with distortion, and the
        corners returned are the distorted ones again.
    rounds : int
        Gauss-Newton steps, each with the weights of the one before.

    Returns
    -------
    Corners or None
        None when the fit is singular.
    """
    points, normals, corners = edges.points_px, edges.normals_px, np.array(corners_px)
    if lens is not None:
        points, normals = _undistorted(points, normals, lens)
        corners = lens.focal_px * undistort_points(corners, lens)
    centre, size = corners.mean(axis=0), float(np.ptp(corners, axis=0).max())
    points, h = (points - centre) / size, homography_from_corners((corners - centre) / size)
    weight = np.ones(len(points))
    for _ in range(rounds):
        predicted, jacobian = _normal_jacobian(h, edges.points_target, normals)
        residual = ((points - predicted) * normals).sum(axis=1)
        weighted = jacobian * weight[:, None]
        try:
            inverse = np.linalg.inv(weighted.T @ jacobian)
        except np.linalg.LinAlgError:
            return None
        step = inverse @ (weighted.T @ residual)
        h = h + np.append(step[:8], 0.0).reshape(3, 3)
        after = residual - jacobian @ step
        spread = 1.4826 * float(np.median(np.abs(after))) + 1e-9
        weight = 1.0 / (1.0 + (after / (3 * spread)) ** 2)
    if not np.isfinite(h).all():
        return None
    rms = size * float(np.sqrt((weight * after**2).sum() / weight.sum()))
    fitted, slope = _corner_slope(h)
    covariance = SHARED_PIXELS * rms**2 * slope @ inverse[:8, :8] @ slope.T + SYSTEMATIC_PX**2 * np.eye(8)
    corners = fitted * size + centre
    if lens is not None:
        ideal = np.column_stack([corners / lens.focal_px, np.ones(4)])
        corners = project_points(ideal, lens)
    return Corners(corners, covariance, size * float(step[8]), rms)


def _normal_jacobian(h: Floats, points: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Return predicted points (n, 2) and d(normal . predicted + shift)/d(h11..h32, shift) as (n, 9)."""
    x, y = points[:, 0], points[:, 1]
    w = points @ h[2, :2] + h[2, 2]
    predicted = (points @ h[:2, :2].T + h[:2, 2]) / w[:, None]
    n = normals / w[:, None]
    along = -(n * predicted).sum(axis=1)
    columns = [n[:, 0] * x, n[:, 0] * y, n[:, 0], n[:, 1] * x, n[:, 1] * y, n[:, 1], along * x, along * y]
    return predicted, np.column_stack([*columns, np.ones(len(x))])


def _corner_slope(h: Floats) -> tuple[Floats, Floats]:
    """Return the corners (4, 2) of a homography and their derivative by h11..h32 as (8, 8)."""
    corners, by_x = _normal_jacobian(h, CORNERS, np.tile([1.0, 0.0], (4, 1)))
    _, by_y = _normal_jacobian(h, CORNERS, np.tile([0.0, 1.0], (4, 1)))
    return corners, np.stack([by_x[:, :8], by_y[:, :8]], axis=1).reshape(8, 8)


def _undistorted(points: Floats, normals: Floats, lens: Lens) -> tuple[Floats, Floats]:
    """Return boundary points and normals in the undistorted image (px about the principal point)."""
    along = 0.5 * np.column_stack([-normals[:, 1], normals[:, 0]])
    both = lens.focal_px * undistort_points(np.concatenate([points, points + along, points - along]), lens)
    n = len(points)
    tangent = both[n : 2 * n] - both[2 * n :]
    across = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    return both[:n], across / np.linalg.norm(across, axis=1, keepdims=True)
