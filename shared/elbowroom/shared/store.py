"""The scene file: one SQLite file a job (`.elbow`), photos and meshes inside, one row a revision.

Saves are transactions: what was acknowledged stays, whatever happens next. A stranger's file is opened with its
schema compared to ours, no extensions, no triggers, sizes bounded and every blob checked against its digest.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from pydantic import ValidationError

from elbowroom.shared.errors import StoreError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene
from elbowroom.shared.sceneformat import check_format, connect, new_database, told, whole_file

MAX_FILE_BYTES, MAX_SCENE_BYTES, MAX_MEDIUM_BYTES = 8_000_000_000, 64_000_000, 1_000_000_000
"""Largest file, scene text and medium that is opened: far above a job of 300 photos."""


@dataclass(frozen=True)
class Revision:
    """One row of the history: who changed the scene, when (UTC, ISO 8601) and why.

    `id` numbers it in this file; `uid` is its own in every copy of the file. `merged` is the revision of another copy
    that was merged into its parent.
    """

    id: int
    parent: int | None
    author: str
    time: str
    reason: str
    uid: str = ""
    merged: int | None = None


@dataclass(frozen=True)
class StoredRevision:
    """A revision as it travels between copies of a file: it and its parents by their uids, its scene as text."""

    uid: str
    parent_uid: str | None
    merged_uid: str | None
    author: str
    time: str
    reason: str
    scene: str


class SceneFile:
    """An open scene file; use as a context manager. One writer at a time, any number of readers."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path, self._db = path, connection

    @classmethod
    def create(cls, path: str | Path, scene: Scene, *, author: str, reason: str = "new job") -> SceneFile:
        """Make a new scene file with a first revision.

        Raises
        ------
        StoreError
            When the file exists or can't be written.
        """
        path = Path(path)
        if path.exists():
            raise StoreError(
                "the file is there already", where=str(path), todo="choose another name, or open it"
            )
        with whole_file(path) as partial, closing(cls(partial, new_database(partial))) as made:
            made.save(scene, {}, author=author, reason=reason)
        return cls.open(path)

    @classmethod
    def open(cls, path: str | Path) -> SceneFile:
        """Open a scene file, a stranger's too.

        Raises
        ------
        StoreError
            When it isn't there, is no scene file, is newer than this program, is damaged or too large.
        """
        path = Path(path)
        if not path.is_file():
            raise StoreError(
                "no such scene file", where=str(path), todo="check the name, or make it with `elbowroom new`"
            )
        with path.open("rb") as f:
            if f.read(16) != b"SQLite format 3\x00":
                raise StoreError(
                    "not a scene file", where=str(path), limit="an .elbow file", todo="check the name"
                )
        if path.stat().st_size > MAX_FILE_BYTES:
            raise StoreError(
                "the scene file is too large",
                where=str(path),
                value=path.stat().st_size,
                limit=MAX_FILE_BYTES,
            )
        with told(path):
            db = connect(path)
            try:
                check_format(db, path)
            except BaseException:
                db.close()
                raise
        return cls(path, db)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> SceneFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def save(
        self, scene: Scene, media: Mapping[str, bytes], *, author: str, reason: str, merged: int | None = None
    ) -> int:
        """Store a revision and the media it brings, all or nothing; returns the revision's id.

        `merged` names the revision, taken over from another copy, whose changes it holds besides its parent's.

        Raises
        ------
        StoreError
            When it can't be written (disk full, no permission); the file is then as before.
        """
        text = scene.model_dump_json()
        with told(self.path), self._db:
            self._db.execute("BEGIN IMMEDIATE")
            parent = self._head_id()
            self._put_media(media)
            time = datetime.now(UTC).isoformat(timespec="milliseconds")
            made = self._put_revision(uuid4().hex, parent, merged, (author, time, reason), text)
            self._set_head(made)
        return made

    def take_over(self, rows: Iterable[StoredRevision], media: Mapping[str, bytes]) -> dict[str, int]:
        """Store another copy's revisions as a branch of this history, all or nothing; the head stays.

        Those known here already are left out, and so are parents that are in neither copy. Returns the id here of every
        revision given, by its uid.
        """
        with told(self.path), self._db:
            self._db.execute("BEGIN IMMEDIATE")
            self._put_media(media)
            known = {str(u): int(i) for u, i in self._db.execute("SELECT uid, id FROM revision")}
            for row in rows:
                if row.uid not in known:
                    parent, merged = (known.get(u) if u else None for u in (row.parent_uid, row.merged_uid))
                    said = (row.author, row.time, row.reason)
                    known[row.uid] = self._put_revision(row.uid, parent, merged, said, row.scene)
        return known

    def stored(self) -> Iterator[StoredRevision]:
        """Yield all revisions as they are stored, oldest first, named by their uids."""
        uids = {r.id: r.uid for r in self.history()}
        for r in self.history():
            text = self._text(r.id)
            parent, merged = (uids.get(n) if n is not None else None for n in (r.parent, r.merged))
            yield StoredRevision(r.uid, parent, merged, r.author, r.time, r.reason, text)

    def _put_media(self, media: Mapping[str, bytes]) -> None:
        for name, data in media.items():
            if digest(data) != name:
                raise StoreError("a medium's bytes do not match its digest", where=name)
            self._db.execute("INSERT OR IGNORE INTO medium VALUES (?, ?)", (name, data))

    def _put_revision(
        self, uid: str, parent: int | None, merged: int | None, said: tuple[str, str, str], scene: str
    ) -> int:
        row = self._db.execute(
            "INSERT INTO revision (uid, parent, merged, author, time, reason, scene) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (uid, parent, merged, *said, scene),
        )
        return int(row.lastrowid or 0)

    def scene(self, revision: int | None = None) -> Scene:
        """Return the scene at the head, or at a revision of the history."""
        text = self._text(self._head_id() if revision is None else revision)
        try:
            return Scene.model_validate_json(text)
        except ValidationError as error:
            first = error.errors()[0]
            raise StoreError(
                f"the scene in it does not read: {first['msg']}",
                where=f"{self.path}, {'.'.join(str(p) for p in first['loc'])}",
                todo="open it with the version that wrote it, or ask its sender",
            ) from error

    def _text(self, revision: int | None) -> str:
        """Return a revision's scene as stored; its length is asked first, so that a bomb is never read."""
        with told(self.path):
            size = self._db.execute(
                "SELECT length(CAST(scene AS BLOB)) FROM revision WHERE id = ?", (revision,)
            ).fetchone()
        if size is None:
            raise StoreError(
                "no such revision", where=str(self.path), value=revision, todo="see `elbowroom history`"
            )
        if size[0] > MAX_SCENE_BYTES:
            raise StoreError(
                "the scene is too large", where=str(self.path), value=size[0], limit=MAX_SCENE_BYTES
            )
        with told(self.path):
            row = self._db.execute("SELECT scene FROM revision WHERE id = ?", (revision,)).fetchone()
        return str(row[0])

    def media(self) -> Mapping[str, bytes]:
        """Return the media by digest, read from the file when asked for."""
        return _Media(self._db, self.path)

    def history(self) -> list[Revision]:
        """Return all revisions, oldest first."""
        with told(self.path):
            rows = self._db.execute(
                "SELECT id, parent, author, time, reason, uid, merged FROM revision ORDER BY id"
            ).fetchall()
        return [Revision(*row) for row in rows]

    def head(self) -> int:
        """Return the id of the revision that is current."""
        return self._head_id() or 0

    def undo(self) -> Revision:
        """Step back to the head's parent; raises StoreError at the first revision."""
        here = self._row(self.head())
        if here.parent is None:
            raise StoreError("nothing to undo: this is the first revision", where=str(self.path))
        return self._go(here.parent)

    def redo(self) -> Revision:
        """Step forward to the newest revision made from the head; raises StoreError when there is none."""
        here = self.head()
        children = [r for r in self.history() if r.parent == here]
        if not children:
            raise StoreError("nothing to redo: this is the newest revision", where=str(self.path))
        return self._go(children[-1].id)

    def go_to(self, revision: int) -> Revision:
        """Make any revision of the history the current one; raises StoreError when there is none of that number."""
        if revision not in {r.id for r in self.history()}:
            raise StoreError(
                "no such revision", where=str(self.path), value=revision, todo="see `elbowroom history`"
            )
        return self._go(revision)

    def _go(self, revision: int) -> Revision:
        with told(self.path), self._db:
            self._set_head(revision)
        return self._row(revision)

    def _row(self, revision: int) -> Revision:
        return next(r for r in self.history() if r.id == revision)

    def _set_head(self, revision: int) -> None:
        self._db.execute("INSERT OR REPLACE INTO head VALUES (1, ?)", (revision,))

    def _head_id(self) -> int | None:
        with told(self.path):
            row = self._db.execute("SELECT revision FROM head").fetchone()
        return int(row[0]) if row and isinstance(row[0], int) else None


class _Media(Mapping[str, bytes]):
    """Media of an open scene file as a mapping; each read is checked against its digest."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db, self._path, self._lock = db, path, threading.Lock()

    def __getitem__(self, name: str) -> bytes:
        with told(self._path), self._lock:
            row = self._db.execute("SELECT length(bytes) FROM medium WHERE digest = ?", (name,)).fetchone()
            if row is None:
                raise StoreError(
                    "a photo or mesh of the scene is missing", where=str(self._path), value=name[:12]
                )
            if row[0] > MAX_MEDIUM_BYTES:
                raise StoreError(
                    "a medium is too large", where=str(self._path), value=row[0], limit=MAX_MEDIUM_BYTES
                )
            data = bytes(self._db.execute("SELECT bytes FROM medium WHERE digest = ?", (name,)).fetchone()[0])
        if digest(data) != name:
            raise StoreError(
                "a photo or mesh of the scene is damaged",
                where=str(self._path),
                value=name[:12],
                todo="ask for the file again",
            )
        return data

    def __contains__(self, name: object) -> bool:
        with told(self._path), self._lock:
            row = self._db.execute("SELECT 1 FROM medium WHERE digest = ?", (name,)).fetchone()
        return row is not None

    def __iter__(self) -> Iterator[str]:
        with told(self._path):
            names = [str(r[0]) for r in self._db.execute("SELECT digest FROM medium")]
        return iter(names)

    def __len__(self) -> int:
        return int(self._db.execute("SELECT count(*) FROM medium").fetchone()[0])


def copy_scene_file(source: SceneFile, target: str | Path) -> None:
    """Write a compact copy of a scene file, atomically.

    Raises
    ------
    StoreError
        When it can't be written.
    """
    with whole_file(Path(target)) as partial, closing(sqlite3.connect(source.path)) as db:
        db.execute("VACUUM INTO ?", (str(partial),))
