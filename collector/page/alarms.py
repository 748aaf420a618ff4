"""Alarms that nobody has acknowledged, each with its button; the row in the journal silences it everywhere."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from analysis.vocabulary.errors import StandwatchError
from analysis.vocabulary.text import words
from collector.control import send
from collector.follow.alarm_log import acknowledgement, without_stamp
from collector.page.model import Model, clock
from collector.page.parts import Text, box, button, section
from collector.page.readings import with_sign

MOST_SHOWN = 8


class Alarms:
    """Builds the part; it is there only while something is to be acknowledged."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._shown: list[tuple[str, float]] | None = None
        with section("Alarms", "alarms") as self._box:
            self._list = box("ul", "plain")
            self._said = Text("p", "", "refusal")
            self._said.props["role"] = "status"
        self.refresh()

    def refresh(self) -> None:
        """Bring the part up to date."""
        found = self._model.alarms.unanswered()
        if found == self._shown:
            return
        self._shown = found
        self._box.set_visibility(bool(found))
        self._said.show("")
        self._list.clear()
        with self._list:
            for name, at in found[:MOST_SHOWN]:
                self._one(f"{clock(at)} {with_sign(without_stamp(words(name)))}", "Acknowledge", name)
            if len(found) > 1:
                more = len(found) - MOST_SHOWN
                self._one(f"and {more} more" if more > 0 else "", f"Acknowledge all {len(found)}", "")

    def _one(self, text: str, label: str, name: str) -> None:
        with box("li", "alarm-row"):
            Text("p", f"✖ {text}" if name else text)
            button(
                label, self._acknowledge(name), "acknowledge", **({"aria_label": f"{label}: {text}"} if name else {})
            )

    def _acknowledge(self, name: str) -> Callable[[], Awaitable[None]]:
        async def acknowledge() -> None:
            try:
                await asyncio.to_thread(send, self._model.folder, acknowledgement(name))
            except StandwatchError as error:
                self._said.show(f"▲ Not written: {error}")

        return acknowledge
