"""Which photo to add to a network: candidate stations are tried in its normal equations before anybody walks there.

A new photo brings sightings of the targets it should show and a station of its own. What the sightings say once that
station is eliminated is added to what is known of lens, side factors and targets; the covariance falls by it exactly
as it would when the photo is taken, as far as it shows what it should.

Source: the rank update of an inverse, M. A. Woodbury, 1950; elimination as in `normal`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

from elbowroom.recon.adjust import Adjusted, scaled_network
from elbowroom.recon.equations import LENS, TARGET, Network, Picks, State, sightings
from elbowroom.recon.inview import Shown, shown
from elbowroom.recon.lensrows import lens_of
from elbowroom.recon.looseness import DIRECTIONS
from elbowroom.recon.normal import normal_equations
from elbowroom.recon.reduced import covariance_of, held_columns, kept_covariance, reduced
from elbowroom.recon.similarity import shape_alone
from elbowroom.shared.arrays import Bools, Floats, Ints, Points3
from elbowroom.shared.frames import Camera, Rigid, World
from elbowroom.shared.scene import Lens

REACH_DEG = 60.0
"""A new photo is looked for no further than this from where one was taken: there a person can stand."""

LEAST_SHOWN = 3
"""Targets a new photo must show, or it would hardly join."""

HIDDEN_DEG = 25.0
"""A target that the nearest photo within this does not show, though it should, counts as hidden from the new one too."""

ASIDE = 0.25
"""A weak target further from the middle than this share of the photos' distance is aimed at by itself as well."""

MOST = 80
"""Photos, and targets, above which nothing is tried: it would take longer than the adjustment."""


@dataclass(frozen=True, eq=False)
class Ground:
    """An adjusted network as new photos are tried on it.

    `targets` (t,) are the places, among the network's, of the targets it measures; `covariance` (p, p) is that of all
    lenses, the side factors and those targets (turn and shift), in that order; `shape` (3t, 3t) takes frame and scale
    off the centres: no photo betters the scale. `corner_px` is the sd of a corner of a target one pixel wide: it falls with the root of the width.
    `showing` (s, t) says which photo shows which target, `should` (s, t) which it should.
    """

    state: State
    network: Network
    lenses: Sequence[Lens]
    targets: Ints
    covariance: Floats
    shape: Floats
    corner_px: float
    lens_of_station: Ints
    showing: Bools
    should: Bools

    @property
    def centres(self) -> Ints:
        """Rows (3t,) of the target centres in the covariance."""
        first = LENS * len(self.lenses) + len(self.state.factors)
        return (first + TARGET * np.arange(len(self.targets))[:, None] + 3 + np.arange(3)).ravel()

    @property
    def centres_world(self) -> Points3:
        """Centres of the measured targets, (t, 3) mm."""
        return np.asarray(self.state.target_shifts[self.targets])

    @property
    def normals_world(self) -> Points3:
        """Normals of the measured targets, (t, 3), to the viewer."""
        return np.asarray(self.state.target_rotations[self.targets][:, :, 2])

    @property
    def eyes(self) -> Points3:
        """Where the photos were taken, (s, 3) mm."""
        rotations, shifts = self.state.station_rotations, self.state.station_shifts
        return np.asarray(-(rotations.transpose(0, 2, 1) @ shifts[:, :, None])[:, :, 0])

    @property
    def sds_mm(self) -> Floats:
        """How well each target centre is known among the others, (t,) mm, in its worst direction, scale apart."""
        rows = self.centres
        return worst_sds(self.shape @ self.covariance[np.ix_(rows, rows)] @ self.shape)

    def station(self, photo: int) -> Rigid[Camera, World]:
        """Return where a photo was taken from."""
        return Rigid(self.state.station_rotations[photo], self.state.station_shifts[photo])

    def shown_from(self, station: Rigid[Camera, World], lens: int) -> Shown:
        """Return how a photo would show the targets."""
        rows = self.targets
        sides = self.network.sides_mm[rows] * self.state.factors[self.network.batch[rows]]
        places = self.state.target_rotations[rows], self.state.target_shifts[rows]
        return shown(station, self.lenses[lens], *places, sides)


@dataclass(frozen=True, eq=False)
class Candidate:
    """A photo that might be added: its station and lens, what it looks at (3,) mm, and which targets (v,) it shows how."""

    station: Rigid[Camera, World]
    lens: int
    aim_world: Floats
    targets: Ints
    view: Shown

    @property
    def eye_world(self) -> Floats:
        """Where it would be taken from, (3,) mm."""
        return self.station.inverse().shift


def ground_of(adjusted: Adjusted, network: Network, lenses: Sequence[Lens]) -> Ground:
    """Return an adjusted network ready for new photos; `lenses`, in its order, give the photos' sizes."""
    state, used = adjusted.state, np.concatenate([adjusted.used, adjusted.used_picks])
    scaled = scaled_network(network, adjusted.sigma0)
    equations = normal_equations(state, scaled, used, robust=False)
    solved = reduced(equations, held_columns(state, scaled, used))
    targets = np.unique(network.target[adjusted.used])
    columns = np.concatenate(
        [
            np.arange(state.station_start),
            np.arange(state.factor_start, state.point_start),
            (state.target_start + TARGET * targets[:, None] + np.arange(TARGET)).ravel(),
        ]
    )
    covariance = covariance_of(solved, kept_covariance(solved), columns)
    found = [lens_of(n.name, row, n) for n, row in zip(lenses, state.lenses, strict=True)]
    lens_of_station = np.zeros(len(state.station_shifts), dtype=np.int64)
    lens_of_station[network.station] = network.lens
    showing = np.zeros((len(state.station_shifts), len(state.target_shifts)), dtype=bool)
    showing[network.station, network.target] = True
    ground = Ground(
        state,
        scaled,
        found,
        targets,
        covariance,
        shape_alone(state.target_shifts[targets]),
        _corner_px(scaled, adjusted.used),
        lens_of_station,
        showing[:, targets],
        np.zeros((0, 0), dtype=bool),
    )
    return replace(ground, should=_should(ground))


def _should(ground: Ground) -> Bools:
    lenses = enumerate(ground.lens_of_station)
    return np.array([ground.shown_from(ground.station(i), int(n)).clear for i, n in lenses])


def _corner_px(network: Network, used: Bools) -> float:
    """Return the sd of a corner times the root of its target's width, in the middle of the used sightings."""
    variances = (np.linalg.inv(network.whitening[used]) ** 2).sum(axis=(1, 2)) / 8
    corners = network.corners_px[used]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    return float(np.median(np.sqrt(variances * sides)))


def worst_sds(covariance: Floats) -> Floats:
    """Return the sd (t,) in its worst direction of each of t points with a joint covariance (3t, 3t)."""
    n = len(covariance) // 3
    blocks = covariance.reshape(n, 3, n, 3)[np.arange(n), :, np.arange(n)]
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(blocks)[:, -1], 0.0)))


def sds_with(ground: Ground, candidate: Candidate) -> Floats:
    """Return how well each target would be known, (t,) mm, were a photo added (worst direction, scale apart)."""
    lever = _levers(ground, candidate)
    centres = ground.covariance[ground.centres]
    ahead = lever @ (ground.shape @ centres).T  # (8v, 3t)
    inside = np.eye(len(lever)) + lever @ ground.covariance @ lever.T
    half = solve_triangular(np.linalg.cholesky(inside), ahead, lower=True)
    now = ground.shape @ centres[:, ground.centres] @ ground.shape
    return worst_sds(now - half.T @ half)


def _levers(ground: Ground, candidate: Candidate) -> Floats:
    """Return the derivatives (8v, p) of a new photo's white sightings, without what its own station takes up."""
    station, lens, rows, view = candidate.station, candidate.lens, candidate.targets, candidate.view
    state, network, n = ground.state, ground.network, len(ground.state.station_shifts)
    wide = replace(
        state,
        station_rotations=np.concatenate([state.station_rotations, station.rotation[None]]),
        station_shifts=np.concatenate([state.station_shifts, station.shift[None]]),
        refocus=np.append(state.refocus, 0.0),
    )
    fresh = replace(
        network,
        lens=np.full(len(rows), lens),
        station=np.full(len(rows), n),
        target=ground.targets[rows],
        corners_px=view.corners_px[rows],
        whitening=np.tile(np.eye(8), (len(rows), 1, 1)),
        picks=Picks.none(),
    )
    sharp = np.sqrt(view.sides_px[rows]) / ground.corner_px
    lever = sightings(wide, fresh)[1] * sharp[:, None, None]
    out = np.zeros((len(rows), 8, len(ground.covariance)))
    factors = LENS * len(ground.lenses)
    out[:, :, LENS * lens : LENS * (lens + 1)] = lever[:, :, :LENS]
    for i, row in enumerate(rows):
        first = factors + len(state.factors) + TARGET * int(row)
        out[i, :, factors + network.batch[ground.targets[row]]] = lever[i, :, 15]
        out[i, :, first : first + TARGET] = lever[i, :, 16:]
    return _without_station(
        out.reshape(-1, out.shape[2]), lever[:, :, 8:15].reshape(-1, 7), network.refocus_sd
    )


def _without_station(lever: Floats, own: Floats, refocus_sd: float) -> Floats:
    """Return white rows (r, p) once the unknowns of their own station, (r, 7), have taken up what they can."""
    if refocus_sd > 0:
        own = np.vstack([own, np.append(np.zeros(6), 1 / refocus_sd)])
        lever = np.vstack([lever, np.zeros((1, lever.shape[1]))])
    else:
        own = own[:, :6]
    basis = np.linalg.qr(own)[0]
    return np.asarray(lever - basis @ (basis.T @ lever))


def _hidden(ground: Ground, station: Rigid[Camera, World]) -> Bools:
    """Return which targets (t,) the nearest photo does not show though it should: something is in the way there."""
    centres = ground.centres_world
    ways = _unit(ground.eyes[:, None] - centres)  # (s, t, 3)
    way = _unit(station.inverse().shift - centres)
    cosines = np.where(ground.should | ground.showing, (ways * way).sum(axis=2), -1.0)
    nearest = cosines.argmax(axis=0)
    each = np.arange(len(centres))
    near = cosines[nearest, each] > np.cos(np.deg2rad(HIDDEN_DEG))
    return np.asarray(near & ~ground.showing[nearest, each])


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def places_round(middle: Floats, distance_mm: float, eyes_world: Points3) -> Points3:
    """Return places (n, 3) mm all round a point, none further than `REACH_DEG` from the direction of every photo's."""
    near = (DIRECTIONS @ _unit(eyes_world - middle).T).max(axis=1) > np.cos(np.deg2rad(REACH_DEG))
    return np.asarray(middle + distance_mm * DIRECTIONS[near])


def candidates(ground: Ground) -> list[Candidate]:
    """Return photos that might be added: round the middle of the targets, and round a weak target that lies aside."""
    if max(ground.showing.shape) > MOST:
        return []
    centres = ground.centres_world
    middle, weakest = centres.mean(axis=0), centres[int(ground.sds_mm.argmax())]
    distance = float(np.median(np.linalg.norm(ground.eyes - middle, axis=1)))
    aims = [middle] + ([weakest] if np.linalg.norm(weakest - middle) > ASIDE * distance else [])
    out = []
    for aim in aims:
        for eye in places_round(aim, distance, ground.eyes):
            station, lens = _looking(ground, eye, aim)
            view = ground.shown_from(station, lens)
            rows = np.flatnonzero(view.clear & ~_hidden(ground, station))
            if len(rows) >= LEAST_SHOWN:
                out.append(Candidate(station, lens, aim, rows, view))
    return out


def _looking(ground: Ground, eye: Floats, aim: Floats) -> tuple[Rigid[Camera, World], int]:
    """Return the station of a photo that looks at a point, held like the nearest photo, and its lens."""
    nearest = int((_unit(ground.eyes - aim) @ _unit(eye - aim)).argmax())
    ahead = _unit(aim - eye)
    right = ground.state.station_rotations[nearest, 0]
    right = _unit(right - (right @ ahead) * ahead)
    rotation = np.vstack([right, np.cross(ahead, right), ahead])
    return Rigid(rotation, -rotation @ eye), int(ground.lens_of_station[nearest])


def best_candidate(ground: Ground, tried: Sequence[Candidate]) -> tuple[Candidate, Floats] | None:
    """Return the photo after which the worst target is known best, and how well all (t,) mm are then; None of none."""
    found = [(c, sds_with(ground, c)) for c in tried]
    return min(found, key=lambda pair: float(pair[1].max()), default=None)
