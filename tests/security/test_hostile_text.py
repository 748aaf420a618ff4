"""What came from a file, a wire or a note is shown as text and nothing else, wherever it is shown."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path

import pytest
from rich.console import Console

from analysis.export import csv_text, findings_csv
from analysis.log import load
from analysis.report import pdf, write
from analysis.report.pdf import render_pdf
from analysis.report.write import render
from analysis.review import Review, review
from collector.cli import main
from collector.commands.summary import print_summary
from collector.follow.alarm_log import AlarmLog
from collector.follow.findings import FindingsFollower, StateWriter, entries_of
from collector.follow.say import status_line
from collector.follow.state import read_state
from collector.follow.tail import MOST_AT_ONCE, JournalTail
from tests.security.hostile import BEGIN, FORMULA, TEXTS, hostile_job, stamp


@dataclass(frozen=True)
class Case:
    """One text, the folder of its job, and the review of it."""

    text: str
    folder: Path
    review: Review


@pytest.fixture(scope="module", params=TEXTS.values(), ids=TEXTS)
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    folder = hostile_job(tmp_path_factory.mktemp("hostile") / "job", request.param)
    return Case(request.param, folder, review(*load(folder)))


@pytest.fixture(scope="module", autouse=True)
def no_pictures() -> Iterator[None]:
    """A report's pictures are data, of which no element is asked; those of the PDF are drawn."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(write, "svg_data_uri", lambda _plot: "")
        yield


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> str:
    return render(review(*load(hostile_job(tmp_path_factory.mktemp("calm") / "job", "plain"))), {})


class Tags(HTMLParser):
    """Which elements and attributes a page holds."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, frozenset[str]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, frozenset(name for name, _ in attrs)))


def tags(html: str) -> list[tuple[str, frozenset[str]]]:
    parser = Tags()
    parser.feed(html)
    return parser.found


def test_the_report_holds_no_element_that_a_text_brought(case: Case, calm: str) -> None:
    assert set(tags(render(case.review, {}))) == set(tags(calm))


def test_the_pdf_is_made(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "DOTS_PER_INCH", 30)
    assert render_pdf(case.review, {}).startswith(b"%PDF")


def test_nothing_steers_the_terminal(case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, text = tmp_path / "job", case.text
    shutil.copytree(case.folder, folder)
    shown = io.StringIO()
    print_summary(case.review, Console(file=shown, width=200))
    FindingsFollower(folder, [StateWriter(folder)]).look()
    shown.write(status_line(read_state(folder), None, 0.0))
    for arguments in (["ledger", str(folder)], ["mark", str(folder), text], ["mark", str(folder), "cylinder_on", "x"]):
        with pytest.raises(SystemExit) if arguments[0] == "mark" else contextlib.nullcontext():
            main(arguments)
    (folder / "job.toml").write_text(f"[job]\nname = 1\n{json.dumps(text)} = {json.dumps(text)}\n", encoding="utf-8")
    with pytest.raises(SystemExit):
        main(["review", str(folder)])
    shown.write("".join(capsys.readouterr()))
    assert [c for c in shown.getvalue() if not c.isprintable() and c != "\n"] == []


def test_a_spreadsheet_runs_nothing(case: Case) -> None:
    """OWASP, CSV injection: cells that begin with = + - @ tab or return are formulas to a spreadsheet."""
    table = findings_csv(case.review)
    assert table.startswith("time,since,stage,kind,level,figure,value,unit,text\r\n")
    cells = [cell for row in csv.reader(io.StringIO(table)) for cell in row]
    assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r")) and not number(cell)] == []


@pytest.mark.parametrize("cell", ["=1+1", "+1 x", "-1 x", "@sum", "\t=1", "\r=1", FORMULA])
def test_a_cell_that_a_spreadsheet_would_run_is_defused(cell: str) -> None:
    assert next(csv.reader(io.StringIO(csv_text([("a", cell, -1.5)]), newline=""))) == ["a", f"'{cell}", "-1.5"]


def test_followers_take_it_in_and_the_journal_stays_one_line_a_row(case: Case) -> None:
    log, tail = AlarmLog(), JournalTail(case.folder / "journal.csv")
    rows = tail.rows()
    for row in rows:
        log.heard(row)
        assert all(c.isprintable() for c in f"{row.kind}{row.subject}{row.value}{row.text}")
    assert len(rows) == 7
    assert len(log.unanswered()) == 1
    lines = [entry.line(BEGIN) for entry in entries_of(case.review.findings)]
    assert all(line.count(b"\n") == 1 for line in lines)


def test_the_proposed_columns_are_toml_that_steers_nothing(
    case: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = f"pressure {case.text[:100]}"
    file = tmp_path / "log.csv"
    with file.open("w", encoding="utf-8", newline="") as opened:
        csv.writer(opened).writerows([["time", name], *([stamp(second), 10 + second] for second in range(60))])
    main(["columns", str(file)])
    proposed = capsys.readouterr().out
    assert all(c.isprintable() or c == "\n" for c in proposed)
    tables = tomllib.loads(proposed)
    assert list(tables) == ["columns"]


def test_a_line_without_end_is_passed_over(tmp_path: Path) -> None:
    file = tmp_path / "journal.csv"
    file.write_text("time,kind,subject,value,text\n" + "x" * (2 * MOST_AT_ONCE) + f"\n{stamp(0)},note,,,after\n")
    tail, rows = JournalTail(file), []
    for _ in range(4):
        rows += tail.rows()
    assert [row.text for row in rows] == ["after"]


def number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
