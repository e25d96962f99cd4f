"""Random scenes and random edit histories of them, each edit logged as the thing it touched."""

from __future__ import annotations

import random
from typing import Any

from elbowroom.shared.scene import (
    BoxTag,
    DatumPlane,
    FaceTag,
    HoleIntent,
    PickedPoint,
    PlateIntent,
    PointTag,
    PrintBatch,
    Scene,
    TargetSpec,
    TubeTag,
    TypedDistance,
)

NAMES = ("a", "b", "c", "d", "e", "f")
LISTS = ("batches", "targets", "distances", "faces", "features", "tags", "intents")
SINGLES = ("default_side_mm", "default_thickness_mm", "shown_in", "name")


def point(x: float, y: float = 0.0) -> PickedPoint:
    return PickedPoint(world_mm=(x, y, 1.0))


def entity(field: str, name: str, dice: random.Random) -> Any:
    x = float(dice.randint(1, 3))  # few values, so that both sides make the same edit now and then
    match field:
        case "batches":
            return PrintBatch(name=name, bar_x_mm=100 + x / 10)
        case "targets":
            return TargetSpec(id=NAMES.index(name), side_mm=38 + x)
        case "distances":
            return TypedDistance(name=name, from_target=0, to_target=1, mm=200 + x)
        case "faces":
            return FaceTag(name=name, points=(point(x), point(0, 9), point(9, 9)))
        case "features":
            return PointTag(name=name, point=point(x))
        case "tags" if dice.random() < 0.5:
            return TubeTag(name=name, axis=(point(x), point(50)), diameter_mm=20)
        case "tags":
            return BoxTag(
                name=name, corner=point(0), along_x=point(x), along_y=point(0, 5), along_z=point(1, 1)
            )
        case _:
            hole = HoleIntent(name="pin", at_mm=(x, 0), diameter_mm=10)
            return PlateIntent(name=name, plane=DatumPlane(), thickness_mm=5 + x, holes=(hole,))


def key(thing: Any) -> str:
    return NAMES[thing.id] if isinstance(thing, TargetSpec) else str(thing.name)


def start(dice: random.Random) -> Scene:
    """Return a scene with some of everything."""
    made = {f: tuple(entity(f, n, dice) for n in NAMES if dice.random() < 0.6) for f in LISTS}
    return Scene(default_side_mm=40.0, **made)


def things(scene: Scene) -> dict[tuple[str, str], Any]:
    """Return everything typed into a scene, by field and name."""
    out: dict[tuple[str, str], Any] = {(f, key(e)): e for f in LISTS for e in getattr(scene, f)}
    return out | {(f, ""): getattr(scene, f) for f in SINGLES}


def edited(scene: Scene, dice: random.Random) -> Scene:
    """Return a scene after a random history of 0 to 16 edits: something added, changed or taken out."""
    for _ in range(dice.randint(0, 16)):
        if dice.random() < 0.2:
            field = dice.choice(SINGLES)
            values: dict[str, list[Any]] = {
                "shown_in": ["mm", "in"],
                "name": ["job", "mount", "ram"],
                "default_side_mm": [30.0, 40.0, 50.0],
                "default_thickness_mm": [0.0, 1.0, 2.0],
            }
            scene = scene.model_copy(update={field: dice.choice(values[field])})
            continue
        field, name = dice.choice(LISTS), dice.choice(NAMES)
        rows = {key(e): e for e in getattr(scene, field)}
        if name in rows and dice.random() < 0.3:
            del rows[name]
        else:
            rows[name] = entity(field, name, dice)
        scene = scene.model_copy(update={field: tuple(rows.values())})
    return scene
