"""The scene: the whole constraint scene of one job, and the tag files that bring parts of it.

The entities ARE the file format. They live in `entity`, `printed`, `tags`, `measured` and `plate`, and are all named here.
Lengths are millimetres, angles in files degrees with the suffix ``_deg``, picks are photo pixels with (0, 0) the
centre of the top-left pixel as the sensor stored it. Every model is frozen and refuses unknown fields.
"""

from __future__ import annotations

from typing import Literal, TypeVar

from elbowroom.shared.conflict import Conflict
from elbowroom.shared.entity import (
    Cov3,
    Digest,
    Entity,
    Name,
    NotNegative,
    Pose,
    Positive,
    Thread,
    Vec2,
    Vec3,
    cov3,
    vec3,
)
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.features import (
    EdgeTag,
    FeatureTag,
    HoleTag,
    LinePicks,
    MeasuredEdge,
    MeasuredFeature,
    MeasuredHole,
    MeasuredPoint,
    PointTag,
    RimPicks,
)
from elbowroom.shared.loads import HoleLoad, LoadCase
from elbowroom.shared.measured import (
    LENS_PARAMETERS,
    Accuracy,
    Exposure,
    KnownLens,
    Lens,
    Loose,
    MeasuredFace,
    MeasuredPrint,
    MeasuredTarget,
    Obstacle,
    Photo,
)
from elbowroom.shared.plate import (
    BendLine,
    Check,
    DatumPlane,
    FacePlane,
    GapRow,
    HoleIntent,
    Loop,
    Plate,
    PlateHole,
    PlateIntent,
    PlatePlane,
    PointsPlane,
    SlotIntent,
    WeldEdgeIntent,
)
from elbowroom.shared.printed import CardTarget, PrintBatch, ScaleCard, TargetSpec, TypedDistance
from elbowroom.shared.tags import (
    BoltTag,
    BoxTag,
    ClearanceClass,
    Datum,
    EdgeLines,
    FaceTag,
    Hinge,
    MeshTag,
    Motion,
    ObstacleTag,
    PhotoOutline,
    PickedPoint,
    PointPick,
    ScanPair,
    ScanTag,
    Slide,
    Tag,
    TubeTag,
    VolumeTag,
)

__all__ = [
    "LENS_PARAMETERS",
    "Accuracy",
    "BendLine",
    "BoltTag",
    "BoxTag",
    "CardTarget",
    "Check",
    "ClearanceClass",
    "Conflict",
    "Cov3",
    "Datum",
    "DatumPlane",
    "Digest",
    "EdgeLines",
    "EdgeTag",
    "Entity",
    "Exposure",
    "FacePlane",
    "FaceTag",
    "FeatureTag",
    "GapRow",
    "Hinge",
    "HoleIntent",
    "HoleLoad",
    "HoleTag",
    "KnownLens",
    "Lens",
    "LinePicks",
    "LoadCase",
    "Loop",
    "Loose",
    "MeasuredEdge",
    "MeasuredFace",
    "MeasuredFeature",
    "MeasuredHole",
    "MeasuredPoint",
    "MeasuredPrint",
    "MeasuredTarget",
    "MeshTag",
    "Motion",
    "Name",
    "NotNegative",
    "Obstacle",
    "ObstacleTag",
    "Photo",
    "PhotoOutline",
    "PickedPoint",
    "Plate",
    "PlateHole",
    "PlateIntent",
    "PlatePlane",
    "PointPick",
    "PointTag",
    "PointsPlane",
    "Pose",
    "Positive",
    "PrintBatch",
    "RimPicks",
    "ScaleCard",
    "ScanPair",
    "ScanTag",
    "Scene",
    "Slide",
    "SlotIntent",
    "Tag",
    "TagFile",
    "TargetSpec",
    "Thread",
    "TubeTag",
    "TypedDistance",
    "Vec2",
    "Vec3",
    "VolumeTag",
    "WeldEdgeIntent",
    "cov3",
    "vec3",
]


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
    known_lenses: tuple[KnownLens, ...] = ()
    measured: tuple[MeasuredTarget, ...] = ()
    measured_prints: tuple[MeasuredPrint, ...] = ()
    accuracy: Accuracy | None = None
    network: Digest | None = None
    datum: Datum | None = None
    faces: tuple[FaceTag, ...] = ()
    features: tuple[FeatureTag, ...] = ()
    tags: tuple[ObstacleTag, ...] = ()
    measured_faces: tuple[MeasuredFace, ...] = ()
    measured_features: tuple[MeasuredFeature, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    intents: tuple[PlateIntent, ...] = ()
    load_cases: tuple[LoadCase, ...] = ()
    plates: tuple[Plate, ...] = ()
    checks: tuple[Check, ...] = ()
    findings: tuple[Finding, ...] = ()
    conflicts: tuple[Conflict, ...] = ()

    def photo(self, name: str) -> Photo:
        """Return the photo of that name; raises InputError naming those there are."""
        return _named(self.photos, name, "photo")

    def lens(self, name: str) -> Lens:
        """Return the lens of that name; raises InputError naming those there are."""
        return _named(self.lenses, name, "lens")

    def lens_of(self, photo: Photo) -> Lens:
        """Return the lens a photo was taken through, focused as it was."""
        lens = self.lens(photo.lens or "")
        return lens.model_copy(update={"focal_px": lens.focal_px * (1 + photo.refocus)})

    def face(self, name: str) -> MeasuredFace:
        """Return the measured face of that name; raises InputError naming those there are."""
        return _named(self.measured_faces, name, "measured face")

    def feature(self, name: str) -> MeasuredFeature:
        """Return the measured feature of that name; raises InputError naming those there are."""
        return _named(self.measured_features, name, "measured feature")

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
    features: tuple[FeatureTag, ...] = ()
    tags: tuple[ObstacleTag, ...] = ()
    intents: tuple[PlateIntent, ...] = ()
    load_cases: tuple[LoadCase, ...] = ()


Named = TypeVar("Named", Photo, Lens, MeasuredFace, MeasuredFeature, Plate)


def _named(items: tuple[Named, ...], name: str, what: str) -> Named:
    for item in items:
        if item.name == name:
            return item
    known = ", ".join(i.name for i in items) or "none"
    raise InputError(
        f"no {what} of that name", where=name, limit=f"there are: {known}", todo="check the spelling"
    )
