"""The demo job, end to end: photos in, a checked plate and its files out."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from elbowroom.app import job as steps
from elbowroom.app.cli.job import author
from elbowroom.app.cli.show import console, progress, show_accuracy, show_check, show_findings, show_plate
from elbowroom.app.wording import CAUTION
from elbowroom.app.writing import write_job
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile


def demo_folder() -> Path:
    """Return the folder of the demo's photos and tags: `fixtures/demo` of the checkout, or of the working folder.

    Raises
    ------
    InputError
        When there is none: the demo's photos come with the project's checkout, not with the installed package.
    """
    here = [Path.cwd() / "fixtures" / "demo", Path(__file__).resolve().parents[4] / "fixtures" / "demo"]
    for folder in here:
        if (folder / "tags.yaml").is_file():
            return folder
    raise InputError(
        "the demo's photos are not here", where=str(here[0]), todo="run it in the project's checkout"
    )


def demo(
    folder: Annotated[Path, typer.Argument(help="Folder for what the demo makes.")] = Path("demo-out"),
) -> int:
    """Run the demo job: a steering-ram mount on an old farm tractor, from 14 photos to a plate's DXF."""
    source, started = demo_folder(), time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "ram_mount.elbow"
    path.unlink(missing_ok=True)
    say = console().print
    with SceneFile.create(path, Scene(name="steering-ram mount"), author=author()) as file:
        job = steps.Job(file, author())
        with progress("10 photos") as tell:
            steps.add_photos(job, steps.photo_paths([source / "photos"]), tell=tell)
        say(
            f"photos: {len(file.scene().photos)} from {source / 'photos'} (places they were taken removed)",
            markup=False,
        )
        steps.take_tags(job, source / "tags.yaml")
        with progress("20 measuring") as tell:
            scene = steps.measure_job(job, tell=tell)
        show_findings(f for f in scene.findings if f.severity != "note")
        if scene.accuracy is not None:
            show_accuracy(scene.accuracy)
        say(f"obstacles: {', '.join(dict.fromkeys(o.name for o in scene.obstacles))}", markup=False)
        with progress("40 fitting") as tell:
            plates = steps.fit_job(job, tell=tell)
        for plate in plates:
            show_plate(plate, scene.shown_in)
        with progress("50 checking") as tell:
            checks = steps.check_job(job, tell=tell)
        for check in checks:
            show_check(check, scene.shown_in)
        with progress("60 writing files") as tell:
            written, findings = write_job(job, folder, tell=tell)
        show_findings(findings)
    say(f"\nthe whole scene, to send on:  {path}", markup=False)
    for file_path in written:
        say(f"wrote {file_path}", markup=False)
    say(f"done in {time.monotonic() - started:.0f} s. {CAUTION}", markup=False)
    return 0 if all(c.passes for c in checks) else 1
