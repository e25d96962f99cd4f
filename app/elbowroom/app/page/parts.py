"""Small parts of the page: plain elements with text, buttons, findings; what it is made of, not what it says."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from nicegui import ui
from nicegui.elements.mixins.text_element import TextElement
from nicegui.events import GenericEventArguments

from elbowroom.shared.errors import Finding

ORDER = {"fault": 0, "warning": 1, "note": 2}
WORDS = {"fault": "Fault", "warning": "Look", "note": "Note"}
"""How findings are headed: by a word, not by colour alone."""


@dataclass(frozen=True)
class Field:
    """A field of a form: a line to type in, or a choice."""

    name: str
    label: str
    value: str = ""
    choices: tuple[str, ...] = ()


def box(tag: str = "div", classes: str = "", **attributes: str) -> ui.element:
    """Return an element to be filled; attributes' underscores become dashes."""
    made = ui.element(tag).classes(classes)
    made.props.update({k.rstrip("_").replace("_", "-"): v for k, v in attributes.items()})
    return made


def text(tag: str, words: str, classes: str = "", **attributes: str) -> ui.element:
    """Return an element that holds words; they are shown as they are, never read as markup."""
    made = TextElement(tag=tag, text=words).classes(classes)
    made.props.update({k.rstrip("_").replace("_", "-"): v for k, v in attributes.items()})
    return made


def button(words: str, pressed: Callable[..., Any], classes: str = "", **attributes: str) -> ui.element:
    """Return a button; `pressed` may be a coroutine function."""
    attributes.setdefault("data_key", words.split()[0])
    made = text("button", words, f"key {classes}", type="button", **attributes)
    made.on("click", lambda: pressed())
    return made


def form(words: str, sent: Callable[[dict[str, str]], Any], fields: Sequence[Field]) -> ui.element:
    """Return a form of a few fields on a line; `sent` gets what was typed by field name."""
    with box("form", "line") as made:
        for field in fields:
            with box("label"):
                text("span", field.label, "hint")
                if field.choices:
                    with box("select", name=field.name):
                        for choice in field.choices:
                            text("option", choice, value=choice)
                else:
                    made_field = box("input", name=field.name, autocomplete="off", maxlength="60")
                    if (
                        field.value
                    ):  # as `value` it would come back over what is typed whenever the page changes
                        made_field.props["defaultValue"] = field.value
        text("button", words, "key", type="submit")

    def arrived(event: GenericEventArguments) -> Any:
        given = event.args if isinstance(event.args, dict) else {}
        return sent({f.name: str(given.get(f.name, ""))[:60].strip() for f in fields})

    made.on("submit.prevent", arrived, js_handler="(e) => emit(Object.fromEntries(new FormData(e.target)))")
    return made


def drawing(markup: str, classes: str = "") -> ui.html:
    """Return a drawing of our own making; words in it must have been escaped."""
    return ui.html(markup, sanitize=False).classes(classes)


def quoted(words: object) -> str:
    """Return words for use in a drawing's markup."""
    return escape(str(words), quote=True)


def findings(found: Iterable[Finding]) -> None:
    """List findings, faults first; the same words once."""
    seen = dict.fromkeys(sorted(((f.severity, f.message) for f in found), key=lambda f: ORDER[f[0]]))
    if not seen:
        return
    with box("ul", "findings"):
        for severity, message in seen:
            with box("li", f"finding {severity}"):
                text("strong", WORDS[severity])
                text("span", message)


def facts(rows: Iterable[tuple[str, str]]) -> None:
    """List names with their values."""
    with box("dl", "facts"):
        for name, value in rows:
            text("dt", name)
            text("dd", value)
