"""Tie points: spots of the scene itself, followed through three photos or more, as free points of the network.

The network's own stations say where to look; what doesn't fit them, or moved, is left out by its reprojection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from elbowroom.recon.equations import Network, Picks, State
from elbowroom.recon.keypoints import Keypoints, alike, refined
from elbowroom.recon.spotrays import ideal_of, lens_row, meeting_points, misses_px, rays_of, rows_of
from elbowroom.recon.stations import largest_angle_deg
from elbowroom.shared.arrays import Bools, Floats, Ints, Points2, Points3

WIDE_PX, NARROW_PX = 40.0, 3.0
"""Reach about an epipolar line, in pixels of a 4000 px photo: at first, whatever the stations' doubt, and at least."""

DOUBTS = 4.0
"""...between them, so many times the typical distance of the first matches from their lines."""

MOST_APART_DEG, PARTNERS = 60.0, 10
"""Directions of view further apart show a spot too differently; partners of a photo, the nearest first."""

LEAST_PHOTOS, LEAST_ANGLE_DEG = 3, 3.0
"""A tie is seen in so many photos (two check one direction only), from directions so far apart."""

GROSS_SIGMAS, LEAST_UNIT_PX, SIFTINGS = 4.0, 0.1, 6
"""A spot further than this from its point's picture, in robust units of all spots, is another spot; rounds of sifting."""

QUARTER = float(np.sqrt(-2 * np.log(0.75)))
"""A quarter of all misses in the plane are below this share of one coordinate's sd (Rayleigh's distribution)."""

MOST_TIES, GRID, PER_CELL = 150, 10, 2
"""Ties of a photo at most, cells along its longer side, and ties wanted in each cell."""


@dataclass(frozen=True, eq=False)
class View:
    """One photo of the network: its lens and station by index, its size (2,) px, and its spots."""

    lens: int
    station: int
    size_px: Floats
    spots: Keypoints


@dataclass(frozen=True, eq=False)
class Ties:
    """Sightings of tie points, first places (p, 3) mm of these, and the robust unit of their residuals, px."""

    picks: Picks
    points_world: Points3
    unit_px: float


def find_ties(views: Sequence[View], state: State, network: Network) -> Ties | None:
    """Return the tie points of photos whose stations are known, None when there are none."""
    ideal = [ideal_of(v.spots.pixels, lens_row(state, v.lens, v.station)) for v in views]
    turns = state.station_rotations[[v.station for v in views]]
    rays = [rays_of(xy, turn) for (xy, _), turn in zip(ideal, turns, strict=True)]
    matches = [
        (i, j, pairs)
        for i, j in partners(views, state)
        if len(pairs := _matches(views[i], views[j], ideal[i], ideal[j], state))
    ]
    tracks = tracks_of(matches)
    if not len(tracks):
        return None
    lens = np.array([v.lens for v in views])[tracks[:, 0]]
    station = np.array([v.station for v in views])[tracks[:, 0]]
    pixels = np.array([views[i].spots.pixels[k] for i, k in tracks[:, :2]])
    directions = np.array([rays[i][k] for i, k in tracks[:, :2]])
    picks = Picks(lens, station, tracks[:, 2], pixels, np.ones(len(tracks)))
    off = _sound(picks, directions, state, network)
    keep = np.isfinite(off)
    keep[keep] = _spread(rows_of(picks, keep), off[keep], [v.size_px for v in views])
    picks = replace(picks, pixels=_refined(views, tracks, directions, keep))
    keep &= np.isfinite(picks.pixels).all(axis=1)
    if not keep.any():
        return None
    picks, directions = rows_of(picks, keep), _directions(rows_of(picks, keep), state)
    off = _sound(picks, directions, state, network)
    keep = np.isfinite(off)
    if not keep.any():
        return None
    rows = rows_of(picks, keep)
    return Ties(rows, meeting_points(rows, directions[keep], state), _unit(off[keep]))


def _directions(picks: Picks, state: State) -> Points3:
    """Return the unit rays (q, 3), world, of sightings."""
    out = np.zeros((len(picks), 3))
    for lens, station in np.unique(np.column_stack([picks.lens, picks.station]), axis=0):
        mine = (picks.lens == lens) & (picks.station == station)
        ideal, _ = ideal_of(picks.pixels[mine], lens_row(state, lens, station))
        out[mine] = rays_of(ideal, state.station_rotations[station])
    return out


def _refined(views: Sequence[View], tracks: Ints, directions: Points3, keep: Bools) -> Points2:
    """Return the pixels (q, 2) at which all sightings of a track show the same grains; not a number where they don't.

    Each is laid on the one that looks from the middle of all.
    """
    out = np.full((len(tracks), 2), np.nan)
    for rows in _each_track(tracks[:, 2], keep):
        middle = rows[int(np.argmax(directions[rows] @ directions[rows].sum(axis=0)))]
        photo, spot = views[tracks[middle, 0]].spots, int(tracks[middle, 1])
        out[middle] = photo.pixels[spot]
        for row in rows[rows != middle]:
            found = refined(photo, spot, views[tracks[row, 0]].spots, int(tracks[row, 1]))
            if found is not None:
                out[row] = found
    return out


def _each_track(point: Ints, keep: Bools) -> list[Ints]:
    """Return the kept rows of each track."""
    order = np.flatnonzero(keep)[np.argsort(point[keep], kind="stable")]
    return [r for r in np.split(order, np.flatnonzero(np.diff(point[order])) + 1) if len(r)]


def partners(views: Sequence[View], state: State) -> list[tuple[int, int]]:
    """Return the pairs of photos that look at the same thing from directions not too far apart, by index."""
    stations = [v.station for v in views]
    looks = state.station_rotations[stations][:, 2]
    apart = np.rad2deg(np.arccos(np.clip(looks @ looks.T, -1, 1)))
    apart[apart > MOST_APART_DEG] = np.inf
    np.fill_diagonal(apart, np.inf)
    sees = np.array([_shows(v, state) for v in views])
    apart[~((sees[:, None] & sees[None]).any(axis=2))] = np.inf
    near = np.argsort(apart, axis=1)[:, :PARTNERS]
    pairs = {(min(i, j), max(i, j)) for i, row in enumerate(near) for j in row if np.isfinite(apart[i, j])}
    return sorted((int(i), int(j)) for i, j in pairs)


def _shows(view: View, state: State) -> Bools:
    """Return which target places (t,) fall into a photo, read there or not."""
    camera = (
        state.target_shifts @ state.station_rotations[view.station].T + state.station_shifts[view.station]
    )
    row = state.lenses[view.lens]
    with np.errstate(divide="ignore", invalid="ignore"):
        pixels = row[0] * camera[:, :2] / camera[:, 2:] + row[1:3]
    inside = (pixels > 0) & (pixels < view.size_px)
    return np.asarray((camera[:, 2] > 0) & inside.all(axis=1))


def _matches(
    a: View, b: View, ideal_a: tuple[Points2, Bools], ideal_b: tuple[Points2, Bools], state: State
) -> Ints:
    """Return pairs (k, 2) of spots of two photos that look alike and fit the stations as well as most do."""
    unit = max(float(a.size_px.max()), float(b.size_px.max())) / 4000
    off = epipolar_px(a, b, ideal_a[0], ideal_b[0], state)
    off[~ideal_a[1]] = np.inf
    off[:, ~ideal_b[1]] = np.inf
    first = alike(a.spots, b.spots, off, WIDE_PX * unit)
    if not len(first):
        return first
    typical = float(np.median(off[first[:, 0], first[:, 1]]))
    reach = float(np.clip(DOUBTS * typical, NARROW_PX * unit, WIDE_PX * unit))
    return alike(a.spots, b.spots, off, reach)


def epipolar_px(a: View, b: View, ideal_a: Points2, ideal_b: Points2, state: State) -> Floats:
    """Return how far (n, m) px each spot of one photo lies from the epipolar line of each of the other; the worse way."""
    ra, rb = state.station_rotations[a.station], state.station_rotations[b.station]
    turn = rb @ ra.T
    x, y, z = state.station_shifts[b.station] - turn @ state.station_shifts[a.station]
    essential = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]) @ turn
    one = np.column_stack([ideal_a, np.ones(len(ideal_a))])
    other = np.column_stack([ideal_b, np.ones(len(ideal_b))])
    lines_b, lines_a = one @ essential.T, other @ essential
    off = np.abs((lines_b @ other.T).astype(np.float32))
    ways = [
        state.lenses[b.lens, 0] / np.maximum(np.hypot(lines_b[:, 0], lines_b[:, 1]), 1e-9),
        state.lenses[a.lens, 0] / np.maximum(np.hypot(lines_a[:, 0], lines_a[:, 1]), 1e-9),
    ]
    scale = np.maximum(ways[0][:, None].astype(np.float32), ways[1][None].astype(np.float32))
    return np.asarray(off * scale)


def tracks_of(matches: Sequence[tuple[int, int, Ints]]) -> Ints:
    """Return rows (q, 3) of photo, spot and track, of the tracks that matches (photo, photo, pairs) make.

    A track with two spots in one photo is none: one of its matches is wrong, and which can't be told.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    ends = [
        np.array([[i, a], [j, b]], dtype=np.int64) for i, j, pairs in matches for a, b in np.asarray(pairs)
    ]
    if not ends:
        return np.zeros((0, 3), dtype=np.int64)
    nodes, row = np.unique(np.concatenate(ends), axis=0, return_inverse=True)
    links = row.reshape(-1, 2)
    n = len(nodes)
    graph = coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(n, n))
    track = np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)
    photos = np.unique(np.column_stack([track, nodes[:, 0]]), axis=0)
    once = np.bincount(track) == np.bincount(photos[:, 0])
    keep = once[track] & (np.bincount(track)[track] >= LEAST_PHOTOS)
    return np.column_stack([nodes[keep], np.unique(track[keep], return_inverse=True)[1]])


def _sound(picks: Picks, directions: Points3, state: State, network: Network) -> Floats:
    """Return how far (q,) px sightings miss their points, infinite for those that belong to none."""
    keep, off = np.ones(len(picks), dtype=bool), np.full(len(picks), np.inf)
    for _ in range(SIFTINGS):
        keep &= _enough(picks, keep)
        if not keep.any():
            break
        rows = rows_of(picks, keep)
        off[:] = np.inf
        off[keep] = misses_px(rows, meeting_points(rows, directions[keep], state), state, network)
        bad = off[keep] >= GROSS_SIGMAS * _unit(off[keep])
        if not bad.any():
            break
        worst = np.zeros(int(rows.point.max()) + 1)
        np.maximum.at(worst, rows.point, off[keep])
        # one wrong spot pulls its point off the right ones: only the worst of a track goes at a time
        keep[np.flatnonzero(keep)[bad & (off[keep] >= worst[rows.point])]] = False
    else:
        keep &= off < GROSS_SIGMAS * _unit(off[keep])
    keep &= _enough(picks, keep)
    for track in _each_track(picks.point, keep):
        if largest_angle_deg(directions[track]) < LEAST_ANGLE_DEG:
            keep[track] = False
    return np.where(keep, off, np.inf)


def _unit(off_px: Floats) -> float:
    """Return the sd of one coordinate from misses (q,) px, by their lower quarter: the upper may be wrong altogether."""
    return max(float(np.quantile(off_px, 0.25)) / QUARTER, LEAST_UNIT_PX)


def _enough(picks: Picks, keep: Bools) -> Bools:
    """Return which sightings (q,) belong to points that enough of the kept ones show."""
    return np.asarray(
        np.bincount(picks.point[keep], minlength=int(picks.point.max()) + 1)[picks.point] >= LEAST_PHOTOS
    )


def _spread(picks: Picks, off: Floats, sizes: Sequence[Floats]) -> Bools:
    """Return the sightings of the longest, then truest tracks that fill some photo's cell not yet full."""
    largest = np.array([s.max() for s in sizes]).max()
    cell = np.clip((picks.pixels * GRID / largest).astype(np.int64), 0, GRID - 1)
    photos = int(picks.station.max(initial=0)) + 1
    filled, count = np.zeros((photos, GRID, GRID), dtype=np.int64), np.zeros(photos, dtype=np.int64)
    tracks = _each_track(picks.point, np.ones(len(picks), dtype=bool))
    tracks.sort(key=lambda r: (-len(r), float(np.mean(off[r] ** 2))))
    out = np.zeros(len(picks), dtype=bool)
    for rows in tracks:
        places = (picks.station[rows], cell[rows, 0], cell[rows, 1])
        if (filled[places] >= PER_CELL).all() or (count[places[0]] >= MOST_TIES).any():
            continue
        filled[places] += 1
        count[places[0]] += 1
        out[rows] = True
    return out
