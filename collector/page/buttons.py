"""The buttons: begin and end of stages, marks, notes, and taking the last one back."""

from __future__ import annotations

import asyncio
import time

from nicegui import ui

from analysis.vocabulary.channels import MARKS, STAGES
from analysis.vocabulary.errors import StandwatchError
from analysis.vocabulary.text import LONGEST_TEXT, words
from collector.control import send
from collector.entries import Entry, said
from collector.page.entries import STAGE_MARKS, undo
from collector.page.model import Model, clock
from collector.page.parts import Text, box, button, section

LONGEST_ID = 60


class Buttons:
    """Builds the part and keeps it fitting to the stage that runs."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._built_for: str | None = None
        self._last: tuple[Entry, str, str] | None = None
        self._busy = False
        with section("Tell the log", "tell"):
            with box("div", "told"):
                self._said = Text("p", "", "said")
                self._said.props["role"] = "status"
                self._undo = button("Undo", self._take_back, "undo")
                self._undo.set_visibility(False)
            self._fit = box("div", "fit")
            with box("form", "note") as form:
                self._note = ui.input(label="Note").props(f"outlined dense=false maxlength={LONGEST_TEXT}")
                Text("button", "Write note", "act").props("type=submit")
            form.on("submit.prevent", self._write_note, [])
        self._dialog = self._cylinder_dialog()
        self.refresh()

    def refresh(self) -> None:
        """Fit the buttons to the stage."""
        stage = self._model.running_stage
        if stage == self._built_for:
            return
        self._built_for = stage
        self._fit.clear()
        near = STAGE_MARKS.get(stage, ())
        with self._fit:
            if stage:
                button(f"End {words(stage)}", lambda: self._write(Entry("stage", stage, "end")), "stage-end")
            with box("div", "marks"):
                for mark in near:
                    self._mark_button(mark)
            with box("details", "", **({} if stage else {"open": "open"})):
                Text("summary", "Begin another stage" if stage else "Begin a stage")
                with box("div", "marks"):
                    for each in STAGES:
                        if each != stage:
                            self._stage_button(each)
            with box("details"):
                Text("summary", "Other marks")
                with box("div", "marks"):
                    for mark in MARKS:
                        if mark not in near:
                            self._mark_button(mark)

    def _stage_button(self, stage: str) -> None:
        button(f"Begin {words(stage)}", lambda: self._write(Entry("stage", stage, "begin")))

    def _mark_button(self, mark: str) -> None:
        text = words(mark).capitalize()
        if mark == "cylinder_on":
            button(f"{text}\u00a0…", self._dialog.open, aria_haspopup="dialog")
        else:
            button(text, lambda: self._write(Entry("mark", mark, self._on_scale() if mark == "cylinder_off" else "")))

    def _on_scale(self) -> str:
        """Return the cylinder that was marked on last, empty when it was taken off since."""
        for row in reversed(self._model.journal):
            if row.kind == "mark" and row.subject in ("cylinder_on", "cylinder_off"):
                return row.value if row.subject == "cylinder_on" else ""
        return ""

    def _cylinder_dialog(self) -> ui.dialog:
        with ui.dialog() as dialog, box("div", "card", aria_label="Which cylinder stands on the scale"):
            Text("h2", "Which cylinder?")
            with box("div", "marks"):
                for table in self._model.job.cylinder:
                    self._cylinder_button(dialog, table.id)
            with box("form", "note") as form:
                other = ui.input(label="Another one, by its id").props(f"outlined maxlength={LONGEST_ID}")
                Text("button", "Put on", "act").props("type=submit")
            button("Cancel", dialog.close)

        async def put_on() -> None:
            name = str(other.value or "").strip()
            if name:
                dialog.close()
                other.set_value("")
                await self._write(Entry("mark", "cylinder_on", name[:LONGEST_ID]))

        form.on("submit.prevent", put_on, [])
        return dialog

    def _cylinder_button(self, dialog: ui.dialog, name: str) -> None:
        async def put_on() -> None:
            dialog.close()
            await self._write(Entry("mark", "cylinder_on", name))

        button(name, put_on)

    async def _write_note(self) -> None:
        text = str(self._note.value or "").strip()
        if text and await self._write(Entry("note", text=text)):
            self._note.set_value("")

    async def _write(self, entry: Entry) -> bool:
        """Put an entry into the journal and say so; one at a time, so that a double touch writes it once."""
        if self._busy:
            return False
        self._busy = True
        before, at = self._model.running_stage, clock(time.time(), seconds=True)
        try:
            await asyncio.to_thread(send, self._model.folder, entry)
        except StandwatchError as error:
            self._say(f"▲ Not written: {error}", None)
            return False
        finally:
            self._busy = False
        self._say(f"✓ {at} {said(entry)}", (entry, before, at))
        return True

    async def _take_back(self) -> None:
        if self._last is None or self._busy:
            return
        self._busy = True
        entry, before, at = self._last
        try:
            for row in undo(entry, before, at):
                await asyncio.to_thread(send, self._model.folder, row)
        except StandwatchError as error:
            self._say(f"▲ Not taken back: {error}", self._last)
            return
        finally:
            self._busy = False
        self._say(f"✓ taken back: {said(entry)}", None)

    def _say(self, text: str, last: tuple[Entry, str, str] | None) -> None:
        self._last = last
        self._said.show(text)
        self._undo.set_visibility(last is not None)
        if last is not None:
            self._undo.props["aria-label"] = f"Undo {said(last[0])}"
            self._undo.update()
