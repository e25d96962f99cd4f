"""What measuring gives: lenses, photos with their stations, targets, faces and obstacles, each with its doubt."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from elbowroom.shared.arrays import Floats
from elbowroom.shared.entity import Cov3, Digest, Entity, Name, NotNegative, Pose, Positive, Vec2, Vec3

LENS_PARAMETERS = ("focal_px", "cx_px", "cy_px", "k1", "k2", "k3", "p1", "p2")
"""A lens's parameters in the order of its covariance."""


class Lens(Entity):
    """A camera group: pinhole with radial k1 k2 k3 and tangential p1 p2 (Brown's model, pixels from 0 centre).

    `covariance` (8 x 8, in the order and units of the parameters) is there once measured; a parameter that the photos
    did not ask for is zero with no variance.
    """

    name: Name
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    focal_px: Positive
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    focal_sd_px: NotNegative = 0.0
    covariance: tuple[tuple[float, ...], ...] = ()

    @model_validator(mode="after")
    def _square(self) -> Lens:
        n = len(LENS_PARAMETERS)
        if self.covariance and (len(self.covariance) != n or any(len(row) != n for row in self.covariance)):
            raise ValueError(f"a lens's covariance is {n} x {n}")
        return self


class KnownLens(Entity):
    """A lens as an earlier job, or photos of a printed board, measured it, kept for the same phone; and from where."""

    lens: Lens
    source: Annotated[str, Field(max_length=200)] = ""


class MeasuredPrint(Entity):
    """What a print batch turned out to be: its scale against what was typed, and how far each black edge has spread."""

    batch: Annotated[str, Field(max_length=80)]
    targets: Annotated[int, Field(ge=0)]
    scale: Positive
    scale_sd: NotNegative
    ink_mm: float
    ink_sd_mm: NotNegative


Share = Annotated[float, Field(ge=0, le=1)]


class Exposure(Entity):
    """How a photo is exposed: shares clipped black and white, of the whole and near its targets; grey levels of 255.

    `middle` is the whole photo's median; `ink` and `paper` are the levels of black and white at the targets. What is
    said of targets is there when some were read.
    """

    black: Share
    white: Share
    middle: NotNegative
    near_black: Share | None = None
    near_white: Share | None = None
    ink: NotNegative | None = None
    paper: NotNegative | None = None


class Photo(Entity):
    """A photo of the job: its bytes lie in the scene file under `media`; `camera_from_world` once measured.

    `refocus` is by what share its focal length differs from its lens's. `targets_missed` are those that the network
    says it should show (facing it, large enough) and that were not read; `blur_px` is how wide its edges are where they
    are widest. A copy made to be sent may leave the photo's own bytes out; `shown` then names smaller ones to look at, if
    it has any. Picks count the photo's own pixels all the same.
    """

    name: Name
    media: Digest
    shown: Digest | None = None
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    orientation: Annotated[int, Field(ge=1, le=8)] = 1
    lens: Name | None = None
    camera_from_world: Pose | None = None
    targets_read: tuple[int, ...] = ()
    targets_missed: tuple[int, ...] = ()
    blur_px: NotNegative | None = None
    exposure: Exposure | None = None
    rms_px: NotNegative | None = None
    refocus: float = 0.0


class MeasuredTarget(Entity):
    """A target's place in the world, with the covariance (mm²) of its centre."""

    id: int
    side_mm: Positive
    thickness_mm: NotNegative = 0.0
    world_from_target: Pose
    covariance_mm2: Cov3
    seen_in: Annotated[int, Field(ge=1)]


class Accuracy(Entity):
    """How good the network is: residuals, degrees of freedom, and where the scale came from."""

    sigma0_px: NotNegative
    rms_px: NotNegative
    redundancy: int
    observations: int
    rejected: int
    scale_source: Literal["scale cards and distances", "target sides"]
    scale_sd: NotNegative
    typical_sd_mm: NotNegative


class MeasuredFace(Entity):
    """A face as measured: a point in its middle, its outward normal, its doubt, its residual.

    `covariance_mm2` is that of the face at the worst of the places it was measured at, for whoever needs one for all of
    it; `middle_covariance_mm2` that of its middle, to which an arm times `tilt_covariance` times the arm adds at a place
    (see `covariance_at`). `tilt_sd_rad` is that of the worse direction.
    """

    name: Name
    point_mm: Vec3
    normal: Vec3
    covariance_mm2: Cov3
    middle_covariance_mm2: Cov3 = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    tilt_covariance: Cov3 = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    tilt_sd_rad: NotNegative
    rms_mm: NotNegative
    reach_mm: NotNegative

    def covariance_at(self, place_world: Floats) -> Floats:
        """Return the covariance (3, 3) mm² of the face at a place (3,) mm."""
        arm, normal = np.asarray(place_world) - self.point_mm, np.array(self.normal)
        tilted = float(arm @ np.array(self.tilt_covariance) @ arm)
        return np.asarray(np.array(self.middle_covariance_mm2) + tilted * np.outer(normal, normal))


class Loose(Entity):
    """How far a volume's surface may stand off the thing inside it, at most, along a unit direction of the world."""

    direction: Vec3
    mm: NotNegative


class Obstacle(Entity):
    """An obstacle as measured: closed meshes in the world at rest, the clearance it asks, its doubt and its motion.

    `meshes` name binary PLY files in the scene's media; each is closed and their union is the thing. `convex` says
    each mesh is convex (bounded exactly by its hull). `covariance_mm2` is that of its position as a whole.
    `loose` says of a volume where it is loosest, then how loose it is along +x, -x, +y, -y, +z, -z.
    `axis_mm` holds the two ends of a bolt's (seat, tip) or straight tube's axis. A scan lies within `widened_mm` of its
    meshes, and its `clearance_mm` has that in it.
    """

    name: Name
    kind: Literal["volume", "tube", "box", "bolt", "mesh", "scan"]
    part: Literal["body", "tool room"] = "body"
    meshes: tuple[Digest, ...]
    convex: bool
    clearance_mm: NotNegative
    covariance_mm2: Cov3
    widened_mm: NotNegative = 0.0
    loose: tuple[Loose, ...] = ()
    axis_mm: tuple[Vec3, Vec3] | None = None
    hinge_point_mm: Vec3 | None = None
    motion_direction: Vec3 | None = None
    travel_kind: Literal["none", "hinge", "slide"] = "none"
    travel: Vec2 = (0.0, 0.0)
