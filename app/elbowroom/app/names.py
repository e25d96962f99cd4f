"""Names that tags and intents use: every one must be there before anything of a tag file is taken in."""

from __future__ import annotations

from collections.abc import Callable

from elbowroom.shared.errors import InputError
from elbowroom.shared.hardware import bolt_sizes, clearance_hole_mm, material
from elbowroom.shared.scene import BoltTag, EdgeTag, FacePlane, HoleTag, Scene


def check_photos(scene: Scene) -> None:
    """Raise InputError when a tag, face, feature, intent or the datum names a photo that is not in the job."""
    names = {p.name for p in scene.photos}
    datum = [scene.datum] if scene.datum else []
    for entity in (*scene.tags, *scene.faces, *scene.features, *scene.intents, *datum):
        for photo in sorted(_named_under("photo", entity.model_dump())):
            if names and photo not in names:
                raise InputError(
                    "names a photo that isn't in the job",
                    where=f"{getattr(entity, 'kind', '')} {getattr(entity, 'name', 'datum')}".strip(),
                    value=photo,
                    limit=f"there are: {', '.join(sorted(names))}"[:300],
                    todo="add the photo, or mend its name",
                )


def check_named(scene: Scene) -> None:
    """Raise InputError when a tag, feature or intent names a thread, face, feature, bolt or bar that isn't there."""
    faces, things = {f.name for f in scene.faces}, {t.name for t in scene.tags}
    features = {f.name for f in scene.features}
    for entity in (*scene.tags, *scene.faces, *scene.features, *scene.intents):
        where = f"{getattr(entity, 'kind', 'plate')} {entity.name}"
        for name in sorted(_named_under("feature", entity.model_dump())):
            check_known(name, features, where, "feature")
    for feature in scene.features:
        if isinstance(feature, HoleTag | EdgeTag):
            check_known(feature.face, faces, f"{feature.kind} {feature.name}", "face")
        if isinstance(feature, EdgeTag):
            check_known(feature.across, features, f"edge {feature.name}", "edge")
    for tag in scene.tags:
        if isinstance(tag, BoltTag):
            _look_up(f"bolt {tag.name}", bolt_sizes, tag.thread)
            check_known(tag.face, faces, f"bolt {tag.name}", "face")
    for intent in scene.intents:
        where = f"plate {intent.name}"
        _look_up(where, material, intent.material)
        if isinstance(intent.plane, FacePlane):
            check_known(intent.plane.face, faces, where, "face")
        for hole in intent.holes:
            check_known(hole.bolt, things, f"{where}, hole {hole.name}", "bolt")
            if hole.thread is not None:
                _look_up(f"{where}, hole {hole.name}", clearance_hole_mm, hole.thread)
        for weld in intent.weld_edges:
            check_known(weld.face, faces, f"{where}, weld edge {weld.name}", "face")
        for slot in intent.slots:
            check_known(slot.over, things, f"{where}, slot {slot.name}", "obstacle")
    _check_loads(scene)


def _check_loads(scene: Scene) -> None:
    """Raise InputError when a load case names a plate, hole or support that no intent asks for."""
    intents = {i.name: i for i in scene.intents}
    for case in scene.load_cases:
        where = f"load case {case.name}"
        check_known(case.plate, set(intents), where, "plate")
        intent = intents[case.plate]
        holes, welds = {h.name for h in intent.holes}, {w.name for w in intent.weld_edges}
        for load in case.loads:
            check_known(load.hole, holes, where, "hole")
        for support in case.supports:
            check_known(support, holes | welds, where, "support")


def check_known(name: str | None, known: set[str], where: str, what: str) -> None:
    """Raise InputError, naming those there are, when a name is not among the known ones; None is no name."""
    if name is not None and name not in known:
        raise InputError(
            f"names {'an' if what[0] in 'aeiou' else 'a'} {what} that isn't tagged",
            where=where,
            value=name,
            limit=f"there are: {', '.join(sorted(known)) or 'none'}",
            todo="tag it, or mend its name",
        )


def _look_up(where: str, look_up: Callable[[str], object], name: str) -> None:
    """Look a name up in the tables; the error says whose it is."""
    try:
        look_up(name)
    except InputError as e:
        raise e.placed(where) from e


def _named_under(key: str, value: object) -> set[str]:
    """Return all strings that stand under a key anywhere in a dumped entity."""
    if isinstance(value, dict):
        own = {value[key]} if isinstance(value.get(key), str) else set()
        return own.union(*(_named_under(key, v) for v in value.values()))
    if isinstance(value, list | tuple):
        return set().union(*(_named_under(key, v) for v in value))
    return set()
