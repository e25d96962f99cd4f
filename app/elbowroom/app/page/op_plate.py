"""Operation 40: the plate, flat and solid."""

from __future__ import annotations

from elbowroom.app.job import Cancelled, Job, Tell, fit_job
from elbowroom.app.page.desk import Desk, Said
from elbowroom.app.page.op_photos import drawn_photo
from elbowroom.app.page.parts import box, button, drawing, facts, findings, text
from elbowroom.app.page.state import Window
from elbowroom.app.page.widgets import SolidView
from elbowroom.shared.fresh import verdict_of
from elbowroom.shared.outline import Outline
from elbowroom.shared.scene import Plate, Scene
from elbowroom.shared.units import show_length


def draw(window: Window) -> None:
    """Draw the operation."""
    scene = window.desk.scene()
    if not scene.intents:
        with box("div", "empty"):
            text("h2", "No plate is asked for yet")
            text(
                "p",
                "A tag file's intents say where it lies, how thick it is, and which holes and welds it needs.",
            )
        return
    with box("div", "actions"):
        _fit_button(window, scene)
    for plate in scene.plates:
        with box("section", "plate"):
            text("h2", plate.name)
            drawing(flat_pattern(window.desk, scene, plate), "flat")
            _facts(scene, plate)
            findings(plate.findings)
    if scene.plates and scene.photos:
        with box("section", "film"):
            text("h2", "In your photos")
            drawn_photo(window, scene)
    if scene.plates:
        SolidView(window.desk.head(), f"{len(scene.plates)} plates among {len(scene.obstacles)} obstacles")
    findings(f for f in scene.findings if f.subject in {i.name for i in scene.intents})


def _fit_button(window: Window, scene: Scene) -> None:
    async def start() -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> list[Plate]:
            return fit_job(job, tell=tell)

        await window.run("fitting", work, done=lambda _: Said("done", "fitted"))

    button("Fit again" if scene.plates else "Fit", start, "primary")


def flat_pattern(desk: Desk, scene: Scene, plate: Plate) -> str:
    """Return a plate's flat pattern as the exported SVG draws it, for the page's own colours."""
    from elbowroom.export import write_svg

    path = desk.folder("flat") / "flat.svg"
    write_svg(plate, path, verdict=verdict_of(scene, plate))
    text = path.read_text(encoding="utf-8")
    return text[text.index("<svg") :]


def _facts(scene: Scene, plate: Plate) -> None:
    left, low, right, high = Outline.of_loop(plate.outer).bounds()
    unit = scene.shown_in
    facts(
        [
            ("size", f"{show_length(right - left, unit)} x {show_length(high - low, unit)}"),
            ("thickness", show_length(plate.thickness_mm, unit)),
            ("material", plate.material),
            ("outline", f"{len(plate.outer.bulges)} lines and arcs"),
            ("openings", ", ".join(_opening(scene, plate, n) for n in range(len(plate.holes))) or "none"),
            ("clearance check", verdict_of(scene, plate)),
        ]
    )


def _opening(scene: Scene, plate: Plate, n: int) -> str:
    hole = plate.holes[n]
    return (
        hole.name
        if hole.diameter_mm is None
        else f"{hole.name} {show_length(hole.diameter_mm, scene.shown_in)}"
    )
