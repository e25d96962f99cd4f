"""Features a person points at to measure, not to avoid: points, round rims, straight edges; and what was measured."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from elbowroom.shared.entity import Cov3, Entity, Name, NotNegative, Positive, Vec2, Vec3
from elbowroom.shared.tags import PickedPoint


class RimPicks(Entity):
    """Points on a round rim in one photo; with `snap: ellipse` one rough pick inside the rim will do.

    `snap` moves the picks onto the photo's own rim when the tags are measured (`edge`: each pick by itself, no further
    than `reach_px`); `sd_px` is the picks' own doubt, where it isn't the tag's.
    """

    photo: Name
    points_px: Annotated[tuple[Vec2, ...], Field(min_length=1)]
    snap: Literal["ellipse", "edge"] | None = None
    reach_px: Positive | None = None
    sd_px: Positive | None = None


class LinePicks(Entity):
    """Two or more points along a straight edge in one photo; `snap: edge` measures the photo's edge all along them."""

    photo: Name
    points_px: Annotated[tuple[Vec2, ...], Field(min_length=2)]
    snap: Literal["edge"] | None = None
    reach_px: Positive | None = None
    sd_px: Positive | None = None


class PointTag(Entity):
    """A point to be measured; `in_network` lets its picks help to place the photos too."""

    kind: Literal["point"] = "point"
    name: Name
    point: PickedPoint
    pick_sd_px: Positive = 1.0
    in_network: bool = False

    @model_validator(mode="after")
    def _plain(self) -> PointTag:
        if not self.in_network:
            return self
        photos = [p.photo for p in self.point.picks]
        if len(set(photos)) < 2:
            raise ValueError("a point in the network needs picks in two photos or more")
        if len(set(photos)) < len(photos):
            raise ValueError("a point in the network is picked once in a photo: keep the better pick")
        if any(p.snap is not None for p in self.point.picks):
            raise ValueError(
                "a point in the network takes plain picks, no snap: the photos are placed before any pick is snapped"
            )
        return self


class HoleTag(Entity):
    """A round rim: of a hole, a stud, a washer, a bolt's head.

    On a known `face` one photo is enough; without, two photos or more. `above_mm` says how far the rim stands above the
    face (a washer's thickness); the centre reported lies on the face all the same.
    """

    kind: Literal["hole"] = "hole"
    name: Name
    rims: Annotated[tuple[RimPicks, ...], Field(min_length=1)]
    face: Name | None = None
    above_mm: float = 0.0
    pick_sd_px: Positive = 1.0

    @model_validator(mode="after")
    def _above_what(self) -> HoleTag:
        if self.above_mm and self.face is None:
            raise ValueError("above_mm needs the face it counts from")
        return self


class EdgeTag(Entity):
    """A straight edge (of a plate, a slot, a weld): in two photos or more, or in one or more on a known `face`.

    `across` names the other edge of a slot or bar, tagged before this one: the width between the two is measured.
    """

    kind: Literal["edge"] = "edge"
    name: Name
    lines: Annotated[tuple[LinePicks, ...], Field(min_length=1)]
    face: Name | None = None
    across: Name | None = None
    pick_sd_px: Positive = 1.0


FeatureTag = Annotated[PointTag | HoleTag | EdgeTag, Field(discriminator="kind")]


class MeasuredPoint(Entity):
    """A point as measured, with its covariance and what is left of its picks."""

    kind: Literal["point"] = "point"
    name: Name
    point_mm: Vec3
    covariance_mm2: Cov3
    rms_px: NotNegative
    photos: int


class MeasuredHole(Entity):
    """A round rim as measured: centre (on its face, if it has one), outward axis, radius, and their doubts."""

    kind: Literal["hole"] = "hole"
    name: Name
    centre_mm: Vec3
    axis: Vec3
    radius_mm: Positive
    covariance_mm2: Cov3
    radius_sd_mm: NotNegative
    tilt_sd_rad: NotNegative
    rms_px: NotNegative
    photos: int


class MeasuredEdge(Entity):
    """A straight edge as measured: its ends as far as it was picked, and its doubt.

    `covariance_mm2` is that of its middle (along the edge: of where the picks end), `tilt_sd_rad` that of its direction.
    `width_mm` is the distance to the edge it lies across from.
    """

    kind: Literal["edge"] = "edge"
    name: Name
    start_mm: Vec3
    end_mm: Vec3
    covariance_mm2: Cov3
    tilt_sd_rad: NotNegative
    rms_px: NotNegative
    photos: int
    width_mm: NotNegative | None = None
    width_sd_mm: NotNegative | None = None


MeasuredFeature = Annotated[MeasuredPoint | MeasuredHole | MeasuredEdge, Field(discriminator="kind")]
