"""Operation 50: the gaps, tightest first, and where each is."""

from __future__ import annotations

from elbowroom.app.job import Cancelled, Job, Tell, check_job
from elbowroom.app.page.desk import Said
from elbowroom.app.page.parts import box, button, text
from elbowroom.app.page.state import Window
from elbowroom.app.page.widgets import SolidView
from elbowroom.app.wording import bare_length
from elbowroom.shared.scene import Check, GapRow

VERDICTS = {
    "clear": "clear",
    "tight": "TIGHT",
    "cuts": "CUTS",
    "touches": "touches, as asked",
    "slides over": "slides over, as asked",
}


def draw(window: Window) -> None:
    """Draw the operation."""
    scene = window.desk.scene()
    if not scene.plates:
        with box("div", "empty"):
            text("h2", "No plate to check yet")
            text("p", "Fit one at 40 first.")
        return
    with box("div", "actions"):
        _check_button(window, bool(scene.checks))
    rows = [r for c in scene.checks for r in c.rows]
    flagged = rows[window.gap] if window.gap is not None and window.gap < len(rows) else None
    words = f"the gap to {flagged.obstacle}" if flagged else "the plate among the obstacles"
    SolidView(window.desk.head(), words, flagged.at_plate_mm if flagged else None)
    first = 0
    for check in scene.checks:
        _table(window, check, first)
        first += len(check.rows)
    text(
        "p",
        "Required is the clearance asked for plus the doubt of plate and obstacle. A gap is the least over the whole travel.",
        "hint",
    )


def _check_button(window: Window, again: bool) -> None:
    async def start() -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> list[Check]:
            return check_job(job, tell=tell)

        await window.run("checking", work, done=lambda _: Said("done", "checked"))

    button("Check again" if again else "Check", start, "primary")


def _table(window: Window, check: Check, first: int) -> None:
    unit = window.desk.scene().shown_in
    text(
        "h2",
        f"{check.plate}: {'pass' if check.passes else 'hold'}",
        "verdict " + ("pass" if check.passes else "hold"),
    )
    with (
        box("div", "scroll", tabindex="0", role="region", aria_label=f"gaps of {check.plate}"),
        box("table", "gaps"),
    ):
        text("caption", f"Gaps of {check.plate} in {unit}, tightest first")
        with box("thead"), box("tr"):
            for head in ("obstacle", "verdict", "gap", "required", "asked", "doubt (1 sd)", "worst at"):
                text("th", head, scope="col")
        with box("tbody"):
            for n, row in enumerate(check.rows, first):
                _row(window, row, n)


def _row(window: Window, row: GapRow, n: int) -> None:
    def fly() -> None:
        window.gap = n
        window.redraw()

    unit = window.desk.scene().shown_in
    at = "" if row.worst_travel is None else f"{row.worst_travel:+.1f}"
    thing = row.obstacle if row.part == "body" else f"{row.obstacle}, {row.part}"
    with box("tr", f"gap {row.verdict.split()[0]}" + (" here" if window.gap == n else "")):
        with box("th", scope="row"):
            button(thing, fly, "link", title="show the place")
        text("td", VERDICTS[row.verdict], "said-verdict")
        for value in (row.gap_mm, row.required_mm, row.clearance_mm, row.sd_mm):
            text("td", bare_length(value, unit), "number")
        text("td", at, "number")
