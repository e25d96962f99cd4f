"""A result stands only as long as what it was computed from: what an edit of the scene makes void."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from elbowroom.shared.errors import Finding
from elbowroom.shared.scene import PickedPoint, Plate, PlateIntent, PointsPlane, PointTag, Scene

VOID_CODES = ("plate-void", "check-void")
"""Codes of findings that last until the plate is fitted, or checked, again."""

MEASURED_FROM = (
    "batches",
    "default_side_mm",
    "default_thickness_mm",
    "targets",
    "cards",
    "distances",
    "known_lenses",
    "datum",
)
"""Fields of the scene, besides its photos and points in the network, that every measured millimetre hangs on."""


def measurement_holds(before: Scene, after: Scene) -> bool:
    """Return whether what was measured before an edit still stands after it."""
    same = all(getattr(before, f) == getattr(after, f) for f in MEASURED_FROM)
    return before.accuracy is not None and same and _network_points(before) == _network_points(after)


def _network_points(scene: Scene) -> dict[str, PointTag]:
    """Return the points that take part in the network, by name: their order doesn't matter."""
    return {t.name: t for t in scene.features if isinstance(t, PointTag) and t.in_network}


def without_stale(before: Scene, after: Scene) -> Scene:
    """Return an edited scene without the results that its edits have made void, and a finding that says which.

    Sizes, scale or datum changed: everything measured goes. Obstacles or faces changed: the checks go, plates stay to
    be checked again. A plate's intent changed, or a feature it names: that plate goes. History keeps all of it.
    """
    if before.accuracy is not None and not measurement_holds(before, after):
        return unmeasured(after)
    changed = {
        i.name for i in (*before.intents, *after.intents) if (i in before.intents) != (i in after.intents)
    }
    moved = {f.name for f in before.measured_features if f not in after.measured_features}
    changed |= {i.name for i in after.intents if moved & {p.feature for p in points_of(i)}}
    plates = tuple(p for p in after.plates if p.name not in changed)
    kept = {p.name for p in plates}
    if (before.obstacles, before.measured_faces) != (after.obstacles, after.measured_faces):
        kept = set()
    checks = tuple(c for c in after.checks if c.plate in kept)
    gone = [p.name for p in after.plates if p.name in changed]
    findings = without_void(after.findings, {*changed, *(c.plate for c in after.checks)})
    findings += tuple(void("plate-void", n, "its intent has changed; fit it again") for n in gone)
    loose = [c.plate for c in after.checks if c.plate not in kept and c.plate not in changed]
    findings += tuple(
        void("check-void", n, "what it was checked against has changed; check it again") for n in loose
    )
    return after.model_copy(update={"plates": plates, "checks": checks, "findings": findings})


def points_of(intent: PlateIntent) -> list[PickedPoint]:
    """Return the points a plate's place and holes hang on."""
    plane = intent.plane.points if isinstance(intent.plane, PointsPlane) else ()
    return [*plane, *(h.point for h in intent.holes if h.point is not None)]


def without_void(findings: Iterable[Finding], plates: Collection[str]) -> tuple[Finding, ...]:
    """Return findings without those that call these plates or their checks void: they are made anew."""
    return tuple(f for f in findings if f.code not in VOID_CODES or f.subject not in plates)


def unmeasured(scene: Scene) -> Scene:
    """Return a scene without anything measured, and with the finding that asks for it anew."""
    photos = tuple(
        p.model_copy(update={"camera_from_world": None, "rms_px": None, "refocus": 0.0, "targets_missed": ()})
        for p in scene.photos
    )
    empty: dict[str, object] = dict.fromkeys(
        (
            "measured",
            "measured_prints",
            "measured_faces",
            "measured_features",
            "obstacles",
            "plates",
            "checks",
        ),
        (),
    )
    void = Finding(
        code="measure-again",
        severity="fault",
        subject=scene.name,
        message="sizes, bars, distances, the datum or points in the network have changed: what was measured with the old ones is void, plates "
        "and checks with it. Measure the job again.",
    )
    return scene.model_copy(
        update={**empty, "photos": photos, "accuracy": None, "network": None, "findings": (void,)}
    )


def void(code: str, plate: str, why: str) -> Finding:
    """Return the finding that a plate or its check no longer stands."""
    return Finding(code=code, severity="warning", subject=plate, message=f"plate {plate}: {why}")


def verdict_of(scene: Scene, plate: Plate) -> str:
    """Return what the clearance check says of a plate as it is now: PASS, HOLD and why, or NOT CHECKED."""
    check = next((c for c in scene.checks if c.plate == plate.name), None)
    if check is None:
        return "NOT CHECKED"
    if check.passes:
        return "PASS"
    bad = [r.obstacle for r in check.rows if r.verdict in ("tight", "cuts")]
    return f"HOLD ({', '.join(dict.fromkeys(bad))})"
