"""Corners of drawn targets against their true places, class by class.

Every combination of size, angle, blur and look is drawn at fixed seeds: rays through the exact geometry, 36 to a
pixel, then blur, sharpening, gamma, grey noise of 2 levels and JPEG. The reader knows none of it. Prints, for each
class, how many were read, drift and outward bias (px), rms (px), the worst corner (px), and rms over the standard
deviation the reader states. Exit code 1 when a class misses its figure.

A target's size here is its shortest side as it appears in the photo, foreshortened; `300` is seen face-on.

Usage: python benchmarks/corners.py [SEEDS]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from synthetic import Floats, Layout, Look, corners_world, draw

from elbowroom.recon.reading.detect import detect, read_grey
from elbowroom.shared.frames import Camera, Rigid, Target, World, frame_on_plane
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import Lens

BIAS_PX, RMS_PX, WRONG_PX = 0.02, 0.05, 1.0
LENS = Lens(name="plain", width_px=4000, height_px=3000, focal_px=3000.0, cx_px=1999.5, cy_px=1499.5)
SIDE_MM, LONGEST_PX = 40.0, 300.0
SHORTEST_PX = (25.0, 32.0, 45.0, 80.0, 300.0)
ANGLES_DEG = (0.0, 30.0, 50.0, 65.0)
BLURS_PX = (0.5, 1.0, 1.5)
LOOKS = {
    "plain": Look(),
    "no gamma": Look(gamma=1.0),
    "sharpened": Look(sharpen=1.0),
    "ink spread 0.1 mm": Look(ink_mm=0.1),
}
STATION: Rigid[Camera, World] = Rigid(np.eye(3), np.zeros(3))


@dataclass(frozen=True, eq=False)
class Case:
    """One drawn target: its classes, and, when it was read, errors (4, 2) px, outward part (4,) and stated sd (4, 2)."""

    classes: dict[str, str]
    errors_px: Floats | None = None
    outward_px: Floats | None = None
    sd_px: Floats | None = None
    wrong: bool = False


def main(seeds: int = 2) -> int:
    """Print the figures; return 1 when one is beyond its limit."""
    found, strangers = [], 0
    for (name, look), blur, seed in product(LOOKS.items(), BLURS_PX, range(seeds)):
        cases, odd = cases_of(name, look, blur, seed)
        found += cases
        strangers += odd
    met = [line("all", found)]
    for kind in ("shortest side", "angle", "blur", "look"):
        names = dict.fromkeys(c.classes[kind] for c in found)
        met += [line(f"{kind} {n}", [c for c in found if c.classes[kind] == n]) for n in names]
    small = [c for c in found if c.classes["shortest side"] == "25 px"]
    for blur, angle in product(BLURS_PX, ANGLES_DEG):
        label = (f"{blur:g} px", f"{angle:g} deg")
        some = [c for c in small if (c.classes["blur"], c.classes["angle"]) == label]
        line(f"  25 px, {label[0]} blur, {label[1]}", some)
    wrong = strangers + sum(c.wrong for c in found)
    print(
        f"read wrong: {wrong} of {len(found)} (limit 0: another id, or a corner off by more than {WRONG_PX:g} px)"
    )
    print(
        f"limits: drift and outward bias {BIAS_PX} px, rms {RMS_PX} px, overall and in each class by itself"
    )
    return 0 if all(met) and not wrong else 1


def line(label: str, cases: list[Case]) -> bool:
    """Print one class's figures; return whether it keeps the limits."""
    seen = [c for c in cases if c.errors_px is not None]
    if not seen:
        print(f"{label:34s} read   0 of {len(cases):4d}")
        return False
    errors = np.array([c.errors_px for c in seen])
    drift = float(np.abs(errors.mean(axis=(0, 1))).max())
    outward = float(np.mean([c.outward_px for c in seen]))
    rms = float(np.sqrt((errors**2).mean()))
    stated = float(np.sqrt(((errors / np.array([c.sd_px for c in seen])) ** 2).mean()))
    met = max(drift, abs(outward)) <= BIAS_PX and rms <= RMS_PX
    print(
        f"{label:34s} read {len(seen):4d} of {len(cases):4d}  drift {drift:.4f}  outward {outward:+.4f}  rms {rms:.4f}  "
        f"worst {np.abs(errors).max():.3f}  rms/stated {stated:.2f}  {'' if met else 'NOT REACHED'}"
    )
    return met


def cases_of(name: str, look: Look, blur: float, seed: int) -> tuple[list[Case], int]:
    """Return the targets of one drawn photo, and how many were read that are not in it."""
    rng = np.random.default_rng([seed, int(10 * blur), list(LOOKS).index(name)])
    layout, classes = wall(rng)
    data = draw(layout, LENS, STATION, rng, Look(**{**look.__dict__, "blur_px": blur}))
    seen = {s.target: s.corners for s in detect(read_grey(data, where=name))[0]}
    out = []
    for target, labels in classes.items():
        labels |= {"blur": f"{blur:g} px", "look": name}
        if target not in seen:
            out.append(Case(labels))
            continue
        true = project_points(STATION.apply(corners_world(layout, target)), LENS)
        errors = seen[target].corners_px - true
        arms = true - true.mean(axis=0)
        outward = (errors * arms).sum(axis=1) / np.linalg.norm(arms, axis=1)
        sd = np.sqrt(np.diag(seen[target].covariance_px2)).reshape(4, 2)
        out.append(Case(labels, errors, outward, sd, bool(np.linalg.norm(errors, axis=1).max() > WRONG_PX)))
    return out, len(set(seen) - set(classes))


def wall(rng: np.random.Generator) -> tuple[Layout, dict[int, dict[str, str]]]:
    """Return a target of every size and angle, each in its own cell of the photo, and their classes."""
    ids = rng.permutation(587)
    places: dict[int, Rigid[World, Target]] = {}
    classes = {}
    for (k, (size, angle)), cell in zip(
        enumerate(product(SHORTEST_PX, ANGLES_DEG)), cells(len(SHORTEST_PX), len(ANGLES_DEG)), strict=True
    ):
        target = int(ids[k])
        places[target] = place(cell + rng.uniform(-30, 30, 2), size, np.deg2rad(angle), rng)
        classes[target] = {"shortest side": f"{size:g} px", "angle": f"{angle:g} deg"}
    return Layout(dict.fromkeys(places, SIDE_MM), places), classes


def cells(columns: int, rows: int) -> Iterator[Floats]:
    """Return the middles (2,) px of a grid of cells over the photo."""
    for c, r in product(range(columns), range(rows)):
        yield np.array([(c + 0.5) * LENS.width_px / columns, (r + 0.5) * LENS.height_px / rows])


def place(pixel: Floats, shortest_px: float, angle: float, rng: np.random.Generator) -> Rigid[World, Target]:
    """Return a target seen at `pixel`, `angle` rad off its normal, leaning and turned any way, of the size asked."""
    ray = np.append((pixel - [LENS.cx_px, LENS.cy_px]) / LENS.focal_px, 1.0)
    across = np.cross(ray, rng.normal(size=3))
    back, across = -ray / np.linalg.norm(ray), across / np.linalg.norm(across)
    normal, right = np.cos(angle) * back + np.sin(angle) * across, rng.normal(size=3)
    depth = LENS.focal_px * SIDE_MM / shortest_px
    for _ in range(3):
        out: Rigid[World, Target] = frame_on_plane(depth * ray, normal, right)
        corners = project_points(corners_world(Layout({0: SIDE_MM}, {0: out}), 0), LENS)
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
        depth *= sides.max() / LONGEST_PX if shortest_px == LONGEST_PX else sides.min() / shortest_px
    return out


if __name__ == "__main__":
    sys.exit(main(*(int(a) for a in sys.argv[1:])))
