"""The scene file: one SQLite file a job (`.elbow`), photos and meshes inside, one row a revision.

Saves are transactions: what was acknowledged stays, whatever happens next. A stranger's file is opened with its
schema compared to ours, no extensions, no triggers, sizes bounded and every blob checked against its digest.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pydantic import ValidationError

from elbowroom.shared.errors import StoreError
from elbowroom.shared.media import digest
from elbowroom.shared.scene import Scene

APPLICATION_ID = 0x456C626F
"""`PRAGMA application_id` of a scene file ("Elbo")."""

FORMAT = 1
"""`PRAGMA user_version`; a newer one is refused with a message."""

MAX_FILE_BYTES, MAX_SCENE_BYTES, MAX_MEDIUM_BYTES = 8_000_000_000, 64_000_000, 1_000_000_000
"""Largest file, scene text and medium that is opened: far above a job of 300 photos."""

SCHEMA = {
    "medium": "CREATE TABLE medium (digest TEXT PRIMARY KEY, bytes BLOB NOT NULL)",
    "revision": (
        "CREATE TABLE revision (id INTEGER PRIMARY KEY AUTOINCREMENT, parent INTEGER REFERENCES revision(id), "
        "author TEXT NOT NULL, time TEXT NOT NULL, reason TEXT NOT NULL, scene TEXT NOT NULL)"
    ),
    "head": "CREATE TABLE head (only INTEGER PRIMARY KEY CHECK (only = 1), revision INTEGER NOT NULL REFERENCES revision(id))",
}


@dataclass(frozen=True)
class Revision:
    """One row of the history: who changed the scene, when (UTC, ISO 8601) and why."""

    id: int
    parent: int | None
    author: str
    time: str
    reason: str


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
        with _told(path):
            db = _connect(path)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {FORMAT}")
            with db:
                for statement in SCHEMA.values():
                    db.execute(statement)
        made = cls(path, db)
        try:
            made.save(scene, {}, author=author, reason=reason)
        except StoreError:
            made.close()
            path.unlink(missing_ok=True)
            raise
        return made

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
        with _told(path):
            db = _connect(path)
            try:
                _check_format(db, path)
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

    def save(self, scene: Scene, media: Mapping[str, bytes], *, author: str, reason: str) -> int:
        """Store a revision and the media it brings, all or nothing; returns the revision's id.

        Raises
        ------
        StoreError
            When it can't be written (disk full, no permission); the file is then as before.
        """
        text = scene.model_dump_json()
        with _told(self.path), self._db:
            self._db.execute("BEGIN IMMEDIATE")
            parent = self._head_id()
            for name, data in media.items():
                if digest(data) != name:
                    raise StoreError("a medium's bytes do not match its digest", where=name)
                self._db.execute("INSERT OR IGNORE INTO medium VALUES (?, ?)", (name, data))
            row = self._db.execute(
                "INSERT INTO revision (parent, author, time, reason, scene) VALUES (?, ?, ?, ?, ?)",
                (parent, author, datetime.now(UTC).isoformat(timespec="milliseconds"), reason, text),
            )
            made = int(row.lastrowid or 0)
            self._set_head(made)
        return made

    def scene(self, revision: int | None = None) -> Scene:
        """Return the scene at the head, or at a revision of the history."""
        wanted = self._head_id() if revision is None else revision
        with _told(self.path):
            row = self._db.execute(
                "SELECT length(CAST(scene AS BLOB)), scene FROM revision WHERE id = ?", (wanted,)
            ).fetchone()
        if row is None:
            raise StoreError(
                "no such revision", where=str(self.path), value=wanted, todo="see `elbowroom history`"
            )
        if row[0] > MAX_SCENE_BYTES:
            raise StoreError(
                "the scene is too large", where=str(self.path), value=row[0], limit=MAX_SCENE_BYTES
            )
        try:
            return Scene.model_validate_json(row[1])
        except ValidationError as error:
            first = error.errors()[0]
            raise StoreError(
                f"the scene in it does not read: {first['msg']}",
                where=f"{self.path}, {'.'.join(str(p) for p in first['loc'])}",
                todo="open it with the version that wrote it, or ask its sender",
            ) from error

    def media(self) -> Mapping[str, bytes]:
        """Return the media by digest, read from the file when asked for."""
        return _Media(self._db, self.path)

    def history(self) -> list[Revision]:
        """Return all revisions, oldest first."""
        with _told(self.path):
            rows = self._db.execute(
                "SELECT id, parent, author, time, reason FROM revision ORDER BY id"
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
        with _told(self.path), self._db:
            self._set_head(revision)
        return self._row(revision)

    def _row(self, revision: int) -> Revision:
        return next(r for r in self.history() if r.id == revision)

    def _set_head(self, revision: int) -> None:
        self._db.execute("INSERT OR REPLACE INTO head VALUES (1, ?)", (revision,))

    def _head_id(self) -> int | None:
        row = self._db.execute("SELECT revision FROM head").fetchone()
        return int(row[0]) if row else None


class _Media(Mapping[str, bytes]):
    """Media of an open scene file as a mapping; each read is checked against its digest."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db, self._path, self._lock = db, path, threading.Lock()

    def __getitem__(self, name: str) -> bytes:
        with _told(self._path), self._lock:
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

    def __iter__(self) -> Iterator[str]:
        with _told(self._path):
            names = [str(r[0]) for r in self._db.execute("SELECT digest FROM medium")]
        return iter(names)

    def __len__(self) -> int:
        return int(self._db.execute("SELECT count(*) FROM medium").fetchone()[0])


def _connect(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, timeout=10, check_same_thread=False, isolation_level=None)
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    return db


def _check_format(db: sqlite3.Connection, path: Path) -> None:
    """Raise StoreError unless the file holds exactly our tables, in a version this program knows."""
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise StoreError("a database, but not a scene file", where=str(path), todo="check the name")
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version > FORMAT:
        raise StoreError(
            "the scene file is from a newer version",
            where=str(path),
            value=version,
            limit=FORMAT,
            todo="update the program",
        )
    rows = db.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'").fetchall()
    if dict(rows) != SCHEMA:
        raise StoreError(
            "the scene file holds tables that don't belong there, or lacks some",
            where=str(path),
            value=", ".join(sorted(str(r[0]) for r in rows))[:200],
            limit=", ".join(sorted(SCHEMA)),
        )
    state = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    if state != "ok":
        raise StoreError(
            "the scene file is damaged",
            where=str(path),
            value=str(state)[:200],
            todo="ask for it again, or take a backup",
        )


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what SQLite says into a StoreError that says what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        todo = "check that the folder can be written to"
        if "full" in text:
            todo = "the disk is full: free some space and save again; the file is as it was before"
        elif "locked" in text:
            todo = "another program is writing it: close it there, or wait a moment"
        raise StoreError(
            f"can't read or write the scene file ({text})", where=str(path), todo=todo
        ) from error
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"the scene file is damaged ({error})", where=str(path), todo="ask for it again, or take a backup"
        ) from error


def copy_scene_file(source: SceneFile, target: str | Path) -> None:
    """Write a compact copy of a scene file, atomically.

    Raises
    ------
    StoreError
        When it can't be written.
    """
    target = Path(target)
    partial = target.with_name(target.name + ".part")
    partial.unlink(missing_ok=True)
    with _told(target), closing(sqlite3.connect(source.path)) as db:
        db.execute("VACUUM INTO ?", (str(partial),))
    os.replace(partial, target)
