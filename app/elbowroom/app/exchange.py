"""Jobs between people: a copy to send, two copies merged, what differs, and conflicts settled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from elbowroom.app.job import Job, Tell, quiet, with_tags
from elbowroom.app.names import check_named, check_photos
from elbowroom.shared.ancestry import ancestors, common_revision
from elbowroom.shared.differences import Difference, differences
from elbowroom.shared.errors import ElbowroomError, Finding, InputError
from elbowroom.shared.fresh import measurement_holds, unmeasured, without_stale
from elbowroom.shared.merge import merge_scenes, settled
from elbowroom.shared.scene import Conflict, Scene
from elbowroom.shared.sending import DIGEST, Photos, Sent, with_photos_of, write_copy
from elbowroom.shared.store import SceneFile


@dataclass(frozen=True)
class Outcome:
    """What merging did: in words, the conflicts it met, what to know, and the revision that holds all of theirs."""

    words: str
    changes: tuple[Difference, ...] = ()
    conflicts: tuple[Conflict, ...] = ()
    findings: tuple[Finding, ...] = ()
    theirs: int | None = None


def share_job(job: Job, target: Path, *, photos: Photos, history: bool) -> Sent:
    """Write a copy of the job to send; see `write_copy`."""
    return write_copy(job.file, target, photos=photos, history=history, without_place=_without_place)


def _without_place(name: str, data: bytes) -> bytes:
    """Return a photo without the place it was taken at; the same bytes when it says none, as after `add`."""
    from elbowroom.recon import import_photo

    if b"Exif" not in data and b"eXIf" not in data:
        return data
    *_, clean, findings = import_photo(name, data)
    return clean if any(f.code == "place-removed" for f in findings) else data


def merge_job(job: Job, other: SceneFile, *, tell: Tell = quiet) -> Outcome:
    """Merge a changed copy into the job: their revisions become a branch of its history, their changes a new revision.

    Raises
    ------
    InputError
        When the two files are not copies of one job.
    """
    mine, theirs = job.file.history(), other.history()
    common = common_revision(mine, job.file.head(), theirs, other.head())
    if common is None:
        raise InputError(
            "not a copy of this job: the two have no revision in common",
            where=other.path.name,
            todo="merge copies made from one file with `elbowroom share`, or by copying it",
        )
    uids = {r.id: r.uid for r in theirs}
    if uids[other.head()] in ancestors(mine, job.file.head()):
        return Outcome("nothing new in it")
    branch = _take_over(job.file, other)[uids[other.head()]]
    before = job.file.scene()
    if common[0] == job.file.head():
        job.file.go_to(branch)
        return Outcome(
            "taken over as it is: nothing had changed here", tuple(differences(before, job.file.scene()))
        )
    base = (job.file.scene(common[0]), other.scene(common[1]))
    merged = merge_scenes(base[0], before, other.scene(), their_base=base[1])
    scene, made, findings = _measured_together(job, merged.scene, merged.tags_void, tell)
    job.file.save(scene, made, author=job.author, reason=f"merged {other.path.name}", merged=branch)
    words = f"merged with {other.path.name}, parted at revision {common[0]}"
    return Outcome(words, tuple(differences(before, scene)), merged.conflicts, tuple(findings), branch)


def _take_over(mine: SceneFile, other: SceneFile) -> dict[str, int]:
    """Store the other copy's revisions and what media they bring; returns all revisions' numbers here by uid."""
    held, offered = set(mine.media()), other.media()
    known = {r.uid for r in mine.history()}
    rows = [with_photos_of(row, held) for row in other.stored()]
    wanted = {n for r in rows if r.uid not in known for n in DIGEST.findall(r.scene)}
    names = (wanted & set(offered)) - held
    media: Mapping[str, bytes] = {n: offered[n] for n in sorted(names)}
    return mine.take_over(rows, media)


def _measured_together(
    job: Job, scene: Scene, tags_void: bool, tell: Tell
) -> tuple[Scene, dict[str, bytes], list[Finding]]:
    """Return the merged scene with its tags measured in one frame, or with nothing measured where that fails."""
    findings: list[Finding] = []
    made: dict[str, bytes] = {}
    try:
        check_photos(scene)
        check_named(scene)
        if tags_void:
            scene, made = with_tags(scene, job.file.media(), tell)
    except ElbowroomError as error:
        message = f"the merged tags don't go together yet: {error}"
        findings.append(Finding(code="merge-apart", severity="fault", subject=scene.name, message=message))
        if tags_void:
            scene = unmeasured(scene)
    return scene, made, findings


def differ(before: SceneFile, after: SceneFile) -> list[Difference]:
    """Return what differs between two jobs' current scenes."""
    return differences(before.scene(), after.scene())


def settle_conflict(job: Job, number: int, *, theirs: bool, tell: Tell = quiet) -> Scene:
    """Settle one of the job's conflicts as a new revision; what was measured stands only as far as it holds."""
    before = job.file.scene()
    after = settled(before, number, theirs=theirs)
    made: dict[str, bytes] = {}
    if theirs:
        check_photos(after)
        check_named(after)
        if measurement_holds(before, after):
            after, made = with_tags(after, job.file.media(), tell)
        after = without_stale(before, after)
    return job.save(
        after,
        made,
        f"conflict settled: {'theirs' if theirs else 'mine'}, {before.conflicts[number - 1].message}",
    )
