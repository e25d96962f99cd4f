"""Operation 10: the photos, what was read in each, from where they look, and measuring them."""

from __future__ import annotations

from math import cos, pi, sin

from elbowroom.app.job import Cancelled, Job, Tell, measure_job
from elbowroom.app.page.desk import Said
from elbowroom.app.page.parts import box, button, drawing, facts, findings, quoted, text
from elbowroom.app.page.state import Window
from elbowroom.app.page.widgets import PhotoView
from elbowroom.app.sights import Station, stations, target_outlines
from elbowroom.app.wording import accuracy_words, sentence
from elbowroom.shared.scene import Photo, Scene

RING_PX = 84.0
"""Radius of the ring of directions as drawn."""


def draw(window: Window) -> None:
    """Draw the operation."""
    scene = window.desk.scene()
    if not scene.photos:
        _first_words()
        return
    chosen = chosen_photo(window, scene)
    with box("div", "split"):
        with box("div", "film"):
            strip(window, scene, chosen)
            PhotoView(chosen, target_outlines(scene, chosen))
            _reading(chosen)
        with box("aside", "side"):
            _measuring(window, scene)
            drawing(ring(stations(scene), chosen.name), "ring")
            findings(f for f in scene.findings if not f.code.startswith("tag-"))


def _first_words() -> None:
    with box("div", "empty"):
        text("h2", "Start with photos of the spot")
        with box("ol"):
            for line in (
                "Print target sheets at 1:1 (`elbowroom targets sheet.pdf --card 100-103`) and lay them about the spot.",
                "Take ten to fifteen photos with one phone, zoom left alone, from all sides you can reach. "
                "Each should show four targets or more.",
                "Drop the photos here, then measure.",
            ):
                text("li", line)


def chosen_photo(window: Window, scene: Scene) -> Photo:
    """Return the photo the window looks at: the one chosen, or the first."""
    return next((p for p in scene.photos if p.name == window.photo), scene.photos[0])


def strip(window: Window, scene: Scene, chosen: Photo) -> None:
    """Show all photos small, to choose one."""

    def choose(name: str) -> None:
        if name != chosen.name:
            window.photo = name
            window.redraw()

    with box("div", "strip", role="group", aria_label="photos"):
        for photo in scene.photos:
            with box("button", "thumb", type="button", aria_pressed=str(photo is chosen).lower()) as made:
                image = box(
                    "img", src=f"/picture/{photo.media}/240", alt="", loading="lazy", width="120", height="90"
                )
                image.classes(f"turn{photo.orientation}")
                text("span", photo.name, "name")
                text("span", _short(photo), "hint")
            made.props["data-key"] = photo.name
            made.on("click", lambda name=photo.name: choose(name))


def _short(photo: Photo) -> str:
    if photo.camera_from_world is None:
        return "no place found" if photo.targets_read else "not measured"
    return f"{len(photo.targets_read)} targets"


def drawn_photo(window: Window, scene: Scene) -> None:
    """Show the photos with plates and obstacles drawn in, if any are measured."""
    chosen = chosen_photo(window, scene)
    strip(window, scene, chosen)
    PhotoView(chosen, drawn=drawn_address(window, scene, chosen))


def drawn_address(window: Window, scene: Scene, photo: Photo) -> str | None:
    """Return where a photo is to be had with everything drawn in; None when there is nothing to draw or no place."""
    if photo.camera_from_world is None or not (scene.plates or scene.obstacles):
        return None
    return f"/drawn/{window.desk.head()}/{photo.media}"


def _reading(photo: Photo) -> None:
    if photo.camera_from_world is None:
        text("p", f"{photo.name}, {photo.width_px} x {photo.height_px} px: not measured yet", "hint")
        return
    from elbowroom.recon.reading.exposure import photo_exposure

    read, missed = len(photo.targets_read), len(photo.targets_missed)
    rows = [("targets read", f"{read} of {read + missed} in view")]
    if missed:
        rows.append(("not read", ", ".join(map(str, photo.targets_missed))))
    if photo.rms_px is not None:
        rows.append(("residual", f"{photo.rms_px:.3f} px rms"))
    if photo.blur_px is not None:
        rows.append(("edges", f"{photo.blur_px:.1f} px wide"))
    rows.append(("exposure", photo_exposure(photo)))
    facts((name, value) for name, value in rows if value)


def _measuring(window: Window, scene: Scene) -> None:
    async def start() -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> Scene:
            return measure_job(job, tell=tell, cancelled=cancelled)

        await window.run("measuring", work, can_stop=True, done=lambda _: Said("done", "measured"))

    button("Measure again" if scene.accuracy else "Measure", start, "primary")
    if scene.accuracy is not None:
        text("p", sentence(accuracy_words(scene.accuracy)), "accuracy")
        placed = sum(p.camera_from_world is not None for p in scene.photos)
        facts([("photos placed", f"{placed} of {len(scene.photos)}"), ("targets", str(len(scene.measured)))])


def ring(directions: list[Station], chosen: str) -> str:
    """Return where the photos look from as a drawing seen from above: the middle is straight above, the rim level."""
    c = RING_PX + 22
    parts = [
        f'<svg viewBox="0 0 {2 * c} {2 * c}" role="img" aria-label="directions of the photos seen from above">',
        *(
            f'<circle class="level" cx="{c}" cy="{c}" r="{RING_PX * share:.1f}"/>'
            for share in (1, 2 / 3, 1 / 3)
        ),
        f'<text x="{2 * c - 16}" y="{c + 4}">+x</text><text x="{c}" y="13" text-anchor="middle">+y</text>',
    ]
    for d in directions:
        out = RING_PX * min(max(1 - d.up_rad / (pi / 2), 0.0), 1.0)
        kind = "dot" + (" low" if d.up_rad < 0 else "") + (" here" if d.photo == chosen else "")
        x, y = c + out * cos(d.round_rad), c - out * sin(d.round_rad)
        parts.append(
            f'<line class="ray" x1="{c}" y1="{c}" x2="{x:.1f}" y2="{y:.1f}"/>'
            f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="5"><title>{quoted(d.photo)}</title></circle>'
        )
    words = "seen from above; rim: level" if directions else "directions appear once measured"
    return (
        "".join(parts)
        + f'<text class="under" x="{c}" y="{2 * c - 4}" text-anchor="middle">{words}</text></svg>'
    )
