"""Subcommands for jobs between people: share, merge, settle, differences."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal

import typer

from elbowroom.app import exchange
from elbowroom.app.cli.job import SUFFIX, JobPath, opened
from elbowroom.app.cli.show import console, progress, show_findings
from elbowroom.shared.differences import Difference
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Conflict
from elbowroom.shared.store import SceneFile

OtherPath = Annotated[Path, typer.Argument(help="The other copy (.elbow).")]


def share(
    path: JobPath,
    target: Annotated[Path, typer.Argument(help="The copy to write (.elbow).")],
    photos: Annotated[
        Literal["full", "reduced", "none"],
        typer.Option(help="Photos as they are, small to look at, or left out."),
    ] = "full",
    history: Annotated[bool, typer.Option(help="All revisions, or only the current one.")] = True,
) -> int:
    """Write a copy of a job to send: one file, without places and paths; it can be merged back."""
    if target.suffix.lower() != SUFFIX:
        raise InputError(
            "a job's file ends in .elbow", where=str(target), value=target.suffix or "no ending", limit=SUFFIX
        )
    with opened(path) as job:
        sent = exchange.share_job(job, target, photos=photos, history=history)
    held = [
        f"{n} {what}"
        for n, what in ((sent.full, "full"), (sent.small, "small"), (sent.left_out, "left out"))
        if n
    ]
    console().print(
        f"wrote {target}: {sent.bytes / 1e6:.1f} MB, {sent.revisions} revision{'s' * (sent.revisions != 1)}, "
        f"photos {', '.join(held) or 'none'}",
        markup=False,
    )
    if sent.small or sent.left_out:
        console().print(
            "This copy is to look at, tag, fit and check; measuring photos and snapping picks need the full one.",
            markup=False,
        )
    return 0


def merge(path: JobPath, other: OtherPath) -> int:
    """Merge a changed copy into a job; exit code 1 when both changed one thing (mine stays, theirs is kept beside it)."""
    with opened(path) as job, SceneFile.open(other) as theirs, progress("merging") as tell:
        outcome = exchange.merge_job(job, theirs, tell=tell)
        count = len(job.file.scene().conflicts)
    show_findings(outcome.findings)
    console().print(outcome.words, markup=False)
    _show_differences(outcome.changes)
    if outcome.theirs is not None:
        console().print(
            f"all of theirs is revision {outcome.theirs} here (`elbowroom undo --to`)", markup=False
        )
    if outcome.conflicts:
        console().print(f"{len(outcome.conflicts)} changed by both, mine stays until settled:", markup=False)
        for conflict in outcome.conflicts:
            console().print(f"  {conflict.message}", markup=False)
        console().print(f"see `elbowroom settle {path}` ({count} to settle)", markup=False)
    return 1 if outcome.conflicts else 0


def settle(
    path: JobPath,
    number: Annotated[
        int | None, typer.Argument(help="Number of the conflict; all are listed when left out.")
    ] = None,
    take: Annotated[Literal["mine", "theirs"] | None, typer.Option(help="The version to keep.")] = None,
) -> int:
    """List what both copies changed and is not settled yet, or settle one of it."""
    with opened(path) as job, progress("settling") as tell:
        if number is None:
            _show_conflicts(job.file.scene().conflicts)
            return 0
        if take is None:
            raise InputError(
                "say which version to keep", where=f"conflict {number}", limit="--take mine or theirs"
            )
        scene = exchange.settle_conflict(job, number, theirs=take == "theirs", tell=tell)
    show_findings(scene.findings)
    _show_conflicts(scene.conflicts)
    return 0


def differences(path: JobPath, other: OtherPath) -> int:
    """Say in words what differs in another job's scene against this one; exit code 1 when something does."""
    with SceneFile.open(path) as before, SceneFile.open(other) as after:
        found = exchange.differ(before, after)
    _show_differences(found)
    if not found:
        console().print("no difference", markup=False)
    return 1 if found else 0


def _show_differences(found: Sequence[Difference]) -> None:
    for difference in found:
        console().print(f"  {difference.words}", markup=False)


def _show_conflicts(conflicts: Sequence[Conflict]) -> None:
    for number, conflict in enumerate(conflicts, 1):
        console().print(f"{number}  {conflict.message}", markup=False)
    if not conflicts:
        console().print("no conflict to settle", markup=False)
