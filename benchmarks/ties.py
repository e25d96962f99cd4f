"""Tie points on the demo photos with few targets left: errors and stated doubt of their distances, with and without.

Only the targets named are used, or of these the few nearest to each photo's middle; the others are masked, so that no
tie lies on them. Distances are compared after the best scale: ties know nothing of size. Exit code 1 when the distances
are worse with ties than without.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from measure_demo import DEMO, demo_scene

from elbowroom.recon.network.joins import first_lenses, join_readings
from elbowroom.recon.network.prints import prints_of
from elbowroom.recon.network.solution import Solution, solve_network
from elbowroom.recon.network.stiffening import shape_sd, tried
from elbowroom.recon.reading.detect import read_grey
from elbowroom.recon.reading.readings import Reading, read_photos
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Scene

SETS = ((4, (1, 6, 9, 14)), (3, (1, 6, 9, 14)), (3, (3, 5, 12, 17, 101)))
"""How many targets a photo shows at most, and which there are."""


def main() -> int:
    """Print a row for each set of targets; return 1 when ties made one worse."""
    cv2.setNumThreads(1)
    truth = json.loads((DEMO / "truth.json").read_text())
    scene, media = demo_scene(truth)
    everything = read_photos(scene.photos, media)
    worse = False
    for most, kept in SETS:
        readings = [nearest(r, kept, most) for r in everything]
        before = solved(scene, readings, kept)
        start = time.process_time()
        after = tied(before, everything, readings, media)
        seconds = time.process_time() - start
        (rms, sd), (rms_tied, sd_tied) = (figures(s, kept, truth) for s in (before, after))
        print(
            f"targets {kept}, {most} a photo: distances rms {rms:.4f} -> {rms_tied:.4f} mm, predicted {sd:.4f} -> "
            f"{sd_tied:.4f} mm; typical sd {shape_sd(before.adjusted):.4f} -> {shape_sd(after.adjusted):.4f} mm; "
            f"{seconds:.0f} s CPU"
        )
        for finding in after.findings:
            if finding.code.startswith("ties"):
                print("   ", finding.message)
        worse |= rms_tied > 1.1 * rms
    return int(worse)


def nearest(reading: Reading, kept: Sequence[int], most: int) -> Reading:
    """Return a reading with only the targets of a set that are nearest to the photo's middle."""
    mine = reading.only(kept)
    middle = np.array([reading.photo.width_px, reading.photo.height_px]) / 2
    away = {
        s.target: float(np.linalg.norm(s.corners.corners_px.mean(axis=0) - middle)) for s in mine.sightings
    }
    return mine.only(sorted(away, key=lambda t: away[t])[:most])


def solved(scene: Scene, readings: Sequence[Reading], kept: Sequence[int]) -> Solution:
    """Return the network of some targets alone."""
    prints = {t: p for t, p in prints_of(scene, set(kept)).items() if t in kept}
    known = [r.only(prints) for r in readings]
    lenses = first_lenses(scene, known, prints)
    joined, start, _ = join_readings(known, lenses, prints)
    return solve_network(scene, joined, start, lenses=lenses, prints=prints)


def tied(
    solution: Solution, everything: Sequence[Reading], readings: Sequence[Reading], media: Media
) -> Solution:
    """Return the network with ties if it is the better for them."""
    joined = [next(r for r in readings if r.photo.name == name) for name in solution.index.photos]
    return tried(solution, everything, joined, lambda p: read_grey(media[p.media], where=p.name))


def figures(solution: Solution, kept: Sequence[int], truth: dict[str, Any]) -> tuple[float, float]:
    """Return the rms error and the rms predicted sd (mm) of all distances after the best scale."""
    places = {t["id"]: np.array(t["world_from_target"])[:3, 3] for t in truth["targets"]}
    pairs = list(combinations(kept, 2))
    true = np.array([np.linalg.norm(places[b] - places[a]) for a, b in pairs])
    found = np.array([np.linalg.norm(solution.centre(b) - solution.centre(a)) for a, b in pairs])
    covariance = solution.adjusted.centre_covariance
    lever = np.zeros((len(pairs), len(covariance)))
    for row, (a, b) in zip(lever, pairs, strict=True):
        along = solution.centre(b) - solution.centre(a)
        along /= np.linalg.norm(along)
        row[solution.adjusted.centre_columns(solution.index.targets.index(a))] = -along
        row[solution.adjusted.centre_columns(solution.index.targets.index(b))] = along
    unscaled = np.eye(len(pairs)) - np.outer(true, true) / (true @ true)
    doubt = unscaled @ lever @ covariance @ lever.T @ unscaled
    return float(np.sqrt(np.mean((unscaled @ (found - true)) ** 2))), float(
        np.sqrt(np.trace(doubt) / len(pairs))
    )


if __name__ == "__main__":
    sys.exit(main())
