"""One window: the traveller down the side, the operation in the middle, and what runs or was said on top."""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from elbowroom.app.job import Cancelled, Job, Tell, show_lengths_in
from elbowroom.app.page import intake_fields, operations
from elbowroom.app.page.desk import Desk, Said
from elbowroom.app.page.parts import box, button, findings, text
from elbowroom.app.page.shop import Shop
from elbowroom.app.page.state import Window
from elbowroom.app.page.style import FOCUS, STYLE
from elbowroom.app.traveller import NAMES, Operation, traveller
from elbowroom.app.wording import CAUTION
from elbowroom.shared.errors import ElbowroomError

TICK_S = 0.25
"""How often a window looks whether there is something new: edits of other windows and of the command line too."""


def show_page(shop: Shop, op: int) -> None:
    """Build the page for one window."""
    ui.add_head_html(f"<style>{STYLE}</style><script>{FOCUS}</script>")
    if shop.desk is None:
        _choose_job(shop)
        return
    Sheet(shop, shop.desk, op if op in NAMES else 10)


def _choose_job(shop: Shop) -> None:
    """Ask which job to open, or the name of a new one."""

    def chosen(name: str) -> None:
        try:
            shop.open(name)
        except (ElbowroomError, OSError) as error:
            problem.clear()
            with problem:
                text("p", str(error), "said refused", role="alert")
            return
        ui.navigate.reload()

    with box("main", "choose"):
        text("h1", "Which job?")
        problem = box()
        for name in shop.jobs():
            button(name.removesuffix(".elbow"), lambda name=name: chosen(name), "wide")
        text("p", f"Jobs are files in {shop.folder}.", "hint")
        with box("form", "line") as form:
            with box("label"):
                text("span", "Name of a new job")
                field = box("input", name="name", autocomplete="off", maxlength="70")
            text("button", "Make it", "key", type="submit")
        form.on(
            "submit.prevent",
            lambda e: chosen(str(e.args)),
            js_handler="(e) => emit(new FormData(e.target).get('name'))",
        )
        field.props["placeholder"] = "ram mount"


class Sheet:
    """One window on the job."""

    def __init__(self, shop: Shop, desk: Desk, op: int) -> None:
        self.window = Window(shop=shop, desk=desk, op=op, redraw=self.redraw, run=self.run)
        self._shown: tuple[object, ...] = ()
        with box("div", "sheet"):
            with box("header", "top"):
                self.title = box("div", "title")
                self.status = box("div", "status", aria_live="polite")
            self.card = box("nav", "card", aria_label="operations")
            with box("main", "bench"):
                self.intake = intake_fields.build(self.window)
                self.middle = box("div", "middle")
            text("footer", CAUTION, "caution")
        self.redraw()
        ui.timer(TICK_S, self.watch)

    async def run(
        self,
        what: str,
        work: Callable[[Job, Tell, Cancelled], object],
        *,
        can_stop: bool = False,
        done: Callable[[object], Said] | None = None,
    ) -> None:
        """Run a step; the windows follow it."""
        await self.window.desk.run(what, work, can_stop=can_stop, done=done)

    def watch(self) -> None:
        """Show what is new."""
        desk = self.window.desk
        step = desk.step
        bar = (step.what, round(step.share, 2), step.now) if step else None
        if (desk.head(), id(desk.written), desk.turn, bar) == self._shown[:4]:
            return
        old = self._shown
        self._shown = (desk.head(), id(desk.written), desk.turn, bar)
        if self._shown[2:] != old[2:]:
            self._draw_status()
        if self._shown[:2] != old[:2]:
            self._draw_rest()

    def redraw(self) -> None:
        """Show everything anew."""
        desk = self.window.desk
        self._shown = (desk.head(), id(desk.written), desk.turn, None)
        self._draw_status()
        self._draw_rest()

    def _draw_rest(self) -> None:
        desk, scene = self.window.desk, self.window.desk.scene()
        written = desk.written is not None and desk.written.revision == desk.head()
        self.title.clear()
        with self.title:
            self._draw_title(scene.name)
        self.card.clear()
        lines = traveller(scene, written=written)
        with self.card:
            for line in lines:
                self._draw_line(line)
        self.intake.show(self.window.op)
        self.middle.clear()
        with self.middle:
            text("p", next(x.missing for x in lines if x.number == self.window.op), "lacking")
            operations.draw(self.window)

    def _draw_title(self, name: str) -> None:
        text("h1", name)
        here = next(r for r in reversed(self.window.desk.history()) if r.id == self.window.desk.head())
        with box("div", "undo"):
            button("Undo", lambda: self._step_back("undo"), "small", title=f"undo: {here.reason}")
            button("Redo", lambda: self._step_back("redo"), "small")
            unit = self.window.desk.scene().shown_in
            button(
                f"Lengths in {'mm' if unit == 'mm' else 'inches'}",
                lambda: self._turn_unit(unit),
                "small",
                title="change between mm and inches",
            )
            text("span", f"saved: {here.reason}", "hint")

    async def _turn_unit(self, unit: str) -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> object:
            return show_lengths_in(job, "in" if unit == "mm" else "mm")

        await self.run("changing the unit", work, done=lambda _: Said("done", "only what is shown changes"))

    async def _step_back(self, way: str) -> None:
        def work(job: Job, tell: Tell, cancelled: Cancelled) -> str:
            return (job.file.undo() if way == "undo" else job.file.redo()).reason

        await self.run(way, work, done=lambda reason: Said("done", f"{way}: now at “{reason}”"))

    def _draw_line(self, line: Operation) -> None:
        here = line.number == self.window.op
        with box("button", f"op {line.stamp}" + (" here" if here else ""), type="button") as made:
            text("span", str(line.number), "number")
            text("span", line.name, "name")
            text("span", line.stamp, "stamp")
            if line.missing:
                text("span", line.missing, "missing")
        if here:
            made.props["aria-current"] = "step"
        made.props["data-op"] = str(line.number)
        made.on("click", lambda: self._go(line.number))

    def _go(self, op: int) -> None:
        self.window.op = op
        self.redraw()
        ui.run_javascript(f"history.replaceState(null, '', '/?op={op}')")

    def _draw_status(self) -> None:
        desk = self.window.desk
        self.status.clear()
        with self.status:
            if desk.step is not None:
                bar = box("progress", max="1", aria_label=desk.step.what)
                bar.props["value"] = f"{desk.step.share:.2f}"
                text("span", f"{desk.step.what}: {desk.step.now}" if desk.step.now else desk.step.what, "now")
                if desk.step.can_stop:
                    button("Stop", desk.stop, "small")
            elif desk.said is not None:
                text("p", desk.said.words, f"said {desk.said.how}")
                findings(desk.said.findings)
