"""What a person points at: points, the datum, faces, and the things in the way with their motions."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from elbowroom.shared.entity import Digest, Entity, Name, NotNegative, Positive, Thread, Vec2, Vec3


class PointPick(Entity):
    """One point picked in one photo.

    `snap` moves it onto the photo's own edge, corner or middle of a round rim, no further than `reach_px`, when the tags
    are measured. `sd_px` is the pick's own doubt, where it isn't the tag's.
    """

    photo: Name
    xy_px: Vec2
    snap: Literal["edge", "corner", "ellipse"] | None = None
    reach_px: Positive | None = None
    sd_px: Positive | None = None


class PickedPoint(Entity):
    """A point of the world: picked in two or more photos, a target's centre, a measured point's or hole's place
    (`feature`), or typed coordinates."""

    picks: tuple[PointPick, ...] = ()
    target: int | None = None
    feature: Name | None = None
    world_mm: Vec3 | None = None

    @model_validator(mode="after")
    def _one_source(self) -> PickedPoint:
        given = (self.target, self.feature, self.world_mm)
        if sum([bool(self.picks), *(g is not None for g in given)]) != 1:
            raise ValueError("give exactly one of picks, target, feature, world_mm")
        return self


class Datum(Entity):
    """3-2-1 datum: a plane (z = 0, normal +z), a direction (+x) and an origin.

    `plane` needs three or more points, `direction` two (from, to). `plane_flip` turns +z to the other side; by
    default +z points to the side the cameras are on. Target points lie on the card's back: the thickness is taken off.
    """

    plane: Annotated[tuple[PickedPoint, ...], Field(min_length=3)]
    direction: tuple[PickedPoint, PickedPoint]
    origin: PickedPoint
    plane_flip: bool = False
    normal_is: Literal["x", "y", "z"] = "z"
    direction_is: Literal["x", "y", "z"] = "x"

    @model_validator(mode="after")
    def _two_axes(self) -> Datum:
        if self.normal_is == self.direction_is:
            raise ValueError("the plane's normal and the direction need two different axes")
        return self

    @model_validator(mode="after")
    def _before_tags(self) -> Datum:
        """The datum is set before any tag is measured: there are no features yet, and no help under its picks."""
        for point in (*self.plane, *self.direction, self.origin):
            if point.feature is not None or any(p.snap is not None for p in point.picks):
                raise ValueError(
                    "a datum takes targets, plain picks or typed coordinates, no feature and no snap"
                )
        return self


class Hinge(Entity):
    """Swings about an axis through two points, from and to angles (right-hand rule), zero as photographed."""

    kind: Literal["hinge"] = "hinge"
    axis: tuple[PickedPoint, PickedPoint]
    from_deg: float
    to_deg: float


class Slide(Entity):
    """Slides along the direction between two points, from and to millimetres, zero as photographed."""

    kind: Literal["slide"] = "slide"
    direction: tuple[PickedPoint, PickedPoint]
    from_mm: float
    to_mm: float


Motion = Annotated[Hinge | Slide, Field(discriminator="kind")]
ClearanceClass = Literal["static", "moving", "hot", "tool"]


class Tag(Entity):
    """What every obstacle has: a name, a class that sets its clearance unless one is typed, and maybe a motion."""

    name: Name
    clearance_class: ClearanceClass = "static"
    clearance_mm: NotNegative | None = None
    motion: Motion | None = None
    pick_sd_px: Positive = 1.0
    hidden: bool = False


class PhotoOutline(Entity):
    """A closed outline drawn round a thing in one photo.

    Where it comes up to the photo's edge the thing may go on; `open` says that it does, though the line stops short.
    """

    photo: Name
    points_px: Annotated[tuple[Vec2, ...], Field(min_length=3)]
    open: bool = False


class VolumeTag(Tag):
    """A thing outlined in two or more photos; its volume is where all the outlines' cones meet."""

    kind: Literal["volume"] = "volume"
    outlines: tuple[PhotoOutline, ...]


class EdgeLines(Entity):
    """The two silhouette edges of a straight tube in one photo, two points on each; `snap: edge` moves them onto it."""

    photo: Name
    one_px: tuple[Vec2, Vec2]
    other_px: tuple[Vec2, Vec2]
    snap: Literal["edge"] | None = None
    reach_px: Positive | None = None
    sd_px: Positive | None = None


class TubeTag(Tag):
    """A tube: straight from its edges in two or more photos, or along axis points with a typed diameter."""

    kind: Literal["tube"] = "tube"
    edges: tuple[EdgeLines, ...] = ()
    axis: tuple[PickedPoint, ...] = ()
    diameter_mm: Positive | None = None

    @model_validator(mode="after")
    def _one_way(self) -> TubeTag:
        if bool(self.edges) == bool(self.axis):
            raise ValueError("a tube needs either edges or axis points")
        if self.axis and (len(self.axis) < 2 or self.diameter_mm is None):
            raise ValueError("a tube along axis points needs two or more of them and diameter_mm")
        return self


class BoxTag(Tag):
    """A box: one corner and the far ends of the three edges that leave it."""

    kind: Literal["box"] = "box"
    corner: PickedPoint
    along_x: PickedPoint
    along_y: PickedPoint
    along_z: PickedPoint


class BoltTag(Tag):
    """A bolt seen from its head or nut: a point on its axis at the seat, an axis direction, sizes from the tables.

    `seat` is the point where head, nut or washer meets the face. The axis runs along `face`'s normal, or from
    `seat` to `tip`. `nut` says a nut (else a head) faces outward; `tool` adds the room a tool needs.
    """

    kind: Literal["bolt"] = "bolt"
    thread: Thread
    seat: PickedPoint
    face: Name | None = None
    tip: PickedPoint | None = None
    nut: bool = False
    washer: bool = False
    stick_out_mm: NotNegative = 0.0
    tool: Literal["none", "socket", "spanner"] = "none"

    @model_validator(mode="after")
    def _axis(self) -> BoltTag:
        if (self.face is None) == (self.tip is None):
            raise ValueError("give exactly one of face, tip")
        return self


class MeshTag(Tag):
    """A closed mesh in world millimetres from a file (STL, PLY, OBJ, GLB), stored in the scene under `media`."""

    kind: Literal["mesh"] = "mesh"
    media: Digest | None = None
    file: str | None = None
    sd_mm: NotNegative = 0.5


class ScanPair(Entity):
    """One place twice: where it is in the scan, in the file's own unit, and the same place in the world.

    A target stands for the middle of its printed square, which the scan sees, not for the surface under the card.
    """

    scan: Vec3
    world: PickedPoint


class ScanTag(Tag):
    """A scan from a file (PLY, OBJ, STL, GLB; triangles, open or closed, or points only) laid into the world on pairs.

    `unit` is the file's and must be said. `pair_sd_mm` says how well each place was found in the scan, `sd_mm` how well
    the scan's surface follows the thing. What lies further than `within_mm` from everything the scene knows is left
    out. `spacing_mm` is the pitch of a scan of points, estimated when left out. `refine` lays the scan on measured
    faces, targets, tubes and boxes tagged before it, where they overlap. `scale_free` lets the pairs change its size.
    """

    kind: Literal["scan"] = "scan"
    media: Digest | None = None
    file: str | None = None
    unit: Literal["mm", "cm", "m", "inch"]
    pairs: Annotated[tuple[ScanPair, ...], Field(min_length=3)]
    pair_sd_mm: Positive = 1.0
    sd_mm: Positive = 0.5
    within_mm: Positive = 250.0
    spacing_mm: Positive | None = None
    refine: bool = True
    scale_free: bool = False

    @model_validator(mode="after")
    def _still(self) -> ScanTag:
        if self.motion is not None:
            raise ValueError("a scan can't have a motion: tag what moves as a tube, box, volume or mesh")
        return self


class FaceTag(Entity):
    """A flat face of the vehicle: three or more points on it, or targets stuck to it (their thickness is taken off)."""

    kind: Literal["face"] = "face"
    name: Name
    points: Annotated[tuple[PickedPoint, ...], Field(min_length=1)]
    pick_sd_px: Positive = 1.0


ObstacleTag = Annotated[
    VolumeTag | TubeTag | BoxTag | BoltTag | MeshTag | ScanTag, Field(discriminator="kind")
]
