"""Outlines that follow a photo's own edges: magnetic between clicks, or cut out inside a rough loop."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from elbowroom.recon.picks.crossings import Grey, Patch, cross
from elbowroom.recon.picks.snap import snap_edge
from elbowroom.shared.arrays import Floats, Points2
from elbowroom.shared.errors import InputError

Colours = npt.NDArray[np.uint8]
"""A photo (rows, columns, 3), 8 bit, blue green red."""

TOLERANCE_PX = 1.0
"""How far an outline's chords may stray from the edge they follow, px: a hand's pick is no better."""

MOST_PIXELS = 60_000
"""Pixels searched between two clicks or in a loop: more are halved until they fit. Keeps an answer under 0.2 s."""

ASIDE = 0.25
"""Room beside two clicks that an edge may swing out to, as a share of their distance."""

LEAST_ASIDE_PX = 24
"""And at least this much, px."""

STEP_PX = 3.0
"""Spacing of the places at which an outline is laid onto the photo's own edge."""

SMOOTH_PX, STRAY_PX = 9.0, 1.5
"""An edge point more than 1.5 px off the middle one of its neighbours along 9 px is another edge's and goes by them."""

CUT_ROUNDS = 4
"""Rounds of cutting out; the outline hardly moves after the third."""

LEAST_LOOP_PX = 12.0
"""A smaller loop has no inside to learn colours from."""


@dataclass(frozen=True, eq=False)
class Traced:
    """An outline (n, 2) px found in a photo, and how far (px) it may lie off the edge it follows for its chords alone.

    Where no edge was found to lay it on, `followed` (0 to 1) falls short of 1 by that share of its length.
    """

    points_px: Points2
    tolerance_px: float
    followed: float

    @property
    def pick_sd_px(self) -> float:
        """The doubt that covers both the chords and the edge: the tolerance, and a pixel more where none was found."""
        return self.tolerance_px + (1.0 - self.followed)


def trace_between(
    grey: Grey, clicks_px: Points2, *, tolerance_px: float = TOLERANCE_PX, closed: bool = False
) -> Traced:
    """Return the outline along the photo's edges from click to click.

    Parameters
    ----------
    grey : Grey
        (rows, columns), 0 to 255.
    clicks_px : Points2
        (n, 2) px, two or more, in order; the outline passes within a few px of each.
    tolerance_px : float
        Most its chords may stray, px.
    closed : bool
        Whether it runs back from the last click to the first.

    Raises
    ------
    InputError
        A photo that is not grey, fewer than two clicks, clicks outside the photo, a tolerance not above 0.

    Source: intelligent scissors, Mortensen and Barrett 1995, as OpenCV's segmentation module has them.
    """
    clicks = _check(grey, clicks_px, 2, tolerance_px)
    clicks = np.array([_onto_edge(grey, c) for c in clicks])
    pairs = list(pairwise(clicks)) + ([(clicks[-1], clicks[0])] if closed else [])
    pieces = [_path(grey, a, b) for a, b in pairs]
    path = np.vstack([p[:-1] for p in pieces] + ([] if closed else [pieces[-1][-1:]]))
    return _laid(grey, path, tolerance_px, closed=closed, search_px=4.0)


def cut_out(photo: Colours, loop_px: Points2, *, tolerance_px: float = TOLERANCE_PX) -> Traced | None:
    """Return the closed outline of the thing inside a rough loop drawn round it; None when nothing sets it off.

    Parameters
    ----------
    photo : Colours
        (rows, columns, 3), blue green red.
    loop_px : Points2
        (n, 2) px, three or more, round the thing with some of what lies beside it.
    tolerance_px : float

    Raises
    ------
    InputError
        A photo without colours, a loop outside it, too small or of fewer than three points.

    Source: GrabCut, Rother, Kolmogorov and Blake 2004, as OpenCV has it.
    """
    if photo.ndim != 3 or photo.shape[2] != 3 or photo.dtype != np.uint8:
        raise InputError("cutting out needs an 8-bit colour photo", value=f"shape {photo.shape}")
    loop = _check(photo[:, :, 0], loop_px, 3, tolerance_px)
    size = np.ptp(loop, axis=0)
    if size.min() < LEAST_LOOP_PX:
        raise InputError(
            "the loop is too small to cut anything out of", value=f"{size.min():.0f} px", limit=f"{LEAST_LOOP_PX:.0f} px"
        )  # fmt: skip
    found = _cut(photo, loop)
    if found is None:
        return None
    rough, pixel = found
    return _laid(_grey_near(photo, rough), rough, tolerance_px, closed=True, search_px=2.0 * pixel + 2.0)


def _check(grey: Grey, points_px: Points2, least: int, tolerance_px: float) -> Points2:
    points = np.asarray(points_px, dtype=np.float64)
    if np.ndim(grey) != 2:
        raise InputError("an outline needs a grey photo", value=f"shape {np.shape(grey)}")
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < least:
        raise InputError("too few points for an outline", value=f"{len(points)}", limit=f"{least} or more")
    size = np.array(grey.shape)[::-1]
    if not (np.isfinite(points).all() and (points >= -0.5).all() and (points <= size - 0.5).all()):
        raise InputError(
            "a point lies outside the photo", limit=f"{size[0]} x {size[1]} px", todo="click again"
        )
    if tolerance_px <= 0:
        raise InputError("the tolerance must be above 0", value=f"{tolerance_px} px")
    return points


def _crop(shape: tuple[int, ...], points: Points2, aside_px: float) -> tuple[slice, slice, Floats, int]:
    """Return rows, columns, corner (2,) px of a crop round points, and by how many times it is to be made smaller."""
    low = np.maximum(np.floor(points.min(axis=0) - aside_px), 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + aside_px) + 1, np.array(shape[1::-1])).astype(int)
    times = max(1, int(np.ceil(np.sqrt(float(np.prod(high - low)) / MOST_PIXELS))))
    return slice(low[1], high[1]), slice(low[0], high[0]), low.astype(np.float64), times


def _smaller(image: npt.NDArray[np.uint8], times: int) -> npt.NDArray[np.uint8]:
    """Return an image whose pixel k covers pixels times k to times (k + 1) - 1."""
    import cv2

    if times == 1:
        return np.ascontiguousarray(image)
    rows, columns = (n // times * times for n in image.shape[:2])
    return np.asarray(
        cv2.resize(image[:rows, :columns], (columns // times, rows // times), interpolation=cv2.INTER_AREA), np.uint8
    )  # fmt: skip


# --- between clicks ------------------------------------------------------------------------------------------


def _onto_edge(grey: Grey, click: Floats) -> Floats:
    """Return the nearest edge point: a click beside the edge would draw the outline aside."""
    found = snap_edge(grey, click)
    return click if found is None else found.xy_px


def _path(grey: Grey, start: Floats, end: Floats) -> Points2:
    import cv2

    ends = np.array([start, end])
    aside = max(LEAST_ASIDE_PX, ASIDE * float(np.linalg.norm(end - start)))
    rows, columns, corner, times = _crop(grey.shape, ends, aside)
    small = _smaller(np.clip(grey[rows, columns], 0, 255).astype(np.uint8), times)
    scissors = cv2.segmentation.IntelligentScissorsMB()
    scissors.setEdgeFeatureCannyParameters(20, 60)
    scissors.setGradientMagnitudeMaxLimit(200)
    scissors.applyImage(cv2.GaussianBlur(small, (0, 0), 1.0))  # grain draws no outline
    most = np.array(small.shape[1::-1]) - 1
    at = np.clip(np.round((ends - corner - (times - 1) / 2) / times), 0, most).astype(int)
    scissors.buildMap((int(at[0, 0]), int(at[0, 1])))
    way = np.asarray(scissors.getContour((int(at[1, 0]), int(at[1, 1]))), dtype=np.float64).reshape(-1, 2)
    if len(way) < 2:
        return ends
    return way * times + (times - 1) / 2 + corner


# --- inside a loop -------------------------------------------------------------------------------------------


def _cut(photo: Colours, loop: Points2) -> tuple[Points2, int] | None:
    """Return the rough outline of what is set off inside a loop, and the size of the pixels it was found with."""
    import cv2

    aside = max(LEAST_ASIDE_PX, ASIDE * float(np.ptp(loop, axis=0).max()))
    rows, columns, corner, times = _crop(photo.shape, loop, aside)
    small = _smaller(photo[rows, columns], times)
    mask = np.full(small.shape[:2], cv2.GC_BGD, np.uint8)
    inside = np.round((loop - corner - (times - 1) / 2) / times).astype(np.int32)
    cv2.fillPoly(mask, [inside], int(cv2.GC_PR_FGD))
    cv2.setRNGSeed(1)  # its colour classes start at random
    try:
        cv2.grabCut(
            small, mask, None, np.zeros((1, 65)), np.zeros((1, 65)), CUT_ROUNDS, cv2.GC_INIT_WITH_MASK
        )
    except cv2.error:
        return None  # one colour all over
    thing = np.isin(mask, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    rings = cv2.findContours(thing, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    ring = max(rings, key=cv2.contourArea, default=None)
    if ring is None or cv2.contourArea(ring) < LEAST_LOOP_PX:
        return None
    points = np.asarray(ring, dtype=np.float64).reshape(-1, 2)
    return points * times + (times - 1) / 2 + corner, times


def _grey_near(photo: Colours, points: Points2) -> Grey:
    """Return the photo in grey where an outline needs it; the rest is left 0."""
    import cv2

    grey = np.zeros(photo.shape[:2], np.uint8)
    rows, columns, _, _ = _crop(photo.shape, points, 24.0)
    grey[rows, columns] = cv2.cvtColor(np.ascontiguousarray(photo[rows, columns]), cv2.COLOR_BGR2GRAY)
    return grey


# --- onto the edge -------------------------------------------------------------------------------------------


def _laid(grey: Grey, path: Points2, tolerance_px: float, *, closed: bool, search_px: float) -> Traced:
    """Lay a rough path onto the photo's own edge, and keep of it the points that its shape needs."""
    places = _spaced(path, closed)
    ahead, behind = (np.roll(places, -s, axis=0) for s in (2, -2))
    if not closed:
        ahead[-2:], behind[:2] = places[-1], places[0]
    along = ahead - behind
    length = np.linalg.norm(along, axis=1, keepdims=True)
    normals = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(length, 1e-9)
    offsets, found = _offsets(grey, places, normals, search_px)
    usual = _middle(offsets, closed)
    own = found & (np.abs(np.nan_to_num(offsets) - usual) <= STRAY_PX)
    laid = places + np.where(own, np.nan_to_num(offsets), usual)[:, None] * normals
    return Traced(simplified(laid, tolerance_px, closed=closed), tolerance_px, float(found.mean()))


def _spaced(path: Points2, closed: bool) -> Points2:
    """Return a path cut into steps of STEP_PX."""
    if closed:
        path = np.vstack([path, path[:1]])
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    count = max(int(at[-1] / STEP_PX), 4)
    steps = np.linspace(0, at[-1], count, endpoint=not closed)
    return np.column_stack([np.interp(steps, at, path[:, k]) for k in (0, 1)])


def _offsets(
    grey: Grey, places: Points2, normals: Points2, search_px: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return each place's offset to the edge along its normal, nan where there is none; in pieces, to keep crops small."""
    offsets = np.full(len(places), np.nan)
    for piece in np.array_split(np.arange(len(places)), max(1, len(places) // 24)):
        middle = (places[piece].min(axis=0) + places[piece].max(axis=0)) / 2
        half = float(np.abs(places[piece] - middle).max()) + search_px + 8.0
        patch = Patch.around(grey, np.clip(middle, 0, np.array(grey.shape)[::-1] - 1), half)
        if patch is None:
            continue
        met = cross(patch, places[piece], normals[piece], search_px=search_px)
        offsets[piece] = np.where(met.found, met.offsets_px, np.nan)
    return offsets, np.isfinite(offsets)


def _middle(offsets: Floats, closed: bool) -> Floats:
    """Return the median of each offset and its neighbours, 0 where none has one."""
    reach = round(SMOOTH_PX / STEP_PX / 2)
    shifted = np.array([np.roll(offsets, k) for k in range(-reach, reach + 1)])
    if not closed:
        for row, k in zip(shifted, range(-reach, reach + 1), strict=True):
            row[: max(k, 0)] = np.nan
            row[len(row) + min(k, 0) :] = np.nan
    some = np.isfinite(shifted).any(axis=0)
    out = np.zeros(len(offsets))
    out[some] = np.nanmedian(shifted[:, some], axis=0)
    return out


def simplified(points: Points2, tolerance_px: float, *, closed: bool) -> Points2:
    """Return the points (n, 2) of a line whose chords stray no more than a tolerance from those left out.

    Source: Douglas and Peucker 1973.
    """
    if not closed:
        return points[_kept(points, tolerance_px)]
    far = int(np.linalg.norm(points - points[0], axis=1).argmax())
    ring = np.vstack([points, points[:1]])
    halves = (ring[: far + 1], ring[far:])
    return np.vstack([h[_kept(h, tolerance_px)][:-1] for h in halves])


def _kept(points: Points2, tolerance_px: float) -> npt.NDArray[np.bool_]:
    kept = np.zeros(len(points), dtype=bool)
    kept[[0, -1]] = True
    spans = [(0, len(points) - 1)]
    while spans:
        a, b = spans.pop()
        if b - a < 2:
            continue
        chord, off = points[b] - points[a], points[a + 1 : b] - points[a]
        share = np.clip(off @ chord / max(float(chord @ chord), 1e-12), 0, 1)
        stray = np.linalg.norm(off - share[:, None] * chord, axis=1)
        if stray.max() > tolerance_px:
            at = a + 1 + int(stray.argmax())
            kept[at] = True
            spans += [(a, at), (at, b)]
    return kept
