"""What a review found, as a summary for a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.report.gathered import gathered
from analysis.report.words import GENERAL_CAUTION, tone_of, verdict_said
from analysis.result import Finding
from analysis.review import Review
from analysis.vocabulary.text import words

_STYLES = {"good": "green", "caution": "yellow", "alarm": "bold red", "info": "default"}
_MARKS = {"info": " ", "caution": "!", "alarm": "!!"}


def print_summary(result: Review, console: Console) -> None:
    """Print verdicts first, then findings, then what was odd about the log."""
    if result.job.job.simulated:
        console.print(Text("SIMULATED DATA", style="reverse"))
    table = Table(title=Text(result.job.job.name), title_justify="left")
    for heading in ("stage", "verdict", "in words"):
        table.add_column(heading)
    for stage in result.stages:
        table.add_row(
            words(stage.stretch.stage),
            Text(verdict_said(stage.assessment), style=_STYLES[tone_of(stage.assessment)]),
            Text(stage.assessment.text),
        )
    if result.stages:
        console.print(table)
    else:
        console.print("No stage is known in this log: nothing was judged.")
    for finding in gathered(result.findings):
        console.print(finding_line(finding))
    for caution in result.cautions:
        console.print(Text(f"Log: {caution}"))
    console.print(Text(GENERAL_CAUTION, style="dim"))


def finding_line(finding: Finding) -> Text:
    """Return one finding as a line for a terminal."""
    line = f"{finding.time:%d %b %H:%M} {_MARKS[finding.level]:2} {words(finding.kind)}: {finding.text}"
    return Text(line, style=_STYLES[finding.level])
