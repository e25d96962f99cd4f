"""One network of free points, solved by our adjustment and by gtsam, a general solver: same minimum, and the time of both.

Needs `pip install gtsam`, which nothing else here does. The lens is held, so that both have the same unknowns: stations,
points, and one target in two photos that gives the scale (a cost function in Python there, four out of thousands). Exit
code 1 when the sums of squares differ by more than a millionth.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import gtsam
import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / room) for room in ("recon", "shared", "fixtures", "")]

from tests.recon.made_network import LENS, SIDE_MM, Floats, network_of, seen_by_opencv, true_state  # noqa: E402

from elbowroom.recon.adjust import _iterate, adjust  # noqa: E402
from elbowroom.recon.equations import Network, Picks, State  # noqa: E402
from elbowroom.recon.normal import normal_equations  # noqa: E402
from elbowroom.recon.pattern import CORNERS  # noqa: E402
from elbowroom.shared.frames import rotation_from_vector  # noqa: E402

SIZES = ((8, 300), (20, 1000))
"""Photos, and points each of which half of the photos show."""

PICK_PX, CORNER_PX, RUNS, SAME = 0.5, 0.05, 3, 1e-6


def main() -> int:
    """Print a row for each size; return 1 when the minima differ."""
    worst = 0.0
    for photos, points in SIZES:
        start, network = made(photos, points)
        ours, state = best(lambda: solved_here(start, network))  # noqa: B023
        whole, _ = best(lambda: adjust(start, network))  # noqa: B023
        graph, values = as_graph(start, network)
        theirs, (error, steps) = best(lambda: solved_there(graph, values))  # noqa: B023
        used = np.ones(len(network), dtype=bool)
        cost = normal_equations(state, network, used, robust=False).cost - known_cost(network)
        apart = abs(cost / (2 * error) - 1)
        worst = max(worst, apart)
        print(
            f"{photos} photos, {points} points, {len(network.picks)} sightings: sum of squares {cost:.6f} here, "
            f"{2 * error:.6f} there (apart {apart:.1e}); {ours:.2f} s here, {theirs:.2f} s there in {steps} steps: "
            f"{theirs / ours:.1f} times ours; with rejection and covariance ours takes {whole:.2f} s"
        )
    return int(worst > SAME)


def best(run: Any) -> tuple[float, Any]:
    """Return the least wall seconds of some runs, and what the last one gave."""
    took = []
    for _ in range(RUNS):
        begin = time.perf_counter()
        out = run()
        took.append(time.perf_counter() - begin)
    return min(took), out


def made(photos: int, points: int) -> tuple[State, Network]:
    """Return first values and a network of points, with a target in the first two photos."""
    rng = np.random.default_rng(5)
    true = true_state(5, stations=photos, targets=2)
    row = LENS.copy()
    row[5] = 0.0  # their lens has no k3
    true = replace(true, lenses=row[None])
    whole = network_of(true, rng)
    rows = [0, 2]  # target 0 from stations 0 and 1
    fields = {n: getattr(whole, n)[rows] for n in ("lens", "station", "target", "corners_px", "whitening")}
    places = rng.uniform([-220, -160, -60], [220, 160, 60], (points, 3))
    station = np.concatenate([rng.permutation(photos)[: photos // 2] for _ in range(points)])
    point = np.repeat(np.arange(points), photos // 2)
    pixels = np.zeros((len(point), 2))
    for i in range(photos):
        pixels[station == i] = seen_by_opencv(true, i, places[point[station == i]])
    picks = Picks(
        np.zeros(len(point), dtype=np.int64),
        station,
        point,
        pixels + rng.normal(0, PICK_PX, pixels.shape),
        np.full(len(point), PICK_PX),
    )
    one = {"target_rotations": true.target_rotations[:1], "target_shifts": true.target_shifts[:1]}
    start = replace(true, **one, points=places + rng.normal(0, 3, places.shape))
    off = rng.normal(0, 4, start.station_shifts.shape)
    off[0] = 0.0  # the first station holds the frame
    turned = [
        rotation_from_vector(rng.normal(0, 0.004, 3) * bool(i)) @ r
        for i, r in enumerate(start.station_rotations)
    ]
    start = replace(start, station_shifts=start.station_shifts + off, station_rotations=np.array(turned))
    no = np.zeros(0)
    network = replace(
        whole,
        **fields,
        picks=picks,
        sides_mm=whole.sides_mm[:1],
        batch=whole.batch[:1],
        distance_ends=np.zeros((0, 2), dtype=np.int64),
        distances_mm=no,
        distance_sds_mm=no,
        factor_sds=np.array([1e-9]),
        lens_start=row[None],
        lens_held=np.ones((1, 8), dtype=bool),
    )
    return start, network


def known_cost(network: Network) -> float:
    """Return the cost of what is no sighting: nothing, as lens and side are held where they start."""
    assert network.lens_held.all()
    return 0.0


def solved_here(start: State, network: Network) -> State:
    """Return our minimum."""
    return _iterate(start, network, np.ones(len(network), dtype=bool), robust=False, cancelled=None)


def as_graph(start: State, network: Network) -> tuple[Any, Any]:
    """Return the same network as their factors, and first values."""
    focal, cx, cy, k1, k2, _, p1, p2 = start.lenses[0]
    lens = gtsam.Cal3DS2(focal, focal, 0.0, cx, cy, k1, k2, p1, p2)
    graph, values = gtsam.NonlinearFactorGraph(), gtsam.Values()
    camera, place = gtsam.symbol_shorthand.X, gtsam.symbol_shorthand.L
    for i, (r, t) in enumerate(zip(start.station_rotations, start.station_shifts, strict=True)):
        values.insert(camera(i), gtsam.Pose3(gtsam.Rot3(r.T), -r.T @ t))
    for i, p in enumerate(start.points):
        values.insert(place(i), p)
    values.insert(0, gtsam.Pose3(gtsam.Rot3(start.target_rotations[0]), start.target_shifts[0]))
    # a prior, not an equality: that would make the solver fall back on a slower elimination
    held = gtsam.noiseModel.Isotropic.Sigma(6, 1e-5)
    graph.add(gtsam.PriorFactorPose3(camera(0), values.atPose3(camera(0)), held))
    noise = gtsam.noiseModel.Isotropic.Sigma(2, PICK_PX)
    picks = network.picks
    for s, p, px in zip(picks.station, picks.point, picks.pixels, strict=True):
        graph.add(gtsam.GenericProjectionFactorCal3DS2(px, noise, camera(int(s)), place(int(p)), lens))
    for s, corners in zip(network.station, network.corners_px, strict=True):
        graph.add(target_factor(camera(int(s)), corners, lens))
    return graph, values


def target_factor(camera: int, corners_px: Floats, lens: Any) -> Any:
    """Return a factor between a camera and the target: its four corners' pixels."""
    flat = np.column_stack([CORNERS * SIDE_MM, np.zeros(4)])

    def residuals(station: Any, target: Any) -> Floats:
        world = [target.transformFrom(p) for p in flat]
        seen = [gtsam.PinholeCameraCal3DS2(station, lens).project(w) for w in world]
        return (np.array(seen) - corners_px).ravel()

    def error(this: Any, values: Any, jacobians: Any) -> Floats:
        poses = [values.atPose3(k) for k in this.keys()]  # noqa: SIM118
        if jacobians is not None:
            for k in range(2):
                columns = []
                for step in 1e-6 * np.eye(6):
                    ends = [[*poses] for _ in range(2)]
                    ends[0][k], ends[1][k] = poses[k].retract(step), poses[k].retract(-step)
                    columns.append((residuals(*ends[0]) - residuals(*ends[1])) / 2e-6)
                jacobians[k] = np.array(columns).T
        return residuals(*poses)

    return gtsam.CustomFactor(gtsam.noiseModel.Isotropic.Sigma(8, CORNER_PX), [camera, 0], error)


def solved_there(graph: Any, values: Any) -> tuple[float, int]:
    """Return half their least sum of squares, and the steps taken."""
    settings = gtsam.LevenbergMarquardtParams()
    settings.setRelativeErrorTol(1e-8)  # ours stops there too
    settings.setAbsoluteErrorTol(0.0)
    optimizer = gtsam.LevenbergMarquardtOptimizer(graph, values, settings)
    optimizer.optimize()
    return optimizer.error(), optimizer.iterations()


if __name__ == "__main__":
    sys.exit(main())
