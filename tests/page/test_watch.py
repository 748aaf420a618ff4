"""The whole of it: `standwatch watch` over a scale on a socket, a browser on its page; what is killed comes back."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import expect

from tests.collector.follow.watching import Watch, scale_port, start, wait_for
from tests.collector.rig import job_folder
from tests.page.conftest import PATIENCE_MS, Open, answers
from tests.patience import free_port

__all__ = ["scale_port", "start"]


def test_a_watched_job_is_recorded_judged_and_shown_on_a_page(
    tmp_path: Path, scale_port: int, start: Callable[..., Watch], open_page: Open
) -> None:
    watch = start(job_folder(tmp_path / "job", scale_port, "0.2 s"), "--port", str(free_port()))
    url = wait_for(lambda: re.search(r"http://127\.0\.0\.1:\d+/", watch.said), "no address was printed").group()
    recorder = watch.child("record")
    page_process = watch.child("collector.page")
    wait_for(lambda: "recording 1 channel into" in watch.said, "no recorder")
    page = wait_for(lambda: open_page(url) if answers(url) else None, "no page")
    expect(page.locator(".channels")).to_contain_text("lb")
    page.get_by_role("button", name="Begin charging").click()
    expect(page.locator(".said")).to_contain_text("charging begun")
    assert ",stage,charging,begin," in watch.journal()
    expect(page.locator(".stage")).to_contain_text("Charging ·", timeout=2 * PATIENCE_MS)

    page_process.kill()
    watch.child("findings").kill()
    wait_for(lambda: "page ended (by SIGKILL)" in watch.said, "the page's end was not said")
    wait_for(lambda: "findings ended (by SIGKILL)" in watch.said, "the follower's end was not said")
    assert recorder.is_running(), "a follower never takes the recorder down"
    watch.child("collector.page")

    recorder.kill()
    wait_for(lambda: "recorder ended (by SIGKILL)" in watch.said, "the recorder's end was not said")
    wait_for(lambda: ",recorder,,resumed," in watch.journal(), "the recorder did not come back")
    expect(page.locator("#popup")).to_be_hidden(timeout=2 * PATIENCE_MS)
    before = page.locator(".channels .value").inner_text()
    expect(page.locator(".channels .value")).not_to_have_text(before)

    assert watch.close() == 0, watch.said
    starts = [row for row in watch.journal().splitlines() if ",recorder," in row]  # a finding may be written after it
    assert starts[-1].partition(",")[2].startswith("recorder,,stopped")
    assert "Traceback" not in watch.said
