"""How blurred a photo is along and across: the width of its targets' boundaries by direction.

A boundary blurred along its normal by a spread of second moment v climbs from black to white over a width that grows
with v's root. Over all directions of normals the squared widths follow a symmetric 2 x 2 form; its long axis is the way
the camera moved, and what the long axis has more than the short one is motion, not focus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from elbowroom.recon.detect import Sighting
from elbowroom.shared.arrays import Floats, Image
from elbowroom.shared.errors import Finding

SAMPLES, TARGETS = 30, 5
"""Boundary points read in each of the largest targets: enough to tell widths to a few percent."""

REACH_MODULES, REACH_PX = 0.9, 14.0
"""Half length of the profile: never past the next boundary, one module away, and no longer than blur that can be read."""

TAPS = 25
"""Samples of a profile: about one pixel apart at most."""

MODULES = 8.0
"""Modules along a target's side."""

LEAST_POINTS = 40
"""Boundary points a photo needs, or its blur isn't judged."""

MOTION_PX, MOTION_RATIO = 2.5, 1.5
"""Blur by motion worth a word: this long, and edges along it this much wider than across. A sharp photo's edges are
1.5 to 3 px wide and within a tenth the same both ways."""

SOFT_PX = 8.0
"""Edges wider than this both ways are out of focus: a target's modules begin to run into one another."""


@dataclass(frozen=True)
class Blur:
    """Edge widths (px) along the direction in which they are widest, and across it; `angle_deg` of that direction.

    The angle is 0 along the photo's rows and 90 down its columns, as stored.
    """

    along_px: float
    across_px: float
    angle_deg: float

    @property
    def motion_px(self) -> float:
        """How far the image moved while the shutter was open."""
        return float(np.sqrt(max(self.along_px**2 - self.across_px**2, 0.0)))


def blur_of(image: Image, sightings: Sequence[Sighting]) -> Blur | None:
    """Return the blur of a grey photo (rows, columns) at its targets; None when they show too few boundaries."""
    largest = sorted(sightings, key=lambda s: -float(np.ptp(s.corners.corners_px, axis=0).max()))[:TARGETS]
    parts = [_widths(image, s) for s in largest]
    if sum(len(w) for w, _ in parts) < LEAST_POINTS:
        return None
    widths = np.concatenate([w for w, _ in parts])
    normals = np.concatenate([n for _, n in parts])
    form = _form(widths**2, normals)
    values, axes = np.linalg.eigh(form)
    across, along = np.sqrt(np.maximum(values, 0.0))
    angle = float(np.rad2deg(np.arctan2(axes[1, 1], axes[0, 1])) % 180.0)
    return Blur(float(along), float(across), angle)


def _widths(image: Image, sighting: Sighting) -> tuple[Floats, Floats]:
    """Return edge widths (n,) px and the normals (n, 2) px they were read along."""
    every = max(1, len(sighting.edges.points_px) // SAMPLES)
    points, normals = sighting.edges.points_px[::every], sighting.edges.normals_px[::every]
    corners = sighting.corners.corners_px
    side = float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).min())
    reach = min(REACH_MODULES * side / MODULES, REACH_PX)
    offsets = np.linspace(-reach, reach, TAPS)
    grid = (points[:, None] + offsets[:, None] * normals[:, None]).astype(np.float32)
    grey = cv2.remap(image, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    levels = np.asarray(grey, dtype=np.float64)
    step = 2 * reach / (TAPS - 1)
    gap = max(1, round(1.0 / step))  # slopes over a pixel, or noise would pass for an edge
    slopes = (levels[:, gap:] - levels[:, :-gap]).max(axis=1) / (gap * step)
    ordered = np.sort(levels, axis=None)
    dark, light = (ordered[round(share * (len(ordered) - 1))] for share in (0.05, 0.95))
    contrast = float(light - dark)
    good = slopes > contrast / (4 * REACH_PX)
    return contrast / slopes[good], normals[good]


def _form(squares: Floats, normals: Floats) -> Floats:
    """Return the symmetric (2, 2) form whose value along each normal is its squared width, by robust least squares."""
    x, y = normals.T
    rows = np.column_stack([x * x, 2 * x * y, y * y])
    weight = np.ones(len(squares))
    for _ in range(3):
        scaled = rows * weight[:, None]
        normal = scaled.T @ scaled + 1e-9 * np.eye(
            3
        )  # normals all one way leave the rest of the form at zero
        solved = np.linalg.solve(normal, scaled.T @ (squares * weight))
        off = np.abs(squares - rows @ solved)
        weight = 1 / np.sqrt(1 + (off / (2 * np.median(off) + 1e-9)) ** 2)
    return np.array([[solved[0], solved[1]], [solved[1], solved[2]]])


def blur_finding(photo: str, blur: Blur) -> Finding | None:
    """Return a finding when a photo is blurred by motion or out of focus, None when it is sharp enough."""
    if blur.motion_px > MOTION_PX and blur.along_px > MOTION_RATIO * blur.across_px:
        return _motion(photo, blur)
    return _soft(photo, blur) if blur.across_px > SOFT_PX else None


def _motion(photo: str, blur: Blur) -> Finding:
    return Finding(
        code="motion-blur",
        severity="warning",
        subject=photo,
        message=f"{photo} is blurred by motion: edges are {blur.along_px:.1f} px wide {way(blur.angle_deg)} and "
        f"{blur.across_px:.1f} px across that, so the camera moved by about {blur.motion_px:.1f} px. Its targets count "
        "less. Hold the phone still with both hands, add light, and take it again.",
        numbers={
            "blur_px": blur.motion_px,
            "angle_deg": blur.angle_deg,
            "along_px": blur.along_px,
            "across_px": blur.across_px,
        },
    )


def way(angle_deg: float) -> str:
    """Return a direction in a photo in words: along its rows, down its columns, or by its angle."""
    if min(angle_deg, 180 - angle_deg) < 15:
        return "along the rows"
    if abs(angle_deg - 90) < 15:
        return "down the columns"
    return f"at {angle_deg:.0f} degrees from the rows, downwards"


def _soft(photo: str, blur: Blur) -> Finding:
    return Finding(
        code="out-of-focus",
        severity="warning",
        subject=photo,
        message=f"{photo} is out of focus: edges are {blur.across_px:.1f} to {blur.along_px:.1f} px wide (limit "
        f"{SOFT_PX:g} px). Its targets count less. Tap on a target to focus, and take it again.",
        numbers={"along_px": blur.along_px, "across_px": blur.across_px},
    )
