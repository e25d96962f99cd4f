"""Operation 30: what is in the way, as tagged and as measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from pydantic import ValidationError

from elbowroom.app.job import Cancelled, Job, Tell, add_tags, obstacle_size, remove_tag
from elbowroom.app.page.desk import Said
from elbowroom.app.page.op_photos import chosen_photo, drawn_address, strip
from elbowroom.app.page.parts import Field, box, button, findings, form, text
from elbowroom.app.page.state import Window
from elbowroom.app.page.widgets import PhotoView, Points, SolidView
from elbowroom.app.wording import bare_length
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import ClearanceClass, Obstacle, PhotoOutline, Scene, TagFile, VolumeTag

CLASSES: tuple[str, ...] = get_args(ClearanceClass)
"""What a thing may be; its clearance follows from it."""


def draw(window: Window) -> None:
    """Draw the operation."""
    scene = window.desk.scene()
    if scene.accuracy is None:
        with box("div", "empty"):
            text("h2", "Measure first")
            text(
                "p",
                "What is in the way is outlined in measured photos: go to 10. A tag file can be taken in before.",
            )
    else:
        _outlining(window, scene)
    if scene.obstacles:
        SolidView(window.desk.head(), f"{len(scene.obstacles)} obstacles as solids", None)
    if scene.tags:
        _table(window, scene)
    findings(f for f in scene.findings if f.code.startswith("tag-"))


def _outlining(window: Window, scene: Scene) -> None:
    """Outline a thing in two photos or more, and name it."""
    chosen, drafts = chosen_photo(window, scene), window.desk.drafts

    def outlined(points: Points) -> None:
        drafts[chosen.name] = PhotoOutline(photo=chosen.name, points_px=tuple(points))
        window.desk.turn += 1
        window.redraw()

    def drop() -> None:
        drafts.clear()
        window.redraw()

    def turn_over() -> None:
        window.known = not window.known
        window.redraw()

    with box("section", "film"):
        text("h2", "Outline what is in the way")
        text(
            "p",
            "Click round the thing, on its edge or just outside, and close at the first point (or Enter). "
            "Two photos from well apart are the least; three to six from all round hold it tighter.",
            "hint",
        )
        strip(window, scene, chosen)
        mine = [drafts[chosen.name]] if chosen.name in drafts else []
        drawn = drawn_address(window, scene, chosen)
        PhotoView(chosen, drawn=drawn if window.known else None, drafts=mine, outlined=outlined)
        if drawn:
            button("Plain photo" if window.known else "Draw in what is known", turn_over, "small")
        if drafts:
            text("p", f"Outlined in {', '.join(drafts)}; not saved before it is named.", "drafted")
            _naming(window)
            button("Drop these outlines", drop, "small")


def _naming(window: Window) -> None:
    drafts = window.desk.drafts

    async def sent(given: dict[str, str]) -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> object:
            tag = outlined_tag(given["name"], given["class"], list(drafts.values()), job.file.scene())
            done = add_tags(job, TagFile(tags=(tag,)), f"outlined {tag.name}")
            drafts.clear()
            return done

        await window.run(
            "measuring the outlines", work, done=lambda _: Said("done", f"{given['name']} is measured")
        )

    form("Keep it", sent, (Field("name", "name of the thing"), Field("class", "it is", choices=CLASSES)))


def outlined_tag(name: str, its_class: str, outlines: Sequence[PhotoOutline], scene: Scene) -> VolumeTag:
    """Return a new volume tag from outlines.

    Raises
    ------
    InputError
        When the name is none or taken, the class is unknown, or fewer than two photos are outlined.
    """
    if any(t.name == name for t in scene.tags):
        raise InputError("the name is taken", where="obstacle", value=name, todo="give it another")
    if len(outlines) < 2:
        raise InputError(
            "outlined in one photo only", where=name, limit="two or more", todo="outline it in another photo"
        )
    try:
        return VolumeTag.model_validate(
            {"name": name, "clearance_class": its_class, "outlines": tuple(outlines)}
        )
    except ValidationError as error:
        raise InputError(
            f"can't be kept: {error.errors()[0]['msg']}",
            where=name or "obstacle",
            todo="give it a name and a class",
        ) from error


def _table(window: Window, scene: Scene) -> None:
    bodies = {o.name: o for o in scene.obstacles if o.part == "body"}
    with box("div", "scroll", tabindex="0", role="region", aria_label="obstacles"), box("table"):
        text("caption", f"Obstacles in {scene.shown_in}; sides of the smallest box round each")
        with box("thead"), box("tr"):
            for head in ("obstacle", "kind", "class", "clearance", "size", "travel", ""):
                text("th", head, scope="col")
        with box("tbody"):
            for tag in scene.tags:
                with box("tr"):
                    text("th", tag.name, scope="row")
                    text("td", tag.kind)
                    text("td", tag.clearance_class)
                    body = bodies.get(tag.name)
                    cells = _measured(window, body, scene) if body else ("", "not measured", "")
                    for cell in cells:
                        text("td", cell)
                    with box("td"):
                        _delete_button(window, tag.name)


def _delete_button(window: Window, name: str) -> None:
    async def delete() -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> Scene:
            return remove_tag(job, name)

        await window.run(
            f"deleting {name}", work, done=lambda _: Said("done", f"{name} is deleted; Undo brings it back")
        )

    button("Delete", delete, "link", aria_label=f"delete {name}", data_key=f"delete {name}")


def _measured(window: Window, body: Obstacle, scene: Scene) -> tuple[str, str, str]:
    media = {d: window.desk.medium(d) for d in body.meshes}
    size = " x ".join(bare_length(s, scene.shown_in) for s in obstacle_size(body, media))
    end = {"none": "", "hinge": " deg", "slide": " mm"}[body.travel_kind]
    travel = f"{body.travel[0]:g} to {body.travel[1]:g}{end}" if end else ""
    return bare_length(body.clearance_mm, scene.shown_in), size, travel
