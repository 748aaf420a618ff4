"""The report on a phone, on a desk and on paper: nothing is cut off, and the customer's part is one page."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from analysis.report.write import render
from tests.support import sample_review


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("report") / "report.html"
    file.write_text(render(sample_review(), {}), encoding="utf-8")
    return file


@pytest.mark.parametrize("width", [390, 1280])
def test_every_plot_is_seen_whole(report: Path, browser: Browser, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(report.as_uri())
    ends = page.evaluate("[...document.images].map(plot => plot.getBoundingClientRect().right)")
    page.close()
    assert len(ends) >= 2
    assert max(ends) <= width


def test_a_plot_that_is_touched_on_a_phone_is_large_enough_to_read(report: Path, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800}, has_touch=True)
    page.goto(report.as_uri())
    page.locator(".plot").nth(1).tap()
    assert page.locator(".plot img").nth(1).evaluate("plot => plot.clientWidth") >= 700
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.close()


def test_no_number_is_broken_from_its_unit_within_a_word_on_a_phone(report: Path, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(report.as_uri())
    words, broken = page.evaluate(
        """() => {
        const words = [...document.querySelectorAll('.figures td')].flatMap(cell =>
            [...cell.textContent.matchAll(/\\S+/g)].map(word => {
                const range = document.createRange();
                range.setStart(cell.firstChild, word.index);
                range.setEnd(cell.firstChild, word.index + word[0].length);
                return [word[0], range.getClientRects().length];
            }));
        return [words.length, words.filter(word => word[1] > 1)];
    }"""
    )
    page.close()
    assert words > 50
    assert broken == []


@pytest.mark.parametrize(("width", "height"), [(8.5, 11.0), (8.27, 11.69)], ids=["letter", "A4"])
def test_what_the_customer_signs_is_the_first_printed_page(
    report: Path, browser: Browser, width: float, height: float
) -> None:
    """Page sizes in inches, 96 px each; the style's margins are 12 mm."""
    margins = 2 * 12 / 25.4
    page = browser.new_page(viewport={"width": int((width - margins) * 96), "height": 800})
    page.emulate_media(media="print")
    page.goto(report.as_uri())
    end = page.evaluate("document.querySelector('.sign').getBoundingClientRect().bottom")
    page.close()
    assert 0 < end <= (height - margins) * 96


def test_a_plot_leaves_room_on_its_printed_page_for_its_heading(report: Path, browser: Browser) -> None:
    """A page of US letter, the lower one, is 11 in high; its heading, text and cautions take up to a quarter of it."""
    page = browser.new_page(viewport={"width": int((8.5 - 2 * 12 / 25.4) * 96), "height": 800})
    page.emulate_media(media="print")
    page.goto(report.as_uri())
    heights = page.evaluate("[...document.images].map(plot => plot.getBoundingClientRect().height)")
    page.close()
    assert len(heights) >= 2
    assert max(heights) <= 0.75 * (11.0 - 2 * 12 / 25.4) * 96
