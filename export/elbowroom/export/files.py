"""Writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from elbowroom.shared.errors import ExportError


def write_whole(path: Path | str, data: bytes) -> None:
    """Write `data` beside `path` and move it into place, so that a cut-off write leaves the old file as it was.

    Raises
    ------
    ExportError
        When the folder is missing or can't be written to.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}-", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, _usual_mode(target))
            os.replace(name, target)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise ExportError(
            f"the file could not be written ({error.strerror or error})",
            where=str(target),
            todo="check that the folder exists, is writable, has room, and that no program holds the file open",
        ) from error


def _usual_mode(target: Path) -> int:
    """Return the mode the file had, or what a plain new file would get (mkstemp's is private to the user)."""
    try:
        return target.stat().st_mode & 0o777
    except OSError:
        return 0o644
