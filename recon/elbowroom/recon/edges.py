"""Corners of a coded target from all its black/white boundaries, by one homography with a signed edge shift.

Blur, gamma, sharpening and ink spread move every boundary the same way, so a black square looks small or big and a
distance taken from four corners alone is up to 1 % wrong. Here the boundaries inside the pattern, which have black on
one side and on the other, let that shift be a parameter of the fit instead of an error of the corners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from elbowroom.recon.pattern import CORNERS
from elbowroom.shared.arrays import Bools, Floats, Points2
from elbowroom.shared.lens import coefficients_of, distort, distort_derivative, undistort_points
from elbowroom.shared.scene import Lens

SHARED_PIXELS = 3.0
"""Neighbouring samples of one boundary share their pixels: three count as one in the covariance."""

SYSTEMATIC_PX = 0.01
"""Floor added to each corner's standard deviation: what neighbouring boundaries and uneven light leave behind."""

FADING_SIGMAS = 3.0
"""A boundary point this many robust sigmas off counts half."""


@dataclass(frozen=True, eq=False)
class Edges:
    """Boundary points of one target found in one photo.

    `points_px` (n, 2) lie on the boundary, `normals_px` (n, 2) unit, black to white; `points_target` (n, 2) are the
    same places in a target of side 1.
    """

    points_px: Points2
    normals_px: Points2
    points_target: Points2


@dataclass(frozen=True, eq=False)
class Corners:
    """A target's corners (4, 2) px as printed order tl, tr, br, bl, their covariance (8, 8) px², and the edge shift.

    `shift_px` is how far the boundaries have moved from black to white; `rms_px` is what is left at them.
    """

    corners_px: Points2
    covariance_px2: Floats
    shift_px: float
    rms_px: float


@dataclass(frozen=True, eq=False)
class _Batch:
    """Boundary points of t targets padded to the longest: points, normals, places (2, t, m), and which (t, m) are real."""

    points_px: Floats
    normals_px: Floats
    points_target: Floats
    real: Bools


@dataclass(frozen=True, eq=False)
class _Plane:
    """The plane in which the homographies hold, scaled about each target: px without a lens, ideal with one.

    `centre` (2, t, 1) and `size` (t, 1) are the targets'.
    """

    centre: Floats
    size: Floats
    lens: Lens | None

    def pixels(self, scaled: Floats, normals_px: Floats) -> tuple[Floats, Floats]:
        """Return pixels of scaled points (2, t, m), and d(normal . pixel)/d(scaled point) (2, t, m)."""
        flat = scaled * self.size + self.centre
        if self.lens is None:
            return flat, normals_px * self.size
        ideal, coefficients = flat.reshape(2, -1).T, coefficients_of(self.lens)
        pixels = self.lens.focal_px * distort(ideal, coefficients) + [self.lens.cx_px, self.lens.cy_px]
        slope = distort_derivative(ideal, coefficients).reshape(*self.size.shape[:1], -1, 2, 2)
        scale = self.lens.focal_px * self.size
        covector = [
            scale * (normals_px[0] * slope[..., 0, k] + normals_px[1] * slope[..., 1, k]) for k in (0, 1)
        ]
        return pixels.T.reshape(flat.shape), np.stack(covector)


def homographies(corners: Floats) -> Floats:
    """Return the (t, 3, 3) homographies taking a target of side 1 to corners (t, 4, 2), scaled to h33 = 1."""
    x, y = np.broadcast_to(CORNERS, corners.shape).transpose(2, 0, 1)
    u, v = corners.transpose(2, 0, 1)
    zero, one = np.zeros_like(u), np.ones_like(u)
    by_u = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=-1)
    by_v = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=-1)
    rows = np.stack([by_u, by_v], axis=2).reshape(-1, 8, 8)
    solved = np.linalg.solve(rows, corners.reshape(-1, 8, 1))[:, :, 0]
    return np.column_stack([solved, np.ones(len(solved))]).reshape(-1, 3, 3)


def fit_corners(
    edges: Sequence[Edges], corners_px: Floats, lens: Lens | None = None, rounds: int = 4
) -> list[Corners | None]:
    """Fit to each target's boundary points one homography and one edge shift.

    Parameters
    ----------
    edges : sequence of Edges
        Boundary points of t targets in one photo.
    corners_px : Floats
        (t, 4, 2) px start.
    lens : Lens or None
        With a lens the homography holds in the ideal image, as it must on a photo with distortion.
    rounds : int
        Gauss-Newton steps, each with the weights of the one before.

    Returns
    -------
    list of Corners or None
        One a target; None where the boundary points fix no homography.
    """
    if not any(len(e.points_px) for e in edges):
        return [None] * len(edges)
    batch, plane, h = _stacked(edges), *_start(np.asarray(corners_px, dtype=np.float64), lens)
    weight = batch.real.astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for _ in range(rounds):
            predicted, jacobian = _model(h, plane, batch.points_target, batch.normals_px)
            residual = _dot(batch.points_px - predicted, batch.normals_px)
            weighted = jacobian * weight[:, None]
            cofactor = _inverse(weighted @ jacobian.transpose(0, 2, 1))
            step = (cofactor @ (weighted @ residual[:, :, None]))[:, :, 0]
            h[:, :8] += step[:, :8]
            after = residual - (step[:, None] @ jacobian)[:, 0]
            spread = 1.4826 * _medians(np.abs(after), batch.real) + 1e-9
            weight = batch.real / (1.0 + (after / (FADING_SIGMAS * spread[:, None])) ** 2)
        rms = np.sqrt((weight * after**2).sum(axis=1) / weight.sum(axis=1))
        corners, slope = _corner_slope(h, plane)
        doubt = (
            SHARED_PIXELS * rms[:, None, None] ** 2 * slope @ cofactor[:, :8, :8] @ slope.transpose(0, 2, 1)
        )
    doubt = doubt + SYSTEMATIC_PX**2 * np.eye(8)
    good = np.isfinite(corners).all(axis=(1, 2)) & np.isfinite(doubt).all(axis=(1, 2))
    return [
        Corners(c, d, float(s), float(r)) if g else None
        for c, d, s, r, g in zip(corners, doubt, step[:, 8], rms, good, strict=True)
    ]


def _stacked(edges: Sequence[Edges]) -> _Batch:
    count = np.array([len(e.points_px) for e in edges])
    real = np.arange(count.max()) < count[:, None]
    padded = np.zeros((3, 2, *real.shape))
    for i, (e, n) in enumerate(zip(edges, count, strict=True)):
        padded[0, :, i, :n], padded[1, :, i, :n], padded[2, :, i, :n] = (
            e.points_px.T,
            e.normals_px.T,
            e.points_target.T,
        )
    return _Batch(padded[0], padded[1], padded[2], real)


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[0] * b[0] + a[1] * b[1])


def _start(corners_px: Floats, lens: Lens | None) -> tuple[_Plane, Floats]:
    """Return the plane of the homographies and the homographies (t, 9) of the corners (t, 4, 2) px in it."""
    flat = corners_px
    if lens is not None:
        flat = undistort_points(corners_px.reshape(-1, 2), lens).reshape(-1, 4, 2)
    centre, size = flat.mean(axis=1), np.ptp(flat, axis=1).max(axis=1)
    scaled = (flat - centre[:, None]) / size[:, None, None]
    return _Plane(centre.T[:, :, None], size[:, None], lens), homographies(scaled).reshape(-1, 9)


def _model(h: Floats, plane: _Plane, points: Floats, normals_px: Floats) -> tuple[Floats, Floats]:
    """Return predicted pixels (2, t, m) and d(normal . pixel + shift)/d(h11..h32, shift) as (t, 9, m)."""
    (x, y), k = points, h.T[:, :, None]
    w = k[6] * x + k[7] * y + k[8]
    scaled = np.stack([(k[0] * x + k[1] * y + k[2]) / w, (k[3] * x + k[4] * y + k[5]) / w])
    pixels, covector = plane.pixels(scaled, normals_px)
    a, b = covector / w
    along = -(a * scaled[0] + b * scaled[1])
    jacobian = np.empty((len(x), 9, x.shape[1]))
    for i, part in ((0, a), (3, b), (6, along)):
        jacobian[:, i], jacobian[:, i + 1] = part * x, part * y
    jacobian[:, 2], jacobian[:, 5], jacobian[:, 8] = a, b, 1.0
    return pixels, jacobian


def _corner_slope(h: Floats, plane: _Plane) -> tuple[Floats, Floats]:
    """Return the corners (t, 4, 2) px of homographies and their derivatives by h11..h32 as (t, 8, 8)."""
    points = np.broadcast_to(np.tile(CORNERS.T, 2)[:, None], (2, len(h), 8))
    normals = np.broadcast_to(
        np.repeat(np.eye(2), 4, axis=1)[:, None], (2, len(h), 8)
    )  # by x at four, then by y
    pixels, jacobian = _model(h, plane, points, normals)
    slope = jacobian[:, :8].reshape(-1, 8, 2, 4).transpose(0, 3, 2, 1).reshape(-1, 8, 8)
    return pixels[:, :, :4].transpose(1, 2, 0), slope


def _inverse(normal: Floats) -> Floats:
    """Return inverses (t, 9, 9); where the matrix is singular they come out huge, and the covariance with them."""
    diagonal = np.diagonal(normal, axis1=1, axis2=2)
    scale = 1 / np.sqrt(np.maximum(diagonal, 1e-12))
    scaled = normal * scale[:, :, None] * scale[:, None, :] + 1e-13 * np.eye(9)
    return np.asarray(np.linalg.inv(scaled) * scale[:, :, None] * scale[:, None, :], dtype=np.float64)


def _medians(values: Floats, real: Bools) -> Floats:
    """Return each row's median over its real entries (t,)."""
    ordered = np.sort(np.where(real, values, np.inf), axis=1)
    return ordered[np.arange(len(ordered)), (real.sum(axis=1) - 1) // 2]
