"""Grey profiles across a target's black/white boundaries, and where each crosses from black to white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from elbowroom.recon.edges import Corners, Edges, fit_corners, homographies
from elbowroom.recon.pattern import MODULES, EdgeSamples, Family, edge_samples
from elbowroom.recon.templates import Drawing, place_by_drawing
from elbowroom.shared.arrays import Bools, Floats, Image, Ints

PROFILE_TAPS = 13
"""Samples across a boundary; 17 or 21 gave corners no better."""

REACH_PX = 5.0
"""Half length of the profile across a boundary: beyond it a phone's blur (0.5 to 1.5 px sigma) has died out. With 3 px
the levels of a soft photo were read too early and its targets came out 0.06 px small at each corner."""

REACH_MODULES = 0.5
"""...and never past the middle of the next module, where the next boundary begins to be felt."""

FIT_ROUNDS = 3
"""Profile-and-fit rounds at most: the first moves up to a pixel or two, the second below 0.05 px."""

FIRST_SHARE = 3
"""The first round only comes near: it reads one in three samples, the middle one of each module's boundary."""

SETTLED_PX = 0.3
"""Profiles read this near the boundary give it as well as any: further rounds move corners less than 0.01 px."""

LOST_PX = 12.0
"""A fit that moves a corner further than this has followed something else."""

MIN_CONTRAST = 12.0
"""Grey levels between black and white sides below which a boundary sample is left out (8-bit noise is 2 to 4)."""

ODD_LEVEL = 0.4
"""A side whose grey is off the target's typical black or white by this share of their difference is something else, laid
over the target; a shadow that halves the light stays below it (0.3 after a photo's gamma)."""

LEAST_SAMPLES = 40
"""Boundary samples of one target below which its homography is not fitted: a fifth of what a whole target has."""


SMALL_MODULE_PX = 6.0
"""Targets whose shortest modules are under this are placed by their drawn pattern: above, neighbours 2 to 3 blurs away
no longer matter."""

DRAWING_ROUNDS, DRAWN_PX, BLURS_ENOUGH, DRAWING_REACH_MODULES = 4, 0.06, 3, 0.7
"""Rounds of drawing and fitting at most, and the step (px) after which they end; how many blurs found tell the photo's;
half length of the profiles that are fitted."""


@dataclass(frozen=True, eq=False)
class _Boundaries:
    """Boundary samples of several targets laid into the photo; `owner` (n,) says whose each is.

    `centre_px`, `across_px` (n, 2) are place and unit normal, `reach_px` (n,) the half length of the profile.
    """

    owner: Ints
    centre_px: Floats
    across_px: Floats
    reach_px: Floats
    points_target: Floats


def find_edges(
    image: Image, targets: Sequence[int], corners_px: Floats, family: Family | None = None
) -> list[tuple[Edges, Corners] | None]:
    """Return the boundary points of targets near approximate corners, and the corners fitted to them.

    Parameters
    ----------
    image : Image
        (rows, columns) 8-bit grey.
    targets : sequence of int
        Ids of t targets.
    corners_px : Floats
        (t, 4, 2) px, up to about 3 px off.
    family : Family, optional
        Of the targets, unless they are of the one that is printed.

    Returns
    -------
    list of (Edges, Corners) or None
        None for a target that shows too few of its boundaries.
    """
    samples = [edge_samples(t, family) for t in targets]
    corners = np.array(corners_px, dtype=np.float64).reshape(-1, 4, 2)
    out: list[tuple[Edges, Corners] | None] = [None] * len(samples)
    going = list(range(len(samples)))
    for turn in range(FIT_ROUNDS):
        chosen = [samples[i].every(1 if turn else FIRST_SHARE) for i in going]
        least = LEAST_SAMPLES if turn else LEAST_SAMPLES // FIRST_SHARE
        read = _read(image, _laid(chosen, corners[going]), len(going), least)
        seen = [(i, edges) for i, edges in zip(going, read, strict=True) if edges is not None]
        out = [None if i in going else kept for i, kept in enumerate(out)]
        going = []
        for i, edges, fitted, moved in _fitted(seen, corners):
            if moved <= LOST_PX:
                out[i], corners[i] = (edges, fitted), fitted.corners_px
                going += [i] if moved > SETTLED_PX or not turn else []
        if not going:
            break
    _refine_small(image, targets, samples, out, family)
    return out


def _refine_small(
    image: Image,
    targets: Sequence[int],
    samples: Sequence[EdgeSamples],
    found: list[tuple[Edges, Corners] | None],
    family: Family | None,
) -> None:
    """Place the boundaries of small targets anew, in place: the profiles of their modules run into one another."""
    blurs: list[float] = []
    for i, pair in enumerate(found):
        if pair is None or _module_px(pair[1].corners_px) > SMALL_MODULE_PX:
            continue
        for turn in range(DRAWING_ROUNDS):
            drawing = Drawing(targets[i], pair[1].corners_px, pair[1].shift_px if turn else 0.0, family)
            again = _drawn(image, drawing, samples[i], pair[1].corners_px, _usual(blurs))
            if again is None:
                break
            edges, blur = again
            (fit,) = fit_corners([edges], pair[1].corners_px[None], rounds=3)
            if fit is None:
                break
            step = np.abs(fit.corners_px - pair[1].corners_px).max()
            if step > LOST_PX:
                break
            pair = edges, fit
            blurs.append(blur)
            if turn and step < DRAWN_PX:
                break
        found[i] = pair


def _usual(blurs: Sequence[float]) -> float | None:
    """Return the photo's blur once some of its targets have told it."""
    return float(np.median(blurs)) if len(blurs) >= BLURS_ENOUGH else None


def _module_px(corners_px: Floats) -> float:
    return float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).min()) / MODULES


def _drawn(
    image: Image, drawing: Drawing, samples: EdgeSamples, corners_px: Floats, blur_px: float | None
) -> tuple[Edges, float] | None:
    """Return a target's boundary points placed by its drawn pattern, and the blur that was found to fit."""
    laid = _laid([samples], corners_px[None], DRAWING_REACH_MODULES)
    reach = laid.reach_px[:, None] * laid.across_px
    offsets = _TAPS.astype(np.float64) * laid.reach_px[:, None]
    grid = laid.centre_px[:, None, :] + offsets[:, :, None] * laid.across_px[:, None, :]
    limit = np.array([image.shape[1] - 2, image.shape[0] - 2])
    inside = ((grid[:, [0, -1]] > 1) & (grid[:, [0, -1]] < limit)).all(axis=(1, 2))
    if inside.sum() < LEAST_SAMPLES:
        return None
    edges = Edges(laid.centre_px[inside], laid.across_px[inside], laid.points_target[inside])
    grey = _sample(image, edges.points_px, reach[inside]).astype(np.float64)
    out = place_by_drawing(drawing, grey, grid[inside], offsets[inside], edges, blur_px)
    return None if out is None or len(out[0].points_px) < LEAST_SAMPLES else out


def _fitted(seen: Sequence[tuple[int, Edges]], corners: Floats) -> list[tuple[int, Edges, Corners, float]]:
    """Return targets with their boundary points, the corners fitted to them, and how far (px) those moved."""
    fits = fit_corners([edges for _, edges in seen], corners[[i for i, _ in seen]], rounds=3)
    return [
        (i, edges, fit, float(np.abs(fit.corners_px - corners[i]).max()))
        for (i, edges), fit in zip(seen, fits, strict=True)
        if fit is not None
    ]


def _laid(
    samples: Sequence[EdgeSamples], corners_px: Floats, reach_modules: float = REACH_MODULES
) -> _Boundaries:
    """Return targets' boundary samples where corners (t, 4, 2) px put them."""
    owner = np.repeat(np.arange(len(samples)), [len(s.points) for s in samples])
    points = np.concatenate([s.points for s in samples])
    normals = np.concatenate([s.normals for s in samples])
    h = homographies(corners_px).reshape(-1, 9)[owner].T
    centre, d_along = _map(h, points, np.column_stack([-normals[:, 1], normals[:, 0]]))
    _, d_across = _map(h, points, normals)
    across = np.column_stack([d_along[:, 1], -d_along[:, 0]])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    step = (across * d_across).sum(axis=1)
    across *= np.sign(step)[:, None]
    reach = np.minimum(REACH_PX, reach_modules * np.abs(step) / MODULES)
    return _Boundaries(owner, centre, across, reach, points)


def _map(h: Floats, points: Floats, directions: Floats) -> tuple[Floats, Floats]:
    """Return points (n, 2) mapped by homographies in columns (9, n), and the map's derivative along (n, 2)."""
    (x, y), (dx, dy) = points.T, directions.T
    w = h[6] * x + h[7] * y + h[8]
    u, v = (h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w
    fall = h[6] * dx + h[7] * dy
    slope = [(h[0] * dx + h[1] * dy - u * fall) / w, (h[3] * dx + h[4] * dy - v * fall) / w]
    return np.column_stack([u, v]), np.column_stack(slope)


def _read(image: Image, laid: _Boundaries, count: int, least: int) -> list[Edges | None]:
    """Read grey profiles across the boundaries and place each where it crosses half way between its two sides."""
    limit = np.array([image.shape[1] - 2, image.shape[0] - 2])
    reach = laid.reach_px[:, None] * laid.across_px
    first, last = laid.centre_px - reach, laid.centre_px + reach
    inside = ((np.minimum(first, last) > 1) & (np.maximum(first, last) < limit)).all(axis=1)
    bounds = np.searchsorted(laid.owner, np.arange(count + 1))
    pieces = [slice(a, b) for a, b in pairwise(bounds)]
    grey = np.empty((len(reach), PROFILE_TAPS), np.float32)
    for piece in pieces:
        grey[piece] = _sample(image, laid.centre_px[piece], reach[piece])
    dark, light = 0.5 * (grey[:, 0] + grey[:, 1]), 0.5 * (grey[:, -2] + grey[:, -1])
    place = _half_crossing(grey - 0.5 * (dark + light)[:, None]) * laid.reach_px
    use = inside & (light - dark > MIN_CONTRAST) & np.isfinite(place)
    found = laid.centre_px + place[:, None] * laid.across_px
    out: list[Edges | None] = []
    for piece in pieces:
        u = piece.start + np.flatnonzero(use[piece])
        u = u[_alike(dark[u], light[u])]
        enough = len(u) >= least
        out.append(Edges(found[u], laid.across_px[u], laid.points_target[u]) if enough else None)
    return out


def _alike(dark: Floats, light: Floats) -> Bools:
    """Return which profiles (n,) of a target have the black and the white that most of it has: the rest is covered."""
    if not len(dark):
        return np.zeros(0, dtype=bool)
    black, white = (float(np.partition(v, n := len(v) // 2)[n]) for v in (dark, light))
    off = np.maximum(np.abs(dark - black), np.abs(light - white))
    return np.asarray(off < ODD_LEVEL * (white - black))


_TAPS = np.linspace(-1, 1, PROFILE_TAPS, dtype=np.float32)


def _sample(image: Image, centre_px: Floats, reach_px: Floats) -> np.ndarray:
    """Return one target's grey profiles (n, taps), single precision, `reach_px` (n, 2) to both sides of places (n, 2).

    Bilinear; the crop keeps remap within its size limits.
    """
    room = np.abs(reach_px).max(axis=0)
    low = np.maximum(np.floor(centre_px.min(axis=0) - room).astype(int) - 2, 0)
    high = np.ceil(centre_px.max(axis=0) + room).astype(int) + 3
    crop = image[low[1] : high[1], low[0] : high[0]].astype(np.float32)
    if crop.size == 0:
        return np.zeros((len(centre_px), PROFILE_TAPS), np.float32)
    (cx, cy), (rx, ry) = (centre_px - low).T.astype(np.float32), reach_px.T.astype(np.float32)
    x, y = cx[:, None] + rx[:, None] * _TAPS, cy[:, None] + ry[:, None] * _TAPS
    return np.asarray(cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


_INWARD = np.argsort(np.abs(np.arange(PROFILE_TAPS - 1) - 0.5 * (PROFILE_TAPS - 2)), kind="stable")
"""Gaps between neighbouring taps, those in the middle first."""


def _half_crossing(level: np.ndarray) -> Floats:
    """Return where (n,) profiles (n, taps) rise through zero nearest their middle, -1 to 1; NaN where they never do."""
    below = level < 0
    rising = below[:, :-1] > below[:, 1:]
    pick = _INWARD[rising[:, _INWARD].argmax(axis=1)]
    rows = np.arange(len(level))
    a, b = level[rows, pick].astype(np.float64), level[rows, pick + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        place = _TAPS[pick] + a / (a - b) * (2.0 / (PROFILE_TAPS - 1))
    return np.where(rising[rows, pick], place, np.nan)
