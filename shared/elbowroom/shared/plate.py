"""The plate asked for, the plate made, and the gaps it keeps."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from elbowroom.shared.entity import Cov3, Entity, Name, NotNegative, Pose, Positive, Thread, Vec2, Vec3
from elbowroom.shared.errors import Finding
from elbowroom.shared.tags import PickedPoint


class FacePlane(Entity):
    """The plate's z = 0 lies on a measured face, moved along its normal by `offset_mm`."""

    kind: Literal["face"] = "face"
    face: Name
    offset_mm: float = 0.0


class PointsPlane(Entity):
    """The plate's z = 0 passes through three points (counter-clockwise seen from the side z points to)."""

    kind: Literal["points"] = "points"
    points: tuple[PickedPoint, PickedPoint, PickedPoint]
    offset_mm: float = 0.0


class DatumPlane(Entity):
    """The plate's z = 0 is parallel to a datum plane: normal along a world axis, at a distance from the origin."""

    kind: Literal["datum"] = "datum"
    normal: Literal["x", "y", "z", "-x", "-y", "-z"] = "z"
    offset_mm: float = 0.0


PlatePlane = Annotated[FacePlane | PointsPlane | DatumPlane, Field(discriminator="kind")]


class HoleIntent(Entity):
    """A bolt hole: where (plate xy, or the axis of a tagged bolt, or a point), diameter or thread and fit, edge distance.

    Edge distance is from the hole's centre; when left out the table's least for the thread or diameter is used.
    """

    name: Name
    at_mm: Vec2 | None = None
    bolt: Name | None = None
    point: PickedPoint | None = None
    diameter_mm: Positive | None = None
    thread: Thread | None = None
    hole_class: Literal["fine", "medium", "coarse"] = "medium"
    edge_distance_mm: Positive | None = None

    @model_validator(mode="after")
    def _place_and_size(self) -> HoleIntent:
        if sum([self.at_mm is not None, self.bolt is not None, self.point is not None]) != 1:
            raise ValueError("give exactly one of at_mm, bolt, point")
        if (self.diameter_mm is None) == (self.thread is None):
            raise ValueError("give exactly one of diameter_mm, thread")
        return self


class WeldEdgeIntent(Entity):
    """An edge of the plate lying on a measured face, from one plate coordinate to another along the face.

    The edge runs between the feet of `from_mm` and `to_mm` (plate xy) on the face's trace in the plate plane;
    `depth_mm` is how far the plate must reach inward behind it; `gap_mm` a root gap left to the face. `leg_mm` is the
    fillet's leg and `sides` how many faces of the plate carry one, for the strength check.
    """

    name: Name
    face: Name
    from_mm: Vec2
    to_mm: Vec2
    depth_mm: Positive = 15.0
    gap_mm: NotNegative = 0.0
    leg_mm: Positive | None = None
    sides: Literal[1, 2] = 2


class SlotIntent(Entity):
    """A closed slot that slides over an existing plate or bar: a tagged obstacle's section, widened by `slip_mm` all round."""

    name: Name
    over: Name
    slip_mm: NotNegative = 0.8
    surround_mm: Positive | None = None


class PlateIntent(Entity):
    """What the mount must do. Loads and several plates come later; this is one flat plate."""

    name: Name
    plane: PlatePlane
    thickness_mm: Annotated[float, Field(ge=0.5, le=100)]
    material: Name = "A36"
    holes: tuple[HoleIntent, ...] = ()
    weld_edges: tuple[WeldEdgeIntent, ...] = ()
    slots: tuple[SlotIntent, ...] = ()
    min_web_mm: Positive = 15.0
    inside_radius_mm: Positive = 5.0
    outside_radius_mm: NotNegative = 3.0
    sigmas: NotNegative = 2.0
    area: tuple[Vec2, ...] | None = None

    @model_validator(mode="after")
    def _something(self) -> PlateIntent:
        if not (self.holes or self.weld_edges or self.slots):
            raise ValueError("a plate needs at least one hole, weld edge or slot")
        return self


class Loop(Entity):
    """A closed outline of lines and arcs: `bulges[i]` belongs to the piece from vertex i to i + 1 (DXF sense)."""

    vertices_mm: Annotated[tuple[Vec2, ...], Field(min_length=2)]
    bulges: tuple[float, ...]

    @model_validator(mode="after")
    def _same_length(self) -> Loop:
        if len(self.vertices_mm) != len(self.bulges):
            raise ValueError("a loop has as many bulges as vertices")
        return self


class PlateHole(Entity):
    """An opening in a plate: a round hole (loop of two half circles) or a slot."""

    name: Name
    kind: Literal["round", "slot"]
    loop: Loop
    centre_mm: Vec2
    diameter_mm: Positive | None = None


class BendLine(Entity):
    """A bend of the flat pattern: the line it runs along (plate xy) and the angle."""

    from_mm: Vec2
    to_mm: Vec2
    angle_deg: float
    inside_radius_mm: Positive


class Plate(Entity):
    """A flat plate: where it lies, its profile (outer loop counter-clockwise), its openings, and how it was made."""

    name: Name
    world_from_plate: Pose
    thickness_mm: Positive
    material: Name
    outer: Loop
    holes: tuple[PlateHole, ...] = ()
    bends: tuple[BendLine, ...] = ()
    weld_edges: tuple[WeldEdgeIntent, ...] = ()
    slides_over: tuple[Name, ...] = ()
    touches: tuple[Name, ...] = ()
    position_covariance_mm2: Cov3 = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    findings: tuple[Finding, ...] = ()


class GapRow(Entity):
    """One obstacle's least distance to a plate over its whole travel, what was asked, its doubt, and the verdict.

    "clear" keeps what is required, "tight" keeps less, "cuts" stands in the steel; "touches" is a contact asked for (the
    thing the plate is welded to) and "slides over" the thing a slot goes round.
    """

    plate: Name
    obstacle: Name
    part: Literal["body", "tool room"] = "body"
    gap_mm: float
    clearance_mm: float
    required_mm: float
    sd_mm: NotNegative
    at_plate_mm: Vec3
    at_obstacle_mm: Vec3
    worst_travel: float | None = None
    verdict: Literal["clear", "tight", "cuts", "touches", "slides over"]


class Check(Entity):
    """All gaps of one plate, tightest (least margin) first, and the verdict on the whole."""

    plate: Name
    rows: tuple[GapRow, ...]
    passes: bool
