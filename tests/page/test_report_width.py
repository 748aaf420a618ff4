"""The report on a phone and on a desk: nothing is cut off."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from analysis.log import load
from analysis.report.write import render
from analysis.review import review
from analysis.vocabulary.shipped import shipped


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("report") / "report.html"
    file.write_text(render(review(*load(shipped("sample_logs") / "torn-and-crlf")), {}), encoding="utf-8")
    return file


@pytest.mark.parametrize("width", [390, 1280])
def test_every_plot_is_seen_whole(report: Path, browser: Browser, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(report.as_uri())
    ends = page.evaluate("[...document.images].map(plot => plot.getBoundingClientRect().right)")
    page.close()
    assert len(ends) >= 2
    assert max(ends) <= width
