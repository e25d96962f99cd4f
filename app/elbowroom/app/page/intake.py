"""What comes in: photos and tag files as plain bodies, kept under names of our own until a step takes them in."""

from __future__ import annotations

import secrets
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

from elbowroom.app.job import PHOTO_SUFFIXES
from elbowroom.shared.errors import InputError
from elbowroom.shared.tagfile import MAX_BYTES as MAX_TAG_BYTES

NAME_LETTERS = 80
"""Longest name of a file; names of entities have the same limit."""

FORBIDDEN = frozenset('/\\:*?"<>|')
"""Letters that no plain file name has on every system."""

MOST_FILES = 400
"""Files in one go: jobs of 300 photos are as large as they come."""

STARTS = {
    "JPEG": (b"\xff\xd8\xff", 0),
    "PNG": (b"\x89PNG\r\n\x1a\n", 0),
    "HEIC": (b"ftyp", 4),
}
"""First bytes of photos and where they stand. Source: JPEG ITU-T T.81 B.1.1.3, PNG ISO/IEC 15948 5.2, ISO/IEC 14496-12 4.3."""


def checked_name(name: str) -> str:
    """Return a file's name as a browser sent it.

    Raises
    ------
    InputError
        When it is empty, too long, holds a path or letters that no plain file name has.
    """
    bad = any(c in FORBIDDEN or unicodedata.category(c)[0] == "C" for c in name)
    if bad or not name.strip(". ") or len(name) > NAME_LETTERS or name[0] == ".":
        raise InputError(
            "not a plain file name",
            where="file",
            value=name[:60],
            limit=f"up to {NAME_LETTERS} letters, without folders and none of {''.join(sorted(FORBIDDEN))}",
            todo="rename the file and send it again",
        )
    return name


def check_photo_start(name: str, data: bytes) -> None:
    """Raise InputError when a file's name or its first bytes are not those of a photo."""
    if Path(name).suffix.lower() not in PHOTO_SUFFIXES:
        raise InputError(
            "not a photo by its name",
            where=name,
            limit=", ".join(sorted(PHOTO_SUFFIXES)),
            todo="send the photo itself",
        )
    if not any(data[at : at + len(start)] == start for start, at in STARTS.values()):
        raise InputError(
            "called a photo, but it is none inside",
            where=name,
            limit=", ".join(STARTS),
            todo="send the photo as the phone saved it",
        )


def check_tag_size(name: str, size: int) -> None:
    """Raise InputError when more bytes came than a tag file may have."""
    if size > MAX_TAG_BYTES:
        raise InputError(
            "the tag file is too large", where=name, value=f"{size} bytes", limit=f"{MAX_TAG_BYTES} bytes"
        )


@dataclass
class Batch:
    """Files sent in one go: their names as sent, and where their bytes lie."""

    folder: Path
    names: list[str] = field(default_factory=list)
    paths: list[Path] = field(default_factory=list)

    def add(self, name: str, data: bytes) -> None:
        """Keep a file under a name of our own."""
        if len(self.paths) >= MOST_FILES:
            raise InputError("too many files in one go", limit=MOST_FILES, todo="send them in parts")
        path = self.folder / f"{len(self.paths):04d}-{secrets.token_hex(4)}"
        path.write_bytes(data)
        self.names.append(name)
        self.paths.append(path)

    def drop(self) -> None:
        """Delete the bytes once they are taken in."""
        for path in self.paths:
            path.unlink(missing_ok=True)
        self.names.clear()
        self.paths.clear()
