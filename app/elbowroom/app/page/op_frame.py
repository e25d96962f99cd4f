"""Operation 20: the frame the job lies in, and how good the measurement is."""

from __future__ import annotations

from collections.abc import Mapping

from elbowroom.app.job import Cancelled, Job, Tell, add_tags
from elbowroom.app.page.desk import Said
from elbowroom.app.page.parts import Field, box, facts, findings, form, text
from elbowroom.app.page.state import Window
from elbowroom.app.wording import accuracy_words, sentence
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Datum, PickedPoint, Scene, TagFile, TypedDistance
from elbowroom.shared.units import InputUnit, parse_length, show_length


def draw(window: Window) -> None:
    """Draw the operation."""
    scene = window.desk.scene()
    with box("div", "columns"):
        with box("section"):
            text("h2", "How good it is")
            _accuracy(scene)
        with box("section"):
            text("h2", "Plane, direction, origin")
            _datum(scene.datum)
        with box("section"):
            text("h2", "What sets the scale")
            _scale(scene)
            _distance_form(window, scene)
        findings(f for f in scene.findings if f.severity != "note")


def _accuracy(scene: Scene) -> None:
    if scene.accuracy is None:
        text("p", "Not measured yet: go to 10 and measure.", "hint")
        return
    text("p", sentence(accuracy_words(scene.accuracy)), "accuracy")
    a = scene.accuracy
    facts(
        [
            ("a target's centre, 19 in 20 within", show_length(2 * a.typical_sd_mm, scene.shown_in, 3)),
            ("over one metre, scale may be off by", show_length(2000 * a.scale_sd, scene.shown_in, 3)),
            ("sightings used", str(a.observations)),
            ("sightings left out as wrong", str(a.rejected)),
        ]
    )


def _datum(datum: Datum | None) -> None:
    if datum is None:
        text("p", "None yet: the job lies in a frame of the photos' own. A tag file sets it.", "hint")
        return
    facts(
        [
            (f"plane, its normal is {datum.normal_is}", "; ".join(_point(p) for p in datum.plane)),
            (
                f"direction {datum.direction_is}",
                f"from {_point(datum.direction[0])} to {_point(datum.direction[1])}",
            ),
            ("origin", _point(datum.origin)),
        ]
    )


def _point(point: PickedPoint) -> str:
    if point.target is not None:
        return f"target {point.target}"
    if point.feature is not None:
        return point.feature
    if point.world_mm is not None:
        return ", ".join(f"{v:g}" for v in point.world_mm)
    return f"picked in {', '.join(p.photo for p in point.picks)}"


def _scale(scene: Scene) -> None:
    rows = [(f"card {c.name}", f"{len(c.targets)} targets at a known pitch") for c in scene.cards]
    rows += [
        (
            f"distance {d.name}",
            f"targets {d.from_target} to {d.to_target}: {show_length(d.mm, scene.shown_in)}",
        )
        for d in scene.distances
    ]
    if not rows:
        text("p", "Neither a scale card nor a typed distance: only the printed size of the targets.", "hint")
    facts(rows)


def _distance_form(window: Window, scene: Scene) -> None:
    """Take a distance between two targets, measured by hand; the job wants measuring again after it."""

    async def sent(given: dict[str, str]) -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> object:
            distance = distance_of(given, scene.shown_in)
            return add_tags(job, TagFile(distances=(distance,)), f"distance {distance.name}")

        await window.run(
            "typing in a distance", work, done=lambda _: Said("done", "typed in; measure again at 10")
        )

    text("p", "A distance between two target centres, from calipers or tape:", "hint")
    fields = (
        Field("from", "from target"),
        Field("to", "to target"),
        Field("length", f"length ({scene.shown_in} if no unit)"),
        Field("sd", "good to +/- (19 in 20)", "0.2 mm"),
    )
    form("Type it in", sent, fields)


def distance_of(given: Mapping[str, str], unit: InputUnit) -> TypedDistance:
    """Return a typed distance from what a form gave.

    Raises
    ------
    InputError
        When a target is no whole number, both are the same, or a length can't be read.
    """
    ends = [given["from"], given["to"]]
    for end in ends:
        if not (end.isascii() and end.isdigit()) or ends[0] == ends[1]:
            raise InputError(
                "a distance runs between two different targets",
                where="distance",
                value=" to ".join(ends),
                limit="numbers as printed beside the targets",
                todo="type in both",
            )
    mm, good = parse_length(given["length"], unit), parse_length(given["sd"], unit)
    if not (mm > 0 and good > 0):
        raise InputError("a distance and its doubt have some length", where="distance", todo="type in both")
    return TypedDistance(
        name=f"{ends[0]} to {ends[1]}",
        from_target=int(ends[0]),
        to_target=int(ends[1]),
        mm=mm,
        sd_mm=good / 2,
    )
