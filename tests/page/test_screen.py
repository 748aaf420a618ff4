"""The page in a real browser: it moves, it writes, it comes back, and nothing that it shows is markup."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from collector.follow.state import STATE_VERSION, write_state
from tests.collector.follow.watching import wait_for
from tests.page.conftest import HOSTILE, PATIENCE_MS, Log, Open, Server, stamp


@pytest.fixture(autouse=True)
def rows_go_on(log: Log) -> Iterator[None]:
    """A recorder is at work, however long a screen takes to appear; what the test before left has ended."""
    log.entry("stage", "evacuation", "end")
    log.entry("instrument", "panel", "back")
    log.entry("note", "alarm", "acknowledged", "")
    write_state(log.folder, {**a_state(""), "now": None, "result": None})
    with log.going_on():
        yield


def number(page: Page, name: str) -> str:
    """Return the large digits that stand under a name."""
    return page.locator(".keys div", has_text=name).locator(".number").inner_text()


def a_state(text: str, level: str = "caution", begun_ago_s: float = 0.0) -> dict[str, object]:
    """Return a judgement as the findings follower writes it."""
    at = datetime.datetime.now(datetime.UTC)
    now, begun = stamp(at), stamp(at - datetime.timedelta(seconds=begun_ago_s))
    stage = {
        "name": "evacuation", "begin": begun, "end": None, "found_by": "signals", "verdict": "undecided",
        "tone": "working", "answer": text, "more": "", "figures": [],
        "time_left": {"seconds": 1500, "what": "to target"},
    }  # fmt: skip
    finding = {
        "time": now, "since": now, "stage": "evacuation", "kind": "stall", "level": level, "figures": {}, "text": text,
    }  # fmt: skip
    cylinders = [
        {"name": text, "net": 98.0, "limit": 105.0, "unit": "lb", "on_scale": True, "seconds_left": 600},
    ]
    return {
        "version": STATE_VERSION,
        "made": now,
        "again_within_s": 5.0,
        "refused": "",
        "now": {
            "stage": stage, "cylinders": cylinders, "targets": {}, "findings": [finding],
            "spans": [{"stage": "evacuation", "begin": now, "end": None, "phases": []}],
        },
        "result": {"findings": [finding], "stages": [], "log": {}},
    }  # fmt: skip


COUNT = (
    "getElement(+document.querySelector('.nicegui-echart').id.slice(1))"
    ".chart.getModel().getSeriesByIndex(0).getData().count()"
)
"""How many points the first line of the first trend holds in the browser."""

DRAWN = """() => {
    const canvas = document.querySelector('.nicegui-echart canvas');
    const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
    let found = 0;
    for (let i = 0; i < data.length; i += 4)
        found += Math.abs(data[i] - 0x5c) + Math.abs(data[i + 1] - 0xc8) + Math.abs(data[i + 2] - 0xd7) < 30;
    return found;
}"""
"""How many dots of that line's colour are seen."""


def test_rows_appear_as_they_are_recorded(log: Log, server: Server, open_page: Open) -> None:
    page = open_page(server.url)
    log.row("55.5", "", "90.25")
    expect(page.locator(".keys")).to_contain_text("55.5 psig")
    expect(page.locator(".recording")).to_contain_text("recording")
    expect(page.locator(".channels")).to_contain_text("90.25 lb")
    page.wait_for_function(f"() => ({DRAWN})() > 500")
    before, dots = page.evaluate(COUNT), page.evaluate(DRAWN)
    log.row("56.5")
    expect(page.locator(".keys")).to_contain_text("56.5 psig")
    page.wait_for_function(f"() => {COUNT} > {before}")
    page.wait_for_function(f"() => ({DRAWN})() > {0.8 * dots}")  # the line is drawn, not only held
    assert number(page, "circuit pressure") == "56.5 psig"


def test_a_mark_is_written_and_taken_back_by_later_rows(log: Log, server: Server, open_page: Open) -> None:
    page = open_page(server.url)
    before = len(log.entries())
    page.get_by_role("button", name="Begin evacuation").click()
    expect(page.locator(".said")).to_contain_text("evacuation begun")
    expect(page.get_by_role("button", name="End evacuation")).to_be_visible()
    page.get_by_role("button", name="Pump valve closed").click()
    expect(page.locator(".said")).to_contain_text("pump valve closed")
    assert log.entries()[before:] == ["stage,evacuation,begin,", "mark,pump_valve_closed,,"]
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".said")).to_contain_text("taken back")
    note, opposite = log.entries()[before + 2 :]
    assert note.startswith("note,,,undo: pump valve closed")
    assert opposite.startswith("mark,pump_valve_open,,undo: pump valve closed")


def test_a_cylinder_and_a_note_by_keyboard_alone(log: Log, server: Server, open_page: Open) -> None:
    page = open_page(server.url)
    before = len(log.entries())
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.get_by_label("Note", exact=True).focus()
    page.keyboard.type('hose warm, "frost" at <port 2>')
    page.keyboard.press("Enter")
    expect(page.locator(".said")).to_contain_text("note: hose warm")
    page.get_by_text("Other marks").press("Enter")
    page.get_by_role("button", name="Cylinder on").press("Enter")
    page.get_by_role("button", name="CYL-2").press("Enter")
    expect(page.locator(".said")).to_contain_text("cylinder on CYL-2")
    assert log.entries()[before:] == ['note,,,"hose warm, ""frost"" at <port 2>"', "mark,cylinder_on,CYL-2,"]


def test_it_comes_back_after_the_server_died(log: Log, server: Server, open_page: Open) -> None:
    page = open_page(server.url)
    expect(page.locator(".channels")).to_contain_text("lb")
    server.kill()
    expect(page.locator("#popup")).to_be_visible()
    server.start()
    log.row("77.7")
    expect(page.locator(".channels")).to_contain_text("77.7 psig", timeout=2 * PATIENCE_MS)


def test_nothing_from_a_file_or_a_wire_becomes_markup(log: Log, server: Server, open_page: Open) -> None:
    write_state(log.folder, a_state(HOSTILE, "alarm"))
    log.row()
    log.entry("instrument", HOSTILE, "lost", HOSTILE)
    page = open_page(server.url)
    for part in ("h1", ".words", ".lost", ".urgent.alarm", ".finding", ".cylinder"):
        expect(page.locator(part).first).to_contain_text(HOSTILE)
    assert page.title() == f"{HOSTILE} · standwatch"
    log.entry("instrument", HOSTILE, "back")
    assert page.evaluate("window.broken") is None
    assert page.locator("main b, main img, header img").count() == 0


def test_an_alarm_is_acknowledged_with_a_button(log: Log, server: Server, open_page: Open) -> None:
    log.entry("note", "alarm", "raised", f"lost: {HOSTILE}")
    log.entry("note", "alarm", "raised", "f: stall: 2026-03-14T07:00:05.000Z it stopped")
    page = open_page(server.url)
    rows = page.locator(".alarm-row")
    expect(rows).to_have_count(3)
    expect(page.locator(".alarms")).to_contain_text(f"lost: {HOSTILE}")
    expect(page.locator(".alarms")).to_contain_text("f: stall: it stopped")
    page.get_by_role("button", name="Acknowledge: ").filter(visible=True).first.focus()
    page.get_by_role("button", name="stall: it stopped").press("Enter")
    expect(rows).to_have_count(1)
    expect(page.get_by_role("link", name="1 open alarm")).to_have_attribute("href", "#alarms")
    assert log.entries()[-1] == "note,alarm,acknowledged,f: stall: 2026-03-14T07:00:05.000Z it stopped"
    log.entry("note", "alarm", "raised", "disk: disk")
    expect(rows).to_have_count(3)
    page.get_by_role("button", name="Acknowledge all 2").click()
    expect(page.locator(".alarms")).to_be_hidden()
    assert log.entries()[-1] == "note,alarm,acknowledged,"


def test_a_cable_that_was_pulled_is_one_line(log: Log, server: Server, open_page: Open) -> None:
    write_state(log.folder, a_state("On course.", "info"))
    log.row("50.0")
    log.entry("instrument", "panel", "lost", "no answer within 1 s")
    page = open_page(server.url)
    expect(page.locator(".lost")).to_contain_text("panel has not answered since")
    expect(page.locator(".lost")).to_contain_text("(no answer within 1 s). Check its power and cable.")
    expect(page.locator(".tone")).to_contain_text("▲")
    log.entry("instrument", "panel", "back")
    expect(page.locator(".lost")).to_be_hidden()


def test_a_dead_recorder_is_the_answer(serve: Callable[..., Server], tmp_path: Path, open_page: Open) -> None:
    log = Log(tmp_path / "job")
    page = open_page(serve(log.folder).url)
    expect(page.locator(".words")).to_have_text(re.compile("Waiting for the first row.|Nothing is being recorded."))
    log.row("50.0", ago_s=100.0)
    log.row("50.0", ago_s=90.0)
    write_state(log.folder, a_state("On course."))
    expect(page.locator(".words")).to_have_text("Nothing is being recorded.")
    expect(page.locator(".tone")).to_contain_text("ACT NOW")
    expect(page.locator(".left")).to_have_text(re.compile(r"last row \d+\smin ago: look at the terminal$"))
    expect(page.locator(".more")).to_contain_text("The last answer was: On course.")
    log.entry("recorder", value="stopped")
    expect(page.locator(".words")).to_have_text("Recording was stopped.")
    log.row("50.0")
    expect(page.locator(".words")).to_have_text("On course.")


TOPS = "places => places.map(place => document.querySelector(place).getBoundingClientRect().y)"


def test_while_an_alarm_stands_only_the_alarm_says_what_to_do(log: Log, server: Server, open_page: Open) -> None:
    state: dict[str, Any] = a_state("The tubes may freeze. Stop the machine.", "alarm")
    state["now"]["stage"] |= {"answer": "Liquid still stands.", "more": "Pull on."}
    state["now"]["cylinders"][0] |= {"net": 106.0, "seconds_left": 0}
    write_state(log.folder, state)
    log.row("50.0")
    page = open_page(server.url)
    expect(page.locator(".urgent.alarm .rest")).to_have_text("Stop the machine.")
    expect(page.locator(".words")).to_have_text("Liquid still stands.")
    expect(page.locator(".left")).to_have_text("")
    expect(page.locator(".more")).to_have_text("")
    expect(page.locator("p.full")).to_have_text("✖ FULL")
    sizes = page.evaluate(
        "() => ['.first', '.rest'].map(p => getComputedStyle(document.querySelector('.urgent.alarm ' + p)))"
        ".map(s => [parseFloat(s.fontSize), +s.fontWeight])"
    )
    assert sizes[1] >= sizes[0], "what to do is read from as far as what is wrong"
    log.entry("instrument", "panel", "lost", "no answer")
    phone = open_page(server.url, 390, 844)
    expect(phone.locator(".lost")).to_be_visible()
    tops = phone.evaluate(TOPS, [".urgent.alarm", ".lost", ".keys"])
    assert tops == sorted(tops), "what to do stands before the readings where only one of both is seen, an alarm first"
    state["now"]["findings"][0]["level"] = "caution"
    write_state(log.folder, state)
    expect(page.locator(".more")).to_have_text("Now: Pull on.")
    expect(phone.locator(".urgent.caution .rest")).to_have_text("Stop the machine.")
    tops = phone.evaluate(TOPS, [".urgent .rest", ".keys"])
    assert tops == sorted(tops)


def test_what_a_screen_reader_is_told(log: Log, server: Server, open_page: Open) -> None:
    write_state(log.folder, a_state("Frozen tubes burst.", "alarm"))
    log.entry("note", "alarm", "raised", "lost: scale")
    log.row("50.0")
    page = open_page(server.url)
    expect(page.locator(".words")).to_have_text("Frozen tubes burst.")
    said = (
        "status: ● recording", 'button "Acknowledge: ', "alert:", 'group "Time shown"', 'button "This stage" [pressed]',
        'img "Trend of circuit pressure in psig"', 'img "93 % of the safe fill"', 'rowheader "circuit pressure"',
        'textbox "Note"', 'link "To the buttons"',
    )  # fmt: skip

    def told() -> str | None:
        tree = page.locator("body").aria_snapshot()
        return tree if all(each in tree for each in said) else None

    tree = wait_for(told, f"not all of it is told: {said}")
    places = [tree.index(f'region "{name}"') for name in (
        "Stage and answer", "Alarms", "Tell the log", "Cylinders", "Trends", "Findings", "Channels",
    )]  # fmt: skip
    assert places == sorted(places), "read in the order in which it matters"


def test_silence_is_said(log: Log, server: Server, open_page: Open) -> None:
    write_state(log.folder, a_state("On course.", begun_ago_s=3_600.0))
    log.row("50.0")
    page = open_page(server.url)
    expect(page.locator(".channels tr", has_text="vacuum")).to_contain_text("silent")
    expect(page.locator(".top")).to_contain_text("silent: vacuum")


@pytest.mark.parametrize(("width", "height", "theme"), [(1280, 800, "night"), (390, 844, "sun")])
def test_it_fits_and_is_large_enough(
    log: Log, server: Server, open_page: Open, width: int, height: int, theme: str
) -> None:
    state: dict[str, Any] = a_state("Pull-down has stopped at 830 micron.")
    state["now"]["findings"][0]["kind"] = "channel_stuck"  # while it stalls no time is told
    write_state(log.folder, state)
    log.row()
    log.entry("note", "alarm", "raised", "lost: scale")
    page = open_page(server.url, width, height, theme)
    expect(page.locator(".words")).to_have_text("Pull-down has stopped at 830 micron.")
    expect(page.locator(".left")).to_have_text("about 25 min to target")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    answer = page.locator(".words").bounding_box()
    assert answer is not None
    assert answer["y"] + answer["height"] < height, "the answer is on the first screen"
    page.get_by_text("Other marks").click()
    page.get_by_role("button", name="Cylinder on").click()
    expect(page.get_by_role("button", name="CYL-2")).to_be_visible()
    # targets for gloves: 48 px and more (WCAG 2.2, 2.5.8 asks for 24, 2.5.5 for 44)
    page.wait_for_function(
        "() => [...document.querySelectorAll('button, summary, input, a.alarmed')].filter(b => b.offsetParent)"
        ".map(b => (b.closest('.q-field') ?? b).getBoundingClientRect()).every(b => b.height >= 48 && b.width >= 48)"
    )
    nameless = page.evaluate(
        "() => [...document.querySelectorAll('button, input, section, figure')].filter(e =>"
        " !(e.textContent.trim() || e.ariaLabel || e.labels?.length)).length"
    )
    assert nameless == 0


def test_why_a_log_cannot_be_judged_is_read_whole_on_a_phone(log: Log, server: Server, open_page: Open) -> None:
    refused = f"{log.folder}/job.toml: evacuation.{'a' * 90}: '500 psi' is not accepted"
    write_state(log.folder, {**a_state(""), "now": None, "result": None, "refused": refused})
    page = open_page(server.url, 390, 844)
    expect(page.locator(".more")).to_have_text(refused.replace(f"{log.folder}/", ""))
    text = page.evaluate(
        "() => { const r = document.createRange(); r.selectNodeContents(document.querySelector('.more'));"
        " return r.getBoundingClientRect().right; }"
    )
    assert text <= page.locator(".answer").evaluate("box => box.getBoundingClientRect().right") <= 390


@pytest.mark.parametrize("theme", ["night", "sun"])
def test_text_stands_out_from_its_ground(log: Log, server: Server, open_page: Open, theme: str) -> None:
    """Text against its ground: 4.5 to 1 at least (WCAG 2.2, 1.4.3)."""
    write_state(log.folder, a_state("Frozen tubes burst.", "alarm"))
    log.row("44.0")
    log.entry("note", "alarm", "raised", "lost: scale")
    log.entry("instrument", "panel", "lost", "no answer")
    page = open_page(server.url, theme=theme)
    expect(page.locator(".urgent.alarm")).to_be_visible()
    expect(page.locator(".lost")).to_be_visible()
    expect(page.locator(".number.silent").first).to_be_visible()
    faint = page.evaluate(
        """() => {
        const channel = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
        const opacity = e => e ? getComputedStyle(e).opacity * opacity(e.parentElement) : 1;
        const light = c => 0.2126 * channel(c[0]) + 0.7152 * channel(c[1]) + 0.0722 * channel(c[2]);
        const numbers = s => s.match(/[\\d.]+/g).map(Number);
        const ground = e => {
            for (; e; e = e.parentElement) {
                const c = numbers(getComputedStyle(e).backgroundColor);
                if (c.length < 4 || c[3] > 0.9) return c;
            }
            return [255, 255, 255];
        };
        return [...document.querySelectorAll('main *, header *, footer')]
            .filter(e => e.offsetParent && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
            .map(e => {
                const below = ground(e), part = opacity(e);
                const ink = numbers(getComputedStyle(e).color).map((v, i) => part * v + (1 - part) * below[i]);
                const a = light(ink), b = light(below);
                return [e.className, e.textContent, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)];
            })
            .filter(x => x[2] < 4.5);
        }"""
    )
    assert faint == []


CODE = "K7WM-3QXA"
SOCKET = """() => new Promise(say => {
    const socket = new WebSocket(`ws://${location.host}/_nicegui_ws/socket.io/?EIO=4&transport=websocket`);
    socket.onopen = () => { socket.close(); say('open'); };
    socket.onerror = () => say('refused');
})"""


def test_the_code_in_a_browser(log: Log, serve: Callable[..., Server], open_page: Open) -> None:
    page = open_page(serve(log.folder, CODE).url)
    page.get_by_label("Access code").fill("WRONG")
    page.get_by_role("button", name="Open the watch").click()
    expect(page.get_by_role("alert")).to_contain_text("not the code")
    assert page.locator(".answer").count() == 0
    assert page.evaluate(SOCKET) == "refused"
    page.get_by_label("Access code").fill(CODE)
    page.keyboard.press("Enter")
    expect(page.locator(".answer")).to_be_visible()
    expect(page.locator(".top")).to_contain_text("SHARED ON THE NETWORK")
    assert page.evaluate(SOCKET) == "open"
    log.row("61.25")
    expect(page.locator(".channels")).to_contain_text("61.25 psig")
