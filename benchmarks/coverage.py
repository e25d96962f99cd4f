"""How often the 95 % intervals hold the truth: Monte-Carlo over simulated networks, tags and gaps.

Truth is made up; corners, picks, cards and typed distances get random errors of the stated size (the corners' stated
covariance is a quarter of the true one, as sigma0 must find out); the product then measures, and each error is held
against 1.96 of its own predicted standard deviations. Nominal is 95 %. Quantities of one network share its errors, so the spread printed is that of
the means of the networks. Exit code 1 when a row lies outside 93 to 97 % by more than twice that spread.

    coverage.py [networks=200] [first seed=0]
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from synthetic import look_at

from elbowroom.recon.adjust import adjust, robust_state
from elbowroom.recon.distances import weighing_sds
from elbowroom.recon.doubt import NetworkDoubt
from elbowroom.recon.equations import Network, State, sightings
from elbowroom.recon.faces import measure_face
from elbowroom.recon.faults import Faults
from elbowroom.recon.prints import Print, known_distances, side_sd
from elbowroom.recon.rays import solve_point
from elbowroom.recon.result import measured_scene
from elbowroom.recon.solution import Index, Solution
from elbowroom.recon.tubes import Tube, measure_tube
from elbowroom.shared.arrays import Bools, Floats, Points2, Points3
from elbowroom.shared.errors import InputError
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane, rotation_from_vector
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import (
    CardTarget,
    EdgeLines,
    FaceTag,
    Lens,
    MeasuredFace,
    Photo,
    PickedPoint,
    PointPick,
    ScaleCard,
    Scene,
    TubeTag,
    TypedDistance,
)

Z95 = 1.959964
"""Half width of the 95 % interval of a normal error, in standard deviations."""

LOW, HIGH = 0.93, 0.97
"""The coverage promised for each figure."""

LENS = Lens(
    name="phone", width_px=4000, height_px=3000, focal_px=3050, cx_px=2010, cy_px=1490,
    k1=0.08, k2=-0.2, k3=0.05, p1=3e-4, p2=-2e-4,
)  # fmt: skip
GUESS = np.array([[3000.0, 1999.5, 1499.5, 0, 0, 0, 0, 0]])

SIDE_MM, NOISE_PX, STATED_PX, PICK_SD_PX = 40.0, 0.06, 0.03, 0.7
CARD_SD_MM, TYPED_SD_MM, SIDE_SPREAD = 0.02, 0.1, 0.003
CARD = ((0.0, 0.0), (150.0, 0.0), (0.0, 100.0), (150.0, 100.0))
CARD_IDS, WALL_IDS, IDS = range(4), range(4, 8), range(15)
WALL_AT = ((-150.0, -110.0), (140.0, -100.0), (-130.0, 120.0), (150.0, 110.0))
TUBE = np.array([[-60.0, 20.0, 21.0], [70.0, 45.0, 22.0]])
TUBE_RADIUS_MM = 15.0
NEAR_WALL = np.array([[-90.0, 40, 6], [30, -60, 6], [100, 70, 12], [0, 0, 6]])
ROUND_ABOUT = np.array([[-180.0, -120, 40], [60, 90, 110], [190, 20, 80], [-40, -10, -60]])
WALL_PICKS = np.array([[-100.0, -70, 0], [110, -60, 0], [90, 80, 0], [-80, 90, 0], [0, -80, 0]])


@dataclass(frozen=True)
class Setting:
    """How many photos, and the share of sightings that are gross errors."""

    name: str
    photos: int
    gross: float = 0.0


SETTINGS = (
    Setting("12 photos", 12),
    Setting("12 photos, 5 % gross errors", 12, 0.05),
    Setting("6 photos", 6),
)


@dataclass(frozen=True, eq=False)
class Job:
    """A measured scene with its network's doubt, and the truth: state, and what takes truth to the scene's world."""

    scene: Scene
    doubt: NetworkDoubt
    true: State
    turn: Floats
    shift: Floats

    def world(self, true_points: Points3) -> Points3:
        """Return true points (n, 3) in the measured world, best fitted over the target centres."""
        return np.atleast_2d(true_points) @ self.turn.T + self.shift


def true_state(rng: np.random.Generator, photos: int) -> State:
    """Return stations on a dome round a card, a flat wall with four targets and seven targets round about."""
    cameras = []
    for i in range(photos):
        bearing = 2 * np.pi * i / photos + rng.uniform(-0.2, 0.2)
        eye = np.array([480 * np.cos(bearing), 480 * np.sin(bearing), rng.uniform(400, 700)])
        cameras.append(look_at(eye, rng.normal(0, 20, 3), roll=(0.0, 1.57)[i % 2]))
    card: Rigid[World, Target] = frame_on_plane(
        np.array([-60.0, -60, 60]), np.array([0.1, -0.15, 1]), np.array([1.0, 0.2, 0])
    )
    places = [(card.apply(np.array([[x, y, 0.0]]))[0], card.rotation) for x, y in CARD]
    places += [(np.array([x, y, 0.0]), _facing(rng, 0.0)) for x, y in WALL_AT]
    box = np.array([[-230.0, -170, -60], [230, 170, 120]])
    places += [(rng.uniform(*box), _facing(rng, 0.25)) for _ in range(len(IDS) - len(places))]
    return State(
        np.array([[LENS.focal_px, LENS.cx_px, LENS.cy_px, LENS.k1, LENS.k2, LENS.k3, LENS.p1, LENS.p2]]),
        np.array([c.rotation for c in cameras]),
        np.array([c.shift for c in cameras]),
        np.array([r for _, r in places]),
        np.array([p for p, _ in places]),
        np.array([1 + rng.normal(0, SIDE_SPREAD)]),
    )


def _facing(rng: np.random.Generator, lean: float) -> Floats:
    normal = np.array([0, 0, 1.0]) + rng.normal(0, 1, 3) * lean
    return frame_on_plane(np.zeros(3), normal, rng.normal(size=3)).rotation


def given_scene(rng: np.random.Generator, true: State) -> Scene:
    """Return the scene before measuring: the card's one error is its bars', common to its distances."""
    rms = np.sqrt(np.mean([np.sum(np.subtract(a, b) ** 2) for a, b in combinations(CARD, 2)]))
    grown = 1 + rng.normal(0, CARD_SD_MM) / rms
    targets = tuple(
        CardTarget(id=i, x_mm=x * grown, y_mm=y * grown) for i, (x, y) in zip(CARD_IDS, CARD, strict=True)
    )
    length = float(np.linalg.norm(true.target_shifts[7] - true.target_shifts[4])) + rng.normal(0, TYPED_SD_MM)
    photos = [
        Photo(name=f"photo {i}", media="0" * 64, width_px=4000, height_px=3000, lens="phone")
        for i in range(len(true.station_shifts))
    ]
    return Scene(
        photos=tuple(photos),
        lenses=(LENS,),
        default_side_mm=SIDE_MM,
        cards=(ScaleCard(name="card", side_mm=SIDE_MM, targets=targets, sd_mm=CARD_SD_MM),),
        distances=(TypedDistance(name="across", from_target=4, to_target=7, mm=length, sd_mm=TYPED_SD_MM),),
    )


def network_of(scene: Scene, true: State, rng: np.random.Generator, gross: float) -> Network:
    """Return what the photos show of the targets, each sighting with its own noise, some with gross errors."""
    stations, targets = np.divmod(np.arange(len(scene.photos) * len(IDS)), len(IDS))
    m, distances = len(stations), known_distances(scene, set(IDS))
    empty = Network(
        lens=np.zeros(m, dtype=np.int64), station=stations, target=targets, corners_px=np.zeros((m, 4, 2)),
        whitening=np.tile(np.eye(8), (m, 1, 1)), sides_mm=np.full(len(IDS), SIDE_MM),
        batch=np.zeros(len(IDS), dtype=np.int64), distance_ends=np.array([d.ends for d in distances]),
        distances_mm=np.array([d.mm for d in distances]), distance_sds_mm=weighing_sds(distances),
        factor_sds=np.array([side_sd(scene, "", scale_known=True)]), lens_start=GUESS,
    )  # fmt: skip
    corners = -sightings(true, empty)[0].reshape(m, 4, 2)
    uneven = rng.uniform(0.7, 1.5, m)
    noisy = corners + rng.normal(0, NOISE_PX, corners.shape) * uneven[:, None, None]
    bad = rng.uniform(size=m) < gross
    noisy[bad] += _blunders(rng, int(bad.sum()))
    keep = _visible(true, stations, targets, corners) & (rng.uniform(size=m) < 0.85)
    return replace(
        empty, lens=empty.lens[keep], station=stations[keep], target=targets[keep], corners_px=noisy[keep],
        whitening=(np.eye(8) / (STATED_PX * uneven[:, None, None]))[keep],
    )  # fmt: skip


def _blunders(rng: np.random.Generator, count: int) -> Floats:
    """Return shifts (count, 4, 2) px of 3 to 50 px: of the whole sighting, or of one corner."""
    bearing, size = rng.uniform(0, 2 * np.pi, count), rng.uniform(3, 50, count)
    shift = (size * np.array([np.cos(bearing), np.sin(bearing)])).T
    of = np.where(rng.uniform(size=(count, 1)) < 0.5, 1.0, np.eye(4)[rng.integers(0, 4, count)])
    return of[:, :, None] * shift[:, None]


def _visible(true: State, stations: Floats, targets: Floats, corners: Floats) -> Bools:
    inside = ((corners > 20) & (corners < [3980, 2980])).all(axis=(1, 2))
    rotations, shifts = true.station_rotations, true.station_shifts
    eyes = -np.einsum("sji,sj->si", rotations, shifts)[stations]  # s: station; i, j: axes
    ray = eyes - true.target_shifts[targets]
    facing = (ray * true.target_rotations[targets][:, :, 2]).sum(axis=1) / np.linalg.norm(ray, axis=1)
    return np.asarray(inside & (facing > 0.45))


def shaken(true: State, rng: np.random.Generator) -> State:
    """Return first values some millimetres and a degree off, without distortion."""

    def turned(rotations: Floats) -> Floats:
        return np.array([rotation_from_vector(rng.normal(0, 0.01, 3)) @ r for r in rotations])

    return State(
        GUESS.copy(),
        turned(true.station_rotations),
        true.station_shifts + rng.normal(0, 4, true.station_shifts.shape),
        turned(true.target_rotations),
        true.target_shifts + rng.normal(0, 3, true.target_shifts.shape),
        np.ones(1),
    )


def measured_job(rng: np.random.Generator, setting: Setting) -> Job:
    """Return one simulated job as the product measures it."""
    true = true_state(rng, setting.photos)
    scene = given_scene(rng, true)
    network = network_of(scene, true, rng, setting.gross)
    adjusted = adjust(robust_state(shaken(true, rng), network), network)
    index = Index([p.name for p in scene.photos], list(IDS), ["phone"], [""])
    prints = {i: Print(SIDE_MM, 0.0, "") for i in IDS}
    solution, faults = Solution(adjusted, network, index, True, []), Faults([], frozenset(), frozenset())
    scene, media = measured_scene(scene, [], solution, prints=prints, faults=faults, findings=[])
    doubt = NetworkDoubt.of_bytes(media[str(scene.network)])
    centres = np.array([m.world_from_target.shift_mm for m in scene.measured])
    turn, shift = rigid_fit(true.target_shifts[[m.id for m in scene.measured]], centres)
    return Job(scene, doubt, true, turn, shift)


def rigid_fit(points: Points3, onto: Points3) -> tuple[Floats, Floats]:
    """Return the turn (3, 3) and shift (3,) that take points (n, 3) nearest `onto` (Kabsch 1976, closed form)."""
    a, b = points.mean(axis=0), onto.mean(axis=0)
    left, _, right = np.linalg.svd((onto - b).T @ (points - a))
    turn = left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right
    return turn, b - turn @ a


# --- what a person would pick --------------------------------------------------------------------------------


def pixels(true: State, station: int, points: Points3) -> Points2:
    """Return the true pixels (n, 2) of true points (n, 3)."""
    camera = np.atleast_2d(points) @ true.station_rotations[station].T + true.station_shifts[station]
    return project_points(camera, LENS)


def picked(job: Job, rng: np.random.Generator, point: Floats, count: int, sd_px: float) -> PickedPoint:
    """Return a true point picked in `count` photos with errors of `sd_px`."""
    names = [i for i, p in enumerate(job.scene.photos) if p.camera_from_world is not None]
    seen = [i for i in names if (np.abs(pixels(job.true, i, point)[0] - [2000, 1500]) < [1950, 1450]).all()]
    first = rng.integers(len(seen))
    chosen = [seen[(first + k * max(len(seen) // count, 1)) % len(seen)] for k in range(count)]
    return PickedPoint(picks=tuple(_pick(job, rng, i, point, sd_px) for i in chosen))


def _pick(job: Job, rng: np.random.Generator, station: int, point: Floats, sd_px: float) -> PointPick:
    x, y = pixels(job.true, station, point)[0] + rng.normal(0, 1, 2) * sd_px
    return PointPick(photo=job.scene.photos[station].name, xy_px=(float(x), float(y)))


def tube_tag(job: Job, rng: np.random.Generator, count: int) -> TubeTag:
    """Return the tube's edges drawn in `count` photos, each end pick with its error."""
    chosen = sorted(rng.choice(len(job.scene.photos), count, replace=False))
    edges = [_edges(job, rng, int(i)) for i in chosen if job.scene.photos[i].camera_from_world is not None]
    return TubeTag(name="tube", edges=tuple(edges), pick_sd_px=PICK_SD_PX)


def _edges(job: Job, rng: np.random.Generator, station: int) -> EdgeLines:
    """Return the silhouette: the generators whose tangent planes hold the camera (closed form)."""
    start, along = TUBE[0], TUBE[1] - TUBE[0]
    along = along / np.linalg.norm(along)
    eye = -job.true.station_rotations[station].T @ job.true.station_shifts[station]
    away = (start - eye) - ((start - eye) @ along) * along
    far = float(np.linalg.norm(away))
    away, side, sine = away / far, np.cross(along, away / far), TUBE_RADIUS_MM / far
    out = []
    for sign in (1.0, -1.0):
        offset = TUBE_RADIUS_MM * (sign * np.sqrt(1 - sine**2) * side - sine * away)
        ends = pixels(job.true, station, TUBE + offset) + rng.normal(0, PICK_SD_PX, (2, 2))
        out.append(tuple((float(x), float(y)) for x, y in ends))
    return EdgeLines(photo=job.scene.photos[station].name, one_px=out[0], other_px=out[1])


# --- errors over their doubts --------------------------------------------------------------------------------

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
    normal, plate = np.array(face.normal), np.array(face.covariance_mm2)
    places = np.column_stack([WALL_AT, np.zeros(4)]) if name == "by targets" else WALL_PICKS
    off = (job.world(places) - face.point_mm) @ normal
    out[f"face {name}, offset where measured"] += list(off / np.sqrt(normal @ plate @ normal))
    for point in NEAR_WALL:
        solved = solve_point(picked(job, rng, point, 3, PICK_SD_PX), job.scene, PICK_SD_PX, network=job.doubt)
        gap = float(normal @ (solved.point_world - face.point_mm))
        sd = np.sqrt(normal @ (solved.covariance + plate) @ normal)
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
    heights = np.sort((axis - face.point_mm) @ normal)
    sd = np.sqrt(normal @ (covariance + np.array(face.covariance_mm2)) @ normal)
    true = float(TUBE[:, 2].min()) - TUBE_RADIUS_MM
    out[f"face {name}, gap to a tube"].append((heights[0] - radius - true) / sd)


def coverage(setting: Setting, seeds: Sequence[int]) -> dict[str, Floats]:
    """Return by figure (networks, 3): share of errors within 95 %, mean square of error over sd, number of errors."""
    rows: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
    for seed in seeds:
        rng = np.random.default_rng([seed, setting.photos, int(100 * setting.gross)])
        for name, values in scores_of(measured_job(rng, setting), rng).items():
            z = np.array(values)
            rows[name].append((float((np.abs(z) < Z95).mean()), float(np.mean(z**2)), float(len(z))))
    return {name: np.array(r) for name, r in rows.items()}


def spread(rows: Floats) -> float:
    """Return the standard deviation of the mean share: as the networks scatter, no less than a binomial share does."""
    scatter = float(rows[:, 0].std(ddof=1) / np.sqrt(len(rows)))
    return max(scatter, float(np.sqrt(0.95 * 0.05 / rows[:, 2].sum())))


def print_table(setting: Setting, table: dict[str, Floats]) -> int:
    """Print a setting's rows; return how many are beyond the promise."""
    networks, bad = len(next(iter(table.values()))), 0
    print(f"{setting.name}, {networks} networks: share within 95 %, spread of that, rms of error over sd")
    for name, rows in table.items():
        share, doubt, rms = float(rows[:, 0].mean()), spread(rows), float(np.sqrt(rows[:, 1].mean()))
        beyond = max(LOW - share, share - HIGH) > 2 * doubt
        bad += beyond
        print(
            f"  {name:42s} {100 * share:5.1f} % ± {100 * doubt:3.1f}  {rms:5.2f}{'  off' if beyond else ''}",
            flush=True,
        )
    return bad


def main() -> int:
    """Print the tables; return 1 when a row is beyond the promise."""
    networks = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    return int(sum(print_table(s, coverage(s, range(first, first + networks))) for s in SETTINGS) > 0)


if __name__ == "__main__":
    sys.exit(main())
