"""How far snapped edges, corners and rims lie off the truth in drawn pictures: `python benchmarks/snap_accuracy.py`.

Prints rms and worst distance px, the rms of distance over stated sd (1 when the doubt holds), misses, and milliseconds.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), *(str(ROOT / room) for room in ("recon", "shared"))]

from tests.recon.drawn_shapes import Coding, ellipse, half_plane, picture, power, srgb, wedge  # noqa: E402

from elbowroom.recon import snap_corner, snap_edge, snap_ellipse  # noqa: E402

LEVELS = {
    "clear (light 0.05 to 0.6)": (0.05, 0.6),
    "soft (0.2 to 0.5)": (0.2, 0.5),
    "dark (0.02 to 0.1)": (0.02, 0.1),
}
RUNS = 40

Trial = Callable[[np.random.Generator, float, float, float, Coding, int], "tuple[float, float] | None"]


def edge(rng: np.random.Generator, ground: float, light: float, blur: float, coding: Coding, seed: int) -> tuple[float, float] | None:  # fmt: skip
    """Return the distance of a snapped edge from the true one, and the stated sd, px."""
    place, angle = rng.uniform(30, 34, 2), rng.uniform(0, 2 * np.pi)
    image = picture(
        [(half_plane(place, angle), light)], (64, 64), ground=ground, blur=blur, seed=seed, coding=coding
    )
    normal = np.array([-np.sin(angle), np.cos(angle)])
    found = snap_edge(image, place + rng.uniform(-5, 5) * normal)
    return None if found is None else (float((found.xy_px - place) @ normal), found.sd_px)


def corner(rng: np.random.Generator, ground: float, light: float, blur: float, coding: Coding, seed: int) -> tuple[float, float] | None:  # fmt: skip
    """Return the distance of a snapped corner of 60 to 120 degrees, and its sd both ways together, px."""
    place, angle, opening = (
        rng.uniform(30, 34, 2),
        rng.uniform(0, 2 * np.pi),
        np.deg2rad(rng.uniform(60, 120)),
    )
    image = picture(
        [(wedge(place, angle, opening), light)], (64, 64), ground=ground, blur=blur, seed=seed, coding=coding
    )
    found = snap_corner(image, place + rng.uniform(-4, 4, 2))
    if found is None:
        return None
    return float(np.linalg.norm(found.xy_px - place)), float(np.sqrt(np.trace(found.covariance_px2)))


def rim(rng: np.random.Generator, ground: float, light: float, blur: float, coding: Coding, seed: int) -> tuple[float, float] | None:  # fmt: skip
    """Return the distance of a snapped rim's centre, and its sd both ways together, px; half axes 6 to 40 px."""
    centre, short = rng.uniform(52, 56, 2), rng.uniform(6, 28)
    axes = (min(40.0, short * rng.uniform(1, 2)), short)
    shape = ellipse(centre, axes, rng.uniform(0, np.pi))
    image = picture([(shape, light)], (108, 108), ground=ground, blur=blur, seed=seed, coding=coding)
    found = snap_ellipse(image, centre + rng.uniform(-0.5, 0.5, 2) * short, reach_px=50)
    if found is None:
        return None
    return float(np.linalg.norm(found.xy_px - centre)), float(np.sqrt(np.trace(found.covariance[:2, :2])))


def row(trial: Trial, levels: tuple[float, float], blur: float, coding: Coding) -> str:
    """Run a trial RUNS times and return its figures."""
    rng, start = np.random.default_rng(1), time.process_time()
    found = [trial(rng, *(levels if k % 2 else levels[::-1]), blur, coding, k) for k in range(RUNS)]
    spent = 1e3 * (time.process_time() - start) / RUNS
    off, sd = np.array([f for f in found if f is not None]).T
    return f"rms {np.sqrt(np.mean(off**2)):.3f}  worst {np.abs(off).max():.3f}  over sd {np.sqrt(np.mean((off / sd) ** 2)):.2f}  missed {RUNS - len(off)}  {spent:.0f} ms with drawing"


def main() -> None:
    """Print one line each for edge, corner and rim, by contrast, blur and coding."""
    for trial in (edge, corner, rim):
        for name, levels in LEVELS.items():
            for blur in (0.7, 1.5):
                for coding in (srgb, power):
                    print(
                        f"{trial.__name__:7} {name:26} blur {blur} {coding.__name__:6}",
                        row(trial, levels, blur, coding),
                    )


if __name__ == "__main__":
    main()
