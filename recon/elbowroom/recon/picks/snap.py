"""Help under a pick: the edge or corner of a grey photo nearest to it, to a fraction of a pixel, with its doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from elbowroom.recon.picks.crossings import Crossings, Grey, Patch, cross, nearness
from elbowroom.shared.arrays import Bools, Floats, Points2
from elbowroom.shared.errors import InputError

REACH_PX = 8.0
"""How far from a pick its edge or corner is looked for: what a hand misses by on a photo shown whole."""

MOST_REACH_PX = 200.0
"""A longer reach asks for the wrong thing's edge; rims of holes may be larger (`rims`)."""

SIDE_PX = 5
"""An edge point comes from this many profiles on both sides of it: beyond, an edge may bend."""

ACROSS_DEG = 30.0
"""An edge asked for by direction may lie this far off it."""

ARM_PX = (3.0, 20.0)
"""Part of a corner's arms that is used: nearer in, blur rounds the corner; further out, edges may bend."""

LEAST_ARMS_DEG = 20.0
"""Two edges closer in direction than this make no corner worth the name."""

LEAST_ARM_POINTS = 5
"""Fewer points than this fix no edge."""


@dataclass(frozen=True, eq=False)
class EdgeSnap:
    """The point of an edge nearest to a pick (2,) px, its sd across the edge px, the edge's unit direction (2,) and
    its step in grey levels, positive where the left of the direction is brighter (left as seen with y down)."""

    xy_px: Floats
    sd_px: float
    direction: Floats
    step: float


@dataclass(frozen=True, eq=False)
class CornerSnap:
    """A corner (2,) px, its covariance (2, 2) px², and the unit directions (2, 2) of its two edges."""

    xy_px: Floats
    covariance_px2: Floats
    directions: Floats

    @property
    def sd_px(self) -> float:
        """The standard deviation in its worse direction, px."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance_px2)[-1]))


def snap_edge(
    grey: Grey, xy_px: Floats, *, direction: Floats | None = None, reach_px: float = REACH_PX
) -> EdgeSnap | None:
    """Return the edge point nearest to a pick, or None when there is no edge within reach.

    Of several edges the strongest counts, its strength weighed down with distance: never a weaker one beyond a
    stronger.

    Parameters
    ----------
    grey : Grey
        (rows, columns), 0 to 255 as coded; only a small part round the pick is read.
    xy_px : Floats
        (2,) px.
    direction : Floats, optional
        (2,) px: only edges that run within 30 degrees of it.
    reach_px : float

    Raises
    ------
    InputError
        A photo that is not grey, a pick outside it, a reach below 1 or above 200 px.
    """
    pick = check_pick(grey, xy_px, reach_px)
    patch = Patch.around(grey, pick, reach_px + 14.0)
    if patch is None:
        return None
    along = None if direction is None else np.asarray(direction, dtype=np.float64)
    start = _steepest(patch, pick, reach_px, along)
    return None if start is None else _settle_edge(patch, pick, reach_px, start)


def snap_corner(grey: Grey, xy_px: Floats, *, reach_px: float = REACH_PX) -> CornerSnap | None:
    """Return the corner nearest to a pick as the meeting of its two edges, or None when there is none within reach.

    Raises
    ------
    InputError
        As `snap_edge`.
    """
    pick = check_pick(grey, xy_px, reach_px)
    patch = Patch.around(grey, pick, reach_px + ARM_PX[1] + 10.0)
    if patch is None:
        return None
    for start in _corner_places(patch, pick, reach_px):
        found = _settle_corner(patch, start)
        if found is not None and np.linalg.norm(found.xy_px - pick) <= reach_px:
            return found
    return None


def check_pick(grey: Grey, xy_px: Floats, reach_px: float, most_px: float = MOST_REACH_PX) -> Floats:
    """Return the pick (2,) as float64; raises InputError as `snap_edge`."""
    if np.ndim(grey) != 2:
        raise InputError("help under a pick needs a grey photo", value=f"shape {np.shape(grey)}")
    pick = np.asarray(xy_px, dtype=np.float64).reshape(-1)
    rows, columns = grey.shape
    if (
        pick.shape != (2,)
        or not np.isfinite(pick).all()
        or (pick < -0.5).any()
        or (pick > [columns - 0.5, rows - 0.5]).any()
    ):
        raise InputError(
            "the pick lies outside the photo", value=np.round(pick, 1).tolist(), limit=f"{columns} x {rows} px", todo="pick again"
        )  # fmt: skip
    if not 1.0 <= reach_px <= most_px:
        raise InputError(
            "the reach of a pick is out of range", value=f"{reach_px:g} px", limit=f"1 to {most_px:g} px"
        )
    return pick


# --- edges ---------------------------------------------------------------------------------------------------


def _pixels_of(patch: Patch) -> Floats:
    rows, columns = patch.coded.shape
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    return np.stack([x, y], axis=2) + patch.corner_px


def _steepest(
    patch: Patch, pick: Floats, reach_px: float, along: Floats | None
) -> tuple[Floats, Floats] | None:
    """Return a pixel on the crest of the gradient and the unit normal of the edge there, dark to light."""
    slopes = np.stack([patch.along_x, patch.along_y], axis=2)
    size = np.linalg.norm(slopes, axis=2)
    normals = slopes / np.maximum(size, 1e-12)[:, :, None]
    pixels = _pixels_of(patch)
    distance = np.linalg.norm(pixels - pick, axis=2)
    fit = (distance <= reach_px + 0.75) & (size >= patch.threshold)
    if along is not None:
        off = np.abs(normals @ (along / np.linalg.norm(along)))
        fit &= off <= np.sin(np.deg2rad(ACROSS_DEG))
    rows, columns = np.nonzero(fit)
    if len(rows) == 0:
        return None
    here, unit = pixels[rows, columns], normals[rows, columns]
    beside = [np.linalg.norm(patch.gradients(here + way * unit), axis=1) for way in (-1, 1)]
    crest = size[rows, columns] >= np.maximum(*beside) - 1e-12
    if not crest.any():
        return None
    score = np.where(crest, size[rows, columns] * nearness(distance[rows, columns], reach_px), -1.0)
    best = int(score.argmax())
    return here[best], unit[best]


def _settle_edge(
    patch: Patch, pick: Floats, reach_px: float, start: tuple[Floats, Floats]
) -> EdgeSnap | None:
    """Fit the edge with a little bend through profiles beside the foot of the pick on it, until the foot stays."""
    place, normal = start
    for _ in range(8):
        before = place
        along = np.array([normal[1], -normal[0]])
        beside = np.arange(-SIDE_PX, SIDE_PX + 1.0)
        places = place + beside[:, None] * along
        found = cross(patch, places, np.repeat(normal[None], len(beside), axis=0), search_px=2.0, rising=1)
        if found.found.sum() < LEAST_ARM_POINTS:
            return None
        (offset, tilt), covariance = _bent_line(beside, found)
        place = place + offset * normal
        normal = normal - tilt * along
        normal = normal / np.linalg.norm(normal)
        along = np.array([normal[1], -normal[0]])
        place = place + along * np.clip((pick - place) @ along, -3.0, 3.0)
        if np.linalg.norm(place - before) < 0.05:
            break
    if np.linalg.norm(place - pick) > reach_px:
        return None
    step = 255 * float(np.median(found.heights[found.found]))
    return EdgeSnap(place, float(np.sqrt(covariance[0, 0])), along, step)


def _bent_line(beside: Floats, found: Crossings) -> tuple[Floats, Floats]:
    """Return offset at 0 and slope (2,) of a parabola through crossings, and covariance (2, 2); outliers let go."""
    rows = np.column_stack([np.ones(len(beside)), beside, beside**2])
    return _weighted(rows, found.offsets_px, found.sds_px, found.found, keep=2)


def _weighted(rows: Floats, values: Floats, sds: Floats, use: Bools, *, keep: int) -> tuple[Floats, Floats]:
    """Weighted least squares, Huber-reweighted; returns the first `keep` unknowns and their covariance."""
    sds = np.where(use, np.maximum(sds, 1e-3), 1.0)
    share = np.where(use, 1.0, 0.0)
    for _ in range(6):
        weight = share / sds**2
        cofactor = np.linalg.pinv((rows * weight[:, None]).T @ rows)
        unknowns = cofactor @ (rows * weight[:, None]).T @ values
        off = np.abs(values - rows @ unknowns) / sds
        spread = max(1.0, float(np.median(off[use])) * 1.4826)
        share = np.where(use, np.minimum(1.0, 2.0 * spread / np.maximum(off, 1e-12)), 0.0)
    spare = max(float(share.sum()) - rows.shape[1], 1.0)
    factor = max(1.0, float((share * off**2).sum()) / spare)
    return unknowns[:keep], factor * cofactor[:keep, :keep]


# --- corners -------------------------------------------------------------------------------------------------


def _corner_places(patch: Patch, pick: Floats, reach_px: float) -> list[Floats]:
    """Places where the gradient turns most, best first: the smaller eigenvalue of its smoothed square.

    Source: Foerstner and Guelch 1987 for the operator; the smaller eigenvalue as its strength (from memory).
    """
    import cv2

    gx, gy = patch.along_x, patch.along_y
    xx, xy, yy = (cv2.GaussianBlur(a, (0, 0), 2.0) for a in (gx * gx, gx * gy, gy * gy))
    half = (xx + yy) / 2
    least = half - np.sqrt(np.maximum((xx - yy) ** 2 / 4 + xy**2, 0))
    pixels = _pixels_of(patch)
    distance = np.linalg.norm(pixels - pick, axis=2)
    crest = least >= cv2.dilate(least, np.ones((5, 5), np.uint8)) - 1e-15
    fit = crest & (distance <= reach_px + 2.0) & (least >= (0.25 * patch.threshold) ** 2)
    rows, columns = np.nonzero(fit)
    score = np.sqrt(least[rows, columns]) * nearness(distance[rows, columns], reach_px)
    order = np.argsort(-score)[:4]
    return [pixels[rows[i], columns[i]] for i in order]


def _settle_corner(patch: Patch, start: Floats) -> CornerSnap | None:
    corner = start
    arms = _arms(patch, corner)
    for _ in range(4):
        if arms is None:
            return None
        lines = [_arm_line(patch, corner, along) for along in arms]
        if lines[0] is None or lines[1] is None:
            return None
        met = _meet(lines[0], lines[1])
        if met is None or np.linalg.norm(met.xy_px - start) > 6.0:
            return None
        corner, arms = met.xy_px, (met.directions[0], met.directions[1])
    return met


def _arms(patch: Patch, corner: Floats) -> tuple[Floats, Floats] | None:
    """Directions in which the two clearest edges leave a corner: rays along which the gradient stands square."""
    angles = np.deg2rad(np.arange(0, 360, 3.0))
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    reach = np.arange(4.0, 11.0)
    places = corner + reach[None, :, None] * out[:, None]
    square = np.column_stack([-out[:, 1], out[:, 0]])
    across = (patch.gradients(places) * square[:, None]).sum(axis=2)
    # a true arm keeps its sign and strength all along
    strength = np.sort(np.abs(across), axis=1)[:, 1] * (np.abs(np.sign(across).sum(axis=1)) >= len(reach) - 2)
    peak = strength * ((strength >= np.roll(strength, 1)) & (strength >= np.roll(strength, -1)))
    first = int(peak.argmax())
    lean = np.abs(np.cos(angles - angles[first]))
    # as seen from a place a pixel off, a blunt corner's arms stand straighter than they are: `_meet` judges them
    peak = np.where(lean > np.cos(np.deg2rad(LEAST_ARMS_DEG / 2)), 0.0, peak)
    second = int(peak.argmax())
    if min(strength[first], peak[second]) < patch.threshold:
        return None
    return out[first], out[second]


Line = tuple[Floats, Floats, Floats]
"""A point (2,) px of a line, its unit direction (2,), and the covariance (2, 2) of offset px and tilt rad there."""


def _arm_line(patch: Patch, corner: Floats, along: Floats) -> Line | None:
    normal = np.array([-along[1], along[0]])
    reach = np.arange(*ARM_PX)
    places = corner + reach[:, None] * along
    rising = np.sign(np.median(patch.gradients(places) @ normal))
    found = cross(
        patch, places, np.repeat(normal[None], len(reach), axis=0), search_px=2.5, half_px=4.0, rising=int(rising)
    )  # fmt: skip
    # near the corner the other edge's blur reaches in
    use = found.found & (reach >= ARM_PX[0] * max(found.blur_px, 1.0))
    if use.sum() < LEAST_ARM_POINTS:
        return None
    middle = float(reach[use].mean())
    rows = np.column_stack([np.ones(len(reach)), reach - middle])
    (offset, tilt), covariance = _weighted(rows, found.offsets_px, found.sds_px, use, keep=2)
    direction = along + tilt * normal
    point = corner + middle * along + offset * normal
    return point, direction / np.linalg.norm(direction), covariance


def _meet(one: Line, other: Line) -> CornerSnap | None:
    """Return where two lines meet, with the covariance their offsets and tilts give it."""
    directions = np.array([one[1], other[1]])
    normals = np.column_stack([-directions[:, 1], directions[:, 0]])
    if abs(float(np.linalg.det(directions))) < np.sin(np.deg2rad(LEAST_ARMS_DEG)):
        return None
    levels = np.array([normals[0] @ one[0], normals[1] @ other[0]])
    corner = np.linalg.solve(normals, levels)
    variances = []
    for point, direction, covariance in (one, other):
        lever = np.array([1.0, float((corner - point) @ direction)])
        variances.append(float(lever @ covariance @ lever))
    back: Points2 = np.linalg.inv(normals)
    return CornerSnap(corner, back @ np.diag(variances) @ back.T, directions)
