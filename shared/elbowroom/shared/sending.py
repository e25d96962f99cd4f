"""A copy of a scene file to send: photos full, small or left out, history kept or dropped, no places, no paths."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from elbowroom.shared.errors import InputError, StoreError
from elbowroom.shared.media import Media, digest
from elbowroom.shared.scene import Photo, Scene
from elbowroom.shared.sceneformat import new_database, whole_file
from elbowroom.shared.store import SceneFile, StoredRevision

Photos = Literal["full", "reduced", "none"]
PHOTOS: tuple[Photos, ...] = ("full", "reduced", "none")

SMALL_PX = 2000
"""Longest side of a small photo: what an overlay shows; a tenth of a 12-megapixel photo's bytes."""

SMALL_QUALITY = 85
"""JPEG quality of a small photo."""

PATH = re.compile(r"(?:[A-Za-z]:|(?<![\w.:/\\]))(?:[\\/][^\\/\s'\"|<>:*?]+)*[\\/](?=[^\\/\s'\"|<>:*?])")
"""The folders of a path: from the root or a drive up to the last separator."""

DIGEST = re.compile(r"\b[0-9a-f]{64}\b")


@dataclass(frozen=True)
class Sent:
    """What a copy holds: revisions, photos with their own bytes, photos held small, and photos left out, its bytes."""

    revisions: int
    full: int
    small: int
    left_out: int
    bytes: int


def write_copy(
    source: SceneFile,
    target: Path | str,
    *,
    photos: Photos,
    history: bool = True,
    without_place: Callable[[str, bytes], bytes] = lambda name, data: data,
) -> Sent:
    """Write a copy of a job to send to somebody; it can be merged back, whatever was left out of it.

    A small or missing photo is to look at: everything but measuring photos and snapping picks works in such a copy, and
    picks still count the pixels of the photo itself.

    Parameters
    ----------
    source : SceneFile
        The job.
    target : Path
        The new file; an old one there is replaced whole.
    photos : {"full", "reduced", "none"}
        Whether photos go with their own bytes, small (`SMALL_PX`), or not at all.
    history : bool
        Whether all revisions go, or only the current one.
    without_place : function of name and bytes
        Returns a photo without the place it was taken at; the same bytes when there is none in it.

    Raises
    ------
    InputError
        When `target` is the job itself.
    StoreError
        When it can't be written.
    """
    target = Path(target)
    if target.exists() and target.samefile(source.path):
        raise InputError(
            "the copy can't take the job's own place", where=str(target), todo="choose another name"
        )
    rows = list(_rows(source, history))
    known = set(source.media())
    taken = {p["media"]: p for row in rows for p in _plain(row).get("photos", [])}
    small = _small_photos(taken, source.media(), known, photos, without_place)
    shown = {name: digest(data) for name, data in small.items()}
    rows = [_as_sent(row, shown) for row in rows]
    left_out = set() if photos == "full" else taken.keys() - shown.keys()
    names = {n for row in rows for n in DIGEST.findall(row.scene)} & known
    names -= (
        shown.keys() | left_out | ({p.get("shown") for p in taken.values()} if photos == "none" else set())
    )
    with whole_file(target) as partial, closing(SceneFile(partial, new_database(partial))) as copy:
        extra = {digest(data): data for data in small.values()}
        ids = copy.take_over(rows, _Chosen(source.media(), names, extra))
        copy.go_to(ids[next(r.uid for r in source.history() if r.id == source.head())])
    own = len(taken.keys() & names)
    return Sent(len(rows), own, len(shown), len(taken) - own - len(shown), target.stat().st_size)


class _Chosen(Mapping[str, bytes]):
    """Some of a job's media, read when they are asked for, and some more."""

    def __init__(self, media: Media, names: Iterable[str], extra: Mapping[str, bytes]) -> None:
        self._media, self._names, self._extra = media, sorted(names), extra

    def __getitem__(self, name: str) -> bytes:
        return self._extra[name] if name in self._extra else self._media[name]

    def __iter__(self) -> Iterator[str]:
        yield from self._extra
        yield from self._names

    def __len__(self) -> int:
        return len(self._names) + len(self._extra)


def _rows(source: SceneFile, history: bool) -> Iterator[StoredRevision]:
    head = next(r.uid for r in source.history() if r.id == source.head())
    for row in source.stored():
        if history:
            yield row
        elif row.uid == head:
            yield replace(row, parent_uid=None, merged_uid=None)


def _small_photos(
    taken: Mapping[str, Any],
    media: Media,
    known: set[str],
    photos: Photos,
    without_place: Callable[[str, bytes], bytes],
) -> dict[str, bytes]:
    """Return, by a photo's digest, the bytes that go in its stead."""
    out: dict[str, bytes] = {}
    if photos == "none":
        return out
    for name, photo in taken.items():
        held = name if name in known else photo.get("shown")
        if held not in known:
            continue
        data = media[str(held)]
        sent = reduced(data, photo["name"]) if photos == "reduced" and held == name else data
        sent = without_place(photo["name"], sent)
        if sent != data or held != name:
            out[name] = sent
    return out


def reduced(data: bytes, name: str) -> bytes:
    """Return a photo as a small JPEG, as its sensor stored it: no EXIF but the orientation.

    Raises
    ------
    InputError
        When the photo can't be read.
    """
    from PIL import ExifTags, Image

    try:
        image = Image.open(io.BytesIO(data))
        turn = image.getexif().get(ExifTags.Base.Orientation)
        share = min(1.0, SMALL_PX / max(image.size))
        size = (max(1, round(image.width * share)), max(1, round(image.height * share)))
        small = image.convert("RGB").resize(size, Image.Resampling.BOX, reducing_gap=2.0)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(
            "the photo can't be read", where=name, todo="send the copy without photos"
        ) from error
    exif = Image.Exif()
    if turn is not None:
        exif[ExifTags.Base.Orientation] = turn
    out = io.BytesIO()
    small.save(out, "JPEG", quality=SMALL_QUALITY, exif=exif)
    return out.getvalue()


def _as_sent(row: StoredRevision, shown: Mapping[str, str]) -> StoredRevision:
    """Return a revision with its photos' small pictures named, and no path in any of its words."""
    plain = _plain(row)
    for photo in plain.get("photos", []):
        if photo["media"] in shown:
            photo["shown"] = shown[photo["media"]]
    return replace(
        row, reason=without_paths(row.reason), scene=json.dumps(_walked(plain), ensure_ascii=False)
    )


def _plain(row: StoredRevision) -> dict[str, Any]:
    """Return a revision's scene as plain data, once it has proved to be one; raises StoreError when it isn't."""
    try:
        Scene.model_validate_json(row.scene)
        return dict(json.loads(row.scene))
    except (ValueError, RecursionError) as error:
        raise StoreError(
            f"a revision's scene does not read: {str(error).splitlines()[0][:200]}",
            where=f"{row.time}, {row.reason}"[:200],
            todo="ask its sender for the file again, without history",
        ) from error


def _walked(value: Any) -> Any:
    if isinstance(value, str):
        return without_paths(value)
    if isinstance(value, dict):
        return {k: _walked(v) for k, v in value.items()}
    return [_walked(v) for v in value] if isinstance(value, list) else value


def without_paths(text: str) -> str:
    """Return a text in which every absolute path is cut to its file's name."""
    return PATH.sub("", text)


def with_photos_of(row: StoredRevision, known: set[str]) -> StoredRevision:
    """Return a revision come back from a copy, its photos themselves again where this file holds their own bytes.

    Raises
    ------
    StoreError
        When its scene does not read: nothing of a damaged copy is taken over.
    """
    plain = _plain(row)
    if not any(photo.get("shown") for photo in plain.get("photos", [])):
        return row
    for photo in plain.get("photos", []):
        if photo["media"] in known:
            photo["shown"] = None
    return replace(row, scene=json.dumps(plain, ensure_ascii=False))


def picture_of(photo: Photo, media: Media) -> bytes:
    """Return a photo's bytes to look at: its own, or the small ones of a copy that was sent.

    Raises
    ------
    InputError
        When this copy holds neither.
    """
    for name in (photo.media, photo.shown):
        if name is not None and name in media:
            return media[name]
    raise InputError(
        "this copy of the job was made without its photos",
        where=photo.name,
        todo="ask for a copy with photos",
    )
