"""What differs between two scenes, in words a person can act on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Check, Lens, MeasuredTarget, Obstacle, Photo, Plate, Scene
from elbowroom.shared.threeway import called, keyed
from elbowroom.shared.units import ShownUnit, show_length

How = Literal["added", "taken out", "changed"]

SAME_MM = 5e-4
"""Measured places and gaps nearer than this are called the same: half of the last digit shown."""

MOST_WORDS = 6
"""Changed values of one entity named at most; the rest are counted."""

LEFT_OUT = ("schema_version", "network")
"""Fields that mean nothing to a person."""


@dataclass(frozen=True)
class Difference:
    """One thing that differs: the scene's field, the entity's name, how, and all of it in words."""

    field: str
    name: str
    how: How
    words: str


def differences(before: Scene, after: Scene) -> list[Difference]:
    """Return what differs in `after` against `before`, in the order of the scene; lengths in `after`'s unit."""
    out: list[Difference] = []
    for field in Scene.model_fields:
        one, other = getattr(before, field), getattr(after, field)
        if field in LEFT_OUT or one == other:
            continue
        if isinstance(one, tuple):
            old_ones, new_ones = keyed(one), keyed(other)
            pairs = {k: (old_ones.get(k), new_ones.get(k)) for k in [*old_ones, *new_ones]}
        else:
            pairs = {"": (one, other)}
        for name, (old, new) in pairs.items():
            out += _difference(field, name, old, new, after.shown_in)
    return out


def _difference(field: str, name: str, old: Any, new: Any, unit: ShownUnit) -> list[Difference]:
    if old == new:
        return []
    if field in ("findings", "conflicts"):
        thing = new if new is not None else old
        how: How = "added" if old is None else "taken out"
        return [
            Difference(
                field, name, how, f"{field[:-1]}: {thing.message} ({'new' if old is None else 'gone'})"
            )
        ]
    what = called(field, name)
    if old is None:
        return [Difference(field, name, "added", f"{what}: added{_said(field, new, unit)}")]
    if new is None:
        return [Difference(field, name, "taken out", f"{what}: taken out")]
    words = list(changes(old, new, unit, field))
    if not words:
        return []
    more = f", and {len(words) - MOST_WORDS} more" if len(words) > MOST_WORDS else ""
    return [Difference(field, name, "changed", f"{what}: {', '.join(words[:MOST_WORDS])}{more}")]


def _said(field: str, new: Any, unit: ShownUnit) -> str:
    """Return what an added value is, where it is one value."""
    if isinstance(new, float | int | str):
        return f", {value_words(field, new, unit)}"
    kind = getattr(new, "kind", None)
    return f" ({kind})" if isinstance(kind, str) else ""


def changes(old: Any, new: Any, unit: ShownUnit, field: str = "") -> Iterator[str]:
    """Yield in words what changed between two versions of one entity; nothing where only noise differs."""
    match old, new:
        case MeasuredTarget(), MeasuredTarget():
            yield from _moved(old.world_from_target.shift_mm, new.world_from_target.shift_mm, unit)
        case Photo(), Photo():
            yield from _photo(old, new, unit)
        case Lens(), Lens():
            if abs(old.focal_px - new.focal_px) > 1e-6:
                yield f"focal length {new.focal_px:.1f} px, was {old.focal_px:.1f} px"
            else:
                yield "measured anew"
        case Obstacle(), Obstacle():
            if old.meshes != new.meshes:
                yield "its shape or place was measured anew"
            yield from _fields(old, new, unit, skip=("meshes", "covariance_mm2", "loose"))
        case Plate(), Plate():
            yield from _plate(old, new, unit)
        case Check(), Check():
            yield from _check(old, new, unit)
        case _ if hasattr(type(old), "model_fields"):
            yield from _fields(old, new, unit)
        case _:
            yield f"{value_words(field, new, unit)}, was {value_words(field, old, unit)}"


def _moved(old: Any, new: Any, unit: ShownUnit, what: str = "") -> Iterator[str]:
    distance = float(np.linalg.norm(np.subtract(new, old)))
    if distance >= SAME_MM:
        yield f"{what} {show_length(distance, unit, 3)} from where it was".strip()


def _photo(old: Photo, new: Photo, unit: ShownUnit) -> Iterator[str]:
    if old.media != new.media:
        yield "another picture"
    if (old.camera_from_world is None) != (new.camera_from_world is None):
        yield "measured" if old.camera_from_world is None else "no longer measured"
    elif old.camera_from_world is not None and new.camera_from_world is not None:
        was, now = (p.rigid().inverse().shift for p in (old.camera_from_world, new.camera_from_world))
        yield from _moved(was, now, unit, what="camera")
    if (old.shown is None) != (new.shown is None):
        yield "held small" if old.shown is None else "held full size"


def _plate(old: Plate, new: Plate, unit: ShownUnit) -> Iterator[str]:
    if old.outer != new.outer:
        areas = [Outline.of_loop(p.outer).area() / 100 for p in (old, new)]
        yield (
            f"outline changed ({len(new.outer.bulges)} lines and arcs, was {len(old.outer.bulges)}; "
            f"{areas[1]:.1f} cm2, was {areas[0]:.1f})"
        )
    yield from _moved(old.world_from_plate.shift_mm, new.world_from_plate.shift_mm, unit)
    holes = {h.name: h for h in old.holes}
    for hole in new.holes:
        if (was := holes.pop(hole.name, None)) is None:
            yield f"opening {hole.name} added"
        else:
            yield from _moved(was.centre_mm, hole.centre_mm, unit, what=f"opening {hole.name}")
            if was.diameter_mm != hole.diameter_mm:
                yield f"opening {hole.name} another size"
    yield from (f"opening {n} taken out" for n in holes)
    skip = ("outer", "holes", "world_from_plate", "position_covariance_mm2", "findings")
    yield from _fields(old, new, unit, skip=skip)


def _check(old: Check, new: Check, unit: ShownUnit) -> Iterator[str]:
    if old.passes != new.passes:
        yield "PASS, was HOLD" if new.passes else "HOLD, was PASS"
    gaps = {(r.obstacle, r.part): r for r in old.rows}
    for row in new.rows:
        was = gaps.pop((row.obstacle, row.part), None)
        thing = row.obstacle if row.part == "body" else f"{row.obstacle}, {row.part}"
        if was is None:
            yield f"gap to {thing} {show_length(row.gap_mm, unit)}, new"
        elif abs(was.gap_mm - row.gap_mm) >= SAME_MM or was.verdict != row.verdict:
            yield (
                f"gap to {thing} {show_length(row.gap_mm, unit)} ({row.verdict}), "
                f"was {show_length(was.gap_mm, unit)} ({was.verdict})"
            )
    yield from (f"no gap to {thing} any more" for thing, _ in gaps)


def _fields(old: Any, new: Any, unit: ShownUnit, skip: tuple[str, ...] = ()) -> Iterator[str]:
    """Yield each field that differs, with its value and what it was."""
    if type(old) is not type(new):
        yield "another kind of thing"
        return
    for field in type(old).model_fields:
        one, other = getattr(old, field), getattr(new, field)
        if field in skip or one == other:
            continue
        label = _label(field)
        if isinstance(one, float | int | str | None) and isinstance(other, float | int | str | None):
            yield f"{label} {value_words(field, other, unit)}, was {value_words(field, one, unit)}"
        elif isinstance(one, tuple) and isinstance(other, tuple) and len(one) != len(other):
            yield f"{len(other)} {label}, was {len(one)}"
        elif field.endswith("_mm") and _are_places(one, other):
            yield from _moved(one, other, unit, what=label)
        elif one is None or other is None:
            yield f"{label} {'added' if one is None else 'taken out'}"
        else:
            yield f"{label} changed"


def _are_places(one: Any, other: Any) -> bool:
    return all(
        isinstance(p, tuple) and len(p) in (2, 3) and isinstance(p[0], float | int) for p in (one, other)
    )


def _label(field: str) -> str:
    if field == "mm":
        return "length"
    for suffix in ("_mm2", "_mm", "_px", "_deg", "_rad"):
        field = field.removesuffix(suffix)
    return field.replace("_", " ")


def value_words(field: str, value: Any, unit: ShownUnit) -> str:
    """Return a value with its unit, which its field's name ends with."""
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value[:80]
    if field == "mm" or field.endswith("_mm"):
        return f"{round(float(value), 3):g} mm" if unit == "mm" else show_length(float(value), unit, 4)
    suffix = next((s for s in ("px", "deg", "rad") if field.endswith(f"_{s}")), "")
    return f"{value:g} {suffix}".strip()
