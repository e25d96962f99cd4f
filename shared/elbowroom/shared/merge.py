"""Merging two changed copies of a scene by their common revision.

What people gave (tags, sizes, intents, photos) is merged entity by entity. What was computed is kept only from a copy
whose inputs are those of the merged scene, by the rules of `fresh`; the rest is void and said to be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.fresh import MEASURED_FROM, points_of, unmeasured, void
from elbowroom.shared.scene import Check, Conflict, Photo, Plate, PlateIntent, Scene
from elbowroom.shared.threeway import PHOTO_RESULTS, canonical, keyed, merge_given, merge_lists, merge_sets

Item = TypeVar("Item")

FRAME = ("measured", "measured_prints", "accuracy", "network")
"""Results of measuring the photos, besides the photos' own and the lenses."""

TAGGED = ("measured_faces", "measured_features", "obstacles")
TAGGED_FROM = ("faces", "features", "tags")
"""Results of measuring the tags, and the tags."""


@dataclass(frozen=True)
class Merged:
    """Two scenes made one: what both changed, each its own way, and whether the tags want measuring in one frame."""

    scene: Scene
    conflicts: tuple[Conflict, ...]
    tags_void: bool


def merge_scenes(base: Scene, mine: Scene, theirs: Scene, *, their_base: Scene | None = None) -> Merged:
    """Return two changed copies of a scene as one.

    Without conflicts the result is the same whichever copy is `mine`. With some, mine stays in place and theirs is kept
    among the scene's conflicts.

    Parameters
    ----------
    base : Scene
        The common revision, as my copy holds it.
    mine, theirs : Scene
        The two copies as they are now.
    their_base : Scene, optional
        The common revision as their copy holds it, when that differs (a copy made to be sent leaves things out).
    """
    sides = _Sides(mine, theirs, base, their_base or base)
    given, conflicts = merge_given(mine, theirs, base, sides.their_base)
    framed, frame_sides = _framed(given, sides)
    tagged, tag_sides, tags_void = _tagged(framed, frame_sides, sides)
    out = _with_plates(tagged, frame_sides, tag_sides, sides, conflicts)
    kept = merge_sets(mine.conflicts, theirs.conflicts, base.conflicts)
    new = tuple(c for c in conflicts if c not in kept)
    return Merged(out.model_copy(update={"conflicts": (*kept, *new)}), tuple(conflicts), tags_void)


@dataclass(frozen=True)
class _Sides:
    mine: Scene
    theirs: Scene
    base: Scene
    their_base: Scene

    def choose(self, valid: Sequence[Scene], of: Callable[[Scene], Item]) -> Item:
        """Return the version of a result to keep among the valid sides': the one that is new, else by its content."""
        fresh = [s for s in valid if canonical(of(s)) != canonical(of(self._before(s)))] or list(valid)
        return min((of(s) for s in fresh), key=canonical)

    def _before(self, side: Scene) -> Scene:
        return self.base if side is self.mine else self.their_base


def _framed(given: Scene, sides: _Sides) -> tuple[Scene, list[Scene]]:
    """Return the merged scene with a measured frame that holds for it, and the sides that have this very frame."""
    both = (sides.mine, sides.theirs)
    valid = [s for s in both if s.accuracy is not None and _same(MEASURED_FROM, s, given)]
    if not valid:
        blank = dict.fromkeys((*FRAME, *TAGGED, "checks"), ())
        bare = given.model_copy(update={**blank, "accuracy": None, "network": None, "findings": ()})
        bare = bare.model_copy(update={"lenses": _lenses(both, sides), "photos": _shown(bare.photos, both)})
        was = any(s.accuracy is not None for s in (*both, sides.base))
        return (unmeasured(bare) if was else bare), []
    most = max(_placed(s) for s in valid)
    frame = sides.choose([s for s in valid if _placed(s) == most], _frame_of)
    chosen = next(s for s in valid if _frame_of(s) == frame)
    update = {f: getattr(chosen, f) for f in FRAME}
    lenses = {n.name: n for n in _lenses(both, sides)} | {n.name: n for n in chosen.lenses}
    update["lenses"] = tuple(lenses[k] for k in sorted(lenses))
    placed = {p.name: p for p in chosen.photos}
    results = ("lens", *PHOTO_RESULTS)
    photos = tuple(
        p.model_copy(update={f: getattr(placed[p.name], f) for f in results})
        if p.name in placed and placed[p.name].media == p.media
        else p
        for p in given.photos
    )
    update["photos"] = _shown(photos, both)
    return given.model_copy(update=update), [s for s in valid if _frame_of(s) == frame]


def _frame_of(scene: Scene) -> dict[str, Any]:
    """Return all that measuring the photos gave, in a form that compares."""
    places = {p.name: canonical(p.camera_from_world) for p in scene.photos if p.camera_from_world}
    lenses = {n.name: canonical(n) for n in scene.lenses if n.covariance}
    frame = {f: canonical([canonical(v) for v in getattr(scene, f)]) for f in FRAME[:2]}
    whole = {"accuracy": canonical(scene.accuracy), "network": scene.network}
    return {**frame, **whole, "places": places, "lenses": lenses}


def _placed(scene: Scene) -> int:
    return sum(p.camera_from_world is not None for p in scene.photos)


def _lenses(both: Sequence[Scene], sides: _Sides) -> tuple[Any, ...]:
    """Return the lenses of both sides by name; where they differ the new one."""
    names = sorted({n.name for s in both for n in s.lenses})

    def lens(name: str) -> Callable[[Scene], Any]:
        return lambda scene: next((n for n in scene.lenses if n.name == name), None)

    return tuple(sides.choose([s for s in both if lens(n)(s) is not None], lens(n)) for n in names)


def _shown(photos: Sequence[Photo], both: Sequence[Scene]) -> tuple[Photo, ...]:
    """Return photos with the small picture of a copy only where no copy holds the photo's own bytes as it is."""
    out = []
    for photo in photos:
        there = [p for s in both for p in s.photos if p.name == photo.name and p.media == photo.media]
        small = None if any(p.shown is None for p in there) else min(str(p.shown) for p in there)
        out.append(photo.model_copy(update={"shown": small}))
    return tuple(out)


def _same(fields: Sequence[str], one: Scene, other: Scene) -> bool:
    """Return whether two scenes agree in some fields, whatever the order of their lists."""
    for field in fields:
        a, b = getattr(one, field), getattr(other, field)
        if (keyed(a) != keyed(b)) if isinstance(a, tuple) else (a != b):
            return False
    return True


def _tagged(framed: Scene, frame_sides: list[Scene], sides: _Sides) -> tuple[Scene, list[Scene], bool]:
    """Return the scene with what its tags measured to, the sides that agree, and whether they want measuring anew."""
    valid = [s for s in frame_sides if _same(TAGGED_FROM, s, framed)]
    if not valid:
        bare = framed.model_copy(update=dict.fromkeys(TAGGED, ()))
        asked = bool(framed.faces or framed.features or framed.tags)
        return bare, [], asked and framed.accuracy is not None
    group = sides.choose(valid, _group_of)
    agree = [s for s in valid if _group_of(s) == group]
    first = min(agree, key=lambda s: canonical([canonical(o) for f in TAGGED for o in getattr(s, f)]))
    return framed.model_copy(update={f: getattr(first, f) for f in TAGGED}), agree, False


def _group_of(scene: Scene) -> list[dict[str, str]]:
    return [{k: canonical(e) for k, e in keyed(getattr(scene, f)).items()} for f in TAGGED]


def _with_plates(
    tagged: Scene, frame_sides: list[Scene], tag_sides: list[Scene], sides: _Sides, conflicts: list[Conflict]
) -> Scene:
    """Return the scene with the plates and checks that still stand, and findings of those that don't."""
    both = (sides.mine, sides.theirs)
    intents = {i.name: i for i in tagged.intents}
    fitted = {i.name for s in (*both, sides.base, sides.their_base) for i in s.intents}
    drawn = [
        tuple(p for p in s.plates if p.name not in fitted)
        for s in (sides.mine, sides.theirs, sides.base, sides.their_base)
    ]
    plates: dict[str, Any] = {p.name: p for p in merge_lists("plates", drawn, conflicts)}
    checks: list[Any] = []
    told: list[Finding] = []
    for name in [n for n in intents if any(_plate_of(s, n) for s in both)]:
        valid = [
            s
            for s in frame_sides
            if _plate_of(s, name) and _stands(intents[name], s, tagged, bool(tag_sides))
        ]
        if valid:
            plates[name] = sides.choose(valid, partial(_plate_of, name=name))
        elif tagged.accuracy is not None:
            told.append(void("plate-void", name, "the two copies together ask for another; fit it again"))
    for name, plate in plates.items():
        known = [s for s in both if _check_of(s, name)]
        holds = [s for s in known if s in tag_sides and _plate_of(s, name) == plate]
        if holds:
            checks += [sides.choose(holds, lambda s, n=name: _check_of(s, n))]  # type: ignore[misc]
        elif known:
            told.append(void("check-void", name, "the two copies are merged; check it again"))
    findings = _findings(tagged, frame_sides, sides, {c.plate for c in checks})
    said = {(f.code, f.subject) for f in findings}
    return tagged.model_copy(
        update={
            "plates": tuple(plates.values()),
            "checks": tuple(checks),
            "findings": (*findings, *(f for f in told if (f.code, f.subject) not in said)),
        }
    )


def _stands(intent: PlateIntent, side: Scene, tagged: Scene, tags_known: bool) -> bool:
    """Return whether a plate fitted in a side stands in the merged scene: same intent, features where they were."""
    if intent not in side.intents:
        return False
    used = {p.feature for p in points_of(intent) if p.feature is not None}
    if not used or not tags_known:
        return not used
    now, then = (keyed(s.measured_features) for s in (tagged, side))
    return all(now.get(n) == then.get(n) for n in used)


def _findings(
    tagged: Scene, frame_sides: list[Scene], sides: _Sides, checked: set[str]
) -> tuple[Finding, ...]:
    """Return the findings that hold of the merged scene: those of its frame, voids of plates not made anew."""
    both = [sides.mine, sides.theirs]
    if tagged.findings:  # everything measured is void, and that is all there is to say
        return tagged.findings
    if len(frame_sides) != 1:
        found = merge_sets(*(s.findings for s in (*both, sides.base)))
    else:
        found = frame_sides[0].findings
    plates = {p.name for p in tagged.plates}
    undone = {"plate-void": lambda n: n not in plates, "check-void": lambda n: n in plates - checked}
    return tuple(f for f in found if f.code not in undone or undone[f.code](f.subject))


def _plate_of(scene: Scene, name: str) -> Plate | None:
    return next((p for p in scene.plates if p.name == name), None)


def _check_of(scene: Scene, name: str) -> Check | None:
    return next((c for c in scene.checks if c.plate == name), None)


def settled(scene: Scene, number: int, *, theirs: bool) -> Scene:
    """Return a scene with one of its conflicts settled: theirs put in mine's place, or mine left as it is.

    Raises
    ------
    InputError
        When there is no conflict of that number (they count from 1), or the field no longer is what it was.
    """
    if not 1 <= number <= len(scene.conflicts):
        raise InputError(
            "no such conflict",
            where=scene.name,
            value=number,
            limit=f"there are {len(scene.conflicts)}",
            todo="see `elbowroom settle JOB`",
        )
    conflict = scene.conflicts[number - 1]
    rest = tuple(c for n, c in enumerate(scene.conflicts, 1) if n != number)
    plain = scene.model_dump(mode="json") | {"conflicts": [c.model_dump(mode="json") for c in rest]}
    if theirs:
        plain[conflict.field] = _replaced(scene, plain, conflict)
    return Scene.model_validate(plain)


def _replaced(scene: Scene, plain: dict[str, Any], conflict: Conflict) -> Any:
    """Return a field's plain value with a conflict's other version in it."""
    import json

    new = None if conflict.theirs is None else json.loads(conflict.theirs)
    if not isinstance(getattr(scene, conflict.field, None), tuple):
        return new
    rows = dict(zip(keyed(getattr(scene, conflict.field)), plain[conflict.field], strict=True))
    if new is None:
        rows.pop(conflict.name, None)
    else:
        rows[conflict.name] = new
    return list(rows.values())
