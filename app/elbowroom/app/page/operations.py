"""What the middle of the page shows for each operation."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from elbowroom.app.page import op_check, op_files, op_frame, op_obstacles, op_photos, op_plate
from elbowroom.app.page.state import Window

DRAW: Mapping[int, Callable[[Window], None]] = {
    10: op_photos.draw,
    20: op_frame.draw,
    30: op_obstacles.draw,
    40: op_plate.draw,
    50: op_check.draw,
    60: op_files.draw,
}


def draw(window: Window) -> None:
    """Draw the window's operation."""
    DRAW[window.op](window)
