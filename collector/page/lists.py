"""Cylinders as they fill, channels with age and health, findings."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from analysis.result import significant
from analysis.vocabulary.text import about, duration, words
from collector.follow.tail import seconds_of
from collector.page.model import Model, clock
from collector.page.parts import Text, box, section
from collector.page.readings import shown, with_sign

MOST_FINDINGS = 60
LEVEL_WORDS = {"info": "● for your information", "caution": "▲ caution", "alarm": "✖ alarm"}
NO_BREAK = "\u00a0"
HEALTH_WORDS = {"fresh": "✓ fresh", "late": "▲ late", "silent": "✖ silent", "idle": "– no reading", "never": "– none"}


class Cylinders:
    """A bar for every cylinder, up to its safe fill."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._signature = ""
        self._box = section("Cylinders", "cylinders")
        with self._box:
            self._list = box("ul", "plain")
        self.refresh()

    def refresh(self) -> None:
        """Bring the part up to date."""
        signature = self._model.signature("cylinders")
        if signature == self._signature:
            return
        self._signature = signature
        cylinders = self._model.now.get("cylinders", [])
        self._box.set_visibility(bool(cylinders))
        self._list.clear()
        with self._list:
            for each in cylinders:
                self._one(each)

    @staticmethod
    def _one(each: Mapping[str, Any]) -> None:
        held, limit, left = each["net"], each["limit"], each["seconds_left"]
        share = None if held is None or limit is None else held / limit
        if held is None:
            text = "what it holds is not known"
        elif share is None:
            text = f"{shown(round(held, 1))} {each['unit']}"
        else:
            text = f"{shown(round(held, 1))} of {significant(limit)} {each['unit']} safe fill"
        with box("li", "cylinder on" if each["on_scale"] else "cylinder"):
            with box("p"):
                Text("strong", f"{each['name']}{' · on the scale' if each['on_scale'] else ''}")
                Text("span", text)
            if share is None:
                return
            level = "full" if share >= 1.0 else "near" if share >= 0.9 and each["on_scale"] else "room"
            with box("div", f"bar {level}", role="img", aria_label=f"{100 * share:.0f} % of the safe fill"):
                box("i").style(f"width:{min(max(share, 0.0), 1.0) * 100:.1f}%")
            said = {"full": ["✖ FULL"], "near": ["▲ nearly full"], "room": []}[level]
            if left is not None and level != "full":
                said.append(f"at its safe fill in {about(left)}")
            if said:
                Text("p", ": ".join(said), level)


class Channels:
    """A table of every channel."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._rows: dict[str, tuple[Text, Text]] = {}
        with section("Channels", "channels"), box("table"):
            with box("thead"), box("tr"):
                for heading in ("channel", "reading", "health, age"):
                    Text("th", heading).props("scope=col")
            self._body = box("tbody")
        self.refresh()

    def refresh(self) -> None:
        """Bring the part up to date."""
        model = self._model
        if list(self._rows) != list(model.channels):
            self._body.clear()
            self._rows = {}
            with self._body:
                for name in model.channels:
                    with box("tr"):
                        Text("th", words(name)).props("scope=row")
                        self._rows[name] = (Text("td", "", "value"), Text("td"))
        now, doubts = time.time(), model.doubts()
        for name, (value, health) in self._rows.items():
            channel = model.channels[name]
            state, old = model.health(name, now), channel.age_s(now)
            value.set_text(channel.shown)
            doubt = doubts.get(name, "")
            said = f"▲ {doubt}" if doubt and state == "fresh" else HEALTH_WORDS[state]
            health.set_text(said if old is None else f"{said}, {duration(old).replace(' ', NO_BREAK)}")
            health.classes(replace="late" if doubt and state == "fresh" else state)


class Findings:
    """The findings, newest first."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._shown: tuple[int, str] = (-1, "")
        with section("Findings", "findings"):
            self._none = Text("p", "Nothing found yet.")
            self._list = box("ol", "plain")
        self.refresh()

    def refresh(self) -> None:
        """Bring the part up to date."""
        found = self._model.told_findings
        signature = (len(found), str(found[-1]) if found else "")
        if signature == self._shown:
            return
        self._shown = signature
        self._none.set_visibility(not found)
        self._list.clear()
        with self._list:
            for each in reversed(found[-MOST_FINDINGS:]):
                at = seconds_of(each["time"])
                with box("li", f"finding {each['level']}"):
                    with box("p", "head"):
                        Text("strong", words(each["kind"]).capitalize())
                        Text("span", LEVEL_WORDS.get(each["level"], each["level"]), "level")
                        Text("span", "" if at is None else clock(at), "time")
                    Text("p", with_sign(each["text"]))
        if len(found) > MOST_FINDINGS:
            with self._list:
                Text("li", f"{len(found) - MOST_FINDINGS} older ones stand in the report.")
