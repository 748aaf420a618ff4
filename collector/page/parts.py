"""Small pieces of the page: real HTML elements with text that is never markup."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping

from nicegui import ui
from nicegui.elements.mixins.text_element import TextElement

Click = Callable[[], Awaitable[object]] | Callable[[], None]


class Text(TextElement):
    """An element of any tag that holds text."""

    def __init__(self, tag: str, text: str = "", classes: str = "") -> None:
        super().__init__(tag=tag, text=text)
        if classes:
            self.classes(classes)

    def show(self, text: str) -> None:
        """Set the text, and hide the element while it is empty."""
        if text != self.text:
            self.set_text(text)
        self.set_visibility(bool(text))


def box(tag: str, classes: str = "", **attributes: str) -> ui.element:
    """Return an element to be filled; attributes such as ``aria_label`` are written with dashes."""
    element = ui.element(tag).classes(classes)
    _write_attributes(element, attributes)
    return element


def _write_attributes(element: ui.element, attributes: Mapping[str, str]) -> None:
    for name, value in attributes.items():
        element.props[name.replace("_", "-")] = value


def section(title: str, classes: str) -> ui.element:
    """Return a section that a screen reader announces by its heading."""
    element = box("section", f"part {classes}", aria_label=title)
    with element:
        Text("h2", title)
    return element


def button(text: str, click: Click, classes: str = "", **attributes: str) -> Text:
    """Return a real button."""
    made = Text("button", text, f"act {classes}")
    _write_attributes(made, {"type": "button", **attributes})
    made.on("click", click, [])
    return made
