"""One screen: every part in its place, brought up to date once a second."""

from __future__ import annotations

import time
from pathlib import Path

from nicegui import ui

from analysis.vocabulary.text import counted, duration, words
from collector.page.alarms import Alarms
from collector.page.answer import Answer
from collector.page.buttons import Buttons
from collector.page.lists import Channels, Cylinders, Findings
from collector.page.model import Model, clock
from collector.page.parts import Text, box, button
from collector.page.themes import THEMES
from collector.page.trends import Trends

STYLE = Path(__file__).with_name("style.css")
THEME_COOKIE = "standwatch_theme"
MOST_NAMED = 2
CAUTION = (
    "It advises. It does not replace a gauge that you can see, nor a relief valve. "
    "Local codes, the machine maker's instructions and the licensed technician come first."
)


def build(model: Model, theme: str, shared: bool) -> None:
    """Build the page for one client.

    Parameters
    ----------
    theme : a key of `THEMES`.
    shared : whether others on the network may see it, which it says.
    """
    ui.add_css(STYLE.read_text(encoding="utf-8"))
    ui.query("body").classes(f"theme-{theme}")
    ui.add_head_html(f'<meta name="color-scheme" content="{"dark" if theme == "night" else "light"}">')
    with box("a", "skip", href="#tell-the-log"):
        Text("span", "To the buttons")
    with box("header", "top"):
        Text("h1", model.job.job.name)
        if model.job.job.simulated:
            Text("span", "SIMULATED DATA", "badge")
        if shared:
            Text("span", "SHARED ON THE NETWORK", "badge")
        recording = Text("span", "", "recording")
        recording.props["role"] = "status"
        alarmed = Text("a", "", "badge alarmed")
        alarmed.props["href"] = "#alarms"
        silent = Text("span", "", "badge")
        disk = Text("span", "", "badge")
        time_of_day = Text("span", "", "clock")
        other = "sun" if theme == "night" else "night"
        button(f"{'☀' if other == 'sun' else '☾'} {other.capitalize()} view", lambda: _take_theme(other), "quiet")
    with box("main", "parts"):
        with box("div", "now"):
            answer = Answer(model)
            with box("div", id="alarms"):
                alarms = Alarms(model)
        with box("div", "touched"):
            with box("div", id="tell-the-log"):
                buttons = Buttons(model)
            cylinders = Cylinders(model)
        with box("div", "seen"):
            trends = Trends(model, THEMES[theme])
            findings = Findings(model)
        channels = Channels(model)
    Text("footer", CAUTION)
    parts = (answer, alarms, buttons, cylinders, trends, findings, channels)

    def refresh() -> None:
        age = model.last_row_age_s()
        late = model.rows_are_late() and not model.starting
        waits = "NO ROW YET" if late else "starting"
        said = waits if age is None else f"NO ROW FOR {duration(age)}" if late else "recording"
        recording.show(f"✖ {said}" if late else f"● {said}")
        recording.classes(replace="recording late" if late else "recording")
        gone = [] if late or model.recorder.lost else model.silent()
        asked = len(model.alarms.unanswered())
        alarmed.show(f"✖ {counted(asked, 'open alarm')}" if asked else "")
        named = ", ".join(words(name) for name in gone)
        silent.show(
            f"▲ {len(gone)} channels silent" if len(gone) > MOST_NAMED else f"▲ silent: {named}" if gone else ""
        )
        disk.show(f"✖ {model.disk_trouble}" if model.disk_trouble else "")
        time_of_day.show(clock(time.time(), seconds=True))
        for part in parts:
            part.refresh()

    refresh()
    ui.timer(1.0, refresh)


def _take_theme(theme: str) -> None:
    ui.run_javascript(
        f'document.cookie = "{THEME_COOKIE}={theme}; path=/; max-age=31536000; samesite=strict"; location.reload()'
    )
