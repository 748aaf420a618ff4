"""The report: whole, escaped, the same bytes each time, and caught when it does not match its files."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd
import pytest
from reportlab.platypus import KeepTogether, Paragraph, Spacer

from analysis.ledger import balance
from analysis.log import load
from analysis.report import (
    channels_plot,
    charging_plot,
    contents,
    pdf,
    plotting,
    pressure_test_plot,
    recovery_plot,
    write,
)
from analysis.report.pdf import _log, render_pdf
from analysis.report.verify import differences
from analysis.report.words import GENERAL_CAUTION, tone_of, verdict_said
from analysis.report.write import REPORT_FILE, digests_of, render, write_report
from analysis.result import NOT_JUDGED, Assessment, Figure, Finding, Span, significant
from analysis.review import Review, review
from analysis.vocabulary.errors import InputError
from tests.support import make_log, make_stretch, sample_review

HOSTILE = '<script>alert(1)</script> "quoted" & {{ 7*7 }} =cmd|calc'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a job whose names, notes and columns try to get out of their cells."""
    (tmp_path / "job.toml").write_text(
        f"[job]\nname = '''{HOSTILE}'''\nsite = '''{HOSTILE}'''\nsimulated = true\n", encoding="utf-8"
    )
    rows = "".join(f"2026-03-14T07:{n // 60:02d}:{n % 60:02d}.000Z,{70 + n % 2},{70 + n % 3},70\n" for n in range(1800))
    head = "time,ambient_temperature [degF],surface_temperature [degF],liquid_temperature [degF]\n"
    (tmp_path / "readings.csv").write_text(head + rows, encoding="utf-8")
    text = HOSTILE.replace('"', '""')
    (tmp_path / "journal.csv").write_text(
        "time,kind,subject,value,text\n"
        "2026-03-14T07:00:00.000Z,stage,at_rest,begin,\n"
        f'2026-03-14T07:10:00.000Z,note,,,"{text}"\n'
        "2026-03-14T07:29:00.000Z,stage,at_rest,end,\n",
        encoding="utf-8",
    )
    return tmp_path


@pytest.fixture
def no_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Room for each plot of a PDF, which is not drawn: most of the time it takes to make one."""
    monkeypatch.setattr(pdf, "_image", lambda _plot: Spacer(1, pdf._TALLEST))


def files(folder: Path) -> dict[str, Path]:
    return {name: folder / name for name in ("job.toml", "readings.csv", "journal.csv")}


def reviewed(folder: Path) -> Review:
    return review(*load(folder))


def test_what_is_not_judged_is_plotted_in_the_units_of_the_log(tmp_path: Path) -> None:
    """A channel of any other name is kept and plotted; of a log without stages every channel is."""
    rows = "".join(f"2026-03-14T07:{n // 60:02d}:{n % 60:02d}.000Z,70,{3 + n / 100}\n" for n in range(600))
    (tmp_path / "job.toml").write_text('[job]\nname = "other"\n', encoding="utf-8")
    (tmp_path / "readings.csv").write_text("time,circuit_pressure [psig],Öl [V]\n" + rows, encoding="utf-8")
    plot = channels_plot.draw(reviewed(tmp_path))
    assert plot is not None
    gauge, other = plot.axes
    assert gauge.get_lines()[0].get_ydata() == pytest.approx(70.0)
    assert (other.get_ylabel(), other.get_lines()[0].get_label()) == ("[V]", "Öl")
    assert "What was recorded" in render(reviewed(tmp_path), {})
    (tmp_path / "journal.csv").write_text(
        "time,kind,subject,value,text\n2026-03-14T07:00:00.000Z,stage,pressure_test,begin,\n", encoding="utf-8"
    )
    plot = channels_plot.draw(reviewed(tmp_path))
    assert plot is not None
    assert [ax.get_ylabel() for ax in plot.axes] == ["[V]"]


def test_a_word_that_would_stand_on_another_goes_under_it_and_on_the_same_is_left_out() -> None:
    _, (ax,) = plotting.new_figure()
    at = pd.date_range("2026-03-14T07:00Z", periods=61, freq="min")
    ax.plot(plotting.to_days(at), np.zeros(61))
    pauses = [Span("pause", at[i], at[i + 1]) for i in (10, 12, 40)]
    plotting.shade(ax, [Span("closed", at[42], at[43]), *pauses], {})
    plotting.shade(ax, [Span("let_down", at[59], at[60])], {})
    assert [(text.get_text(), text.get_ha()) for text in ax.texts] == [
        (" pause", "left"), (" pause", "left"), ("\n closed", "left"), (" let down", "right"),
    ]  # fmt: skip


def test_a_finding_of_the_last_minutes_is_named_before_its_line(folder: Path) -> None:
    """No word is cut off by the edge of the plot."""
    stretch = reviewed(folder).stages[0].stretch
    at = stretch.frame.index
    told = tuple(
        Finding(at[i], at[i], "recovery", kind, "info", "", {})
        for i, kind in ((5, "liquid_pull_ended"), (-5, "required_level_held"))
    )
    found = Assessment("complete", "", findings=told, traces={"pressure": pd.Series(np.full(len(at), 5e5), at)})
    plot = recovery_plot.draw(stretch, found)
    assert plot is not None
    named = [text for text in plot.axes[0].texts if text.get_text().strip() in ("liquid pull ended", "level held")]
    assert [text.get_horizontalalignment() for text in named] == ["left", "right"]


def test_the_phases_of_a_recovery_are_shaded_as_far_as_they_are_told(folder: Path) -> None:
    stretch = reviewed(folder).stages[0].stretch
    at = stretch.frame.index
    trace = pd.Series(np.full(len(at), 280.0), at)
    third, half = len(at) // 3, len(at) // 2
    ended = Finding(at[third], at[third], "recovery", "liquid_pull_ended", "info", "", {})
    after = {"liquid_gone_after": Figure((at[half] - stretch.begin).total_seconds(), "minutes")}
    traces = {"pressure": 1e3 * trace, "saturation": trace}
    for told, figures, words in (
        ((), {}, []),
        ((ended,), {}, ["liquid pull", "boiling off"]),
        ((), after, ["vapour"]),
    ):
        found = Assessment("undecided", "", figures, told, traces)
        plot = recovery_plot.draw(stretch, found)
        assert plot is not None
        assert [text.get_text().strip() for text in plot.axes[1].texts] == words


def test_the_loss_that_woke_somebody_is_in_the_plot_when_it_became_less() -> None:
    """A big leak falls with the pressure: 170 psi/d at the alarm, 80 two days later."""
    hours = np.arange(48.0)
    stretch = make_stretch("pressure_test", 3_600.0 * hours, {"circuit_pressure": ("psig", 300.0 - 4.0 * hours)})
    per_day = (170.0 - 2.0 * hours) * 6_894.757 / 86_400.0
    looks = {"loss_estimate": 1.0, "loss_low": 0.9, "loss_high": 1.1, "smallest_detectable": 0.1}
    index = stretch.frame.index
    traces = {name: pd.Series(times * per_day, index=index) for name, times in looks.items()}
    traces["pressure"] = stretch.channel("circuit_pressure") - 101_325.0
    plot = pressure_test_plot.draw(stretch, Assessment("leaking", "It leaks.", traces=traces))
    assert plot is not None
    assert plot.axes[1].get_ylim()[1] > 170.0


def test_each_cylinder_is_named_in_the_plot_of_a_charge_of_half_an_hour(folder: Path) -> None:
    stretch = reviewed(folder).stages[0].stretch
    at = stretch.frame.index
    stays = tuple(Span("cylinder", at[i], at[i + 600], "cylinder A") for i in (0, 900))
    charge = Assessment("on_target", "", spans=stays, traces={"charged": pd.Series(np.linspace(0.0, 9.0, len(at)), at)})
    plot = charging_plot.draw(stretch, charge)
    assert plot is not None
    assert [text.get_text() for text in plot.axes[0].texts] == [" cylinder A", " cylinder A"]


def test_nothing_from_a_file_becomes_markup(folder: Path) -> None:
    html = render(reviewed(folder), digests_of(files(folder)))
    assert "<script>alert" not in html
    assert html.count("<script") == 1  # the sealed record alone
    assert "&lt;script&gt;alert(1)" in html
    assert "{{ 7*7 }}" in html


def test_it_stands_alone_and_is_the_same_each_time(folder: Path) -> None:
    html = render(reviewed(folder), {})
    assert html == render(reviewed(folder), {})
    assert re.findall(r'(?:src|href)="(?!data:|#)', html) == []
    assert "SIMULATED DATA" in html


def test_a_report_holds_until_something_changes(folder: Path) -> None:
    report = write_report(reviewed(folder), folder, files(folder))
    assert report.name == REPORT_FILE
    assert differences(report, reviewed(folder), files(folder)) == []
    html = report.read_text(encoding="utf-8")
    report.write_text(html.replace("agree at rest", "disagree at rest"), encoding="utf-8")
    assert differences(report, reviewed(folder), files(folder)) != []
    report.write_text(html.replace("channels agree", "thermometers agree", 1), encoding="utf-8")
    assert differences(report, reviewed(folder), files(folder)) == [
        "The words of the report are not what the files give."
    ]
    report.write_text(html, encoding="utf-8")
    with (folder / "readings.csv").open("a") as file:
        file.write("2026-03-14T07:31:00.000Z,99,99,99\n")
    assert "readings.csv has changed since the report was made." in differences(report, reviewed(folder), files(folder))


def test_what_is_no_report_is_refused(folder: Path) -> None:
    with pytest.raises(InputError, match="is not a report"):
        differences(folder / "job.toml", reviewed(folder), files(folder))


def named(found: Review, lines: int) -> Review:
    """Return a review whose site has a name of so many lines."""
    job = found.job.job.model_copy(update={"site": "A long name of a site that fills one whole line. " * lines})
    return replace(found, job=found.job.model_copy(update={"job": job}))


@pytest.mark.usefixtures("no_pictures")
def test_pdf_signatures_stand_on_the_page_of_the_caution_they_are_given_under(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages: dict[str, int] = {}

    class Seen(Paragraph):
        def drawOn(self, canvas: Any, *where: Any, **how: Any) -> None:
            pages[self.text] = canvas.getPageNumber()
            super().drawOn(canvas, *where, **how)

    monkeypatch.setattr(pdf, "Paragraph", Seen)
    monkeypatch.setattr(pdf, "_signatures", lambda: Seen("signed", pdf._style(8.5)))
    found, moved = reviewed(folder), set()
    for lines in range(46, 56, 3):
        render_pdf(named(found, lines), {})
        assert pages["signed"] == pages[escape(GENERAL_CAUTION)]
        moved.add(pages["signed"])
    assert moved == {1, 2}


@pytest.mark.usefixtures("no_pictures")
def test_the_signatures_of_a_whole_repair_stand_on_the_first_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seven stages and a balance of four cylinders are one page for the customer; what is longer has smaller type."""
    signed = []

    class Line(Paragraph):
        def drawOn(self, canvas: Any, *where: Any, **how: Any) -> None:
            signed.append(canvas.getPageNumber())
            super().drawOn(canvas, *where, **how)

    monkeypatch.setattr(pdf, "_signatures", lambda: Line("signed", pdf._style(8.5)))
    for lines in (1, 8):
        render_pdf(named(sample_review(), lines), {})
    assert signed == [1, 1]


def test_pdf_has_its_pages_and_is_the_same_each_time(folder: Path) -> None:
    pdf = render_pdf(reviewed(folder), digests_of(files(folder)))
    assert pdf.startswith(b"%PDF-")
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") == 2  # the first for the customer, then all runs on
    assert pdf == render_pdf(reviewed(folder), digests_of(files(folder)))


def test_the_record_to_keep_stands_in_the_report() -> None:
    """15 lb into 50 lb, nothing known of before: 30 % a year (40 CFR 82.157)."""
    minute = np.arange(90.0)
    weight = 60.0 - np.clip((minute - 10.0) / 60.0, 0.0, 1.0) * 15.0
    moved = review(
        *make_log(
            60.0 * minute,
            {"cylinder_weight": ("lb", weight.round(2))},
            tables={
                "job": {"name": "n"},
                "circuit": {"refrigerant": "R-134a", "charge": "50 lb", "use": "comfort_cooling"},
            },
            journal=[(0.0, "stage", "charging", "begin"), (5340.0, "stage", "charging", "end")],
        )
    )
    said = dict(contents.record_rows(moved, balance(moved.stages)))
    assert said["Leak rate, rolling average"].startswith("30.0 % a year")
    assert said["Leak rate, rolling average"].endswith("threshold 10 % exceeded")
    assert said["Keep for"].startswith("3 years")
    assert "Record to keep" in render(moved, {})


@pytest.mark.parametrize(("said", "height", "parts"), [(60, 40.0, 0), (60, 300.0, 1), (4_000, pdf._HEIGHT, 2)])
def test_a_row_is_cut_only_where_it_is_longer_than_a_page(said: int, height: float, parts: int) -> None:
    pdf._fonts()
    row = ("time", "kind", "word " * said)
    table = pdf._rows([("Time", "Finding", "What it means")], [row], ["info"], (90.0, 90.0, 300.0))
    assert len(table.split(pdf._WIDTH, height)) == parts


def test_the_digests_stand_on_one_page_with_their_heading(folder: Path) -> None:
    pdf._fonts()
    kept = _log(reviewed(folder), None, digests_of(files(folder)))[-1]
    assert isinstance(kept, KeepTogether)


def test_units_are_printed_as_they_are_written_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(write, "svg_data_uri", lambda _plot: "")  # a picture, of which no word is asked
    html = render(sample_review(), {})
    read, _, sealed = html.partition('<script type="application/json"')
    assert " °F" in read
    assert "degF" not in read
    assert "degF" in sealed


def test_a_figure_with_its_uncertainty_is_one_line_with_the_digits_that_are_known() -> None:
    figures = {
        "suction_temperature": Figure(-0.0027, "temperature_difference"),
        "suction_temperature_uncertainty": Figure(0.23, "temperature_difference"),
        "plateau_uncertainty": Figure(3.0, "minutes"),
        "cause": "pump_oil",
    }
    rows = contents.figure_rows(figures, "si")
    assert rows[0] == ("suction temperature, off by", "0.00 ± 0.23 degC")
    assert [name for name, _ in rows[1:]] == ["plateau uncertainty", "cause"]
    assert rows[-1][1] == "pump oil"


def test_rates_of_loss_stand_by_the_day_with_the_digits_of_their_interval() -> None:
    """The words of a standing test and what is allowed are by the day; 1 psi/d is 6894.757 Pa in 86,400 s."""
    psi_d = 6_894.757 / 86_400.0
    figures = {
        "loss_rate": Figure(-0.1817 * psi_d, "pressure_rate"),
        "loss_rate_low": Figure(-0.732 * psi_d, "pressure_rate"),
        "smallest_detectable": Figure(0.4182 * psi_d, "pressure_rate"),
        "loss_per_day": Figure(-0.1817 * 6_894.757, "pressure_difference"),
        "corrected_pressure_now": Figure(148.87 * 6_894.757, "gauge_pressure"),
        "leak": Figure(0.0, "leak_g"),
    }
    assert [text for _, text in contents.figure_rows(figures, "us")] == [
        "-0.18 psi/d", "-0.73 psi/d", "0.42 psi/d", "148.9 psig", "none seen",
    ]  # fmt: skip


@pytest.mark.parametrize(("left", "said", "tone"), [(False, "steady in limits", "good"), (True, "steady", "caution")])
def test_what_no_limit_was_held_against_is_not_printed_as_in_limits(left: bool, said: str, tone: str) -> None:
    assessment = Assessment("steady_in_limits", "", {NOT_JUDGED: "all figures"} if left else {})
    assert (verdict_said(assessment), tone_of(assessment)) == (said, tone)


def test_a_weighed_mass_stands_with_its_uncertainty_and_an_offset_says_that_it_is_one() -> None:
    weighed = {"recovered": Figure(113.15, "mass"), "uncertainty": Figure(0.134, "mass")}
    assert contents.figure_rows({"time_to_target": Figure(np.nan, "minutes")}, "si")[0][1] == "not reached"
    assert contents.figure_rows(weighed, "si") == (("recovered", "113.15 ± 0.13 kg"),)
    offset = {"liquid_temperature": Figure(0.29, "temperature_difference")}
    assert contents.figure_rows(offset, "si") == (("liquid temperature, off by", "0.3 degC"),)


@pytest.mark.parametrize(
    ("end", "said"),
    [("2026-03-14T09:40Z", "09:40"), ("2026-03-15T09:40Z", "15 Mar 09:40"), (None, "now (still running)")],
)
def test_a_stretch_of_time_names_the_day_once(end: str | None, said: str) -> None:
    begin = pd.Timestamp("2026-03-14T07:05Z")
    assert contents.between(begin, None if end is None else pd.Timestamp(end)) == f"14 Mar 07:05 to {said}"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1234.4, "1,234"), (2_154_499.0, "2,150,000"), (-56_780.0, "-56,800"), (0.0123, "0.0123"), (0.0, "0")],
)
def test_long_numbers_show_no_more_digits_than_are_known(value: float, shown: str) -> None:
    assert significant(value) == shown


@pytest.mark.parametrize(
    ("kg", "said"), [(1.6e-6, "0 kg"), (-4e-4, "0 kg"), (0.01, "0.01 kg"), (0.0616, "0.062 kg"), (1.5, "1.50 kg")]
)
def test_a_mass_has_no_more_digits_than_a_scale_shows(kg: float, said: str) -> None:
    assert Figure(kg, "mass").show("si") == said


@pytest.mark.parametrize(("kelvin", "shown"), [(-0.02, "0.0 degF"), (0.02, "0.0 degF"), (-0.1, "-0.2 degF")])
def test_a_difference_of_less_than_a_tenth_has_no_sign(kelvin: float, shown: str) -> None:
    assert Figure(kelvin, "temperature_difference").show("us") == shown
