"""Three-way merging of what people type into a scene: entity by entity, by name, with what both changed listed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from elbowroom.shared.scene import Conflict, Photo, Scene

RESULTS = (
    "lenses",
    "measured",
    "measured_prints",
    "accuracy",
    "network",
    "measured_faces",
    "measured_features",
    "obstacles",
    "plates",
    "checks",
    "findings",
    "conflicts",
)
"""Fields of the scene that are computed from the others; all the rest is what people gave."""

PHOTO_GIVEN = ("name", "media", "width_px", "height_px", "orientation", "lens", "exposure")
PHOTO_RESULTS = tuple(f for f in Photo.model_fields if f not in PHOTO_GIVEN)
"""Fields of a photo that come with it, and those that measuring (or sending a copy) writes into it."""

NOT_MERGED = ("schema_version", *RESULTS)

WORDS = {
    "batches": "print batch",
    "targets": "target",
    "cards": "card",
    "distances": "distance",
    "photos": "photo",
    "lenses": "lens",
    "known_lenses": "lens kept from another job",
    "faces": "face",
    "features": "feature",
    "tags": "obstacle",
    "intents": "plate asked for",
    "load_cases": "load case",
    "plates": "plate",
    "checks": "check of plate",
    "measured": "measured target",
    "measured_prints": "measured print batch",
    "measured_faces": "measured face",
    "measured_features": "measured feature",
    "obstacles": "measured obstacle",
    "name": "the job's name",
    "shown_in": "unit shown",
    "datum": "datum",
    "default_side_mm": "default side",
    "default_thickness_mm": "default thickness",
}
"""What a person calls a field of the scene, or one entity of it."""

Versions = tuple[Any, Any, Any, Any]
"""One thing as mine, theirs, and each copy's common revision have it; None where it is not there."""


def key_of(entity: Any) -> str:
    """Return what an entity is told apart by, as text: a target's id, a check's plate, else its name."""
    for field in ("id", "name", "plate", "batch"):
        if hasattr(entity, field):
            return str(getattr(entity, field))
    return str(entity.lens.name) if hasattr(entity, "lens") else canonical(entity)


def called(field: str, key: str = "") -> str:
    """Return what a person calls a field, or an entity of it."""
    return f"{WORDS.get(field, field.replace('_', ' '))} {key}".strip()


def keyed(entities: Iterable[Any]) -> dict[str, Any]:
    """Return entities by what they are told apart by; a second of one name is told apart by a number."""
    out: dict[str, Any] = {}
    for entity in entities:
        key, n = key_of(entity), 1
        while (name := key if n == 1 else f"{key} ({n})") in out:
            n += 1
        out[name] = entity
    return out


def canonical(value: Any) -> str:
    """Return a text that is the same for equal values, to choose by when neither side may come first."""
    plain = value.model_dump(mode="json") if hasattr(value, "model_dump") else value
    return json.dumps(plain, sort_keys=True)


def as_given(entity: Any) -> Any:
    """Return an entity as people gave it: a photo without its measured place and without its small picture."""
    if isinstance(entity, Photo):
        return entity.model_copy(update={f: Photo.model_fields[f].default for f in PHOTO_RESULTS})
    return entity


def given_fields() -> list[str]:
    """Return the fields of the scene that people gave."""
    return [f for f in Scene.model_fields if f not in NOT_MERGED]


def merge_given(mine: Scene, theirs: Scene, base: Scene, their_base: Scene) -> tuple[Scene, list[Conflict]]:
    """Return mine with everything given merged in, and what both changed; results are left as mine has them."""
    update: dict[str, Any] = {}
    conflicts: list[Conflict] = []
    for field in given_fields():
        versions = tuple(getattr(s, field) for s in (mine, theirs, base, their_base))
        if isinstance(versions[0], tuple):
            update[field] = _merge_lists(field, versions, conflicts)
        else:
            update[field] = _merge_one(field, "", versions, conflicts)
    return mine.model_copy(update=update), conflicts


def merge_lists(field: str, versions: Sequence[Any], conflicts: list[Conflict]) -> tuple[Any, ...]:
    """Return lists of entities merged by name; conflicts are added to those given."""
    return _merge_lists(field, versions, conflicts)


def _merge_lists(field: str, versions: Sequence[Any], conflicts: list[Conflict]) -> tuple[Any, ...]:
    mine, theirs, base, their_base = (
        {k: as_given(e) for k, e in keyed(entities).items()} for entities in versions
    )
    chosen: dict[str, Any] = {}
    for key in _order(mine, theirs, base):
        four = (mine.get(key), theirs.get(key), base.get(key), their_base.get(key))
        made = _merge_one(field, key, four, conflicts)
        if made is not None:
            chosen[key] = made
    return tuple(chosen.values())


def _order(mine: Mapping[str, Any], theirs: Mapping[str, Any], base: Mapping[str, Any]) -> list[str]:
    """Return all keys, the same whoever is mine: the order of the one side that has a new one, else what each added last."""
    orders = [list(side) for side in (mine, theirs) if list(side) != list(base)]
    if len(orders) == 1 or orders[:1] == orders[1:]:
        return list(dict.fromkeys([*(orders[0] if orders else base), *base]))
    added = [{k: e for k, e in side.items() if k not in base} for side in (mine, theirs)]
    added.sort(key=lambda new: canonical([canonical(e) for e in new.values()]))
    return list(dict.fromkeys([*base, *added[0], *added[1]]))


def _merge_one(field: str, key: str, versions: Versions, conflicts: list[Conflict]) -> Any:
    """Return the version to keep of one thing; where both changed it, mine, and theirs goes into a conflict."""
    mine, theirs, base, their_base = versions
    if mine == theirs or theirs == their_base:
        return mine
    if mine == base:
        return theirs
    conflicts.append(
        Conflict(
            field=field,
            name=key[:80],
            message=f"{called(field, key)}: {_did(base, mine)} here, {_did(their_base, theirs)} in the other copy",
            mine=None if mine is None else canonical(mine),
            theirs=None if theirs is None else canonical(theirs),
        )
    )
    return mine


def _did(base: Any, now: Any) -> str:
    if now is None:
        return "taken out"
    return "added" if base is None else "changed"


def merge_sets(mine: Sequence[Any], theirs: Sequence[Any], base: Sequence[Any]) -> tuple[Any, ...]:
    """Return what is in both lists, or was added by one: whole values, none of which can be in conflict."""
    sides = [{canonical(v): v for v in values} for values in (mine, theirs, base)]
    one, other, before = sides
    order = _order(*({k: k for k in side} for side in sides))
    everything = one | other
    return tuple(
        everything[k] for k in order if (k in one and k in other) or (k in everything and k not in before)
    )
