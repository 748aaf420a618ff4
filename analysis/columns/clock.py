"""Which column of a log that somebody else recorded holds the time, and how it is written."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from analysis.log.clock import (
    COMPACT,
    DAY_US,
    EPOCH_LEAST,
    MIDNIGHT,
    NOT_A_TIME,
    OFFSET,
    SAME_TIME_US,
    SPREADSHEET_DAYS,
    apart_in_a_day,
    in_plain_words,
    joined,
    numbers_of,
    text_us,
    told_once,
)
from analysis.log.words import meanings, words
from analysis.vocabulary.errors import InputError, quoted

DATES = (
    "%d.%m.%Y", "%d.%m.%y", "%Y/%m/%d", "%Y.%m.%d", "%d/%m/%Y", "%m/%d/%Y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%Y",
    "%m-%d-%Y", "%d-%m-%y", "%m-%d-%y", "%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%b %d %Y", "%b %d, %Y", "%d %B %Y",
    "%B %d %Y", "%B %d, %Y", "%d. %B %Y", "%d de %B de %Y", "%Y-%m-%d", "%y-%m-%d", "%y/%m/%d", "%y.%m.%d", "%Y%m%d",
    "%Y-%j", "%d/%b/%Y", "%d.%b.%Y",
)  # fmt: skip
_DATE = (
    r"\d{1,4}(?P<sign>[./-])(?:\d{1,2}|[^\W\d_]{3,5}\.?)(?P=sign)\d{1,4}|[A-Za-z]{3,9} \d{1,2},? \d{4}"
    r"|\d{1,2}\.?(?: de)? [^\W\d_]{3,10}\.?(?: de)? \d{4}|\d{4}-\d{3}"
)
_FIELDS = {
    "%d": r"(?:0?[1-9]|[12]\d|3[01])", "%m": r"(?:0?[1-9]|1[0-2])", "%y": r"\d\d", "%Y": r"\d{4}", "%j": r"\d{3}",
    "%b": r"[^\W\d_]+\.?", "%B": r"[^\W\d_]+\.?",
}  # fmt: skip
_BEGINS = {
    date: re.compile(re.sub("%[a-zA-Z]", lambda field: _FIELDS[field[0]], re.escape(date)) + r"(?!\d)")
    for date in DATES
}
"""How a cell begins whose date is written so."""
_SHAPE = re.compile(
    rf"(?:{_DATE}|\d{{8}})"
    r"(?P<joint>T|_|:|,? | - )(?P<clock>\d{1,2}(?P<colon>[:.-])\d\d(?:(?P=colon)\d\d)?|\d{6})(?:[.,]\d+|:\d{3})?"
    r"(?P<half> ?[AaPp]\.? ?[Mm]\.?)?(?P<offset> ?(?:Z|UTC|GMT|[+-]\d\d(?::?\d\d)?))?(?: [A-Z]{2,4}T)?"
)
"""A date, what stands between, a clock, AM or PM, an offset, the letters of a zone."""
_CLOCK_FIRST = re.compile(r"^(\d{1,2}:\d\d(?::\d\d(?:[.,:]\d+)?)?(?: ?[AaPp]\.? ?[Mm]\.?)?)(,? )(?=\S*\d[./ -])(\S.*)$")
MOST = 0.9
"""So large a share of the cells must be readable."""
ALIKE = 0.5
"""Numbers that count from 1970 are much alike in one log; those that count from its start are not."""
RECENT_US = 1_262_304_000_000_000
"""The year 2010: of a date that may be read either way the earlier one is no log's."""
OF_DAY = ("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p")
"""Times of day in a column of their own."""
ELAPSED_WORDS = {
    "us": "us", "ms": "ms", "msec": "ms", "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "sekunden": "s", "sek": "s", "min": "min", "mins": "min", "minute": "min", "minutes": "min", "minuten": "min",
    "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "std": "h", "stunden": "h", "d": "d", "day": "d",
    "days": "d", "tage": "d",
}  # fmt: skip
STARTS = frozenset({"start", "started", "startzeit", "begin", "beginn", "debut", "inicio"})
"""Words for the moment from which a log counts; another one above the header may be that of its export."""
ZONE_SAID = re.compile(r"\b(?:UTC|GMT)(?: ?(?P<east>[+-] ?\d{1,2})(?::?(?P<minutes>\d\d))?)?(?! ?[+-] ?\d|[\d:])")
"""A header that names the zone of its times."""
_PARTS = {
    "year": "%Y", "yyyy": "%Y", "yr": "%Y", "jahr": "%Y", "month": "%m", "MM": "%m", "mon": "%m", "mo": "%m",
    "monat": "%m", "day": "%d", "dd": "%d", "tag": "%d", "hour": "%H", "hr": "%H", "hh": "%H", "stunde": "%H",
    "minute": "%M", "min": "%M", "mm": "%M", "mn": "%M", "second": "%S", "sec": "%S", "ss": "%S", "sekunde": "%S",
}  # fmt: skip
"""Headers of columns that hold one part of the time each."""
_DATE_PARTS = ("%Y", "%m", "%d")
WHOLE_HOURS = range(-12, 15)
"""Hours east of UTC that have a zone of their own; a zone that is off by parts of an hour is named by a place alone."""
_MOMENT = re.compile(
    r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d(?::\d\d)?(?:\.\d+)?(?:Z|[+-]\d\d:?\d\d)?"
    rf"|(?:{_DATE}),? *;?,?\s*\d{{1,2}}:\d\d(?::\d\d)?(?: ?[AaPp][Mm])?"
)

_DAYS_FROM = (
    "{} counts days, from 1900 as most spreadsheets do, the first being {}; where that is four years early: add"
    ' start = "1904-01-01" and unit = "d" to time.'
)
_DATE_ALONE = r"\d{4}-\d\d-\d\d|\d{1,4}[./-](?:\d{1,2}|[A-Za-z]{3})[./-]\d{2,4}"

_CLOCK_ALONE = r"\b\d{1,2}:\d\d(?::\d\d)?(?: ?[AaPp][Mm])?"


@dataclass(frozen=True)
class TimeGuess:
    """The `time` of a `[columns]` table. Fields that are not needed are empty; `doubts` are sentences.

    `zone` is what the header says of it; the zone is known from there or from the stamps themselves.
    """

    column: str
    format: str = ""
    clock: tuple[str, ...] = ()
    unit: str = ""
    start: str = ""
    zone_known: bool = False
    zone: str = ""
    doubts: tuple[str, ...] = ()


def guess_time(
    names: Sequence[str], cells: Mapping[str, Sequence[str]], above: str, american: bool | None, where: str
) -> TimeGuess:
    """Return the guess for columns `cells`; `above` is the text above the header, `american` says whether the
    month goes first, None where nothing tells.

    Of two times the one that says its zone is taken.

    Raises
    ------
    InputError
        No column holds times.
    """
    guess = _guess(names, cells, above, american, where)
    said = ZONE_SAID.search(guess.column)
    if said is None or guess.zone_known:
        return guess
    east = int((said["east"] or "0").replace(" ", ""))
    if int(said["minutes"] or 0) or east not in WHOLE_HOURS:
        return guess
    zone = f"Etc/GMT{-east:+d}" if east else "UTC"  # POSIX counts them to the west
    return replace(guess, zone=zone, zone_known=True)


def _guess(
    names: Sequence[str], cells: Mapping[str, Sequence[str]], above: str, american: bool | None, where: str
) -> TimeGuess:
    called = sorted(
        (name for name in names if name and ("time" in meanings(name) or _counts(name))),
        key=lambda name: ZONE_SAID.search(name) is None,
    )
    tried = [*called, *(name for name in names[:2] if name in cells and name not in called)]
    pair = _pair(tried, cells)
    if pair is not None:
        date, *clock = (pd.Series(cells[name], dtype="str") for name in pair)
        for count in range(len(clock), 0, -1):  # a clock of 24 hours needs no half of the day
            form = _format(joined(told_once(date, clock[0]), *clock[:count]).str.strip(), american)
            if form is not None:
                return TimeGuess(pair[0], form[0], pair[1 : count + 1], zone_known=form[1], doubts=form[2])
        return TimeGuess(pair[0], clock=pair[1:2])
    for name in tried:
        text = _texts(cells[name])
        number = numbers_of(text)
        if len(text) and number.notna().mean() > MOST:
            middle, least = float(number.median()), float(number.min())
            days = SPREADSHEET_DAYS[0] < least <= middle < SPREADSHEET_DAYS[1]
            if days:
                day = np.datetime64("1899-12-30") + int(least)
                return TimeGuess(name, doubts=(_DAYS_FROM.format(f"{name!r}", day),))
            if COMPACT[0] < middle < COMPACT[1]:
                return TimeGuess(name)
            if COMPACT[0] < 100.0 * middle < COMPACT[1]:  # no seconds
                return TimeGuess(name, "%Y%m%d%H%M")
            if middle > EPOCH_LEAST and number.quantile(0.1) > ALIKE * middle:
                return TimeGuess(name, zone_known=True)
            continue
        form = _format(text, american)
        if form is not None:
            return TimeGuess(name, form[0], zone_known=form[1], doubts=form[2])
    parts = _parts(names, cells)
    if parts is not None:
        columns = tuple(parts.values())
        return TimeGuess(columns[0], " ".join(parts), columns[1:])
    for name in called:
        text = _texts(cells[name])
        of_day = _time_of_day(name, text, above, american)
        if of_day is not None:
            return of_day
        since = numbers_of(text)
        clocks = bool(len(text)) and bool(text.str.fullmatch(r"(?:\d+\.)?\d{1,4}:\d\d:\d\d(?:[.,]\d+)?").all())
        if clocks or (
            len(text) > 1 and since.notna().mean() > MOST and bool((since.dropna().diff().dropna() >= 0).all())
        ):
            return _elapsed(
                name,
                None if clocks else next((ELAPSED_WORDS[w] for w in words(name) if w in ELAPSED_WORDS), ""),
                above,
                american,
            )
    held = next(
        (f": {quoted(name)} holds {quoted(cell)}" for name in tried for cell in cells[name] if cell.strip()), ""
    )
    raise InputError(
        f"{where}: no column holds times{held}; expected one such as '2026-03-14 08:00:00', or [columns] time with its"
        " format"
    )


def _counts(name: str) -> bool:
    """Return whether a header is the symbol of time with a unit of it, as ``t [min]``."""
    return re.match(r"t ?[\[(/]", name) is not None and words(name)[-1] in ELAPSED_WORDS


def _texts(cells: Sequence[str]) -> pd.Series:
    return pd.Series([cell for cell in cells if cell.strip()], dtype="str")


def _parts(names: Sequence[str], cells: Mapping[str, Sequence[str]]) -> dict[str, str] | None:
    """Return the column of each part of the time, by its strptime sign, None where the date is not in three columns.

    The time of day follows in columns of its own or in one.
    """
    found: dict[str, str] = {}
    for name in names:
        sign = _PARTS.get(name) or _PARTS.get(name.lower())
        if sign is not None and sign not in found:
            found[sign] = name
    if not found.keys() >= set(_DATE_PARTS):
        return None
    date = {sign: found[sign] for sign in _DATE_PARTS}
    if "%H" not in found:
        clock = next(
            (
                (name, form)
                for name in names
                for form in OF_DAY
                if name and _share(text_us(_texts(cells[name]), form, False)) > MOST
            ),
            None,
        )
        return None if clock is None else {**date, clock[1]: clock[0]}
    return date | {sign: found[sign] for sign in ("%H", "%M", "%S") if sign in found}


def _pair(names: Sequence[str], cells: Mapping[str, Sequence[str]]) -> tuple[str, ...] | None:
    """Return the columns of the date and of the time of day, the half of the day where it has its own, None for none.

    They are looked for among `names`.
    """

    def all_like(name: str, pattern: str) -> bool:
        some = [cell for cell in cells[name] if cell][:50]
        return bool(some) and all(re.fullmatch(pattern, cell) for cell in some)

    dates = [n for n in names if all_like(n, rf"(?:{_DATE})(?:{MIDNIGHT})?|20\d{{6}}|[2-9]\d{{4}}")]
    dotted = {n for n in names if all_like(n, r"\d{1,2}\.\d\d\.\d\d")}  # a date as well as a clock
    clocks = [
        n
        for n in names
        if all_like(n, r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[AaPp]\.? ?[Mm]\.?)?|\d{6}|0?[.,]\d+|[01]")
        or n in dotted
    ]
    apart = [(date, clock) for date in dates for clock in clocks if date != clock and not {date, clock} <= dotted]
    halves = [name for name in cells if all_like(name, r"[AaPp]\.? ?[Mm]\.?")]
    return (*apart[0], *halves[:1]) if apart else None


def _format(text: pd.Series, american: bool | None) -> tuple[str, bool, tuple[str, ...]] | None:
    """Return format, whether the zone is known, and doubts; None when the cells are no times."""
    if not len(text):
        return None
    offset = bool(text.head(50).str.contains(OFFSET).any())
    if text.str.contains(r"^\d{4}-?\d\d-?\d\d[T ]\d\d").mean() > MOST and _share(text_us(text, None, offset)) > MOST:
        return "", offset, ()
    turned = text.str.extract(_CLOCK_FIRST).dropna()
    if len(turned) > MOST * len(text):
        read_as = _format(turned[2] + ", " + turned[0], american)
        return read_as and (re.sub(r"(.*), (.*)", rf"\2{turned[1].iloc[0]}\1", read_as[0]), *read_as[1:])
    halves = bool(text.head(50).str.contains(r"[AaPp][Mm]|\d[ap]$").any())  # a. m. is Spanish
    month_first = halves if american is None else american
    text = in_plain_words(text)
    few = text.iloc[:: max(1, len(text) // 20)].tolist()
    shape = next((m for m in (_SHAPE.fullmatch(re.sub(r"\s", " ", cell)) for cell in few) if m is not None), None)
    read = {}
    for form in _spelled(few[0]) if shape is None else _forms(shape, few):
        us = text_us(text, form, offset)
        if _share(us) > MOST:
            read[form] = us[us != NOT_A_TIME]
    read = {form: us for form, us in read.items() if us.max() >= RECENT_US} or read
    if not read:
        return None

    def order(form: str) -> tuple[float, float]:
        steps = np.diff(read[form])
        steps = steps[steps != 0]
        back = float((steps < 0).mean()) if len(steps) else 0.0
        return min(back, 1.0 - back), abs(float(steps.sum()))  # the newest row may stand first

    ranked = sorted(read, key=lambda form: (*order(form), form.startswith("%m") != month_first))
    best = ranked[0]
    rival = next(
        (f for f in ranked[1:] if not np.array_equal(read[f], read[best]) and order(f)[0] == order(best)[0]), None
    )
    if rival is None:
        return best, offset, ()
    if order(rival) == order(best):
        return best, offset, (f"Day and month may be the other way round: {rival} fits as well.",)
    return best, offset, (f"{rival} fits as well, but the rows would then lie far apart: {best} is taken.",)


def _forms(shape: re.Match[str], cells: Sequence[str]) -> list[str]:
    """Return the formats that a cell of a usual shape may have, if most of `cells` begin with such a date."""
    half = shape["half"] or ""
    hour = "%I" if half else "%H"
    colon = shape["colon"] or ""
    seconds = not colon or shape["clock"].count(colon) > 1
    clock = colon.join([hour, "%M", *(["%S"] if seconds else [])])
    behind = (" %p" if half.startswith(" ") else "%p" if half else "") + (
        "" if shape["offset"] is None else " %z" if shape["offset"].startswith(" ") else "%z"
    )
    dates = [date for date, begin in _BEGINS.items() if sum(map(bool, map(begin.match, cells))) > MOST * len(cells)]
    return [f"{date}{shape['joint']}{clock}{behind}" for date in dates]


def _spelled(cell: str) -> list[str]:
    """Return the formats of a cell that holds date and clock as numbers, whatever words or signs stand between them."""
    said = re.split(r"\d+", re.sub(r"\b[AP]M(?![A-Za-z])", "%p", cell))
    hour = "%I" if "%p" in "".join(said) else "%H"
    dates = ("%Y %m %d",) if re.match(r"\d{4}\D", cell) else ("%d %m %Y", "%m %d %Y")
    fields = [[*date.split(), hour, "%M", "%S"][: len(said) - 1] for date in dates]
    if not 6 <= len(said) <= 7 or "%" in cell or any(re.search(r"[A-SU-Z]$", word) for word in said):
        return []  # W10 is a week
    return ["".join(f"{word}{field}" for word, field in zip(said, [*each, ""], strict=True)) for each in fields]


def _share(us: np.ndarray) -> float:
    return float((us != NOT_A_TIME).mean()) if len(us) else 0.0


def _time_of_day(name: str, text: pd.Series, above: str, american: bool | None) -> TimeGuess | None:
    """Return the guess for a column that tells the time of day without a date, None where it does not.

    A count that is written like a clock begins near nothing. The date is that of a moment above the header that shows
    the same time of day as the first row.
    """
    form = next((form for form in OF_DAY if _share(text_us(text, form, False)) > MOST), None)
    if form is None or {"elapsed", "laufzeit"} & set(words(name)):
        return None
    first_us = int(text_us(text.head(1), form, False)[0]) % DAY_US
    if first_us < SAME_TIME_US and form in OF_DAY[:2]:
        return None
    stated = form if form != OF_DAY[0] else ""
    for us, known, doubts, _ in _moments(above, american):
        if apart_in_a_day(first_us, us) < SAME_TIME_US:
            return TimeGuess(name, stated, start=_written(us, known), zone_known=known, doubts=doubts)
    first = np.datetime_as_string(np.datetime64(first_us, "us"), unit="s")[11:]
    doubt = f'{name!r} tells no date: add start = "2026-03-14 {first}", the date and time of its first row, to time.'
    return TimeGuess(name, stated, doubts=(doubt,))


def _elapsed(name: str, unit: str | None, above: str, american: bool | None) -> TimeGuess:
    """Return the guess for a column that counts, None for a unit a clock; the start is looked for above the header."""
    unsaid = (f"{name!r} does not say in which unit it counts: seconds are taken.",) if unit == "" else ()
    guess = TimeGuess(name, unit=("s" if unsaid else unit or ""), doubts=unsaid)
    for us, known, doubts, line in _moments(above, american):
        taken = () if STARTS & set(words(line)) else (f"The start of the log is taken from {quoted(line)}.",)
        return replace(guess, start=_written(us, known), zone_known=known, doubts=(*unsaid, *taken, *doubts))
    doubt = f'{name!r} counts from the start of the log, which is not said: add start = "2026-03-14 08:00:00" to time.'
    return replace(guess, doubts=(*unsaid, doubt))


def _moments(above: str, american: bool | None) -> Iterator[tuple[int, bool, tuple[str, ...], str]]:
    """Yield the moments above the header, those that are called a start first: when, whether in UTC, what is unsure,
    and the line."""
    lines = [*above.splitlines(), *_date_and_clock(above.splitlines())]
    lines.sort(key=lambda line: not STARTS & set(words(line)))
    for line in lines:
        found = _MOMENT.search(re.sub(r"[;\t|\"]+", " ", line))
        form = None if found is None else _format(pd.Series([" ".join(found.group().split())], dtype="str"), american)
        if found is None or form is None:
            continue
        us = text_us(pd.Series([" ".join(found.group().split())], dtype="str"), form[0] or None, form[1])[0]
        yield int(us), form[1], form[2], line


def _date_and_clock(lines: Sequence[str]) -> Iterator[str]:
    """Yield a date and the time of day that the line under or above it tells, in one line."""
    for line, other in (*pairwise(lines), *pairwise(lines[::-1])):
        date, clock = (re.findall(pattern, each) for pattern, each in ((_DATE_ALONE, line), (_CLOCK_ALONE, other)))
        if date and clock and not re.search(_CLOCK_ALONE, line) and not re.search(_DATE_ALONE, other):
            yield f"{line.partition(date[0])[0]}{date[0]} {clock[0]}"


def _written(us: int, known: bool) -> str:
    return str(np.datetime64(us, "us").astype("M8[ms]")) + ("Z" if known else "")
