"""Operation 30: what is in the way, as tagged and as measured."""

from __future__ import annotations

from elbowroom.app.job import obstacle_size
from elbowroom.app.page.parts import box, findings, text
from elbowroom.app.page.state import Window
from elbowroom.app.page.widgets import SolidView
from elbowroom.app.wording import bare_length
from elbowroom.shared.scene import Obstacle, Scene


def draw(window: Window) -> None:
    """Draw the operation."""
    scene = window.desk.scene()
    if not scene.tags:
        with box("div", "empty"):
            text("h2", "Nothing is tagged yet")
            text("p", "A tag file says what is in the way: outlines and points picked in two photos or more.")
        return
    if scene.obstacles:
        SolidView(window.desk.head(), f"{len(scene.obstacles)} obstacles as solids", None)
    _table(window, scene)
    names = {t.name for t in scene.tags}
    findings(f for f in scene.findings if f.subject in names)


def _table(window: Window, scene: Scene) -> None:
    bodies = {o.name: o for o in scene.obstacles if o.part == "body"}
    with box("div", "scroll", tabindex="0", role="region", aria_label="obstacles"), box("table"):
        text("caption", f"Obstacles in {scene.shown_in}; sides of the smallest box round each")
        with box("thead"), box("tr"):
            for head in ("obstacle", "kind", "class", "clearance", "size", "travel"):
                text("th", head, scope="col")
        with box("tbody"):
            for tag in scene.tags:
                with box("tr"):
                    text("th", tag.name, scope="row")
                    text("td", tag.kind)
                    text("td", "hidden" if tag.hidden else tag.clearance_class)
                    body = bodies.get(tag.name)
                    cells = _measured(window, body, scene) if body else ("", "not measured", "")
                    for cell in cells:
                        text("td", cell)


def _measured(window: Window, body: Obstacle, scene: Scene) -> tuple[str, str, str]:
    media = {d: window.desk.medium(d) for d in body.meshes}
    size = " x ".join(bare_length(s, scene.shown_in) for s in obstacle_size(body, media))
    end = {"none": "", "hinge": " deg", "slide": " mm"}[body.travel_kind]
    travel = f"{body.travel[0]:g} to {body.travel[1]:g}{end}" if end else ""
    return bare_length(body.clearance_mm, scene.shown_in), size, travel
