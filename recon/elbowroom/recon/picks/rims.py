"""Round rims under a rough pick: the ellipse of a hole, washer or bolt head in a grey photo, with its covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.recon.picks.crossings import Grey, Patch, cross, nearness
from elbowroom.recon.picks.leastsquares import inverse
from elbowroom.recon.picks.snap import check_pick
from elbowroom.shared.arrays import Bools, Floats, Points2

RIM_REACH_PX = 120.0
"""Largest radius looked for unless told: a 12 mm hole from 300 mm away in a 12-megapixel photo."""

MOST_RIM_PX = 1000.0
"""Largest radius that can be asked for: half the height of such a photo is no hole under a pick any more."""

LEAST_RIM_PX = 3.0
"""Smaller rims have no dark middle left between their blurred edges."""

RAYS = 72
"""Rays from the pick on which a rim is first looked for."""

EDGES_A_RAY = 4
"""Strongest edges kept on each ray: a hole, its chamfer, a washer, the thing behind."""

TRIES = 400
"""Ellipses tried through five random edges; with half of the edges right, one in 32 tries is."""

LEAST_SHARE = 0.6
"""Share of the rim that must be seen: an arc shorter than this lets the ellipse lean as it likes."""

INNER, INNER_SHARE = 0.85, 0.35
"""A rim smaller than 0.85 of another goes before it if it is at least this share as strong: it lies under the pick."""

MOST_FLAT = 6.0
"""Longest axis over shortest: at 6, a hole is looked at from 10 degrees above its face and shows its wall instead."""

SAMPLES = (24, 120)
"""Least and most places at which a rim is measured, one every 2 px or so between."""

AGREED_PX, GROSS_PX = 0.3, 1.0
"""A rim point within 0.3 px of the rest belongs to the rim; one four times their spread off, or 1 px, does not."""

MOST_SD_PX = 0.5
"""Rim points that scatter by more than half a pixel are those of several edges, or of no ellipse."""

SETTLED_PX = 1e-4
"""Gauss-Newton steps below this end the fit."""


@dataclass(frozen=True, eq=False)
class EllipseSnap:
    """The ellipse of a rim: centre (2,) px and shape (2, 2) px, the symmetric matrix that takes the unit circle to it.

    `covariance` (5, 5) px² is that of centre x, y and shape xx, xy, yy; `points_px` (n, 2) are the rim points it was
    fitted to, `sd_px` the sd of one of them across the rim, `share` how much of the rim they cover. `step` is the
    rim's step in grey levels, positive where it is brighter outside.
    """

    xy_px: Floats
    shape_px: Floats
    covariance: Floats
    points_px: Points2
    sd_px: float
    share: float
    step: float

    @property
    def semi_axes_px(self) -> tuple[float, float]:
        """The longer and the shorter half axis, px."""
        short, long = np.linalg.eigvalsh(self.shape_px)
        return float(long), float(short)

    @property
    def angle_rad(self) -> float:
        """The turn of the longer axis from the photo's x, rad, towards y; -pi/2 to pi/2."""
        x, y = np.linalg.eigh(self.shape_px)[1][:, 1]
        return float(np.arctan(y / x)) if x else np.pi / 2

    @property
    def centre_sd_px(self) -> float:
        """The standard deviation of the centre in its worse direction, px."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance[:2, :2])[-1]))


def snap_ellipse(
    grey: Grey, xy_px: Floats, *, reach_px: float = RIM_REACH_PX, seed: int = 0
) -> EllipseSnap | None:
    """Return the rim round a rough pick inside it, or None when there is none within reach.

    Of several rims the clearest counts, its strength weighed down with its size.

    Parameters
    ----------
    grey : Grey
        (rows, columns), 0 to 255 as coded.
    xy_px : Floats
        (2,) px, anywhere inside the rim, better near its middle.
    reach_px : float
        Furthest the rim may lie from the pick.
    seed : int
        Of the random tries.

    Raises
    ------
    InputError
        A photo that is not grey, a pick outside it, a reach below 1 or above 1000 px.

    Source: random sample consensus, Fischler and Bolles 1981; direct fit, Halir and Flusser 1998 (from memory).
    """
    pick = check_pick(grey, xy_px, reach_px, MOST_RIM_PX)
    patch = Patch.around(grey, pick, reach_px + 12.0)
    if patch is None:
        return None
    conic = _likely_conic(patch, pick, reach_px, np.random.default_rng(seed))
    start = None if conic is None else _shape_of(conic)
    if start is None:
        return None
    return _settle(patch, pick, reach_px, (start[0] + pick, start[1]))


def fit_ellipse(points_px: Points2, sds_px: Floats) -> tuple[Floats, Floats, Floats] | None:
    """Return centre (2,), shape (2, 2) and cofactor (5, 5) of the ellipse through points with sds; None when none fits.

    Least squares of the distances across the rim, weighed down beyond two robust sigmas (Huber), from a direct start.
    """
    middle = points_px.mean(axis=0)
    size = float(np.abs(points_px - middle).max())
    conic = _direct((points_px - middle) / size)
    start = None if conic is None else _shape_of(conic)
    if start is None:
        return None
    x = np.concatenate([start[0] * size + middle, start[1][[0, 0, 1], [0, 1, 1]] * size])
    share = np.ones(len(points_px))
    for _ in range(30):
        off, rows = _across(points_px, x)
        z = np.abs(off) / sds_px
        spread = max(1.0, 1.4826 * float(np.median(z)))
        share = np.minimum(1.0, 2.0 * spread / np.maximum(z, 1e-12))
        weight = share / sds_px**2
        normal = (rows * weight[:, None]).T @ rows
        if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e14:
            return None
        step = np.linalg.solve(normal, -(rows * weight[:, None]).T @ off)
        x = x + step
        if np.abs(step).max() < SETTLED_PX:
            shape = np.array([[x[2], x[3]], [x[3], x[4]]])
            return (x[:2], shape, inverse(normal)) if np.linalg.det(shape) > 0 else None
    return None


def rim_distances(points_px: Points2, centre: Floats, shape: Floats) -> Floats:
    """Return how far points (n, 2) lie outside an ellipse (n,) px, to first order."""
    return _across(points_px, np.concatenate([centre, shape[[0, 0, 1], [0, 1, 1]]]))[0]


def _across(points: Points2, x: Floats) -> tuple[Floats, Floats]:
    """First-order distances (n,) from the ellipse, and their derivatives (n, 5) by centre and shape.

    With u = S^-1 (p - c), f = |u| - 1 and its gradient g = S^-1 u / |u|: the distance is f / |g|.
    """
    shape = np.array([[x[2], x[3]], [x[3], x[4]]])
    back = np.linalg.inv(shape)
    u = (points - x[:2]) @ back
    length = np.linalg.norm(u, axis=1)
    g = (u / length[:, None]) @ back
    steep = np.linalg.norm(g, axis=1)
    by_shape = np.column_stack([g[:, 0] * u[:, 0], g[:, 0] * u[:, 1] + g[:, 1] * u[:, 0], g[:, 1] * u[:, 1]])
    return (length - 1) / steep, -np.column_stack([g, by_shape]) / steep[:, None]


# --- first guess ---------------------------------------------------------------------------------------------


def _likely_conic(patch: Patch, pick: Floats, reach_px: float, rng: np.random.Generator) -> Floats | None:
    """Return the conic (6,) about the pick that most rays, and the strongest edges on them, agree on."""
    angles = np.arange(RAYS) * 2 * np.pi / RAYS
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    chosen: tuple[float, float, Floats, Floats] | None = None
    for rising in (1, -1):
        places, strengths = _edges_on_rays(patch, pick, rays, reach_px, rising)
        usable = np.flatnonzero(np.isfinite(places[:, 0]))
        if len(usable) < LEAST_SHARE * RAYS:
            continue
        tried = _five_point_conics(places, rays, usable, rng)
        scores, sizes = _scores(tried, rays, places, strengths, reach_px)
        for within in (np.inf, INNER * sizes[int(scores.argmax())]):
            i = int(np.where(sizes < within, scores, 0).argmax())
            if scores[i] > 0 and _better(scores[i], sizes[i], chosen):
                chosen = (float(scores[i]), float(sizes[i]), tried[i], places)
    return None if chosen is None else _refit(chosen[2], rays, chosen[3])


def _better(score: float, size: float, than: tuple[float, float, Floats, Floats] | None) -> bool:
    """Whether a rim is to be taken before another: a pick in a hole means the first clear rim round it."""
    if than is None:
        return True
    if size < INNER * than[1]:
        return score > INNER_SHARE * than[0]
    return score * (INNER_SHARE if size * INNER > than[1] else 1.0) > than[0]


def _edges_on_rays(
    patch: Patch, pick: Floats, rays: Points2, reach_px: float, rising: int
) -> tuple[Floats, Floats]:
    """Return radii px and strengths (rays, EDGES_A_RAY) of edges of one sign; nan and 0 where there are fewer."""
    radii = np.arange(LEAST_RIM_PX - 1, reach_px + 1, 0.5)
    grid = pick + radii[None, :, None] * rays[:, None]
    slope = rising * (patch.gradients(grid) * rays[:, None]).sum(axis=2) * patch.holds(grid)
    inner = slope[:, 1:-1]
    crest = (inner >= slope[:, :-2]) & (inner > slope[:, 2:]) & (inner >= patch.threshold)
    strengths = np.where(crest, inner, 0.0)
    order = np.argsort(-strengths, axis=1)[:, :EDGES_A_RAY]
    rows = np.arange(len(rays))[:, None]
    kept = strengths[rows, order]
    return np.where(kept > 0, radii[1:-1][order], np.nan), kept


def _five_point_conics(
    places: Floats, rays: Points2, usable: npt.NDArray[np.intp], rng: np.random.Generator
) -> Floats:
    """Return conics (TRIES, 6) through five edges, each from a fifth of the rays all round."""
    fifth = len(usable) / 5
    turn = rng.uniform(0, len(usable), (TRIES, 1))
    chosen = ((turn + fifth * (np.arange(5) + rng.uniform(0, 1, (TRIES, 5)))) % len(usable)).astype(int)
    row = usable[np.minimum(chosen, len(usable) - 1)]
    column = np.minimum(rng.geometric(0.6, row.shape) - 1, np.isfinite(places).sum(axis=1)[row] - 1)
    return _conics_through(places[row, column][:, :, None] * rays[row])


def _conics_through(points: Floats) -> Floats:
    """Return the conics (tries, 6) through five points each (tries, 5, 2)."""
    x, y = points[:, :, 0], points[:, :, 1]
    size = np.abs(points).max(axis=(1, 2))[:, None]
    x, y = x / size, y / size
    rows = np.stack([x * x, x * y, y * y, x, y, np.ones_like(x)], axis=2)
    conics = np.linalg.svd(rows)[2][:, 5]
    return conics / np.concatenate([size**2, size**2, size**2, size, size, np.ones_like(size)], axis=1)


def _radii(conics: Floats, rays: Points2) -> Floats:
    """Return where rays from the pick meet conics (tries, rays) px; nan for conics that don't close round it."""
    c, s = rays.T
    a = conics[:, :1] * c * c + conics[:, 1:2] * c * s + conics[:, 2:3] * s * s
    b = conics[:, 3:4] * c + conics[:, 4:5] * s
    f = conics[:, 5:6]
    closed = 4 * conics[:, 0] * conics[:, 2] - conics[:, 1] ** 2 > 0
    with np.errstate(all="ignore"):
        inside = a * f < 0
        root = (-b + np.sign(a) * np.sqrt(b * b - 4 * a * f)) / (2 * a)
    return np.where(inside & closed[:, None], root, np.nan)


def _scores(
    conics: Floats, rays: Points2, places: Floats, strengths: Floats, reach_px: float
) -> tuple[Floats, Floats]:
    """Return each conic's score (tries,), 0 for what is no rim round the pick, and its mean radius px."""
    radii = _radii(conics, rays)
    off = np.abs(places[None] - radii[:, :, None])
    near = np.where(np.isfinite(off), off, np.inf)
    nearest = near.argmin(axis=2)
    met = near.min(axis=2) < 1.0 + 0.02 * np.nan_to_num(radii)
    strength = np.take_along_axis(strengths[None], nearest[:, :, None], axis=2)[:, :, 0] * met
    share = met.mean(axis=1)
    largest, least = np.nan_to_num(radii, nan=np.inf).max(axis=1), np.nan_to_num(radii).min(axis=1)
    fit = (share >= LEAST_SHARE) & (largest <= 1.2 * reach_px) & (least > 0)
    far = np.where(fit, np.nan_to_num(radii).mean(axis=1), 0)
    score = share**2 * strength.sum(axis=1) / len(rays) * nearness(far, reach_px)
    return np.where(fit, score, 0.0), far


def _refit(conic: Floats, rays: Points2, places: Floats) -> Floats | None:
    """Return the direct fit through every ray's edge nearest to a conic."""
    radius = _radii(conic[None], rays)[0]
    off = np.where(np.isfinite(places), np.abs(places - radius[:, None]), np.inf)
    row = np.flatnonzero(off.min(axis=1) < 1.0 + 0.02 * np.nan_to_num(radius))
    points = places[row, off.argmin(axis=1)[row], None] * rays[row]
    size = float(np.abs(points).max())
    found = _direct(points / size)
    return None if found is None else found / np.array([size**2, size**2, size**2, size, size, 1])


def _direct(points: Points2) -> Floats | None:
    """Return the ellipse (6,) of least algebraic distance from points scaled to about 1.

    Source: Halir and Flusser, "Numerically stable direct least squares fitting of ellipses", 1998 (from memory).
    """
    x, y = points.T
    square, plain = np.column_stack([x * x, x * y, y * y]), np.column_stack([x, y, np.ones_like(x)])
    try:
        back = -np.linalg.solve(plain.T @ plain, plain.T @ square)
        reduced = square.T @ square + (square.T @ plain) @ back
        turned = np.array([reduced[2] / 2, -reduced[1], reduced[0] / 2])
        _, vectors = np.linalg.eig(turned)
    except np.linalg.LinAlgError:
        return None
    vectors = np.real(vectors)
    inner = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    if not (inner > 0).any():
        return None
    first = vectors[:, int(np.argmax(inner > 0))]
    return np.concatenate([first, back @ first])


def _shape_of(conic: Floats) -> tuple[Floats, Floats] | None:
    """Return centre (2,) and shape (2, 2) of an ellipse given as a conic (6,)."""
    a, b, c, d, e, f = conic
    square = np.array([[a, b / 2], [b / 2, c]])
    if np.linalg.det(square) <= 0:
        return None
    centre = np.linalg.solve(2 * square, [-d, -e])
    level = centre @ square @ centre - f
    values, axes = np.linalg.eigh(square / level) if level else (np.zeros(2), square)
    if (values <= 0).any():
        return None
    return centre, axes @ np.diag(values**-0.5) @ axes.T


# --- the fit -------------------------------------------------------------------------------------------------


def _settle(patch: Patch, pick: Floats, reach_px: float, start: tuple[Floats, Floats]) -> EllipseSnap | None:
    """Measure the rim where the ellipse says it is, fit, and once more from there."""
    centre, shape = start
    found: EllipseSnap | None = None
    for search in (3.0, 1.5, 1.5):
        short, long = np.linalg.eigvalsh(shape)
        if not (short >= LEAST_RIM_PX and long <= MOST_FLAT * short and long <= 1.5 * reach_px):
            return None
        found = _measure(patch, centre, shape, min(search, 0.4 * float(short)))
        if found is None:
            return None
        centre, shape = found.xy_px, found.shape_px
    assert found is not None
    inside = float(np.linalg.norm(np.linalg.solve(shape, pick - centre))) < 1
    return found if inside and found.share >= LEAST_SHARE and found.sd_px <= MOST_SD_PX else None


def _measure(patch: Patch, centre: Floats, shape: Floats, search_px: float) -> EllipseSnap | None:
    count = int(np.clip(np.pi * np.trace(shape) / 2, *SAMPLES))
    angles = np.arange(count) * 2 * np.pi / count
    round_ = np.column_stack([np.cos(angles), np.sin(angles)])
    places = centre + round_ @ shape
    normals = round_ @ np.linalg.inv(shape)
    steep = np.linalg.norm(normals, axis=1)
    normals /= steep[:, None]
    rising = int(np.sign(np.median((patch.gradients(places) * normals).sum(axis=1))))
    half = min(5.0, 0.8 * float(np.linalg.eigvalsh(shape)[0]))
    found = cross(patch, places, normals, search_px=search_px, half_px=half, rising=rising)
    if found.found.sum() < 8:
        return None
    # blur pulls a bent edge to its hollow side by s^2 / 2r; 1/r = |g|^3 det(S)^2 on the ellipse
    bend = 1 / (steep**3 * np.linalg.det(shape) ** 2)
    points = found.points(places, normals) + (found.blur_px**2 * bend / 2)[:, None] * normals
    return _robust(
        points[found.found], found.sds_px[found.found], count, float(np.median(found.heights[found.found]))
    )


def _robust(points: Points2, sds: Floats, count: int, height: float) -> EllipseSnap | None:
    """Fit to the points most of which agree, let others in that fit as well; the doubt grows with what is left over."""
    sds = np.maximum(sds, 1e-3)
    kept, fitted = _agreeing(points, sds), None
    for _ in range(3):
        fitted = fit_ellipse(points[kept], sds[kept]) if kept.sum() >= 8 else None
        if fitted is None:
            return None
        off = np.abs(rim_distances(points, *fitted[:2]))
        kept = off <= np.clip(4 * 1.4826 * float(np.median(off[kept])), AGREED_PX, GROSS_PX)
    assert fitted is not None
    centre, shape, cofactor = fitted
    off = rim_distances(points[kept], centre, shape)
    factor = max(1.0, float(((off / sds[kept]) ** 2).sum()) / max(int(kept.sum()) - 5, 1))
    one = float(np.sqrt(factor * np.median(sds[kept] ** 2)))
    return EllipseSnap(
        centre, shape, factor * cofactor, points[kept], one, float(kept.sum()) / count, 255 * height
    )


def _agreeing(points: Points2, sds: Floats) -> Bools:
    """Return which points lie on the conic through five of them that most lie on: a hidden rim's other edges don't."""
    middle = points.mean(axis=0)
    at = points - middle
    chosen = np.random.default_rng(0).integers(0, len(points), (TRIES // 2, 5))
    a, b, c, d, e, f = _conics_through(at[chosen]).T[:, :, None]
    x, y = at.T
    level = a * x * x + b * x * y + c * y * y + d * x + e * y + f
    steep = np.hypot(2 * a * x + b * y + d, b * x + 2 * c * y + e)
    near = np.abs(level) <= np.maximum(AGREED_PX, 3 * sds) * np.maximum(steep, 1e-300)
    near &= 4 * a * c - b * b > 0
    return np.asarray(near[int(near.sum(axis=1).argmax())])
