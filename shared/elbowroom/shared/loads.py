"""Loads on a plate, what holds it, and what a strength check found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from elbowroom.shared.arrays import Faces, Floats, Points2
from elbowroom.shared.entity import Entity, Name, NotNegative, Positive, Vec2, Vec3
from elbowroom.shared.errors import Finding

STRENGTH_CAUTION = (
    "This is a check, not an approval: a linear calculation of one flat plate from the loads typed in. Shock, fatigue, "
    "buckling, what the plate is fixed to and the quality of welds are not in it. Steering, brakes, lifting and whatever "
    "else can hurt someone: local codes and licensed practice decide."
)


MOST = 1e10
"""Largest number in a load: a thousand tonnes on a lever of a metre, in N mm."""

FACTOR_SHOWN = 1e6
"""Factors are shown up to this: beyond it nothing is asked of the thing."""


class HoleLoad(Entity):
    """What a bolt or pin does to a round hole, in the plate's own x, y, z: force N, moment N mm.

    The force acts at the hole's centre and mid-thickness, moved by `offset_mm` (a pin's lever along z, say). `pin_mm` is
    the diameter that bears; left out it is the bolt's of the hole's thread, or the hole's own.
    """

    hole: Name
    force_n: Vec3 = (0.0, 0.0, 0.0)
    moment_nmm: Vec3 = (0.0, 0.0, 0.0)
    offset_mm: Vec3 = (0.0, 0.0, 0.0)
    pin_mm: Positive | None = None

    @model_validator(mode="after")
    def _something(self) -> HoleLoad:
        if not any((*self.force_n, *self.moment_nmm)):
            raise ValueError("give force_n or moment_nmm: this load is zero")
        if max(map(abs, (*self.force_n, *self.moment_nmm, *self.offset_mm))) > MOST:
            raise ValueError(f"no load or lever of a plate is above {MOST:g} (N, N mm, mm)")
        return self


class LoadCase(Entity):
    """Loads that act on one plate together, and the weld edges and holes that hold it (all weld edges when left out).

    `least_factor` is asked of yield; what can break (welds, torn holes) is asked 2.00 / 1.67 times as much.
    """

    name: Name
    plate: Name
    supports: tuple[Name, ...] = ()
    loads: Annotated[tuple[HoleLoad, ...], Field(min_length=1)]
    least_factor: Positive = 1.67

    @model_validator(mode="after")
    def _one_load_a_hole(self) -> LoadCase:
        holes = [load.hole for load in self.loads]
        if len(set(holes)) < len(holes):
            raise ValueError("two loads on one hole: add them up, its bolt feels their sum")
        return self


class StrengthRow(Entity):
    """One thing that can give: what is asked of it, what it can bear, the factor between, and by which formula."""

    what: str
    where: str
    demand: NotNegative
    capacity: NotNegative
    unit: Literal["MPa", "N", "N/mm", "mm"]
    factor: NotNegative
    asked: Positive
    source: str

    @property
    def holds(self) -> bool:
        """Whether the factor is at least the one asked for."""
        return self.factor >= self.asked


@dataclass(frozen=True, kw_only=True, eq=False)
class StressField:
    """Stress on a mesh of the plate: corners (n, 2) mm, plate; triangles (m, 3); equivalent stress (n,) MPa, larger face.

    `moved` (n, 3) mm is how far each corner goes; `counted` (n,) says where the stress decides (welds have a check of
    their own, and right beside a held edge the calculation has none to give).
    """

    nodes_plate: Points2
    triangles: Faces
    von_mises_mpa: Floats
    moved_mm: Floats
    counted: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Strength:
    """A plate under one load case: rows (least margin first), where stress and deflection are largest, how sure.

    `converged` says that the last two refinements moved stress and deflection by less than 2 %; `moved_share` by how
    much the last one did.
    """

    plate: str
    case: str
    rows: tuple[StrengthRow, ...]
    stress_mpa: float
    stress_at_plate: Vec2
    stress_near: str
    deflection_mm: float
    deflection_at_plate: Vec2
    deflection_vector_mm: Vec3
    triangles: int
    converged: bool
    moved_share: float
    yield_mpa: float
    findings: tuple[Finding, ...]
    field: StressField

    @property
    def least(self) -> StrengthRow:
        """The row with the least margin."""
        return self.rows[0]

    @property
    def holds(self) -> bool:
        """Whether every row keeps the factor asked for, and the figures have settled."""
        return self.converged and all(r.holds for r in self.rows)

    @property
    def verdict(self) -> str:
        """What to print: the factors asked for are kept, or not, or the figures never settled."""
        if not self.converged:
            return "HOLD (the figures have not settled)"
        weak = [f"{r.what} at {r.where}" for r in self.rows if not r.holds]
        return f"HOLD ({', '.join(weak)})" if weak else "factors kept"
