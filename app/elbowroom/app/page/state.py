"""What one window shows: the operation, the photo, the gap; and what it can ask for."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Protocol

from elbowroom.app.job import Cancelled, Job, Tell
from elbowroom.app.page.desk import Desk, Said
from elbowroom.app.page.shop import Shop


class Run(Protocol):
    """Runs a step on the desk."""

    def __call__(
        self,
        what: str,
        work: Callable[[Job, Tell, Cancelled], object],
        *,
        can_stop: bool = False,
        done: Callable[[object], Said] | None = None,
    ) -> Awaitable[None]:
        """Run it."""


@dataclass
class Window:
    """One browser window."""

    shop: Shop
    desk: Desk
    op: int
    redraw: Callable[[], None]
    run: Run
    photo: str | None = None
    gap: int | None = None
    known: bool = False
