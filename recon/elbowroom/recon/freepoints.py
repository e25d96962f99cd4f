"""Named points that a person picked in several photos, as free points of the network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from elbowroom.recon.equations import Network, Picks, State
from elbowroom.recon.spotrays import both_of, ideal_of, lens_row, meeting_points, misses_px, rays_of
from elbowroom.recon.stations import largest_angle_deg
from elbowroom.shared.arrays import Bools, Floats, Points3
from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import PointTag, Scene

LEAST_ANGLE_DEG = 2.0
"""Rays closer to parallel than this fix no depth: such a point would hang in the air."""

LEAST_PHOTOS = 2
"""A point picked in fewer photos of the network says nothing of them."""


@dataclass(frozen=True, eq=False)
class FreePoints:
    """Names (p), sightings and first places (p, 3) mm of the picked points, and findings on those left out."""

    names: tuple[str, ...] = ()
    picks: Picks = field(default_factory=Picks.none)
    points_world: Points3 = field(default_factory=lambda: np.zeros((0, 3)))
    findings: tuple[Finding, ...] = ()


def free_points(
    scene: Scene, photos: Sequence[str], lenses: Sequence[int], state: State, network: Network
) -> FreePoints:
    """Return the points of a scene that are to take part in the network, where their rays first meet.

    Parameters
    ----------
    scene : Scene
        With its features.
    photos, lenses : sequence
        Photos of the network in its order, and their lenses by index.
    state, network : State, Network
        Stations and lenses near the truth: not the joined start, whose lenses know no distortion.
    """
    out = FreePoints()
    for tag in scene.features:
        if isinstance(tag, PointTag) and tag.in_network:
            picks = _picks(tag, photos, lenses)
            found = _first_place(picks, state, network)
            if isinstance(found, str):
                out = FreePoints(
                    out.names, out.picks, out.points_world, (*out.findings, _left_out(tag.name, found))
                )
                continue
            both = both_of(out.picks, picks, len(out.names))
            out = FreePoints((*out.names, tag.name), both, np.vstack([out.points_world, found]), out.findings)
    return out


def _picks(tag: PointTag, photos: Sequence[str], lenses: Sequence[int]) -> Picks:
    """Return the picks of one point that lie in photos of the network."""
    mine = [p for p in tag.point.picks if p.photo in photos]
    station = np.array([photos.index(p.photo) for p in mine], dtype=np.int64)
    return Picks(
        np.array(lenses, dtype=np.int64)[station],
        station,
        np.zeros(len(mine), dtype=np.int64),
        np.array([p.xy_px for p in mine], dtype=np.float64).reshape(-1, 2),
        np.array([tag.pick_sd_px if p.sd_px is None else p.sd_px for p in mine]),
    )


def _first_place(picks: Picks, state: State, network: Network) -> Floats | str:
    """Return where one point's rays meet (3,) mm, or why they can't be used."""
    if len(picks) < LEAST_PHOTOS:
        return f"it is picked in {len(picks)} photo(s) of the network only, and 2 are needed"
    directions = []
    for lens, station, pixel in zip(picks.lens, picks.station, picks.pixels, strict=True):
        ideal, good = ideal_of(pixel[None], lens_row(state, int(lens), int(station)))
        if not good[0]:
            return "a pick lies where the lens is not known: near a photo's corner, far from every target"
        directions.append(rays_of(ideal, state.station_rotations[station])[0])
    rays = np.array(directions)
    if largest_angle_deg(rays) < LEAST_ANGLE_DEG:
        return f"its rays meet at {largest_angle_deg(rays):.1f} degrees only; pick it in a photo more from the side"
    point = meeting_points(picks, rays, state)
    if not np.isfinite(misses_px(picks, point, state, network)).all():
        return "its picks meet behind a camera: they can't be of one point"
    return np.asarray(point[0])


def _left_out(name: str, why: str) -> Finding:
    return Finding(
        code="point-left-out",
        severity="warning",
        subject=f"point {name}",
        message=f"point {name} takes no part in the network: {why}.",
    )


def pick_findings(
    names: Sequence[str], photos: Sequence[str], state: State, network: Network, used: Bools
) -> list[Finding]:
    """Return a finding on each pick of a named point that the adjustment threw out."""
    picks = network.picks
    if not len(picks):
        return []
    off = misses_px(picks, state.points, state, network)
    return [
        _rejected(names[picks.point[i]], photos[picks.station[i]], picks.pixels[i], float(off[i]))
        for i in range(len(picks))
        if picks.point[i] < len(names) and not used[i]
    ]


def _rejected(name: str, photo: str, pixel: Floats, off_px: float) -> Finding:
    return Finding(
        code="pick-rejected",
        severity="warning",
        subject=f"point {name}",
        message=f"point {name}: its pick in {photo} at ({pixel[0]:.0f}, {pixel[1]:.0f}) misses by {off_px:.1f} px and "
        "takes no part in the network; with two photos either pick may be wrong. Pick it again.",
        numbers={"off_px": off_px},
    )
