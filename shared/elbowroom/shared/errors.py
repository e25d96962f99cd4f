"""Errors that stop a step, and findings a person can live with."""

from __future__ import annotations

from copy import copy
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict

Severity = Literal["note", "warning", "fault"]


class ElbowroomError(Exception):
    """A step could not be done. The message says what, where, the value, the limit, and what to do.

    Parameters
    ----------
    what : str
        What went wrong, as a sentence without full stop.
    where : str
        File, photo, entity or field it concerns.
    value, limit : object
        The offending value and the limit it broke; left out of the message when None.
    todo : str
        The next step for the person reading it.
    """

    def __init__(
        self, what: str, *, where: str = "", value: object = None, limit: object = None, todo: str = ""
    ) -> None:
        self.what, self.where, self.value, self.limit, self.todo = what, where, value, limit, todo
        super().__init__(self.text())

    def text(self) -> str:
        """Return the whole message on one line."""
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.value is not None:
            parts.append(f"value {self.value}")
        if self.limit is not None:
            parts.append(f"limit {self.limit}")
        if self.todo:
            parts.append(self.todo)
        return "; ".join(parts)

    def placed(self, where: str) -> Self:
        """Return the same error with another `where`: for a caller who knows better what it belongs to."""
        moved = copy(self)
        moved.where = where
        moved.args = (moved.text(),)
        return moved


class InputError(ElbowroomError, ValueError):
    """Something handed in (a file, a number, a pick) can't be used as it is."""


class SolveError(ElbowroomError):
    """A computation found no answer; `partial` holds the best so far."""

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        value: object = None,
        limit: object = None,
        todo: str = "",
        partial: object = None,
    ) -> None:
        super().__init__(what, where=where, value=value, limit=limit, todo=todo)
        self.partial = partial


class StoreError(ElbowroomError):
    """The scene file can't be read or written; what was acknowledged before is still in it."""


class ExportError(ElbowroomError):
    """A file could not be written, or does not read back as it was meant."""


class Finding(BaseModel):
    """Something a person should know and may decide to live with.

    `numbers` holds the figures the message speaks of, by name with their unit as suffix (``gap_mm``).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    code: str
    severity: Severity
    subject: str
    message: str
    numbers: dict[str, float] = {}
