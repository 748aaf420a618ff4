"""Findings as people are told them: what failed at one moment, as one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pandas as pd

from analysis.result import Finding
from analysis.vocabulary.text import words


def gathered(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in order, those of one kind that name several channels at one moment as one line."""
    lines: dict[tuple[pd.Timestamp, str, str], list[Finding]] = {}
    for number, f in enumerate(findings):
        several = f.kind.startswith("channel_")
        lines.setdefault((f.time, f.kind, "" if several else str(number)), []).append(f)
    told = []
    for same in lines.values():
        if len(same) > 2:
            names = ", ".join(words(str(f.figures["channel"])) for f in same)
            text = f"{len(same)} channels at once, check instrument and line: {names}."
            told.append(replace(same[0], text=text))
        else:
            told += same
    return told
