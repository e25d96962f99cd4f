"""Subcommands that take a job from photos to a checked plate."""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from elbowroom.app import job as steps
from elbowroom.app.cli.show import (
    console,
    progress,
    show_accuracy,
    show_changes,
    show_check,
    show_coverage,
    show_features,
    show_findings,
    show_lenses,
    show_obstacles,
    show_photos,
    show_plate,
    show_prints,
)
from elbowroom.shared.errors import InputError
from elbowroom.shared.fresh import verdict_of
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile

SUFFIX = ".elbow"
"""Ending of a job's file: it tells a job from tag files and drawings in the same folder."""

JobPath = Annotated[Path, typer.Argument(help="The job's scene file (.elbow).")]
PlateName = Annotated[str | None, typer.Option("--plate", help="Only this plate; all when left out.")]


def author() -> str:
    """Return the name that goes into revisions: the login name, or 'unknown'."""
    try:
        return getpass.getuser() or "unknown"
    except (KeyError, OSError, ImportError):
        return "unknown"


@contextmanager
def opened(path: Path) -> Iterator[steps.Job]:
    """Open a job's scene file for one command."""
    with SceneFile.open(path) as file:
        yield steps.Job(file, author())


def new(path: JobPath, name: Annotated[str | None, typer.Option(help="Name of the job.")] = None) -> int:
    """Make an empty job."""
    if path.suffix.lower() != SUFFIX:
        raise InputError(
            "a job's file ends in .elbow",
            where=str(path),
            value=path.suffix or "no ending",
            limit=SUFFIX,
            todo=f"call it {path.with_suffix(SUFFIX).name}",
        )
    SceneFile.create(path, Scene(name=name or path.stem), author=author()).close()
    console().print(f"made {path}", markup=False)
    return 0


def add(
    path: JobPath,
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.")],
) -> int:
    """Add photos to a job; where they were taken (GPS) is removed."""
    with opened(path) as job, progress("adding") as tell:
        findings = steps.add_photos(job, steps.photo_paths(photos), tell=tell)
        count = len(job.file.scene().photos)
    show_findings(findings)
    console().print(f"{count} photos in {path}", markup=False)
    return 2 if any(f.severity == "fault" for f in findings) else 0


def tags(path: JobPath, tag_file: Annotated[Path, typer.Argument(help="A JSON or YAML tag file.")]) -> int:
    """Take in sizes, datum, obstacles and plate intents from a tag file."""
    with opened(path) as job:
        scene, changes = steps.take_tags(job, tag_file)
    show_findings(scene.findings)
    show_changes(changes)
    show_features(scene)
    return 0


def lens(
    path: JobPath,
    earlier: Annotated[Path, typer.Argument(help="A measured job (.elbow) with photos of the same phone.")],
) -> int:
    """Start from the lens that an earlier job measured: a job of a printed board, or any job with the same phone."""
    with opened(path) as job, SceneFile.open(earlier) as before:
        names = steps.keep_lenses(job, before, earlier.name)
    for name in names:
        console().print(f"lens {name} taken over; measure the job (again)", markup=False)
    return 0


def measure(path: JobPath) -> int:
    """Measure the photos: lenses, places, targets, and the obstacles tagged so far."""
    with opened(path) as job, progress("measuring") as tell:
        scene = steps.measure_job(job, tell=tell)
    show_findings(scene.findings)
    if scene.accuracy is not None:
        show_accuracy(scene.accuracy)
    show_photos(scene)
    return 0


def fit(path: JobPath, plate: PlateName = None) -> int:
    """Fit plate profiles that keep every clearance."""
    with opened(path) as job, progress("fitting") as tell:
        plates = steps.fit_job(job, plate, tell=tell)
        unit = job.file.scene().shown_in
    for made in plates:
        show_plate(made, unit)
    return 0


def check(path: JobPath, plate: PlateName = None) -> int:
    """Check plates in 3D against every obstacle; exit code 1 when a gap is too small."""
    with opened(path) as job, progress("checking") as tell:
        checks = steps.check_job(job, plate, tell=tell)
        unit = job.file.scene().shown_in
    for made in checks:
        show_check(made, unit)
    return 0 if all(c.passes for c in checks) else 1


def show(path: JobPath) -> int:
    """Show what a job holds and where it stands."""
    with opened(path) as job:
        scene = job.file.scene()
        sizes = {
            o.name: steps.obstacle_size(o, job.file.media()) for o in scene.obstacles if o.part == "body"
        }
    console().print(
        f"job {scene.name}: {len(scene.photos)} photos, {len(scene.measured)} targets measured, {len(scene.obstacles)} obstacles, {len(scene.plates)} plates",
        markup=False,
    )
    if scene.accuracy is not None:
        show_accuracy(scene.accuracy)
    show_photos(scene)
    show_coverage(scene)
    show_lenses(scene)
    show_prints(scene.measured_prints)
    show_findings(scene.findings)
    for conflict in scene.conflicts:
        console().print(f"to settle: {conflict.message}", markup=False)
    show_obstacles(scene, sizes)
    show_features(scene)
    for plate in scene.plates:
        show_plate(plate, scene.shown_in)
        console().print(f"plate {plate.name}, clearance check: {verdict_of(scene, plate)}", markup=False)
    for made in scene.checks:
        show_check(made, scene.shown_in)
    return 0


def history(path: JobPath) -> int:
    """List a job's revisions; the current one is marked."""
    with opened(path) as job:
        head = job.file.head()
        for r in job.file.history():
            mark = "*" if r.id == head else " "
            after = "" if r.parent in (None, r.id - 1) else f" (after {r.parent})"
            after += "" if r.merged is None else f" (with {r.merged} of another copy)"
            console().print(f"{mark} {r.id:4d}  {r.time}  {r.author}  {r.reason}{after}", markup=False)
    return 0


def undo(
    path: JobPath,
    to: Annotated[
        int | None, typer.Option(help="Go to this revision instead, as `history` numbers it.")
    ] = None,
) -> int:
    """Go back one revision, or to any; nothing is lost."""
    with opened(path) as job:
        here = job.file.undo() if to is None else job.file.go_to(to)
    console().print(f"now at {here.id}: {here.reason}", markup=False)
    return 0


def redo(path: JobPath) -> int:
    """Go forward again after an undo."""
    with opened(path) as job:
        here = job.file.redo()
    console().print(f"now at {here.id}: {here.reason}", markup=False)
    return 0
