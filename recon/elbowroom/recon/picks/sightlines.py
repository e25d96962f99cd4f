"""Bundles of sight lines: what many picks in several photos say about one plane or line, in pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from elbowroom.recon.picks.leastsquares import Adjusted
from elbowroom.recon.picks.rays import RESIDUAL_SIGMAS
from elbowroom.recon.picks.stations import Station, check_inside, station_of
from elbowroom.shared.arrays import Floats, Mat3, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.features import LinePicks, RimPicks
from elbowroom.shared.scene import Scene

SHIFTS_PX = 0.5 * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
"""Each pick is followed by the pixels half a pixel right, left, below and above it: what one pixel is worth."""

LEAST_GRAZE_DEG = 4.0
"""A face seen from less than this above it: a pick's place on it is 14 times as uncertain as across the view."""


@dataclass(frozen=True, eq=False)
class Worst:
    """The pick that fits worst: its photo, how far off (px), and how many times its doubt that is."""

    photo: str
    off_px: float
    sigmas: float

    @property
    def numbers(self) -> dict[str, float]:
        """The numbers a finding on it holds."""
        return {"off_px": self.off_px, "sigmas": self.sigmas}


@dataclass(frozen=True, eq=False)
class Sightlines:
    """All picks of a feature: station and index of its photo for each (n,), sd (n,) px, camera centres (n, 3), and unit
    rays (5, n, 3) through each pick and through the pixels beside it (`SHIFTS_PX`)."""

    stations: tuple[Station, ...]
    photo_of: npt.NDArray[np.int64]
    sds_px: Floats
    centres: Points3
    rays: Floats

    def worst(self, solved: Adjusted) -> Worst | None:
        """Return the pick that is off by more than `RESIDUAL_SIGMAS` of its doubt and most so, None when all are within."""
        tests = solved.standardised(1.0)
        i = int(tests.argmax())
        if tests[i] <= RESIDUAL_SIGMAS:
            return None
        off = float(abs(solved.residuals[i]) * self.sds_px[i])
        return Worst(self.stations[int(self.photo_of[i])].photo, off, float(tests[i]))

    @classmethod
    def of(
        cls, views: Sequence[RimPicks | LinePicks], scene: Scene, pick_sd_px: float, *, where: str
    ) -> Sightlines:
        """Return the sight lines of picks in several photos; raises InputError when a photo has no station."""
        names = [v.photo for v in views]
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            raise InputError("picked twice in one photo", where=where, value=twice, todo="put all picks of a photo together")  # fmt: skip
        stations = tuple(station_of(scene, n, where=where) for n in names)
        pixels = [
            check_inside(np.array(v.points_px), s, where=where) for v, s in zip(views, stations, strict=True)
        ]
        counts = [len(p) for p in pixels]
        rays = [
            np.vstack([s.directions(p + shift) for s, p in zip(stations, pixels, strict=True)])
            for shift in SHIFTS_PX
        ]
        return cls(
            stations,
            np.repeat(np.arange(len(counts)), counts),
            np.repeat([pick_sd_px if v.sd_px is None else v.sd_px for v in views], counts),
            np.repeat([s.centre_world for s in stations], counts, axis=0),
            np.array(rays),
        )

    def on_plane(self, point: Floats, axes: Mat3) -> Floats:
        """Return where the rays meet a plane (5, n, 2) mm, in its own axes: columns of `axes`, the third its normal."""
        normal = axes[:, 2]
        depth = ((point - self.centres) @ normal) / (self.rays @ normal)
        return (self.centres + depth[:, :, None] * self.rays - point) @ axes[:, :2]

    def from_line(self, point: Floats, along: Floats) -> Floats:
        """Return how far the rays pass a line (5, n) mm, to either side."""
        square = np.cross(self.rays, along)
        return np.asarray(((self.centres - point) * square).sum(axis=2) / np.linalg.norm(square, axis=2))

    def along_line(self, point: Floats, along: Floats) -> Floats:
        """Return where along a line, mm from `point`, each ray comes nearest (n,)."""
        off, rays = self.centres - point, self.rays[0]
        across = rays @ along
        return (off @ along - across * (off * rays).sum(axis=1)) / (1 - across**2)

    def in_sds(self, values_mm: Floats) -> Floats:
        """Return values (5, n) mm that should be 0 as residuals (n,) in standard deviations of the picks.

        A value over its gradient by the pixel is the pick's distance from where the value is 0, to first order.
        """
        per_px = np.hypot(values_mm[1] - values_mm[2], values_mm[3] - values_mm[4])
        return np.asarray(values_mm[0] / per_px / self.sds_px)

    def check_facing(self, point: Floats, normal: Floats, *, where: str) -> None:
        """Raise InputError when a photo looks along a plane, or the plane lies behind it."""
        for i, station in enumerate(self.stations):
            rays = self.rays[0][self.photo_of == i]
            steep = rays @ normal
            depth = (point - station.centre_world) @ normal / np.where(steep == 0, np.nan, steep)
            graze = float(np.rad2deg(np.arcsin(np.abs(steep).min())))
            if not (depth > 0).all() or graze < LEAST_GRAZE_DEG:
                raise InputError(
                    "this photo looks along the face, or from behind it",
                    where=f"{where}, photo {station.photo}",
                    value=f"{graze:.1f} deg",
                    limit=f"{LEAST_GRAZE_DEG:.0f} deg",
                    todo="pick in a photo that looks onto the face, or name the right face",
                )

    def mm_per_px(self, point: Floats) -> float:
        """Return the most millimetres that one pixel spans at a place, square to the view."""
        return max(s.mm_per_px(point) for s in self.stations)
