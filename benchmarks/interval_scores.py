"""Errors of measured jobs over their predicted standard deviations, figure by figure."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations

import numpy as np
from simulated_job import (
    NEAR_WALL,
    PICK_SD_PX,
    ROUND_ABOUT,
    TUBE,
    TUBE_RADIUS_MM,
    WALL_AT,
    WALL_IDS,
    WALL_PICKS,
    Job,
    Setting,
    measured_job,
    picked,
    tube_tag,
)

from elbowroom.recon.features.faces import measure_face
from elbowroom.recon.obstacles.tubes import Tube, measure_tube
from elbowroom.recon.picks.rays import solve_point
from elbowroom.shared.arrays import Floats, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import (
    FaceTag,
    MeasuredFace,
    PickedPoint,
)

Z95 = 1.959964
"""Half width of the 95 % interval of a normal error, in standard deviations."""

LOW, HIGH = 0.93, 0.97
"""The coverage promised for each figure."""

Scores = dict[str, list[float]]


def scores_of(job: Job, rng: np.random.Generator) -> Scores:
    """Return, by figure, errors over their predicted standard deviations."""
    out: Scores = defaultdict(list)
    _score_centres(job, out)
    _score_points(job, rng, out)
    wall = FaceTag(name="wall", points=tuple(PickedPoint(target=i) for i in WALL_IDS))
    by_picks = tuple(picked(job, rng, p, 3, PICK_SD_PX) for p in WALL_PICKS)
    drawn = FaceTag(name="drawn", points=by_picks, pick_sd_px=PICK_SD_PX)
    faces = {"by targets": wall, "by picks": drawn}
    measured = {k: measure_face(f, job.scene, network=job.doubt)[0] for k, f in faces.items()}
    for name, face in measured.items():
        _score_face(job, rng, name, face, out)
    _score_tube(job, rng, measured, out)
    return out


def _score_centres(job: Job, out: Scores) -> None:
    ids = [m.id for m in job.scene.measured]
    centres = job.doubt.centres_world
    off = centres - job.world(job.true.target_shifts[ids])
    variance = np.diag(job.doubt.covariance_mm2)
    out["target centres, coordinates"] += list(off.ravel() / np.sqrt(variance))
    for a, b in combinations(range(len(ids)), 2):
        arm = centres[b] - centres[a]
        true = np.linalg.norm(job.true.target_shifts[ids[b]] - job.true.target_shifts[ids[a]])
        row = np.concatenate([-arm, arm]) / np.linalg.norm(arm)
        columns = np.r_[3 * a : 3 * a + 3, 3 * b : 3 * b + 3]
        sd = np.sqrt(row @ job.doubt.covariance_mm2[np.ix_(columns, columns)] @ row)
        out["target centres, distances"].append((np.linalg.norm(arm) - true) / sd)


def _score_points(job: Job, rng: np.random.Generator, out: Scores) -> None:
    for count in (2, 3, 4):
        for point in np.vstack([NEAR_WALL, ROUND_ABOUT]):
            for sd_px, name in (
                (PICK_SD_PX, f"points picked in {count} photos"),
                (0.0, "points, exact picks"),
            ):
                solved = solve_point(
                    picked(job, rng, point, count, sd_px), job.scene, sd_px or 1e-6, network=job.doubt
                )
                off = solved.point_world - job.world(point)[0]
                out[name] += list(off / np.sqrt(np.diag(solved.covariance)))


def _score_face(job: Job, rng: np.random.Generator, name: str, face: MeasuredFace, out: Scores) -> None:
    """The measured plane's error at the places it was measured; its gap from picked points that lie before it."""
    normal = np.array(face.normal)
    places = np.column_stack([WALL_AT, np.zeros(4)]) if name == "by targets" else WALL_PICKS
    for place in job.world(places):
        sd = np.sqrt(normal @ face.covariance_at(place) @ normal)
        out[f"face {name}, offset where measured"].append((place - face.point_mm) @ normal / sd)
    for point in NEAR_WALL:
        solved = solve_point(picked(job, rng, point, 3, PICK_SD_PX), job.scene, PICK_SD_PX, network=job.doubt)
        gap = float(normal @ (solved.point_world - face.point_mm))
        sd = np.sqrt(normal @ (solved.covariance + face.covariance_at(solved.point_world)) @ normal)
        out[f"face {name}, gap to a picked point"].append((gap - point[2]) / sd)


def _score_tube(job: Job, rng: np.random.Generator, faces: dict[str, MeasuredFace], out: Scores) -> None:
    for count in (2, 3, 4):
        tube = _tube(job, rng, count)
        along, axis = TUBE[1] - TUBE[0], tube.axis_world
        if (axis[1] - axis[0]) @ (job.turn @ along) < 0:
            axis = axis[::-1]
        out["tube radius"].append((tube.radius_mm - TUBE_RADIUS_MM) / tube.radius_sd_mm)
        true = job.world(TUBE)
        direction = (true[1] - true[0]) / np.linalg.norm(true[1] - true[0])
        across = np.linalg.svd(direction[None])[2][1:]
        for end, truth in zip(axis, true, strict=True):
            foot = truth + direction * float(direction @ (end - truth))
            for row in across:
                variance = row @ tube.covariance @ row - tube.radius_sd_mm**2  # it holds the radius as well
                out["tube axis, across"].append(row @ (end - foot) / np.sqrt(variance))
        for name, face in faces.items():
            _score_tube_gap(tube.axis_world, tube.radius_mm, tube.covariance, face, name, out)


def _tube(job: Job, rng: np.random.Generator, count: int) -> Tube:
    """Return the tube drawn in photos that see it from two sides; those that don't are refused and drawn again."""
    while True:
        try:
            return measure_tube(tube_tag(job, rng, count), job.scene, network=job.doubt)
        except InputError:
            continue


def _score_tube_gap(
    axis: Points3, radius: float, covariance: Floats, face: MeasuredFace, name: str, out: Scores
) -> None:
    normal = np.array(face.normal)
    heights = (axis - face.point_mm) @ normal
    nearest = axis[heights.argmin()]
    sd = np.sqrt(normal @ (covariance + face.covariance_at(nearest)) @ normal)
    true = float(TUBE[:, 2].min()) - TUBE_RADIUS_MM
    out[f"face {name}, gap to a tube"].append((heights.min() - radius - true) / sd)


def coverage(setting: Setting, seeds: Sequence[int]) -> dict[str, Floats]:
    """Return by figure (networks, 3): share of errors within 95 %, mean square of error over sd, number of errors."""
    rows: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for scores in pool.map(scores_of_seed, [setting] * len(seeds), seeds, chunksize=5):
            for name, values in scores.items():
                z = np.array(values)
                rows[name].append((float((np.abs(z) < Z95).mean()), float(np.mean(z**2)), float(len(z))))
    return {name: np.array(r) for name, r in rows.items()}


def scores_of_seed(setting: Setting, seed: int) -> Scores:
    """Return the scores of one simulated job."""
    rng = np.random.default_rng([seed, setting.photos, int(100 * setting.gross)])
    return scores_of(measured_job(rng, setting), rng)


def spread(rows: Floats) -> float:
    """Return the standard deviation of the mean share: as the networks scatter, no less than a binomial share does."""
    scatter = float(rows[:, 0].std(ddof=1) / np.sqrt(len(rows)))
    return max(scatter, float(np.sqrt(0.95 * 0.05 / rows[:, 2].sum())))
