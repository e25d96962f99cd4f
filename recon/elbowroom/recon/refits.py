"""Parts of an adjusted network solved again on their own, everything else held: one target, or one photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.adjust import Adjusted
from elbowroom.recon.equations import Network, Picks, State, sightings
from elbowroom.recon.lensrows import lens_of
from elbowroom.recon.resection import resect
from elbowroom.shared.arrays import Floats, Ints
from elbowroom.shared.frames import Camera, Rigid, Target, World
from elbowroom.shared.lens import undistort_points
from elbowroom.shared.scene import Lens

FRAME, STATION, SIZE, PLACE = [0, 1, 2], list(range(8, 14)), [15], list(range(16, 22))
"""Columns of a sighting's derivative that a refit may free: focal length with the lens's middle, station, size, place."""

ROUNDS = 25
"""Damped steps at most; six unknowns settle in five to ten."""

ROBUST_UNIT_PX = 0.3
"""A sighting this far off (rms) counts half: a few times what sound corners leave."""

FITS_PX = 1.0
"""A sighting within this (rms) of a refitted place belongs to it: blurred corners stay within, moved ones don't."""

LEAST_VIEWS = 3
"""Sightings that must agree before a target is placed anew: two agree on a wrong place easily."""

TRIED = 3
"""Best first poses that are refined."""

MISS_CAP_PX = 50.0
"""A sighting further off than this counts no more when first poses are compared."""

FOCAL_RATIOS = np.geomspace(0.4, 2.5, 13)
"""Focal lengths tried for a photo that doesn't fit, as ratios to its lens."""


@dataclass(frozen=True, eq=False)
class Views:
    """Sightings (m,) by photo and target index, and the network whose stations, lenses and targets they speak of.

    `lenses` (l) give the photos' sizes, `ids` the targets' ids by index.
    """

    state: State
    network: Network
    lens: Ints
    station: Ints
    target: Ints
    corners_px: Floats
    lenses: Sequence[Lens]
    ids: Sequence[int]

    def __len__(self) -> int:
        return len(self.station)

    def rows(self, keep: Sequence[int] | Ints) -> Views:
        """Return the views of some rows."""
        k = np.asarray(keep, dtype=np.int64)
        return replace(
            self,
            lens=self.lens[k],
            station=self.station[k],
            target=self.target[k],
            corners_px=self.corners_px[k],
        )

    def observed(self) -> Network:
        """Return the network of these sightings alone."""
        return replace(
            self.network,
            lens=self.lens,
            station=self.station,
            target=self.target,
            corners_px=self.corners_px,
            whitening=np.tile(np.eye(8), (len(self), 1, 1)),
            picks=Picks.none(),
        )

    def normalised(self) -> Floats:
        """Return the ideal normalised corners (m, 4, 2)."""
        lenses = [lens_of(n.name, row, n) for n, row in zip(self.lenses, self.state.lenses, strict=True)]
        pairs = zip(self.corners_px, self.lens, strict=True)
        return np.array([undistort_points(c, lenses[i]) for c, i in pairs])

    def misses_px(self, state: State | None = None) -> Floats:
        """Return each sighting's rms miss (m,) px at a state, the network's own unless given."""
        residuals, _, _ = sightings(state or self.state, self.observed())
        return np.asarray(np.sqrt((residuals**2).mean(axis=1)))


def refit(views: Views, free: Sequence[int], *, robust: bool = False) -> State:
    """Return the state after freeing some columns of the sightings, which must be the same for all of them."""
    state, network, damping = views.state, views.observed(), 1e-3
    columns = list(free)
    for _ in range(ROUNDS):
        residuals, jacobian, places = sightings(state, network)
        weight = _weights(residuals, robust)
        lever = (jacobian[:, :, columns] * weight[:, None, None]).reshape(-1, len(columns))
        normal = lever.T @ lever
        normal[np.diag_indices_from(normal)] *= 1 + damping
        rise = lever.T @ (residuals * weight[:, None]).ravel()
        step = np.zeros(state.unknowns)
        step[places[0, columns]] = np.linalg.lstsq(normal, rise, rcond=None)[0]
        moved = state.moved(step)
        before = float(((residuals * weight[:, None]) ** 2).sum())
        after = float(((sightings(moved, network)[0] * weight[:, None]) ** 2).sum())
        if after < before:
            state, damping = moved, max(damping / 10, 1e-9)
            if before - after < 1e-6 * before:
                break
        elif damping > 1e6:
            break
        else:
            damping *= 10
    return state


def _weights(residuals: Floats, robust: bool) -> Floats:
    if not robust:
        return np.ones(len(residuals))
    rms = np.sqrt((residuals**2).mean(axis=1))
    unit = max(ROBUST_UNIT_PX, float(np.median(rms)) / 3)
    return np.asarray(1 / (1 + (rms / unit) ** 2))


def with_place(state: State, target: int, place: Rigid[World, Target]) -> State:
    """Return the state with a target put elsewhere."""
    rotations, shifts = state.target_rotations.copy(), state.target_shifts.copy()
    rotations[target], shifts[target] = place.rotation, place.shift
    return replace(state, target_rotations=rotations, target_shifts=shifts)


def with_station(state: State, station: int, pose: Rigid[Camera, World]) -> State:
    """Return the state with a photo taken from elsewhere."""
    rotations, shifts = state.station_rotations.copy(), state.station_shifts.copy()
    rotations[station], shifts[station] = pose.rotation, pose.shift
    return replace(state, station_rotations=rotations, station_shifts=shifts)


def with_focal(state: State, lens: int, ratio: float) -> State:
    """Return the state with a lens's focal length multiplied."""
    lenses = state.lenses.copy()
    lenses[lens, 0] *= ratio
    return replace(state, lenses=lenses)


def place_of(state: State, target: int) -> Rigid[World, Target]:
    """Return a target's place."""
    return Rigid(state.target_rotations[target], state.target_shifts[target])


def station_of(state: State, station: int) -> Rigid[Camera, World]:
    """Return a photo's station."""
    return Rigid(state.station_rotations[station], state.station_shifts[station])


def best_place(views: Views) -> State:
    """Return the state with the one target of `views` where most of its sightings see it."""
    target = int(views.target[0])
    side = float(views.network.sides_mm[target] * views.state.factors[views.network.batch[target]])
    both = resect(views.normalised(), np.full(len(views), side))
    starts = []
    for i, station in enumerate(views.station):
        back = station_of(views.state, int(station)).inverse()
        for way in range(2):
            if both.shifts[i, way, 2] > 0:
                pose: Rigid[Camera, Target] = Rigid(both.rotations[i, way], both.shifts[i, way])
                starts.append(with_place(views.state, target, back @ pose))
    starts.sort(key=lambda s: float(np.minimum(views.misses_px(s), MISS_CAP_PX).sum()))
    return _refined(views, starts, PLACE)


def placed_again(adjusted: Adjusted, network: Network, lenses: Sequence[Lens]) -> State | None:
    """Return the state with each target that lost most of its sightings placed anew, None when that helps none.

    A place is better when more of the target's sightings fit it, and they are at least `LEAST_VIEWS`.
    """
    state, changed = adjusted.state, False
    every = Views(
        state, network, network.lens, network.station, network.target, network.corners_px, lenses, []
    )
    for target in np.unique(network.target):
        rows = np.flatnonzero(network.target == target)
        kept = int(adjusted.used[rows].sum())
        if len(rows) < LEAST_VIEWS or kept > len(rows) / 2:
            continue
        own = replace(every.rows(rows), state=state)
        placed = best_place(own)
        fit = int((own.misses_px(placed) < FITS_PX).sum())
        if fit > kept and fit >= LEAST_VIEWS:
            state, changed = placed, True
    return state if changed else None


def _refined(views: Views, starts: Sequence[State], free: Sequence[int]) -> State:
    """Return the best of the first few starts once refined: most sightings fit, and those best."""
    ends = [refit(replace(views, state=s), free, robust=True) for s in starts[:TRIED]] or [views.state]
    return min(ends, key=lambda s: float(np.minimum(views.misses_px(s), FITS_PX).sum()))


def sized_place(views: Views) -> tuple[State, float]:
    """Return the state with the one target of `views` placed with its size free, and the size's ratio to the given one.

    The centre is where the rays meet; how deep it lies against how deep the given size would put it is the first ratio.
    """
    target = int(views.target[0])
    batch = int(views.network.batch[target])
    given = float(views.state.factors[batch])
    both = resect(views.normalised(), np.full(len(views), float(views.network.sides_mm[target]) * given))
    stations = [station_of(views.state, int(s)) for s in views.station]
    centre = _meeting(
        np.array([s.inverse().shift for s in stations]),
        np.array([s.inverse().turn(b[0]) for s, b in zip(stations, both.shifts, strict=True)]),
    )
    depths = np.array([s.apply(centre[None])[0, 2] for s in stations])
    ratio = float(np.clip(np.median(depths / both.shifts[:, 0, 2]), 0.05, 20.0))
    factors = views.state.factors.copy()
    factors[batch] = given * ratio
    starts = []
    for i, s in enumerate(stations):
        for way in range(2):
            place: Rigid[World, Target] = Rigid(s.rotation.T @ both.rotations[i, way], centre)
            starts.append(replace(with_place(views.state, target, place), factors=factors))
    starts.sort(key=lambda s: float(np.minimum(views.misses_px(s), MISS_CAP_PX).sum()))
    state = _refined(views, starts, PLACE + SIZE)
    return state, float(state.factors[batch]) / given


def _meeting(eyes: Floats, rays: Floats) -> Floats:
    """Return the point (3,) nearest to all rays (m, 3) from eyes (m, 3)."""
    unit = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    across = np.eye(3) - unit[:, :, None] * unit[:, None, :]
    rise = (across @ eyes[:, :, None]).sum(axis=0)[:, 0]
    return np.asarray(np.linalg.lstsq(across.sum(axis=0), rise, rcond=None)[0])


def best_station(views: Views, *, zoom: bool) -> tuple[State, float]:
    """Return the state with the one photo of `views` where most of its targets put it, and its focal length's ratio.

    With `zoom` focal length and the lens's middle are the photo's own; without, the ratio is 1: it keeps its group's.
    """
    station, lens = int(views.station[0]), int(views.lens[0])
    sides = views.network.sides_mm * views.state.factors[views.network.batch]
    normalised = views.normalised()
    starts = []
    for ratio in FOCAL_RATIOS if zoom else (1.0,):
        both = resect(normalised / ratio, sides[views.target])
        state = with_focal(views.state, lens, float(ratio))
        for i, target in enumerate(views.target):
            back = place_of(views.state, int(target)).inverse()
            for way in range(2):
                if both.shifts[i, way, 2] > 0:
                    pose: Rigid[Camera, Target] = Rigid(both.rotations[i, way], both.shifts[i, way])
                    starts.append(with_station(state, station, pose @ back))
    starts.sort(key=lambda s: float(np.minimum(views.misses_px(s), 4 * MISS_CAP_PX).sum()))
    state = _refined(views, starts, (FRAME if zoom else []) + STATION)
    return state, float(state.lenses[lens, 0] / views.state.lenses[lens, 0])
