"""Operation 60: the files, and what to know of them before steel is cut."""

from __future__ import annotations

import shutil
from pathlib import Path

from elbowroom.app.job import Cancelled, Job, Tell
from elbowroom.app.page.desk import Said, Written
from elbowroom.app.page.parts import box, button, findings, text
from elbowroom.app.page.state import Window
from elbowroom.app.writing import write_job
from elbowroom.shared.fresh import verdict_of

KINDS = (
    ("_geometry_mm.dxf", "in millimetres, nothing but the outlines, for a cutting service"),
    ("_geometry_mm_R12.dxf", "the same for old machines"),
    ("_mm.dxf", "flat pattern in millimetres, for the cutting table"),
    ("_inch.dxf", "the same in inches"),
    ("_template.pdf", "paper template at 1:1: print without scaling and measure its bars"),
    (".svg", "flat pattern as a picture, true size"),
    (".stl", "the plate as a solid, triangles"),
    (".3mf", "the plate as a solid, with its unit"),
    (".step", "the plate as a solid of true faces"),
    (".glb", "plate and obstacles as one solid"),
    (".png", "a photo with everything drawn in"),
)
"""Endings of files and what they are."""


def draw(window: Window) -> None:
    """Draw the operation."""
    desk, scene = window.desk, window.desk.scene()
    with box("div", "columns"):
        with box("section"):
            text("h2", "The whole scene as one file")
            text("p", "Photos, measurements, tags, plates and history: to keep, or to send on.")
            text("a", f"Download {desk.path.name}", "key", href="/job.elbow", download=desk.path.name)
        with box("section"):
            text("h2", "Files of the plate")
            if not scene.plates:
                text("p", "No plate yet: fit one at 40.", "hint")
                return
            for plate in scene.plates:
                verdict = verdict_of(scene, plate)
                kind = "pass" if verdict == "PASS" else "hold"
                text("p", f"{plate.name}, clearance check: {verdict}", f"verdict {kind}")
            _write_button(window)
            _list(window)


def _write_button(window: Window) -> None:
    async def start() -> None:
        desk = window.desk

        def work(job: Job, tell: Tell, cancelled: Cancelled) -> Written:
            folder, revision = desk.folder("out"), job.file.head()
            shutil.rmtree(folder, ignore_errors=True)
            paths, found = write_job(job, folder, tell=tell)
            desk.written = Written(revision, tuple(paths), tuple(found))
            return desk.written

        await window.run(
            "writing files", work, done=lambda _: Said("done", "files written; download them below")
        )

    button("Write the files", start, "primary")
    text(
        "p",
        "DXF in millimetres and inches, SVG, solids, a paper template, and the photos with all drawn in.",
        "hint",
    )


def _list(window: Window) -> None:
    written = window.desk.written
    if written is None:
        return
    if written.revision != window.desk.head():
        text(
            "p",
            "The job has changed since these were written: write them again before you cut.",
            "said refused",
        )
    findings(written.findings)
    with box("ul", "files"):
        for n, path in enumerate(written.paths):
            with box("li"):
                text("a", path.name, "file", href=f"/out/{written.revision}/{n}", download=path.name)
                text("span", f"{what_it_is(path)}, {path.stat().st_size / 1000:.0f} kB", "hint")


def what_it_is(path: Path) -> str:
    """Return in words what a written file is."""
    return next((words for end, words in KINDS if path.name.endswith(end)), "file")
