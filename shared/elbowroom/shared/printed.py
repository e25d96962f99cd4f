"""What is printed and typed in: targets, scale cards, print batches, distances from calipers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from elbowroom.shared.entity import Entity, Name, NotNegative, Positive


class PrintBatch(Entity):
    """Everything printed in one go on one printer: the 100 mm check bars as measured correct all of it."""

    name: Name
    bar_x_mm: Positive = 100.0
    bar_y_mm: Positive = 100.0
    measured: bool = False


class TargetSpec(Entity):
    """A coded target (AprilTag 36h11): printed side of its black square, and its card's thickness (else the default)."""

    id: Annotated[int, Field(ge=0, le=586)]
    side_mm: Positive = 40.0
    thickness_mm: NotNegative | None = None
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
    thickness_mm: NotNegative | None = None
    batch: Name | None = None
    sd_mm: Positive = 0.02


class TypedDistance(Entity):
    """A distance between two target centres, measured by hand (calipers, tape)."""

    name: Name
    from_target: int
    to_target: int
    mm: Positive
    sd_mm: Positive = 0.1
