"""A first proposal of `[columns]` for a log that somebody else recorded, to be checked by the reader.

Names are read by their words, units from the header or else from the numbers; what is not sure says so in a
comment beside it, and what cannot be told is left out in a comment of its own.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.column_words import (
    ABSOLUTE_WORDS,
    GAUGE_WORDS,
    UNIT_SPELLINGS,
    UNSAID_DATUM,
    meanings,
    plain,
    words,
)
from analysis.foreign_log import DELIMITERS, HEADER_WITHIN_LINES, Layout, find_layout
from analysis.vocabulary.channels import CHANNELS, parse_header
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import ColumnsTable
from analysis.vocabulary.units import UNITS

RULES: tuple[tuple[str, frozenset[str]], ...] = tuple(
    (channel, frozenset(needed.split()))
    for channel, needed in (
        ("barometer", "barometer"),
        ("pump_vacuum", "vacuum pump"),
        ("vacuum", "vacuum"),
        ("cylinder_weight", "weight"),
        ("cylinder_pressure", "cylinder pressure"),
        ("cylinder_temperature", "cylinder temperature"),
        ("oil_pressure_before_filter", "oil pressure before"),
        ("oil_pressure_after_filter", "oil pressure after"),
        ("oil_temperature", "oil temperature"),
        ("condenser_entering_temperature", "condenser entering temperature"),
        ("condenser_leaving_temperature", "condenser leaving temperature"),
        ("suction_pressure", "suction pressure"),
        ("suction_temperature", "suction temperature"),
        ("discharge_pressure", "discharge pressure"),
        ("discharge_temperature", "discharge temperature"),
        ("liquid_pressure", "liquid pressure"),
        ("liquid_temperature", "liquid temperature"),
        ("entering_water_temperature", "water entering temperature"),
        ("leaving_water_temperature", "water leaving temperature"),
        ("ambient_temperature", "ambient temperature"),
        ("surface_temperature", "surface temperature"),
        ("compressor_load", "load"),
        ("circuit_pressure", "circuit pressure"),
    )
)
"""A channel and all that its header must mean; the more a rule asks for, the better it fits."""
ALONE: tuple[tuple[str, str], ...] = (
    ("circuit_pressure", "pressure"),
    ("entering_water_temperature", "entering temperature"),
    ("leaving_water_temperature", "leaving temperature"),
)
"""Taken, and marked as not sure, when nothing fits better."""

TIME_FORMATS = tuple(
    f"{date}{joint}{clock}"
    for date in (
        "%d.%m.%Y", "%d.%m.%y", "%Y/%m/%d", "%Y.%m.%d", "%d/%m/%Y", "%m/%d/%Y", "%m/%d/%y", "%d-%m-%Y", "%d-%b-%Y",
    )
    for joint in (" ", ", ")
    for clock in ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p")
)  # fmt: skip
F_LEAST = 36.0
WARM_F_LEAST = {
    "condenser_entering_temperature": 55.0, "condenser_leaving_temperature": 55.0, "liquid_temperature": 55.0,
    "cylinder_temperature": 50.0, "discharge_temperature": 95.0, "oil_temperature": 75.0,
}  # fmt: skip
"""Temperatures whose median is above this are read as degF: hotter in degC they would seldom be (common practice)."""
PSI_LEAST = 45.0
"""A pressure without unit whose largest reading is above this is read as psig, below it as barg."""
SAMPLE_ROWS = 2_000


@dataclass(frozen=True)
class Guess:
    """One column: the channel it is taken for (empty: not used), its unit and what is not sure."""

    column: str
    channel: str
    unit: str
    doubt: str = ""
    fit: int = 0


@dataclass(frozen=True)
class Proposal:
    """How to read a log of somebody else. `format` is empty where the times need none."""

    layout: Layout
    time_column: str
    time_format: str
    time_doubt: str
    zone_known: bool
    guesses: tuple[Guess, ...]

    def to_toml(self) -> str:
        """Return the `[columns]` table; comments say what to check."""
        lines = ["[columns]", f"delimiter = {_quoted(self.layout.delimiter)}", f'decimal = "{self.layout.decimal}"']
        if not self.zone_known:
            lines.append("# The log does not say its time zone: UTC is taken. State the place, as in Europe/Berlin.")
        if self.time_doubt:
            lines.append(f"# {self.time_doubt}")
        said = f", format = {_quoted(self.time_format)}" if self.time_format else ""
        zone = "" if self.zone_known else ', zone = "UTC"'
        lines.append(f"time = {{ column = {_quoted(self.time_column)}{said}{zone} }}")
        for guess in self.guesses:
            if guess.channel:
                doubt = f"  # not sure: {guess.doubt}" if guess.doubt else ""
                entry = f"{{ column = {_quoted(guess.column)}, unit = {_quoted(guess.unit)} }}"
                lines.append(f"{guess.channel} = {entry}{doubt}")
            else:
                lines.append(f"# not used: {_quoted(guess.column)} ({guess.doubt})")
        return "\n".join(lines) + "\n"


def propose_columns(sample: bytes, where: str) -> Proposal:
    """Return the proposal for a log of which `sample` is the beginning.

    Raises
    ------
    InputError
        It names its own channels already, has no header, no time, or its time in two columns.
    """
    names, text = _header(sample, where)
    if names[0] == "time" and any(_own_channel(name) for name in names[1:]):
        raise InputError(f"{where}: names its own channels and units; no [columns] is needed")
    layout = find_layout(sample, {name for name in names if name}, ColumnsTable(), where)
    body = text.splitlines()[layout.header_line + 1 :][:SAMPLE_ROWS]
    rows = [row for row in csv.reader(body[:-1] or body, delimiter=layout.delimiter) if any(c.strip() for c in row)]
    units = [""] * len(names)
    if rows and _is_unit_row(rows[0]):
        units = [cell.strip() for cell in rows[0]] + units
        rows = rows[1:]
    cells = {
        name: [row[i].strip() if i < len(row) else "" for row in rows] for i, name in reversed(list(enumerate(names)))
    }
    time_column, time_format, time_doubt, zone_known = _time(names, cells, where)
    guesses = []
    for position, name in enumerate(names):
        if name == time_column or not name:
            continue
        if name in names[:position]:
            guesses.append(Guess(name, "", "", "the name stands twice"))
            continue
        guesses.append(_guess(name, units[position], _numbers(cells[name], layout.decimal)))
    return Proposal(layout, time_column, time_format, time_doubt, zone_known, _one_each(guesses))


def _own_channel(name: str) -> bool:
    try:
        column = parse_header(name)
    except InputError:
        return False
    return column is not None and column.channel in CHANNELS


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return f'"{escaped}"'


def _header(sample: bytes, where: str) -> tuple[tuple[str, ...], str]:
    """Return the names of the header, and the text of the file."""
    best: tuple[int, tuple[str, ...]] = (0, ())
    text = ""
    for encoding in ("utf-16",) if sample.startswith((b"\xff\xfe", b"\xfe\xff")) else ("utf-8-sig", "cp1252"):
        try:
            text = sample.decode(encoding)
            break
        except UnicodeDecodeError:
            text = sample.decode(encoding, errors="replace")
    lines = text.splitlines()[:HEADER_WITHIN_LINES]
    for delimiter in DELIMITERS:
        rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=delimiter))
        for number, row in enumerate(rows[:-1]):
            names = tuple(cell.strip() for cell in row)
            if len(names) < 2 or sum(_is_number(n) for n in names) > 0 or sum(bool(n) for n in names) < 2:
                continue
            below = [other for other in rows[number + 1 : number + 6] if len(other) == len(names)]
            numbers = sum(any(_is_number(cell) for cell in other) for other in below)
            filled = sum(bool(n) for n in names) * numbers
            if filled > best[0]:
                best = (filled, names)
    if not best[0]:
        raise InputError(f"{where}: no line with names of columns above lines of numbers; expected a log in CSV")
    return best[1], text


def _is_number(cell: str) -> bool:
    return re.fullmatch(r"\s*[-+]?(?:\d[\d., ]*|[.,]\d+)(?:[eE][-+]?\d+)?\s*", cell) is not None


def _is_unit_row(row: Sequence[str]) -> bool:
    cells = [cell for cell in row if cell.strip()]
    return bool(cells) and sum(bool(_spelled(cell)) for cell in cells) * 2 >= len(cells)


def _numbers(cells: Sequence[str], decimal: str) -> np.ndarray:
    text = pd.Series(list(cells), dtype="str")
    text = text.str.replace(".", "", regex=False).str.replace(",", ".", regex=False) if decimal == "," else (
        text.str.replace(",", "", regex=False)
    )  # fmt: skip
    return pd.to_numeric(text, errors="coerce").to_numpy(dtype=float)


# --- time -----------------------------------------------------------------------------------------------


def _time(names: Sequence[str], cells: dict[str, list[str]], where: str) -> tuple[str, str, str, bool]:
    """Return the time's column, its format (empty: none needed), what is not sure, whether the zone is known."""
    called = [n for n in names if n and "time" in meanings(n)]
    tried = [*called, *(n for n in names[:2] if n and n not in called)]
    for name in tried:
        found = _format([c for c in cells[name] if c])
        if found is not None:
            return (name, *found)
    dates = [n for n in tried if _looks_like(cells[n], r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}")]
    clocks = [n for n in tried if _looks_like(cells[n], r"\d{1,2}:\d\d(?::\d\d)?.*")]
    if dates and clocks:
        raise InputError(
            f"{where}: date and time stand in two columns, {dates[0]!r} and {clocks[0]!r}; join them in one first"
        )
    raise InputError(f"{where}: no column holds times; expected one such as '2026-03-14 08:00:00'")


def _looks_like(cells: Sequence[str], pattern: str) -> bool:
    some = [c for c in cells if c][:50]
    return bool(some) and all(re.fullmatch(pattern, c) for c in some)


def _format(cells: Sequence[str]) -> tuple[str, str, bool] | None:
    """Return format, doubt and whether the zone is known; None when the cells are no times."""
    if not cells:
        return None
    text = pd.Series(list(cells), dtype="str")
    number = pd.to_numeric(text, errors="coerce")
    if number.notna().mean() > 0.9:
        middle = float(number.median())
        if middle > 5e8:
            return "", "", True
        return ("", "", False) if 20_000 < middle < 100_000 else None
    if pd.to_datetime(text, format="ISO8601", errors="coerce", utc=True).notna().mean() > 0.9 and (
        text.str.contains(r"\d{4}-\d\d-\d\d", regex=True).mean() > 0.9
    ):
        known = bool(text.head(50).str.contains(r"(?:Z|[+-]\d\d:?\d\d)$", regex=True).any())
        return "", "", known
    read = {}
    for form in TIME_FORMATS:
        times = pd.to_datetime(text, format=form, errors="coerce")
        if times.notna().mean() > 0.9:
            read[form] = times.dropna()
    if not read:
        return None

    def order(form: str) -> tuple[float, float]:
        steps = read[form].diff().dropna()
        return float((steps < pd.Timedelta(0)).mean()) if len(steps) else 0.0, float(steps.sum() / pd.Timedelta("1s"))

    ranked = sorted(read, key=order)
    other = next((f for f in ranked[1:] if order(f) == order(ranked[0])), None)
    doubt = f"Day and month may be the other way round: {other} fits as well." if other is not None else ""
    return ranked[0], doubt, False


# --- channels and units ---------------------------------------------------------------------------------


def _guess(name: str, unit_cell: str, numbers: np.ndarray) -> Guess:
    there = numbers[np.isfinite(numbers)]
    means = meanings(name)
    unit, unit_doubt, rest = _unit(name, unit_cell, there)
    if unit in UNITS and UNITS[unit].dimension in ("pressure", "temperature", "mass"):
        means |= {{"pressure": "pressure", "temperature": "temperature", "mass": "weight"}[UNITS[unit].dimension]}
        means |= {"vacuum"} if unit == "micron" or ("vacuum" in meanings(rest)) else set()
    if not len(there):
        return Guess(name, "", "", "no numbers in its first rows")
    fitting = [(len(needed), channel) for channel, needed in RULES if needed <= means]
    fitting = [f for f in fitting if not unit or UNITS[unit].dimension == CHANNELS[f[1]]]
    doubt = ""
    if not fitting:
        fitting = [(0, channel) for channel, needed in ALONE if set(needed.split()) <= means]
        doubt = "by its kind alone"
    if fitting:
        fit, channel = max(fitting, key=lambda f: f[0])
        rivals = sorted({c for f, c in fitting if f == fit and c != channel})
        if rivals:
            doubt = f"it may be {' or '.join(rivals)} as well"
        if not unit:
            unit, unit_doubt = _by_numbers(channel, there)
        if channel == "barometer" and UNITS[unit].datum != "absolute":
            unit = {"psig": "psia", "barg": "bar", "kPag": "kPa"}.get(unit, unit)
            unit_doubt = ""
        said = "; ".join(d for d in (doubt, unit_doubt) if d)
        return Guess(name, channel, unit, said, fit)
    if unit:
        own = "_".join(words(rest)) or "column"
        return Guess(name, own if own not in CHANNELS else f"{own}_other", unit, "carried and plotted, not judged")
    return Guess(name, "", "", "neither its name nor its unit says what it is")


def _spelled(text: str) -> str:
    return re.sub(r"[\s._()\[\]/]", "", plain(text)).lower()[:12] if _known(text) else ""


def _known(text: str) -> bool:
    key = re.sub(r"[\s._()\[\]/]", "", plain(text)).lower()
    return key in UNIT_SPELLINGS or key in UNSAID_DATUM


def _unit(name: str, unit_cell: str, numbers: np.ndarray) -> tuple[str, str, str]:
    """Return the unit that is stated, what is not sure about it, and the name without it."""
    candidates = [unit_cell] if unit_cell else []
    rest = name
    for match in reversed(list(re.finditer(r"[(\[]([^()\[\]]*(?:\([^()]*\))?)[)\]]", name))):
        candidates.append(match.group(1))
        rest = rest.replace(match.group(), " ")
    tail = re.split(r"[\s,_/]+", name.strip())
    candidates += [" ".join(tail[-2:])] if len(tail) > 2 else []
    candidates += [tail[-1]] if len(tail) > 1 and (len(tail[-1]) > 1 or tail[-1] in ("%", "K", "F", "C")) else []
    said = set(words(name)) | set(words(unit_cell))
    for candidate in candidates:
        key = re.sub(r"[\s._()\[\]/]", "", plain(candidate)).lower()
        bare = key
        for ending in ("absolute", "absolut", "abs", "gauge", "rel", "ue"):
            bare = bare.removesuffix(ending)
        if key not in UNIT_SPELLINGS and bare not in UNSAID_DATUM:
            continue
        rest = rest.replace(candidate, " ")
        if bare in UNSAID_DATUM:
            gauge, absolute = UNSAID_DATUM[bare]
            if key.endswith(("absolute", "absolut", "abs")) or said & ABSOLUTE_WORDS:
                return absolute, "", rest
            if key != bare or said & GAUGE_WORDS:
                return gauge, "", rest
            low = float(numbers.min()) if len(numbers) else 0.0
            sure = low < -0.02 * (1.0 if bare == "bar" else 14.5 if bare == "psi" else 100.0)
            return gauge, "" if sure else f"gauge or absolute is not said; {absolute} if absolute", rest
        return UNIT_SPELLINGS[key], "", rest
    return "", "", name


def _by_numbers(channel: str, numbers: np.ndarray) -> tuple[str, str]:
    """Return the unit that the size of the numbers suggests."""
    middle, high = float(np.median(numbers)), float(np.max(numbers))
    dimension = CHANNELS[channel]
    if channel == "barometer":
        unit = "mbar" if middle > 500 else "kPa" if middle > 50 else "psia" if middle > 5 else "bar"
    elif channel in ("vacuum", "pump_vacuum"):
        unit = "micron" if high > 1_500 else "mbar"
    elif dimension == "pressure":
        unit = "kPag" if high > 1_000 else "psig" if high > PSI_LEAST else "barg"
    elif dimension == "temperature":
        unit = "K" if middle > 250 else "degF" if middle > WARM_F_LEAST.get(channel, F_LEAST) else "degC"
    elif dimension == "mass":
        unit = "kg"
    else:
        unit = "%"
    return unit, "" if dimension == "fraction" else "the unit is not said, taken from the size of the numbers"


def _one_each(guesses: Sequence[Guess]) -> tuple[Guess, ...]:
    """Return the guesses with each channel given once, to the column that fits best."""
    best: dict[str, Guess] = {}
    for guess in guesses:
        held = best.get(guess.channel)
        if guess.channel and (held is None or guess.fit > held.fit):
            best[guess.channel] = guess
    kept = []
    for guess in guesses:
        chosen = best.get(guess.channel)
        if chosen is None or chosen is guess:
            kept.append(guess)
        else:
            kept.append(replace(guess, channel="", doubt=f"{guess.channel} is taken by {chosen.column!r}"))
    return tuple(kept)
