"""The top of the page: which stage, its answer in one sentence, how long still, and the readings that matter now."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from nicegui import ui

from analysis.vocabulary.text import duration, words
from collector.follow.say import headline, time_to_go
from collector.follow.tail import JournalRow, seconds_of
from collector.page.charts import FIRST_OF_STAGE
from collector.page.model import Model, clock
from collector.page.parts import Text, box
from collector.page.readings import with_sign

KEY_FIGURES: Mapping[str, Sequence[str]] = {
    "recovery": ("recovered",),
    "charging": ("rate",),
    "startup": ("suction superheat", "subcooling", "evaporator approach"),
}
"""Figures that stand in large digits, by stage; readings fill what is left."""
WEIGHED = ("recovered", "rate")
"""Those that are as old as the weight on the scale."""
MOST_KEYS = 3
LONGEST_URGENT = 140
TONE_WORDS = {"good": "GOOD", "alarm": "ACT NOW", "working": "GOING ON", "caution": "LOOK HERE"}
URGENT_WORDS = {"alarm": "✖ ALARM", "caution": "▲ LOOK"}
BYTES = re.compile(r" \((?:[0-9a-f]{2} )+…?\)")
"""What came over a wire, as the journal quotes it: nothing to read with gloves on."""
SIGNS = {"good": "✓", "alarm": "✖", "working": "▶", "caution": "▲"}


class Answer:
    """Builds the part and keeps it up to date."""

    def __init__(self, model: Model) -> None:
        self._model = model
        with box("section", "answer tone-working", aria_label="Stage and answer") as self._box:
            with box("div", "where"):
                self._tone = Text("span", "", "tone")
                self._stage = Text("span", "", "stage")
            self._answer = Text("p", "", "words")
            self._answer.props["aria-live"] = "polite"
            self._left = Text("p", "", "left")
            self._keys = box("dl", "keys", aria_label="Readings that matter now")
            self._lost = Text("p", "", "urgent caution lost")
            self._lost.props["role"] = "alert"
            with box("div", "urgent", role="alert") as self._urgent:
                self._urgent_first = Text("p", "", "first")
                self._urgent_rest = Text("p", "", "rest")
            self._more = Text("p", "", "more")
        self._shown: list[tuple[str, Text, Text]] = []
        self.refresh()

    def refresh(self) -> None:
        """Bring the part up to date."""
        self._refresh_answer()
        self._refresh_keys()

    def _refresh_answer(self) -> None:
        model = self._model
        urgent = model.urgent()
        told = said_now(model, urgent)
        self._box.classes(replace=f"answer tone-{told.tone}")
        self._tone.show(f"{SIGNS[told.tone]} {TONE_WORDS[told.tone]}")
        self._stage.show(told.title)
        self._answer.show(with_sign(told.answer))
        self._left.show(with_sign(told.left))
        self._more.show(with_sign(told.more))
        lost = [] if model.rows_are_late() else list(model.recorder.lost.values())
        self._lost.show(lost_words(lost, stop_flow=unweighed(model)))
        self._refresh_urgent(urgent)

    def _refresh_urgent(self, urgent: Mapping[str, Any] | None) -> None:
        self._urgent.set_visibility(urgent is not None)
        if urgent is None:
            return
        level = urgent["level"]
        first, rest = headline(with_sign(urgent["text"]), urgent["kind"], LONGEST_URGENT)
        self._urgent.classes(replace=f"urgent {level}")
        self._urgent_first.show(f"{URGENT_WORDS[level]} {clock(seconds_of(urgent['time']) or 0.0)}: {first}")
        self._urgent_rest.show(rest)

    def _refresh_keys(self) -> None:
        model = self._model
        stage = model.running_stage
        judged = model.stage if model.stage is not None and model.stage["name"] == stage else None
        figures = {f["name"]: f["text"] for f in judged["figures"]} if judged is not None else {}
        wanted = [name for name in KEY_FIGURES.get(stage, ()) if name in figures]
        now = time.time()
        wanted += [
            name
            for name in FIRST_OF_STAGE.get(stage, ())
            if name in model.channels and (stage or model.health(name, now) in ("fresh", "late"))
        ]
        wanted = wanted[:MOST_KEYS]
        if [name for name, _, _ in self._shown] != wanted:
            self._keys.clear()
            self._shown = []
            with self._keys:
                for name in wanted:
                    with ui.element("div"):
                        Text("dt", words(name))
                        self._shown.append((name, Text("dd", "", "number"), Text("dd", "", "age")))
        doubts = model.doubts()
        for name, number, age in self._shown:
            source = "cylinder_weight" if name in WEIGHED else name
            channel = model.channels.get(source)
            if name in figures:
                number.show(with_sign(figures[name]))
            elif channel is not None:
                number.show(channel.shown)
            if channel is None:
                continue
            old, health = channel.age_s(now), model.health(source, now)
            number.classes(replace=f"number {health}")
            late = "" if health == "fresh" else "no reading yet" if old is None else f"▲ {duration(old)} old"
            age.show(f"▲ {doubts[source]}" if source in doubts and not late else late)


@dataclass(frozen=True)
class Said:
    """What stands at the top: `tone` a key of `SIGNS`, `left` the time left, `more` what follows the answer."""

    tone: str
    title: str
    answer: str
    left: str = ""
    more: str = ""


def said_now(model: Model, urgent: Mapping[str, Any] | None) -> Said:
    """Return what is to be said at this moment, beside the finding that asks for something."""
    told = _judged(model, urgent)
    tone, more = told.tone, told.more
    if urgent is not None:
        if more in urgent["text"] or (tone == "working" and urgent["level"] == "alarm"):
            more = ""  # how to go on is no news while an alarm says to stop
        tone = tone if tone == "alarm" else urgent["level"]
    elif tone != "alarm" and (model.recorder.lost or _doubted(model)):
        tone = "caution"
    age = model.last_row_age_s()
    if model.rows_are_late() and age is not None:
        stopped = model.recorder.last == "stopped"
        left = f"last row {duration(age)} ago"
        return Said(
            "caution" if stopped else "alarm",
            told.title,
            "Recording was stopped." if stopped else "Nothing is being recorded.",
            left if stopped else f"{left}: look at the terminal",
            f"The last answer was: {told.answer} {more}",
        )
    if model.judgement_is_late():
        more = f"This judgement is {duration(model.judged_age_s() or 0.0)} old. {more}"
    elif more and urgent is not None:  # the finding speaks of its own time, perhaps with other numbers
        more = f"Now: {more}"
    return replace(told, tone=tone, more=more)


def _judged(model: Model, urgent: Mapping[str, Any] | None) -> Said:
    """Return the answer as it was judged last, or why there is none."""
    stage, running = model.stage, model.running_stage
    if model.state.get("refused"):
        why = str(model.state["refused"]).replace(f"{model.folder}/", "")
        return Said("alarm", "", "The log cannot be judged.", more=why)
    if not len(model.rows):
        if model.starting:
            return Said("working", "", "Waiting for the first row.")
        return Said("alarm", "", "Nothing is being recorded.", more="No row has come yet. Look at the terminal.")
    if stage is None or (running and stage["name"] != running):
        waits = "The first judgement comes soon." if running else "No stage has begun."
        return Said("working", words(running).capitalize(), f"Recording. {waits}")
    title = words(stage["name"]).capitalize()
    begin, end = (None if stage[edge] is None else seconds_of(stage[edge]) for edge in ("begin", "end"))
    if end is not None:
        title += f" · ended {clock(end)}"
    elif begin is not None:
        title += f" · {duration(max(0.0, float(model.rows.at[-1]) - begin))}"
    left = "" if unweighed(model) else time_to_go(stage, urgent)
    return Said(stage["tone"], title, stage["answer"], left, stage["more"])


def _doubted(model: Model) -> bool:
    """Return whether a reading that counts in this stage is not believed."""
    return not model.doubts().keys().isdisjoint(FIRST_OF_STAGE.get(model.running_stage, ()))


def unweighed(model: Model) -> bool:
    """Return whether a cylinder may fill or empty unseen: the scale fell silent while refrigerant is moved."""
    moved = model.running_stage in ("recovery", "charging") and "cylinder_weight" in model.channels
    return moved and model.health("cylinder_weight", time.time()) == "silent"


def lost_words(rows: Sequence[JournalRow], *, stop_flow: bool = False) -> str:
    """Return what is said of instruments that do not answer, empty without any: several in one short sentence."""
    if not rows:
        return ""
    stop = " Stop the flow until the weight is back." if stop_flow else ""
    if len(rows) > 1:
        names = [row.subject for row in rows]
        said = f"{', '.join(names[:-1])} and {names[-1]} do not answer, since {clock(min(row.at for row in rows))}."
        return f"▲ {said} Check their power and cables.{stop}"
    row = rows[0]
    why = f" ({BYTES.sub('', row.text)})" if row.text else ""
    return f"▲ {row.subject} has not answered since {clock(row.at)}{why}. Check its power and cable.{stop}"
