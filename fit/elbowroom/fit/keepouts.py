"""Keep-outs of the scene's obstacles in a plate's plane, as a function of the clearance they get."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely

from elbowroom.fit.keepout import convex_keepout, keepout_section
from elbowroom.fit.sweep import Mesh, swept_meshes
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

START = 16
"""Directions that convex pieces start from; more are added where they are needed."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Keepout:
    """One obstacle (with everything it sweeps) against one plate.

    Parameters
    ----------
    name : str
        The obstacle's; tool room says so.
    meshes_plate : Sequence[Mesh]
        Closed meshes, mm, plate frame.
    thickness, clearance : float
        mm; the clearance includes the measurement's doubt.
    convex : bool
        Every mesh is convex.
    known : dict
        Sections made so far, by clearance.
    """

    name: str
    obstacle: Obstacle
    meshes_plate: Sequence[Mesh]
    thickness: float
    clearance: float
    convex: bool = False
    known: dict[float, shapely.Geometry] = field(default_factory=dict)

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


def _swept(obstacle: Obstacle, media: Media) -> list[Mesh]:
    return swept_meshes(obstacle, media, excess_mm=SWEEP_MM, most_pieces=SWEEP_PIECES)


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
    meshes = [(plate_from_world.apply(v), f) for v, f in _swept(obstacle, media)]
    name = obstacle.name if obstacle.part == "body" else f"{obstacle.name} ({obstacle.part})"
    return Keepout(
        name=name,
        obstacle=obstacle,
        meshes_plate=meshes,
        thickness=thickness,
        clearance=obstacle.clearance_mm + sigmas * sd,
        convex=obstacle.convex or obstacle.travel_kind != "none",
    )
