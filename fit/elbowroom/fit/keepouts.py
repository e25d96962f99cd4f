"""Keep-outs of the scene's obstacles in a plate's plane, as a function of the clearance they get."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely

from elbowroom.fit.keepout import keepout_section
from elbowroom.fit.sweep import Mesh, swept_meshes
from elbowroom.shared.arrays import Floats
from elbowroom.shared.frames import PlateFrame, Rigid, World
from elbowroom.shared.media import Media
from elbowroom.shared.scene import Obstacle

CHECK_MM = 0.002
"""Added to every clearance: twice what the profile's own check lets pass, so that a stricter one passes too."""


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
    known : dict
        Sections made so far, by clearance.
    """

    name: str
    obstacle: Obstacle
    meshes_plate: Sequence[Mesh]
    thickness: float
    clearance: float
    known: dict[float, shapely.Geometry] = field(default_factory=dict)

    def section(self, less: float = 0.0) -> shapely.Geometry:
        """Return the keep-out, plate xy, with `less` mm taken off the clearance (not below 0)."""
        clearance = max(self.clearance - less, 0.0) + CHECK_MM
        if clearance not in self.known:
            shapes = [
                keepout_section(v, f, thickness_mm=self.thickness, clearance_mm=clearance)
                for v, f in self.meshes_plate
            ]
            self.known[clearance] = shapely.union_all(shapes)
        return self.known[clearance]


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
    meshes = [(plate_from_world.apply(v), f) for v, f in swept_meshes(obstacle, media)]
    name = obstacle.name if obstacle.part == "body" else f"{obstacle.name} ({obstacle.part})"
    return Keepout(
        name=name,
        obstacle=obstacle,
        meshes_plate=meshes,
        thickness=thickness,
        clearance=obstacle.clearance_mm + sigmas * sd,
    )
