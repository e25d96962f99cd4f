"""The job's traveller: its six operations, each open, held or passed, with what is missing in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from elbowroom.shared.fresh import VOID_CODES, verdict_of
from elbowroom.shared.scene import Scene

Stamp = Literal["open", "hold", "pass"]


@dataclass(frozen=True)
class Operation:
    """One line of the traveller; `missing` is empty once it has passed."""

    number: int
    name: str
    stamp: Stamp
    missing: str = ""


NAMES: Mapping[int, str] = {
    10: "photos",
    20: "frame",
    30: "obstacles",
    40: "plate",
    50: "check",
    60: "files",
}
"""The operations of a job, in tens as a shop numbers them."""


def traveller(scene: Scene, *, written: bool = False) -> list[Operation]:
    """Return where a job stands; `written` says that its files have been written as it is now."""
    stamps: dict[int, Callable[[], tuple[Stamp, str]]] = {
        10: lambda: _photos(scene),
        20: lambda: _frame(scene),
        30: lambda: _obstacles(scene),
        40: lambda: _plate(scene),
        50: lambda: _check(scene),
        60: lambda: _files(scene, written),
    }
    return [Operation(n, name, *stamps[n]()) for n, name in NAMES.items()]


def _photos(scene: Scene) -> tuple[Stamp, str]:
    if not scene.photos:
        return "open", "no photos yet"
    if scene.accuracy is None:
        return "hold", f"{_count(len(scene.photos), 'photo')}, not measured"
    lost = [p.name for p in scene.photos if p.camera_from_world is None]
    if lost:
        return "hold", f"no place found for {_named(lost)}"
    return "pass", ""


def _frame(scene: Scene) -> tuple[Stamp, str]:
    if scene.datum is None:
        return "open", "no plane, direction and origin picked"
    if scene.accuracy is None:
        return "hold", "picked, not measured"
    if scene.accuracy.scale_source == "target sides":
        return "hold", "scale from target sides only: type in a distance, or lay a scale card"
    return "pass", ""


def _obstacles(scene: Scene) -> tuple[Stamp, str]:
    if not scene.tags:
        return "open", "nothing tagged"
    measured = {o.name for o in scene.obstacles}
    missing = [t.name for t in scene.tags if t.name not in measured]
    return ("hold", f"not measured: {_named(missing)}") if missing else ("pass", "")


def _plate(scene: Scene) -> tuple[Stamp, str]:
    if not scene.intents:
        return "open", "no plate asked for"
    made = {p.name: p for p in scene.plates}
    missing = [i.name for i in scene.intents if i.name not in made]
    if missing:
        return "hold", f"not fitted: {_named(missing)}"
    faults = [f.message for p in scene.plates for f in p.findings if f.severity == "fault"]
    return ("hold", faults[0]) if faults else ("pass", "")


def _check(scene: Scene) -> tuple[Stamp, str]:
    if not scene.plates:
        return "open", "no plate to check"
    verdicts = {p.name: verdict_of(scene, p) for p in scene.plates}
    unchecked = [n for n, v in verdicts.items() if v == "NOT CHECKED"]
    if unchecked:
        void = any(f.code in VOID_CODES for f in scene.findings)
        return "hold", f"{'to check again' if void else 'not checked'}: {_named(unchecked)}"
    tight = {
        r.obstacle: None
        for c in scene.checks
        if not c.passes
        for r in c.rows
        if r.verdict in ("tight", "cuts")
    }
    if any(v != "PASS" for v in verdicts.values()):
        return "hold", f"too close: {_named(list(tight))}"
    return "pass", ""


def _files(scene: Scene, written: bool) -> tuple[Stamp, str]:
    if not scene.plates:
        return "open", "no plate to write"
    if any(verdict_of(scene, p) != "PASS" for p in scene.plates):
        return "hold", "a plate has not passed its check"
    return ("pass", "") if written else ("open", "ready to write")


def _count(n: int, what: str) -> str:
    return f"{n} {what}" + ("" if n == 1 else "s")


def _named(names: list[str], most: int = 3) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
