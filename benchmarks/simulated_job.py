"""Measured jobs without photos: made-up truth, corners and picks through the exact lens with errors of stated size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from rigid_fit import rigid_fit
from synthetic import look_at

from elbowroom.recon.adjust import robust_state
from elbowroom.recon.distances import weighing_sds
from elbowroom.recon.doubt import NetworkDoubt
from elbowroom.recon.equations import Network, State, sightings, wide_prior
from elbowroom.recon.faults import Faults
from elbowroom.recon.prints import Print, known_distances, side_sd
from elbowroom.recon.result import measured_scene
from elbowroom.recon.solution import Index, Solution, adjusted_network
from elbowroom.shared.arrays import Bools, Floats, Points2, Points3
from elbowroom.shared.frames import Rigid, Target, World, frame_on_plane, rotation_from_vector
from elbowroom.shared.lens import project_points
from elbowroom.shared.scene import (
    CardTarget,
    EdgeLines,
    Lens,
    Photo,
    PickedPoint,
    PointPick,
    ScaleCard,
    Scene,
    TubeTag,
    TypedDistance,
)

LENS = Lens(
    name="phone", width_px=4000, height_px=3000, focal_px=3050, cx_px=2010, cy_px=1490,
    k1=0.08, k2=-0.2, k3=0.05, p1=3e-4, p2=-2e-4,
)  # fmt: skip
GUESS = np.array([[3000.0, 1999.5, 1499.5, 0, 0, 0, 0, 0]])

# the corners' true noise and the one stated, a hand's pick, and the doubt of card, calipers and printed sides
SIDE_MM, NOISE_PX, STATED_PX, PICK_SD_PX = 40.0, 0.06, 0.03, 0.7
CARD_SD_MM, TYPED_SD_MM, SIDE_SPREAD = 0.02, 0.1, 0.003
CARD = ((0.0, 0.0), (150.0, 0.0), (0.0, 100.0), (150.0, 100.0))
CARD_IDS, WALL_IDS, IDS = range(4), range(4, 8), range(15)
WALL_AT = ((-150.0, -110.0), (140.0, -100.0), (-130.0, 120.0), (150.0, 110.0))
TUBE = np.array([[-60.0, 20.0, 21.0], [70.0, 45.0, 22.0]])
TUBE_RADIUS_MM = 15.0  # 6 mm in front of the wall z = 0
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
        lens_information=wide_prior(GUESS), lens_held=np.zeros(GUESS.shape, dtype=bool),
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
    adjusted, network = adjusted_network(robust_state(shaken(true, rng), network), network, scene.lenses)
    index = Index([p.name for p in scene.photos], list(IDS), ["phone"], [""])
    prints = {i: Print(SIDE_MM, 0.0, "") for i in IDS}
    solution, faults = Solution(adjusted, network, index, True, []), Faults([], frozenset(), frozenset())
    scene, media = measured_scene(
        scene, [], [], solution, prints=prints, faults=faults, missed={}, findings=[]
    )
    doubt = NetworkDoubt.of_bytes(media[str(scene.network)])
    centres = np.array([m.world_from_target.shift_mm for m in scene.measured])
    turn, shift = rigid_fit(true.target_shifts[[m.id for m in scene.measured]], centres)
    return Job(scene, doubt, true, turn, shift)


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
