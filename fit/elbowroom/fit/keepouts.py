"""Keep-outs of the scene's obstacles in a plate's plane, as a function of the clearance they get."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from elbowroom.fit.keepout import convex_keepout, keepout_section
from elbowroom.fit.sweep import Mesh, obstacle_meshes, poses, swept_meshes
from elbowroom.shared.arrays import Floats
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Obstacle

CHECK_MM = 0.002
"""Added to every clearance: twice what the profile's own check lets pass, so that a stricter one passes too."""

SWEEP_MM = 2.0
"""Bound given for the room swept volumes take beyond the true ones. Neighbouring pieces cover nearly all of it: measured
0.08 mm on a 490 mm rod swinging 24 degrees, against 0.02 mm at a fourth of this bound and four times the work."""

SWEEP_PIECES = 16
"""Convex pieces a moving volume is cut into: outlines leave it looser than what these hulls fill in."""

BOX_STEPS = 12
"""Steps of a travel looked at for an obstacle's box."""

START = 16
"""Directions that convex pieces start from; more are added where they are needed."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Keepout:
    """One obstacle (with everything it sweeps) against one plate; worked out only when it is asked for.

    Parameters
    ----------
    name : str
        The obstacle's; tool room says so.
    make : Callable
        Returns the closed meshes, mm, plate frame.
    reach : Polygon
        A box, plate xy, that the keep-out doesn't leave.
    thickness, clearance : float
        mm; the clearance includes the measurement's doubt.
    convex : bool
        Every mesh is convex.
    known : dict
        Sections made so far, by clearance.
    """

    name: str
    obstacle: Obstacle
    make: Callable[[], Sequence[Mesh]]
    reach: Polygon
    thickness: float
    clearance: float
    convex: bool = False
    known: dict[float, shapely.Geometry] = field(default_factory=dict)

    @cached_property
    def meshes_plate(self) -> Sequence[Mesh]:
        """The meshes; sweeping them is the slow part."""
        return self.make()

    def section(self, less: float = 0.0) -> shapely.Geometry:
        """Return the keep-out, plate xy, with `less` mm taken off the clearance (not below 0)."""
        clearance = max(self.clearance - less, 0.0) + CHECK_MM
        if clearance not in self.known:
            self.known[clearance] = self._made(clearance)
        return self.known[clearance]

    def _made(self, clearance: float) -> shapely.Geometry:
        if self.convex:
            return convex_keepout(
                self.meshes_plate, thickness_mm=self.thickness, clearance_mm=clearance, directions=START
            )
        shapes = [
            keepout_section(v, f, thickness_mm=self.thickness, clearance_mm=clearance)
            for v, f in self.meshes_plate
        ]
        return shapely.union_all(shapes)


def keepout_of(
    obstacle: Obstacle,
    media: Media,
    plate_from_world: Rigid[PlateFrame, World],
    *,
    thickness: float,
    sigmas: float,
    covariance_plate: Floats,
) -> Keepout:
    """Return the keep-out of an obstacle over its travel.

    The clearance it gets is its own plus `sigmas` standard deviations of the gap in the worst direction: the root of
    the largest eigenvalue of the summed covariances (3, 3) mm². That is never less than along the true gap.
    """
    total = np.array(obstacle.covariance_mm2) + covariance_plate
    sd = float(np.sqrt(max(np.linalg.eigvalsh(0.5 * (total + total.T))[-1], 0.0)))
    clearance = obstacle.clearance_mm + sigmas * sd
    name = obstacle.name if obstacle.part == "body" else f"{obstacle.name} ({obstacle.part})"

    def make() -> list[Mesh]:
        swept = swept_meshes(obstacle, media, excess_mm=SWEEP_MM, most_pieces=SWEEP_PIECES)
        return [(plate_from_world.apply(v), f) for v, f in swept]

    return Keepout(
        name=name,
        obstacle=obstacle,
        make=make,
        reach=reach_box(obstacle, media, plate_from_world, clearance),
        thickness=thickness,
        clearance=clearance,
        convex=obstacle.convex or obstacle.travel_kind != "none",
    )


def reach_box(
    obstacle: Obstacle, media: Media, plate_from_world: Rigid[PlateFrame, World], clearance: float
) -> Polygon:
    """Return a box, plate xy, that holds the obstacle's keep-out over its whole travel.

    Between two of the poses looked at no corner is further from the nearer one than half of what it moves between
    them along its arc, which is at most half the step times its distance from the axis.
    """
    vertices = np.vstack([v for v, _ in obstacle_meshes(obstacle, media)])
    moves = poses(obstacle, BOX_STEPS)
    at = np.vstack([plate_from_world.apply(move.apply(vertices)) for _, move in moves])
    slack = clearance + CHECK_MM + SWEEP_MM
    if obstacle.travel_kind == "hinge" and obstacle.hinge_point_mm is not None:
        far = float(np.linalg.norm(vertices - np.array(obstacle.hinge_point_mm), axis=1).max())
        slack += far * np.radians(abs(obstacle.travel[1] - obstacle.travel[0])) / BOX_STEPS / 2
    low, high = at[:, :2].min(axis=0) - slack, at[:, :2].max(axis=0) + slack
    return box(low[0], low[1], high[0], high[1])
