"""The fields that take photos and tag files. They stay while the rest is drawn anew, so that sending is never cut."""

from __future__ import annotations

from dataclasses import dataclass

from nicegui.element import Element

from elbowroom.app.job import PHOTO_SUFFIXES, Cancelled, Job, Tell, add_photos, take_tags
from elbowroom.app.page.desk import Said
from elbowroom.app.page.intake import Batch
from elbowroom.app.page.parts import box
from elbowroom.app.page.state import Window
from elbowroom.app.page.widgets import Drop
from elbowroom.shared.errors import Finding, InputError
from elbowroom.shared.scene import MeshTag, ScanTag
from elbowroom.shared.tagfile import parse_tags

TAG_OPERATIONS = (20, 30, 40)
"""Operations that a tag file can do the work of."""


@dataclass
class Fields:
    """The two fields; each operation shows the one it needs."""

    photos: Element
    tags: Element

    def show(self, op: int) -> None:
        """Show the field of an operation."""
        self.photos.set_visibility(op == 10)
        self.tags.set_visibility(op in TAG_OPERATIONS)


def build(window: Window) -> Fields:
    """Make the fields of one window."""
    with box("div", "intake"):
        return Fields(_photo_field(window), _tag_field(window))


def _photo_field(window: Window) -> Element:
    token = window.shop.new_batch()

    async def sent(refused: list[str]) -> None:
        batch = window.shop.batch(token)

        def work(job: Job, tell: Tell, cancelled: Cancelled) -> list[Finding]:
            try:
                if not batch.paths:
                    raise InputError("; ".join(refused) or "no photo came")
                return add_photos(job, batch.paths, names=batch.names, tell=tell)
            finally:
                batch.drop()

        def done(found: object) -> Said:
            count = len(window.desk.scene().photos)
            faults = [_refused(words) for words in refused]
            return Said(
                "done", f"{count} photos in the job", (*faults, *(found if isinstance(found, list) else ()))
            )

        await window.run("taking photos in", work, done=done)

    return Drop(
        url=f"/in/{token}/photo",
        kind="photo",
        accept=",".join(sorted(PHOTO_SUFFIXES)),
        words="Choose photos",
        hint="or drop them here. JPEG, PNG or HEIC as the phone saved them; the place they were taken is removed.",
        many=True,
        sent=sent,
    )


def _refused(words: str) -> Finding:
    return Finding(code="photo-refused", severity="fault", subject="photos", message=words)


def _tag_field(window: Window) -> Element:
    token = window.shop.new_batch()

    async def sent(refused: list[str]) -> None:
        batch = window.shop.batch(token)

        def work(job: Job, tell: Tell, cancelled: Cancelled) -> int:
            return _take(job, batch, refused)

        await window.run("taking tags in", work, done=lambda _: Said("done", "tags taken in"))

    return Drop(
        url=f"/in/{token}/tags",
        kind="tags",
        accept=".yaml,.yml,.json",
        words="Take in a tag file",
        hint="sizes, datum, faces, obstacles and the plate asked for, as YAML or JSON. docs/tag_files.md says how to write one.",
        many=False,
        sent=sent,
    )


def _take(job: Job, batch: Batch, refused: list[str]) -> int:
    """Take one tag file in under its own name; returns how many files came."""
    try:
        if not batch.paths:
            raise InputError("; ".join(refused) or "no tag file came")
        path, name = batch.paths[0], batch.names[0]
        tags = parse_tags(path.read_bytes(), where=name)
        beside = [t.name for t in tags.tags if isinstance(t, MeshTag | ScanTag) and t.file is not None]
        if beside:
            raise InputError(
                "names a mesh file beside it, which did not come with it",
                where=f"{name}, {', '.join(beside)}",
                todo="take this tag file in with `elbowroom tags`",
            )
        take_tags(job, path, name=name)
        return len(batch.paths)
    finally:
        batch.drop()
