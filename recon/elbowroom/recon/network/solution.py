"""The joined photos as one adjusted network: observations by index, two passes, and what was rejected."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.network.adjust import Adjusted, adjust, robust_state
from elbowroom.recon.network.distances import distance_findings, trusted_distances, weighing_sds
from elbowroom.recon.network.equations import Network, State, wide_prior
from elbowroom.recon.network.evidence import asked_model
from elbowroom.recon.network.freepoints import free_points, pick_findings
from elbowroom.recon.network.lensrows import lens_of, row_of
from elbowroom.recon.network.prints import SIDE_SD_UNMEASURED, KnownDistance, Print, known_distances, side_sd
from elbowroom.recon.network.refits import placed_again
from elbowroom.recon.network.start import Start
from elbowroom.recon.reading.edges import Corners, fit_corners
from elbowroom.recon.reading.readings import Reading
from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import Lens, Scene

KEPT_DRIFT = np.array([0.003, 0.003, 0.003, 0.005, 0.02, 0.03, 3e-4, 3e-4])
"""How far a phone's lens may differ from one day to the next, sd (focal, cx, cy relative to the focal length): it focuses,
and its stabiliser shifts the lens (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Index:
    """The order of photos, targets, lenses and print batches in the adjustment's parameters."""

    photos: list[str]
    targets: list[int]
    lenses: list[str]
    batches: list[str]


@dataclass(frozen=True, eq=False)
class Solution:
    """The adjusted network with its index, whether anything but the sides gave its scale, and findings.

    `points` are the names of the picked points in it, which come first among its free points.
    """

    adjusted: Adjusted
    network: Network
    index: Index
    scale_known: bool
    findings: list[Finding]
    points: tuple[str, ...] = ()

    def centre(self, target: int) -> Floats:
        """Return a target's centre (3,) mm in the network's frame."""
        return np.asarray(self.adjusted.state.target_shifts[self.index.targets.index(target)])


def solve_network(
    scene: Scene,
    readings: Sequence[Reading],
    start: Start,
    *,
    lenses: Mapping[str, Lens],
    prints: Mapping[int, Print],
    cancelled: Callable[[], bool] | None = None,
) -> Solution:
    """Return the joined readings adjusted from their first values.

    The corners are fitted twice: first in the photo as it is, then through the lens the first pass found.

    Raises
    ------
    SolveError
        When cancelled, or when the adjustment finds no answer.
    """
    index = _index(readings, start, prints)
    known = known_distances(scene, set(index.targets))
    first = _first_state(index, start, lenses)
    sides = np.array([prints[t].side_mm for t in index.targets])
    sds = np.array([side_sd(scene, b, scale_known=bool(known)) for b in index.batches])
    corners = [[s.corners for s in r.sightings] for r in readings]
    network = _network(readings, corners, index, prints, sides, [], sds, first, lenses)
    # by the sides alone, no distance is trusted unseen; loose as they are then, they are held to what they say afterwards
    rough = robust_state(first, network, cancelled=cancelled)
    size = float(rough.factors.mean())
    rough = replace(_scaled(rough, 1 / size), factors=rough.factors / size)
    distances, ratio, findings = trusted_distances(
        known, dict(zip(index.targets, rough.target_shifts, strict=True))
    )
    state, sides = _scaled(rough, ratio), sides * ratio
    sds = np.array([side_sd(scene, b, scale_known=bool(distances)) for b in index.batches])
    found = {n: lens_of(n, row, lenses[n]) for n, row in zip(index.lenses, state.lenses, strict=True)}
    corners = [_through_lens(r, found[r.lens]) for r in readings]
    network = _network(readings, corners, index, prints, sides, distances, sds, first, lenses)
    lens = [index.lenses.index(r.lens) for r in readings]
    free = free_points(scene, index.photos, lens, state, network)
    state, network = replace(state, points=free.points_world), replace(network, picks=free.picks)
    cameras = [lenses[n] for n in index.lenses]
    adjusted, network = adjusted_network(state, network, cameras, cancelled=cancelled)
    findings.extend(free.findings)
    solution = Solution(adjusted, network, index, bool(distances), findings, free.names)
    centres = {t: solution.centre(t) for t in index.targets}
    solution.findings.extend(distance_findings(distances, centres))
    return solution


def rejected_picks(solution: Solution) -> list[Finding]:
    """Return a finding on each pick of a named point that the adjustment threw out."""
    state, used = solution.adjusted.state, solution.adjusted.used_picks
    return pick_findings(solution.points, solution.index.photos, state, solution.network, used)


def adjusted_network(
    state: State,
    network: Network,
    lenses: Sequence[Lens],
    *,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Adjusted, Network]:
    """Return a network adjusted from a state near the answer, by the lens model its photos ask for.

    A target of which most sightings were thrown out may have been caught by a wrong one, and is placed once more.
    `lenses` (l) give the photos' sizes; without them no target is placed again. The robust start comes first even near the
    answer: a sighting that a rough state rejects by mistake takes away what would bring it back.

    Raises
    ------
    SolveError
        When cancelled, or when the adjustment finds no answer.
    """
    state = robust_state(state, network, cancelled=cancelled)
    adjusted = adjust(state, network, cancelled=cancelled)
    again = placed_again(adjusted, network, lenses) if lenses else None
    if again is not None:
        adjusted = adjust(again, network, cancelled=cancelled)
    state, asked = asked_model(adjusted, network)
    return (adjusted, network) if asked is network else (adjust(state, asked, cancelled=cancelled), asked)


def rough_lenses(
    readings: Sequence[Reading], start: Start, lenses: Mapping[str, Lens], prints: Mapping[int, Print]
) -> dict[str, Lens]:
    """Return the lenses by which the readings fit together, from the robust start alone."""
    index = _index(readings, start, prints)
    state = _first_state(index, start, lenses)
    sides = np.array([prints[t].side_mm for t in index.targets])
    corners = [[s.corners for s in r.sightings] for r in readings]
    sds = np.full(len(index.batches), SIDE_SD_UNMEASURED)
    network = _network(readings, corners, index, prints, sides, [], sds, state, lenses)
    rows = robust_state(state, network).lenses
    return {n: lens_of(n, row, lenses[n]) for n, row in zip(index.lenses, rows, strict=True)}


def _index(readings: Sequence[Reading], start: Start, prints: Mapping[int, Print]) -> Index:
    targets = sorted(start.targets)
    return Index(
        [r.photo.name for r in readings],
        targets,
        sorted({r.lens for r in readings}),
        sorted({prints[t].batch for t in targets}),
    )


def _scaled(state: State, ratio: float) -> State:
    """Return a state with all places further from the origin by a ratio."""
    return replace(
        state, station_shifts=ratio * state.station_shifts, target_shifts=ratio * state.target_shifts
    )


def _first_state(index: Index, start: Start, lenses: Mapping[str, Lens]) -> State:
    stations = [start.stations[p] for p in index.photos]
    targets = [start.targets[t] for t in index.targets]
    return State(
        np.array([row_of(lenses[n]) for n in index.lenses]),
        np.array([s.rotation for s in stations]),
        np.array([s.shift for s in stations]),
        np.array([t.rotation for t in targets]),
        np.array([t.shift for t in targets]),
        np.ones(len(index.batches)),
    )


def _lens_information(index: Index, lenses: Mapping[str, Lens], start: Floats) -> Floats:
    """Return the information (l, 8, 8) on the first lenses: wide, or what an earlier job or a board has shown."""
    out = wide_prior(start)
    for i, name in enumerate(index.lenses):
        if lenses[name].covariance:
            drift = np.r_[start[i, :1].repeat(3) * KEPT_DRIFT[:3], KEPT_DRIFT[3:]]
            out[i] += np.linalg.inv(np.array(lenses[name].covariance) + np.diag(drift**2))
    return out


def _through_lens(reading: Reading, lens: Lens) -> list[Corners]:
    """Return a photo's corners fitted again in the ideal image; where that fails they stay as they were."""
    before = [s.corners for s in reading.sightings]
    try:
        fitted = fit_corners(
            [s.edges for s in reading.sightings], np.array([c.corners_px for c in before]), lens, rounds=2
        )
    except InputError:  # a poor first lens that has no inverse near the photo's corner
        return before
    return [f or b for f, b in zip(fitted, before, strict=True)]


def _network(
    readings: Sequence[Reading],
    corners: Sequence[Sequence[Corners]],
    index: Index,
    prints: Mapping[int, Print],
    sides: Floats,
    distances: Sequence[KnownDistance],
    sds: Floats,
    state: State,
    lenses: Mapping[str, Lens],
) -> Network:
    """Return the observations by index."""
    sighted = [(r, s) for r in readings for s in r.sightings]
    flat = [c for photo in corners for c in photo]
    place = {t: i for i, t in enumerate(index.targets)}
    ends = np.array([[place[e] for e in d.ends] for d in distances], dtype=np.int64).reshape(-1, 2)
    return Network(
        lens=np.array([index.lenses.index(r.lens) for r, _ in sighted]),
        station=np.array([index.photos.index(r.photo.name) for r, _ in sighted]),
        target=np.array([place[s.target] for _, s in sighted]),
        corners_px=np.array([c.corners_px for c in flat]),
        whitening=np.linalg.inv(np.linalg.cholesky(np.array([c.covariance_px2 for c in flat]))),
        sides_mm=sides,
        batch=np.array([index.batches.index(prints[t].batch) for t in index.targets]),
        distance_ends=ends,
        distances_mm=np.array([d.mm for d in distances]),
        distance_sds_mm=weighing_sds(distances),
        factor_sds=sds,
        lens_start=state.lenses,
        lens_information=_lens_information(index, lenses, state.lenses),
        lens_held=np.zeros(state.lenses.shape, dtype=bool),
    )
