"""All that was seen in a network's photos, what the adjustment left out included: the ground faults are looked for on."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.network.equations import Network, State
from elbowroom.recon.network.prints import Print
from elbowroom.recon.network.refits import Views
from elbowroom.recon.network.solution import Solution
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.arrays import Bools, Floats, Ints
from elbowroom.shared.scene import Lens


@dataclass(frozen=True, eq=False)
class Case:
    """Sightings by row: their views, photo and target, whether the adjustment used them; ids read twice in a photo.

    `lost` are the photos that have no station.
    """

    views: Views
    photo: list[str]
    target: list[int]
    used: Bools
    twice: frozenset[int]
    lost: frozenset[str]

    def of_photo(self, photo: str, targets: Collection[int]) -> Ints:
        """Return a photo's rows of some targets."""
        pairs = zip(self.photo, self.target, strict=True)
        return np.flatnonzero([p == photo and t in targets for p, t in pairs])

    def of_target(self, target: int) -> Ints:
        """Return a target's rows."""
        return np.flatnonzero([t == target for t in self.target])

    def without(self, photos: Collection[str]) -> Case:
        """Return the case without some photos."""
        rows = [i for i, p in enumerate(self.photo) if p not in photos]
        return replace(
            self,
            views=self.views.rows(rows),
            photo=[self.photo[i] for i in rows],
            target=[self.target[i] for i in rows],
            used=self.used[rows],
        )


def case_of(
    readings: Sequence[Reading],
    joined: Sequence[Reading],
    solution: Solution,
    lenses: Mapping[str, Lens],
    prints: Mapping[int, Print],
) -> Case:
    """Return all sightings of `readings` through the network's lenses; those of `joined`, its own, come first."""
    index, own = solution.index, {r.photo.name for r in joined}
    first = [(r, s) for r in joined for s in r.sightings]
    there = {(r.photo.name, s.target) for r, s in first}
    known = [r for r in readings if r.lens in index.lenses]
    rest = [(r, s) for r in known for s in r.sightings if (r.photo.name, s.target) not in there]
    both = first + rest
    photos = index.photos + sorted({r.photo.name for r, _ in rest} - own)
    targets = index.targets + sorted({s.target for _, s in rest} - set(index.targets))
    state, network = _widened(solution, len(photos) - len(index.photos), targets, prints)
    corners = [*solution.network.corners_px, *(s.corners.corners_px for _, s in rest)]
    views = Views(
        state,
        network,
        np.array([index.lenses.index(r.lens) for r, _ in both]),
        np.array([photos.index(r.photo.name) for r, _ in both]),
        np.array([targets.index(s.target) for _, s in both]),
        np.array(corners).reshape(-1, 4, 2),
        [lenses[n] for n in index.lenses],
        targets,
    )
    used = np.concatenate([solution.adjusted.used, np.zeros(len(rest), dtype=bool)])
    twice = frozenset(t for r in readings for t in r.twice)
    names = [r.photo.name for r, _ in both], [s.target for _, s in both]
    return Case(views, *names, used, twice, frozenset(photos) - own)


def _widened(
    solution: Solution, stations: int, targets: Sequence[int], prints: Mapping[int, Print]
) -> tuple[State, Network]:
    """Return state and network with places (not a number) for stations and targets the adjustment hasn't got."""
    state, network, index = solution.adjusted.state, solution.network, solution.index
    more = targets[len(index.targets) :]
    ratio = network.sides_mm[0] / prints[index.targets[0]].side_mm
    batch = [index.batches.index(b) if (b := prints[t].batch) in index.batches else 0 for t in more]
    wide = replace(
        state,
        station_rotations=_longer(state.station_rotations, stations),
        station_shifts=_longer(state.station_shifts, stations),
        target_rotations=_longer(state.target_rotations, len(more)),
        target_shifts=_longer(state.target_shifts, len(more)),
        refocus=np.append(state.refocus, np.zeros(stations)),
    )
    sides = np.concatenate([network.sides_mm, [ratio * prints[t].side_mm for t in more]])
    return wide, replace(network, sides_mm=sides, batch=np.concatenate([network.batch, batch]).astype(int))


def _longer(values: Floats, more: int) -> Floats:
    return np.concatenate([values, np.full((more, *values.shape[1:]), np.nan)])
