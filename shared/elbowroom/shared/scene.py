"""The scene's entities. They ARE the file format: what is here is what the scene file and tag files hold.

Lengths are millimetres, angles in files degrees with the suffix ``_deg``, picks are photo pixels with (0, 0) the
centre of the top-left pixel as the sensor stored it. Every model is frozen and refuses unknown fields.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from elbowroom.shared.arrays import Floats
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.frames import Rigid, rotation_from_vector, vector_from_rotation

Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=r"^[^/\\\x00-\x1f]+$")]
Thread = Annotated[str, StringConstraints(min_length=1, max_length=20, pattern=r"^[A-Za-z0-9 ./#\"-]+$")]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Vec2 = tuple[float, float]
Vec3 = tuple[float, float, float]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Cov3 = tuple[Vec3, Vec3, Vec3]
FromFrame = TypeVar("FromFrame")
ToFrame = TypeVar("ToFrame")


class Entity(BaseModel):
    """Base of everything in a scene: frozen, no unknown fields, no NaN or infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Pose(Entity):
    """A rigid transform as stored: rotation vector in radians and shift in millimetres."""

    rotation_rad: Vec3
    shift_mm: Vec3

    @classmethod
    def of(cls, rigid: Rigid[ToFrame, FromFrame]) -> Pose:
        """Return the stored form of a transform."""
        r, t = vector_from_rotation(rigid.rotation), rigid.shift
        return cls(
            rotation_rad=(float(r[0]), float(r[1]), float(r[2])),
            shift_mm=(float(t[0]), float(t[1]), float(t[2])),
        )

    def rigid(self) -> Rigid[ToFrame, FromFrame]:
        """Return the transform; the caller's variable names its frames."""
        return Rigid(rotation_from_vector(np.array(self.rotation_rad)), np.array(self.shift_mm))


# --- what is printed -----------------------------------------------------------------------------------------


class PrintBatch(Entity):
    """Everything printed in one go on one printer: the 100 mm check bars as measured correct all of it."""

    name: Name
    bar_x_mm: Positive = 100.0
    bar_y_mm: Positive = 100.0
    measured: bool = False


class TargetSpec(Entity):
    """A coded target (AprilTag 36h11): printed side of its black square, and its card's thickness."""

    id: Annotated[int, Field(ge=0, le=586)]
    side_mm: Positive = 40.0
    thickness_mm: NotNegative = 0.0
    batch: Name | None = None


class CardTarget(Entity):
    """One target of a scale card: id and centre on the card as drawn (before the printer's scale)."""

    id: Annotated[int, Field(ge=0, le=586)]
    x_mm: float
    y_mm: float


class ScaleCard(Entity):
    """Several targets on one flat sheet at a known pitch, all printed the same way up."""

    name: Name
    side_mm: Positive
    targets: Annotated[tuple[CardTarget, ...], Field(min_length=2)]
    thickness_mm: NotNegative = 0.0
    batch: Name | None = None
    sd_mm: Positive = 0.02


class TypedDistance(Entity):
    """A distance between two target centres, measured by hand (calipers, tape)."""

    name: Name
    from_target: int
    to_target: int
    mm: Positive
    sd_mm: Positive = 0.1


# --- what is measured ----------------------------------------------------------------------------------------


class Lens(Entity):
    """A camera group: pinhole with radial k1 k2 k3 and tangential p1 p2 (Brown's model, pixels from 0 centre)."""

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


class Photo(Entity):
    """A photo of the job: its bytes lie in the scene file under `media`; `camera_from_world` once measured."""

    name: Name
    media: Digest
    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    orientation: Annotated[int, Field(ge=1, le=8)] = 1
    lens: Name | None = None
    camera_from_world: Pose | None = None
    targets_read: tuple[int, ...] = ()
    rms_px: NotNegative | None = None


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


# --- datum ---------------------------------------------------------------------------------------------------


class PointPick(Entity):
    """One point picked in one photo."""

    photo: Name
    xy_px: Vec2


class PickedPoint(Entity):
    """A point of the world: picked in two or more photos, or a target's centre, or typed coordinates."""

    picks: tuple[PointPick, ...] = ()
    target: int | None = None
    world_mm: Vec3 | None = None

    @model_validator(mode="after")
    def _one_source(self) -> PickedPoint:
        if sum([bool(self.picks), self.target is not None, self.world_mm is not None]) != 1:
            raise ValueError("give exactly one of picks, target, world_mm")
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


# --- obstacles and features (tags) ---------------------------------------------------------------------------


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
    """A closed outline drawn round a thing in one photo."""

    photo: Name
    points_px: Annotated[tuple[Vec2, ...], Field(min_length=3)]


class VolumeTag(Tag):
    """A thing outlined in two or more photos; its volume is where all the outlines' cones meet."""

    kind: Literal["volume"] = "volume"
    outlines: tuple[PhotoOutline, ...]


class EdgeLines(Entity):
    """The two silhouette edges of a straight tube in one photo, two points on each."""

    photo: Name
    one_px: tuple[Vec2, Vec2]
    other_px: tuple[Vec2, Vec2]


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


class FaceTag(Entity):
    """A flat face of the vehicle: three or more points on it, or targets stuck to it (their thickness is taken off)."""

    kind: Literal["face"] = "face"
    name: Name
    points: Annotated[tuple[PickedPoint, ...], Field(min_length=1)]
    pick_sd_px: Positive = 1.0


ObstacleTag = Annotated[VolumeTag | TubeTag | BoxTag | BoltTag | MeshTag, Field(discriminator="kind")]


class MeasuredFace(Entity):
    """A face as measured: a point on it, its outward normal, covariance (mm²) of the point, sd of tilt, residual."""

    name: Name
    point_mm: Vec3
    normal: Vec3
    covariance_mm2: Cov3
    tilt_sd_rad: NotNegative
    rms_mm: NotNegative
    reach_mm: NotNegative


class Obstacle(Entity):
    """An obstacle as measured: closed meshes in the world at rest, the clearance it asks, its doubt and its motion.

    `meshes` name binary PLY files in the scene's media; each is closed and their union is the thing. `convex` says
    each mesh is convex (bounded exactly by its hull). `covariance_mm2` is that of its position as a whole.
    `axis_mm` holds the two ends of a bolt's (seat, tip) or straight tube's axis.
    """

    name: Name
    kind: Literal["volume", "tube", "box", "bolt", "mesh"]
    part: Literal["body", "tool room"] = "body"
    meshes: tuple[Digest, ...]
    convex: bool
    clearance_mm: NotNegative
    covariance_mm2: Cov3
    widened_mm: NotNegative = 0.0
    axis_mm: tuple[Vec3, Vec3] | None = None
    hinge_point_mm: Vec3 | None = None
    motion_direction: Vec3 | None = None
    travel_kind: Literal["none", "hinge", "slide"] = "none"
    travel: Vec2 = (0.0, 0.0)


# --- the plate asked for -------------------------------------------------------------------------------------


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
    `depth_mm` is how far the plate must reach inward behind it; `gap_mm` a root gap left to the face.
    """

    name: Name
    face: Name
    from_mm: Vec2
    to_mm: Vec2
    depth_mm: Positive = 15.0
    gap_mm: NotNegative = 0.0


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
    thickness_mm: Positive
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


# --- plates --------------------------------------------------------------------------------------------------


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


class Scene(Entity):
    """The whole constraint scene of one job, in dependency order: prints, photos, frame, tags, intents, plates, checks."""

    schema_version: Literal[1] = 1
    name: Name = "job"
    shown_in: Literal["mm", "in"] = "mm"
    batches: tuple[PrintBatch, ...] = ()
    default_side_mm: Positive | None = None
    default_thickness_mm: NotNegative = 0.0
    targets: tuple[TargetSpec, ...] = ()
    cards: tuple[ScaleCard, ...] = ()
    distances: tuple[TypedDistance, ...] = ()
    photos: tuple[Photo, ...] = ()
    lenses: tuple[Lens, ...] = ()
    measured: tuple[MeasuredTarget, ...] = ()
    accuracy: Accuracy | None = None
    network: Digest | None = None
    datum: Datum | None = None
    faces: tuple[FaceTag, ...] = ()
    tags: tuple[ObstacleTag, ...] = ()
    measured_faces: tuple[MeasuredFace, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    intents: tuple[PlateIntent, ...] = ()
    plates: tuple[Plate, ...] = ()
    checks: tuple[Check, ...] = ()
    findings: tuple[Finding, ...] = ()

    def photo(self, name: str) -> Photo:
        """Return the photo of that name; raises InputError naming those there are."""
        return _named(self.photos, name, "photo")

    def lens(self, name: str) -> Lens:
        """Return the lens of that name; raises InputError naming those there are."""
        return _named(self.lenses, name, "lens")

    def face(self, name: str) -> MeasuredFace:
        """Return the measured face of that name; raises InputError naming those there are."""
        return _named(self.measured_faces, name, "measured face")

    def plate(self, name: str) -> Plate:
        """Return the plate of that name; raises InputError naming those there are."""
        return _named(self.plates, name, "plate")


class TagFile(Entity):
    """What a tag file (JSON or YAML) may hold: parts of a scene, same entities, merged in by name."""

    datum: Datum | None = None
    default_side_mm: Positive | None = None
    default_thickness_mm: NotNegative | None = None
    batches: tuple[PrintBatch, ...] = ()
    targets: tuple[TargetSpec, ...] = ()
    cards: tuple[ScaleCard, ...] = ()
    distances: tuple[TypedDistance, ...] = ()
    faces: tuple[FaceTag, ...] = ()
    tags: tuple[ObstacleTag, ...] = ()
    intents: tuple[PlateIntent, ...] = ()


Named = TypeVar("Named", Photo, Lens, MeasuredFace, Plate)


def _named(items: tuple[Named, ...], name: str, what: str) -> Named:
    for item in items:
        if item.name == name:
            return item
    known = ", ".join(i.name for i in items) or "none"
    raise InputError(
        f"no {what} of that name", where=name, limit=f"there are: {known}", todo="check the spelling"
    )


def cov3(matrix: Floats) -> Cov3:
    """Return a (3, 3) covariance in mm² as the nested tuples entities hold, made symmetric."""
    m = 0.5 * (np.asarray(matrix, dtype=np.float64) + np.asarray(matrix, dtype=np.float64).T)
    a, b, c = (tuple(float(v) for v in row) for row in m)
    return ((a[0], a[1], a[2]), (b[0], b[1], b[2]), (c[0], c[1], c[2]))


def vec3(values: Floats) -> Vec3:
    """Return three numbers as the tuple entities hold."""
    v = np.asarray(values, dtype=np.float64).reshape(3)
    return (float(v[0]), float(v[1]), float(v[2]))
