"""Where light crosses an edge, to a fraction of a pixel: blurred steps fitted to profiles read across it.

A photo's numbers are not light: its coding bends the step, and a place read off the numbers lies up to half the blur
towards the dark side. So profiles are turned back into light by the coding every phone photo declares, and the step is
fitted there, weighed as the numbers' noise asks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.shared.arrays import Bools, Floats, Points2

Grey = npt.NDArray[np.generic]
"""A grey photo (rows, columns), 0 to 255 as coded, 8-bit or float."""

SMOOTH_PX = 1.0
"""Gaussian under the gradients that find an edge, px; its place does not come from them."""

GRADIENT_NOISE = 1 / np.sqrt(8 * np.pi)
"""Noise of a gradient smoothed by a Gaussian of 1 px over the photo's own: 1 / (sqrt(8 pi) s^2), closed form."""

NOISE_SIGMAS = 5.0
"""Gradients below this many times their noise are no edge: by chance once in two million pixels."""

LEAST_STEP = 6 / 255
"""Steps below six grey levels are stains and compression, not edges (common practice, no source)."""

PEAK_OF_STEP = 0.2
"""Smoothed gradient over step height: 1 / (sqrt(2 pi) s) with s the photo's blur and the smoothing together, near 2 px."""

LEAST_NOISE = 0.3 / 255
"""Rounding to whole grey levels alone leaves 0.29 of one."""

STEP_PX = 0.5
"""Spacing of a profile's samples."""

SHARED_SAMPLES = 3.0
"""Neighbouring samples share their pixels: three count as one in the doubt (measured: two understate it by a fifth)."""

NEIGHBOUR = 0.3
"""A gradient this share of the edge's own, turned round or risen anew, belongs to a neighbouring edge."""

ROUNDS = 8
"""Gauss-Newton steps for each step fitted; five settle a clean one."""

LEAST_BLUR, MOST_BLUR = 0.25, 4.0
"""Blur an edge may have, standard deviation in px: a pixel's own box is 0.29; above 4 px it is a shading."""


@dataclass(frozen=True, eq=False)
class Patch:
    """A small part of a grey photo: coded numbers, light as spline coefficients, gradients of the coded, their noise.

    `corner_px` (2,) is the photo's pixel at [0, 0]; all of (rows, columns), coded 0 to 1.
    """

    corner_px: Floats
    coded: Floats
    light: Floats
    along_x: Floats
    along_y: Floats
    noise: float

    @classmethod
    def around(cls, grey: Grey, centre_px: Floats, half_px: float) -> Patch | None:
        """Return the patch `half_px` round a place, cut at the photo's rim; None when too little is left."""
        import cv2
        from scipy.ndimage import spline_filter

        rows, columns = grey.shape
        low = np.maximum(np.floor(centre_px - half_px), 0).astype(int)
        high = np.minimum(np.ceil(centre_px + half_px) + 1, [columns, rows]).astype(int)
        if (high - low < 8).any():
            return None
        coded = np.asarray(grey[low[1] : high[1], low[0] : high[0]], dtype=np.float64) / 255
        kernel, slope = _gaussians()
        gx, gy = (cv2.sepFilter2D(coded, cv2.CV_64F, *k) for k in ((slope, kernel), (kernel, slope)))
        light = spline_filter(light_of(coded), order=3)
        return cls(low.astype(np.float64), coded, light, gx, gy, _noise(coded))

    @property
    def threshold(self) -> float:
        """Least smoothed gradient, coded per px, that is an edge."""
        return max(NOISE_SIGMAS * GRADIENT_NOISE * self.noise, PEAK_OF_STEP * LEAST_STEP)

    def gradients(self, points_px: Floats) -> Floats:
        """Return the smoothed gradients (..., 2) of the coded numbers at photo pixels (..., 2)."""
        at = self._at(points_px)
        return np.stack([_read(g, at, 1) for g in (self.along_x, self.along_y)], axis=-1)

    def lights(self, points_px: Floats) -> Floats:
        """Return light (...) at photo pixels (..., 2) by cubic splines."""
        return _read(self.light, self._at(points_px), 3)

    def holds(self, points_px: Floats) -> Bools:
        """Return which photo pixels (..., 2) lie in the patch."""
        at = np.asarray(points_px) - self.corner_px
        return np.asarray(((at >= 0) & (at <= np.array(self.coded.shape)[::-1] - 1)).all(axis=-1))

    def _at(self, points_px: Floats) -> Floats:
        return np.moveaxis((np.asarray(points_px) - self.corner_px)[..., ::-1], -1, 0)


@dataclass(frozen=True, eq=False)
class Crossings:
    """Steps found on n profiles: offset from each place along its normal (n,) px, standard deviation (n,) px, step
    height in coded grey (n,) signed along the normal, their common blur px, and which were found."""

    offsets_px: Floats
    sds_px: Floats
    heights: Floats
    blur_px: float
    found: Bools

    def points(self, places_px: Points2, normals: Points2) -> Points2:
        """Return the crossings (n, 2) px of the profiles they were read on."""
        return places_px + self.offsets_px[:, None] * normals


def light_of(coded: Floats) -> Floats:
    """Return light 0 to 1 of coded numbers 0 to 1.

    Source: IEC 61966-2-1 (sRGB), transfer function (constants from memory).
    """
    return np.where(coded <= 0.04045, coded / 12.92, ((np.maximum(coded, 0) + 0.055) / 1.055) ** 2.4)


def coded_slope(light: Floats) -> Floats:
    """Return d(coded)/d(light), the inverse function's derivative: what noise in the numbers weighs in light."""
    dim = np.maximum(light, 0.0031308)
    return np.where(light <= 0.0031308, 12.92, 1.055 / 2.4 * dim ** (1 / 2.4 - 1))


def cross(
    patch: Patch,
    places_px: Points2,
    normals: Points2,
    *,
    search_px: float,
    half_px: float = 5.0,
    rising: int = 0,
) -> Crossings:
    """Return where edges cross the profiles through places (n, 2) px along unit normals (n, 2).

    Parameters
    ----------
    search_px : float
        How far from its place an edge may lie.
    half_px : float
        How far a profile reaches on both sides of the edge, if no neighbouring edge comes sooner.
    rising : int
        +1 for edges that brighten along the normal, -1 for those that darken, 0 for either.
    """
    reach = np.arange(-search_px - half_px, search_px + half_px + STEP_PX / 2, STEP_PX)
    grid = places_px[:, None] + reach[None, :, None] * normals[:, None]
    inside = patch.holds(grid)
    slope = (patch.gradients(grid) * normals[:, None]).sum(axis=2) * inside
    peak, sign, found = _peaks(slope, reach, search_px, patch.threshold, rising)
    window = _windows(slope * sign[:, None], peak, half_px) & inside
    found &= window.sum(axis=1) * STEP_PX >= 3.5
    if not found.any():
        nothing = np.zeros(len(places_px))
        return Crossings(nothing, nothing + np.inf, nothing, 1.0, found)
    return _fit(patch.lights(grid), window, reach, reach[peak], found, patch.noise)


def _gaussians() -> tuple[Floats, Floats]:
    """A Gaussian of SMOOTH_PX and its derivative, scaled so that a slope of one reads one."""
    t = np.arange(-4.0, 5.0)
    kernel = np.exp(-(t**2) / (2 * SMOOTH_PX**2))
    kernel /= kernel.sum()
    slope = t * kernel
    return kernel, slope / (slope @ t)


def _noise(coded: Floats) -> float:
    """Source: Immerkaer's operator, 1996 (from memory), with the median instead of the mean: edges do not count."""
    by_rows = coded[:-2] - 2 * coded[1:-1] + coded[2:]
    both = by_rows[:, :-2] - 2 * by_rows[:, 1:-1] + by_rows[:, 2:]
    return max(float(np.median(np.abs(both))) * 1.4826 / 6, LEAST_NOISE)


def _read(image: Floats, at: Floats, order: int) -> Floats:
    from scipy.ndimage import map_coordinates

    return np.asarray(map_coordinates(image, at, order=order, prefilter=False, mode="nearest"))


def _peaks(
    slope: Floats, reach: Floats, search_px: float, threshold: float, rising: int
) -> tuple[npt.NDArray[np.int64], Floats, Bools]:
    """Steepest place of each profile, nearer ones preferred; its sign; whether it is steep enough."""
    size = np.abs(slope) if rising == 0 else np.maximum(rising * slope, 0)
    size = np.where(np.abs(reach) <= search_px + 1e-9, size, 0)
    peak = (size * nearness(np.abs(reach), search_px)).argmax(axis=1)
    rows = np.arange(len(slope))
    return peak, np.sign(slope[rows, peak]), size[rows, peak] >= threshold


def nearness(distance_px: Floats, reach_px: float) -> Floats:
    """Return the weight that an edge's strength gets with its distance: 1 at the pick, 0.05 at the reach's end."""
    return np.exp(-3 * (distance_px / max(reach_px, 1e-9)) ** 2)


def _windows(slope: Floats, peak: npt.NDArray[np.int64], half_px: float) -> Bools:
    """Samples of each profile that belong to its edge: out to half_px, or short of a neighbouring edge."""
    rows, steps = np.arange(len(slope)), round(half_px / STEP_PX)
    limit = NEIGHBOUR * slope[rows, peak]
    window = np.zeros(slope.shape, dtype=bool)
    window[rows, peak] = True
    for way in (-1, 1):
        going, fallen = np.ones(len(rows), dtype=bool), np.zeros(len(rows), dtype=bool)
        last = np.full(len(rows), steps)
        for k in range(1, steps + 1):
            at = np.clip(peak + way * k, 0, slope.shape[1] - 1)
            now = slope[rows, at]
            fallen |= now < limit
            stop = going & ((now < -limit) | (fallen & (now > limit)))
            last[stop] = max(k - round(1.5 / STEP_PX), 1)  # the neighbour's foot reaches this far
            going &= ~stop
        for k in range(1, steps + 1):
            at = np.clip(peak + way * k, 0, slope.shape[1] - 1)
            window[rows, at] |= k <= last
    return window


def _fit(light: Floats, window: Bools, reach: Floats, start: Floats, found: Bools, noise: float) -> Crossings:
    """All profiles with a blur of their own, then again with the blur most of them have."""
    blur = np.full(len(light), 1.0)
    first = _steps(light, window, reach, start, blur, free_blur=True)
    usual = float(np.median(first[1][found]))
    place, _, low, high, variance, residual = _steps(
        light, window, reach, start, np.full(len(light), usual), free_blur=False
    )
    rise = high - low
    height = coded_slope(np.maximum((low + high) / 2, 0)) * rise
    found = found & np.isfinite(place) & (np.abs(place - start) <= 2.0) & (np.abs(height) >= LEAST_STEP)
    pooled = float(np.sqrt(np.median(residual[found] ** 2))) if found.any() else noise
    sds = np.sqrt(np.maximum(variance, 0) * SHARED_SAMPLES) * np.maximum(max(pooled, LEAST_NOISE), residual)
    return Crossings(np.where(found, place, 0.0), np.where(found, sds, np.inf), height, usual, found)


def _steps(
    light: Floats, window: Bools, reach: Floats, start: Floats, blur: Floats, *, free_blur: bool
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Gauss-Newton of low + (high - low) Phi((t - place) / blur) on all profiles at once.

    Returns place, blur, low, high, the place's cofactor, and the residuals' rms in coded grey (n,).
    """
    from scipy.special import ndtr

    place, blur = start.copy(), blur.copy()
    ends = np.where(window, light, np.nan)
    first = window.argmax(axis=1)
    last = window.shape[1] - 1 - window[:, ::-1].argmax(axis=1)
    rows = np.arange(len(light))
    low, high = ends[rows, first], ends[rows, last]
    count = 4 if free_blur else 3
    for _ in range(ROUNDS):
        u = (reach - place[:, None]) / blur[:, None]
        phi, bell = ndtr(u), np.exp(-(u**2) / 2) / np.sqrt(2 * np.pi)
        model = low[:, None] + (high - low)[:, None] * phi
        weight = coded_slope(np.maximum(model, 0.001)) * window
        down = -((high - low) / blur)[:, None] * bell
        jacobian = np.stack([1 - phi, phi, down, down * u][:count], axis=2) * weight[:, :, None]
        off = (light - model) * weight
        normal = np.einsum("nti,ntj->nij", jacobian, jacobian)  # n: profile, t: sample, i j: unknown
        normal += (1e-9 + 1e-6 * np.trace(normal, axis1=1, axis2=2))[:, None, None] * np.eye(count) / count
        step = np.linalg.solve(normal, np.einsum("nti,nt->ni", jacobian, off)[:, :, None])[:, :, 0]
        low, high = low + step[:, 0], high + step[:, 1]
        place = place + np.clip(step[:, 2], -0.7, 0.7)
        if free_blur:
            blur = np.clip(blur + np.clip(step[:, 3], -0.3, 0.3), LEAST_BLUR, MOST_BLUR)
    spare = np.maximum(window.sum(axis=1) - count, 1)
    residual = np.sqrt((off**2).sum(axis=1) / spare)
    return place, blur, low, high, np.linalg.inv(normal)[:, 2, 2], residual
