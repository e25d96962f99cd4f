"""The tables of a scene file, how a stranger's are checked, and how an older file is brought up to date."""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from elbowroom.shared.errors import StoreError

APPLICATION_ID = 0x456C626F
"""`PRAGMA application_id` of a scene file ("Elbo")."""

FORMAT = 2
"""`PRAGMA user_version`; a newer one is refused with a message. 2: revisions have a name of their own in every copy."""

SCHEMA = {
    "medium": "CREATE TABLE medium (digest TEXT PRIMARY KEY, bytes BLOB NOT NULL)",
    "revision": (
        "CREATE TABLE revision (id INTEGER PRIMARY KEY AUTOINCREMENT, uid TEXT NOT NULL UNIQUE, "
        "parent INTEGER REFERENCES revision(id), merged INTEGER REFERENCES revision(id), "
        "author TEXT NOT NULL, time TEXT NOT NULL, reason TEXT NOT NULL, scene TEXT NOT NULL)"
    ),
    "head": "CREATE TABLE head (only INTEGER PRIMARY KEY CHECK (only = 1), revision INTEGER NOT NULL REFERENCES revision(id))",
}

SCHEMA_1 = SCHEMA | {
    "revision": (
        "CREATE TABLE revision (id INTEGER PRIMARY KEY AUTOINCREMENT, parent INTEGER REFERENCES revision(id), "
        "author TEXT NOT NULL, time TEXT NOT NULL, reason TEXT NOT NULL, scene TEXT NOT NULL)"
    ),
}
"""The tables of format 1."""


def connect(path: Path) -> sqlite3.Connection:
    """Return a connection that trusts nothing in the file and waits for the disk before it acknowledges."""
    db = sqlite3.connect(path, timeout=10, check_same_thread=False, isolation_level=None)
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    return db


def new_database(path: Path) -> sqlite3.Connection:
    """Return a new scene file's connection: our tables, no revision yet."""
    with told(path):
        db = connect(path)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {FORMAT}")
        with db:
            for statement in SCHEMA.values():
                db.execute(statement)
    return db


def check_format(db: sqlite3.Connection, path: Path) -> None:
    """Raise StoreError unless the file holds exactly our tables, in a version this program knows; bring it up to date."""
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
    if dict(rows) != (SCHEMA_1 if version == 1 else SCHEMA):
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
    if version == 1:
        _bring_up_to_date(db)


def _bring_up_to_date(db: sqlite3.Connection) -> None:
    """Turn format 1 into format 2 in one transaction.

    A revision's uid is the digest of what it says and of its parent's, so that two copies of one file get the same ones.
    """
    db.execute("PRAGMA foreign_keys = OFF")
    with db:
        db.execute("BEGIN IMMEDIATE")
        head = db.execute("SELECT revision FROM head").fetchone()
        db.execute("DROP TABLE head")
        db.execute("ALTER TABLE revision RENAME TO old")
        for name in ("revision", "head"):
            db.execute(SCHEMA[name])
        uids: dict[int, str] = {}
        for (number,) in db.execute("SELECT id FROM old ORDER BY id").fetchall():
            row = db.execute(
                "SELECT id, parent, author, time, reason, scene FROM old WHERE id = ?", (number,)
            ).fetchone()
            said = "\0".join([uids.get(row[1], ""), *map(str, row[2:])])
            uids[number] = hashlib.sha256(said.encode()).hexdigest()[:32]
            db.execute(
                "INSERT INTO revision VALUES (?, ?, ?, NULL, ?, ?, ?, ?)", (row[0], uids[number], *row[1:])
            )
        db.execute("DROP TABLE old")
        if head is not None:
            db.execute("INSERT INTO head VALUES (1, ?)", head)
        db.execute(f"PRAGMA user_version = {FORMAT}")
    db.execute("PRAGMA foreign_keys = ON")


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn what SQLite says into a StoreError that says what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        text = str(error)
        todo = "check that the folder can be written to, and that the disk is not full; the file is as it was before"
        if "full" in text:
            todo = "the disk is full: free some space and save again; the file is as it was before"
        elif "locked" in text:
            todo = "another program is writing it: close it there, or wait a moment"
        raise StoreError(
            f"can't read or write the scene file ({text})", where=str(path), todo=todo
        ) from error
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # the latter from SQLite's own message
        raise StoreError(
            f"the scene file is damaged ({error})", where=str(path), todo="ask for it again, or take a backup"
        ) from error


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """Yield a name beside `target` to write to; it takes the target's place when all went well, else it goes."""
    partial = target.with_name(target.name + ".part")
    # a journal left by a save that was cut off would be played into the new file
    leftovers = [partial, *(partial.with_name(partial.name + end) for end in ("-journal", "-wal", "-shm"))]
    with told(target):
        try:
            for path in leftovers:
                path.unlink(missing_ok=True)
            yield partial
            os.replace(partial, target)
        except OSError as error:
            raise StoreError(
                f"can't write the scene file ({error.strerror})",
                where=str(target),
                todo="check that the folder is there and can be written to",
            ) from error
        except StoreError as error:
            raise error.placed(str(target)) from error
        finally:
            with suppress(OSError):
                for path in leftovers:
                    path.unlink(missing_ok=True)
