"""Tag files: parts of a scene typed by hand or written by another tool, as JSON or YAML, and how they join a scene."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import ValidationError

from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Scene, TagFile

MAX_BYTES = 5_000_000
"""Largest tag file read: 50 000 picks are under 3 MB."""

MAX_DEPTH = 40
"""Deepest nesting read; the entities need 9."""

Item = TypeVar("Item")

KINDS: Mapping[str, str] = {
    "batches": "print batch",
    "targets": "target",
    "cards": "card",
    "distances": "distance",
    "faces": "face",
    "features": "feature",
    "tags": "obstacle",
    "intents": "plate",
    "load_cases": "load case",
}
"""The lists of a tag file and what they hold, as a person calls one of it."""

SINGLES: Mapping[str, str] = {
    "datum": "datum",
    "default_side_mm": "default side",
    "default_thickness_mm": "default thickness",
}
"""What a tag file may hold one of."""


def read_tag_file(path: str | Path) -> TagFile:
    """Return the parts of a scene in a JSON or YAML file.

    Raises
    ------
    InputError
        When the file is missing, too large, no JSON or YAML, or an entity in it is not as it must be; the message
        names the entity and field.
    """
    path = Path(path)
    try:
        data = path.read_bytes() if path.stat().st_size <= MAX_BYTES else None
    except OSError as error:
        raise InputError(
            "the tag file can't be read", where=str(path), value=error.strerror, todo="check the name"
        ) from error
    if data is None:
        raise InputError(
            "the tag file is too large",
            where=path.name,
            value=f"{path.stat().st_size} bytes",
            limit=f"{MAX_BYTES} bytes",
        )
    return parse_tags(data, where=path.name)


def parse_tags(data: bytes, *, where: str) -> TagFile:
    """Return the parts of a scene in JSON or YAML bytes; raises as `read_tag_file`."""
    try:
        text = data.decode("utf-8-sig")
        if text.lstrip().startswith("{"):
            plain = json.loads(text, object_pairs_hook=_once)
        else:
            plain = yaml.load(text, Loader=_PlainLoader)
    except UnicodeDecodeError as error:
        raise InputError("not a text file in UTF-8", where=where, todo="save it as UTF-8") from error
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f", line {mark.line + 1}" if mark is not None else ""
        problem = getattr(error, "problem", None) or str(error).splitlines()[0]
        raise InputError(f"not YAML: {problem}", where=f"{where}{line}", todo="mend that line") from error
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"not JSON or YAML: {str(error)[:200]}", where=where, todo="mend it there"
        ) from error
    if not isinstance(plain, dict):
        raise InputError(
            "the tag file is empty"
            if plain is None
            else "a tag file holds named lists (tags, faces, intents ...)",
            where=where,
            value=type(plain).__name__,
        )
    try:
        return TagFile.model_validate(plain)
    except ValidationError as error:
        raise _worded(error, plain, where) from error


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML without anchors: an alias can blow a small file up into a huge one."""

    def _refuse(self, why: str) -> yaml.YAMLError:
        mark = self.peek_event().start_mark  # type: ignore[no-untyped-call]
        return yaml.composer.ComposerError(None, None, why, mark)

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        keys = [k.value for k, _ in node.value]
        twice = next((k for k in keys if keys.count(k) > 1), None)
        if twice is not None:
            raise yaml.constructor.ConstructorError(None, None, f"{twice} is given twice", node.start_mark)
        return super().construct_mapping(node, deep)

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        if self.check_event(yaml.AliasEvent):
            raise self._refuse("aliases (*name) are not read here")
        self._depth = getattr(self, "_depth", 0) + 1
        if self._depth > MAX_DEPTH:
            raise self._refuse("nested too deep")
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return a JSON object; one key given twice is a slip, not a choice."""
    out = dict(pairs)
    if len(out) < len(pairs):
        keys = [k for k, _ in pairs]
        raise ValueError(f"{next(k for k in keys if keys.count(k) > 1)} is given twice")
    return out


def _said(kind: str, message: str) -> str:
    """Return a validation's complaint in a person's words."""
    if kind == "extra_forbidden":
        return "there is no such field"
    if kind == "string_pattern_mismatch":
        return "holds a character that a name can't have (no slashes, no line breaks)"
    if kind in ("float_parsing", "float_type"):
        return "should be a plain number (millimetres, degrees or pixels, without a unit)"
    return message.removeprefix("Value error, ")


def _worded(error: ValidationError, plain: dict[str, Any], where: str) -> InputError:
    """Return the first complaint of a validation in words: which entity, which field, what was there."""
    first = error.errors()[0]
    at: Any = plain
    words = []
    for step in first["loc"]:
        words.append(f"[{step}]" if isinstance(step, int) else str(step))
        try:
            at = at[step]
        except (KeyError, IndexError, TypeError):
            continue  # the union's kind, which stands in the path but not in the file
        if isinstance(at, dict) and isinstance(at.get("name"), str):
            words.append(f"({at['name'][:40]})")
    value = repr(first.get("input"))
    more = f" ({error.error_count() - 1} more)" if error.error_count() > 1 else ""
    return InputError(
        _said(first["type"], first["msg"]) + more,
        where=f"{where}: {' '.join(words)}",
        value=value if len(value) < 80 else value[:77] + "...",
        todo="mend that entry; nothing of the file was taken in",
    )


def merge_tags(scene: Scene, tags: TagFile) -> Scene:
    """Return a scene with a tag file's entities in it: those of the same name (or id) replaced, the rest added.

    Raises
    ------
    InputError
        When the file holds two of one name.
    """
    given = {k: getattr(tags, k) for k in SINGLES}
    update: dict[str, Any] = {k: v for k, v in given.items() if v is not None}
    for field in KINDS:
        what = "target" if field == "targets" else field
        update[field] = _merged(getattr(scene, field), getattr(tags, field), _key, what)
    return scene.model_copy(update=update)


@dataclass(frozen=True)
class TagChanges:
    """What a tag file did to a scene: names (ids of targets) by what they are, as a person calls it."""

    added: Mapping[str, tuple[str, ...]]
    replaced: Mapping[str, tuple[str, ...]]
    unchanged: Mapping[str, tuple[str, ...]]


def tag_changes(before: Scene, tags: TagFile) -> TagChanges:
    """Return what merging a tag file's entities into a scene adds, replaces, and leaves as it was."""
    out: dict[str, dict[str, list[str]]] = {"added": {}, "replaced": {}, "unchanged": {}}
    for field, kind in KINDS.items():
        old = {_key(e): e for e in getattr(before, field)}
        for entity in getattr(tags, field):
            out[_change(old.get(_key(entity)), entity)].setdefault(kind, []).append(str(_key(entity)))
    for field, kind in SINGLES.items():
        if (given := getattr(tags, field)) is not None:
            out[_change(getattr(before, field), given)].setdefault(kind, [])
    return TagChanges(**{how: {k: tuple(v) for k, v in kinds.items()} for how, kinds in out.items()})


def _change(old: object, new: object) -> str:
    if old is None:
        return "added"
    return "unchanged" if old == new else "replaced"


def _key(entity: Any) -> Any:
    """Return what an entity is told apart by: a target's id, else the name."""
    return entity.id if hasattr(entity, "id") else entity.name


def _merged(
    old: Sequence[Item], new: Iterable[Item], key: Callable[[Any], Any], what: str
) -> tuple[Item, ...]:
    out = {key(e): e for e in old}
    fresh: set[Any] = set()
    for entity in new:
        if key(entity) in fresh:
            raise InputError("two of one name", where=f"{what} {key(entity)}", todo="rename one of them")
        fresh.add(key(entity))
        out[key(entity)] = entity
    return tuple(out.values())
