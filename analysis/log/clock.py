"""The time column of a log that somebody else recorded, turned into UTC chunk after chunk.

Times are local to `zone` (an IANA name, default UTC) unless they carry their own offset. In the repeated autumn
hour the order of the rows decides; a clock that runs through the missing spring hour was not put forward, and is
taken to stay so until it steps forward by about an hour.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from analysis.vocabulary.errors import InputError, refused
from analysis.vocabulary.job import ColumnMapping

NOT_A_TIME = np.iinfo(np.int64).min
SECOND_US = 1_000_000
CLOCKS_SHOW_US = (0, 7_258_118_400 * SECOND_US)
"""The years 1970 to 2199: no instrument's clock stands elsewhere."""
HOUR_US = 3_600 * SECOND_US
BACK_US = HOUR_US // 4
"""A local clock that steps back by more than this within the repeated hour has begun it again."""
AGAIN_US = 3 * HOUR_US
DAY_US = 24 * HOUR_US
SAME_TIME_US = HOUR_US // 6
"""A first clock so near the start's own tells the time of day, not what has passed since."""
FORWARD_US = (HOUR_US * 3 // 4, HOUR_US * 5 // 4)
"""A step of about an hour between two rows: the clock was put forward late."""
SPREADSHEET_DAYS = (20_000.0, 100_000.0)
"""Day numbers of spreadsheets, counted from 1899-12-30: the years 1954 to 2173."""
DAY_MS = 86_400_000.0
TEXT_SIGNS = " \t=\"'"
"""Blanks, and what spreadsheets put around a cell to keep it as text."""
EPOCH_LEAST = 946_684_800.0
"""Seconds since 1970 from 2000 on; smaller numbers count from the start of the log, or from another year."""
SINCE_1904 = (2.9e9, 4.2e9)
"""So many seconds are counted from 1904, as some measuring software does: the years 1995 to 2037, not 2061 to 2103."""
FROM_1904_TO_1970 = 2_082_844_800.0
COMPACT = (1.9e13, 2.2e13)
"""Fourteen digits of year, month, day, hour, minute and second written without signs."""
ELAPSED_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3_600.0, "d": 86_400.0}
OFFSET = r"\d.*(?:Z|(?:UTC|GMT)|:\d\d(?:[.,]\d+)?(?: ?[AaPp][Mm])? ?(?:GMT)?[+-]\d\d(?::?\d\d)?)(?: \(.*\))?$"
"""The end of a time that carries its own offset from UTC."""

_OFFSET_NAMED = r" GMT([+-]\d{4})(?: \(.*\))?$"
"""How a page writes it, with the name of its zone behind (ECMA-262, Date.prototype.toString)."""
_WEEKDAY = re.compile(
    r"^(?:(?:mon|tue|wed|thu|fri|sat|sun|wednes|thurs|satur)(?:s?day)?|thur|tues|(?:mo|di|mi|do|fr|sa|so)|montag|dienstag"
    r"|mittwoch|donnerstag|freitag|samstag|sonnabend|sonntag|lundi|mardi|mercredi|jeudi|vendredi|samedi|dimanche"
    r"|lunes|martes|mi[eé]rcoles|jueves|viernes|s[aá]bado|domingo)\.?,? +(?=\S+.*:\d\d)",
    re.IGNORECASE,
)
_MONTHS = (
    "jan|ene|gen", "f[eé]v?b?", "mar|m[äa]?rz|mrt|maart", "a[pvb]r", "ma[iyg]|mei", "juin|jun|giu", "juil|jul|lug",
    "ao[uû]|aug|ago", "sep|set", "o[ckt]t|out", "nov", "d[eéi][czs]",
)  # fmt: skip
"""How the names of the months begin in de, en, es, fr, it, nl and pt, in full or short (Unicode CLDR 45, months)."""
_HALVES = {
    "AM": re.compile(r"오전|上午|午前|πμ|π\.μ\.|(?<=:\d\d )SA\b|ÖÖ|\bص\b|(?<=[\d ])[Aa]$"),
    "PM": re.compile(r"오후|下午|午後|μμ|μ\.μ\.|(?<=:\d\d )CH\b|ÖS|\bم\b|(?<=[\d ])[Pp]$"),
}
"""The halves of the day in ko, zh, ja, el, vi, tr and ar (Unicode CLDR 45, dayPeriods; from memory), or one letter.
Those of vi stand behind the clock: before it SA is a Saturday."""
MIDNIGHT = r" (?:0?0:00(?::00(?:\.0+)?)?|12:00(?::00)? [Aa][Mm])"
"""What databases write behind a date whose time of day stands in a column of its own."""
_CLOCK = re.compile(r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?")
_NAMED = "#"
"""Stands before the number of a month that had a name: no day is taken for it."""
_YEAR_LAST = re.compile(r"^([A-Za-z]{3} +\d{1,2}) (\d{1,2}:\d\d(?::\d\d)?)(?: [A-Z]{3,4})? (\d{4})$")


def numbers_of(text: pd.Series) -> pd.Series:
    """Return cells as numbers whichever decimal sign they carry, NaN where they are none."""
    return pd.to_numeric(text.str.replace(",", ".", regex=False), errors="coerce")


def utc_us(cells: Sequence[pd.Series]) -> np.ndarray:
    """Return the times of our own log, RFC 3339, as microseconds since 1970, shape (n,)."""
    return _parsed(cells[0], "ISO8601", True)


class Clock:
    """Turns cells into microseconds since 1970, `NOT_A_TIME` where they cannot be read; keeps what it has seen.

    What kind of time the column holds is decided by the first cells given.
    """

    def __init__(self, entry: ColumnMapping, where: str) -> None:
        self.entry = entry
        self.where = where
        self.zone = _zone(entry.zone)
        if entry.format is not None and "%" not in entry.format and entry.format != "ISO8601":
            raise refused(
                "[columns] time format",
                entry.format,
                "one of strptime's such as '%d.%m.%Y %H:%M:%S'; numbers need none, but those that count from a start"
                ' its moment, start = "2026-03-14 08:00:00", and their unit, unit = "min"',
            )
        try:
            text_us(pd.Series(["?"], dtype="str"), entry.format, False)
        except (ValueError, re.error) as error:
            raise refused("[columns] time format", entry.format, f"one of strptime's ({error})") from None
        self._read: Callable[[pd.Series], np.ndarray] | None = None
        self._date: str | None = None
        self._of_day_us = self._midnight_us = 0
        self._last_us: int | None = None
        self._stepped_back_us: int | None = None
        self._behind = False

    def utc_us(self, cells: Sequence[pd.Series]) -> np.ndarray:
        """Return the times of some rows; `cells` holds the column, and those of the clock where it has its own.

        Raises
        ------
        InputError
            None of the first cells is a time in the format stated or found.
        """
        date, *clock = (part.astype("str").str.strip(TEXT_SIGNS) for part in cells)
        if len(clock) == 1:
            date = told_once(date, clock[0], self._date)
            self._date = next((day for day in reversed(date.tolist()) if day), self._date)
        text = joined(date, *clock)
        if self._read is None and len(text):
            self._read = self._kind(text[text.notna() & (text != "")])
        return np.empty(0, dtype=np.int64) if self._read is None else self._read(text)

    def _kind(self, text: pd.Series) -> Callable[[pd.Series], np.ndarray]:
        number = numbers_of(text.head(1_000))
        middle = float(number.median()) if number.notna().any() else np.nan
        form, year = self.entry.format, ""
        unsaid = "day" if form is None and len(text) and _CLOCK.fullmatch(text.iloc[0]) else _unsaid(form)
        if self.entry.start is not None and unsaid != "year":
            return self._from_start(text, form if unsaid == "day" else None)
        if unsaid and self.entry.start is None:
            raise InputError(
                f"{self.where}: column {self.entry.column!r} holds {text.iloc[0]!r}, which tells no {unsaid}; expected"
                ' [columns] time to give start = "2026-03-14 08:00:00", when its first row was written'
            )
        if unsaid and form is not None:
            form, year = f"%Y {form}", f"{self._begin().year} "
        if form is None and number.notna().mean() > 0.9:
            if SPREADSHEET_DAYS[0] < middle < SPREADSHEET_DAYS[1]:
                return lambda cells: self._local(_whole_us(numbers_of(cells) - 25_569.0, 86_400.0, 1_000))
            if COMPACT[0] < middle < COMPACT[1]:
                return lambda cells: self._local(_parsed(cells, "%Y%m%d%H%M%S"))
            if middle < EPOCH_LEAST:
                raise InputError(
                    f"{self.where}: column {self.entry.column!r} counts from {text.iloc[0]}; expected [columns] time"
                    ' to give start = "2026-03-14 08:00:00" (and unit = "min" where it does not count seconds)'
                )
            if SINCE_1904[0] < middle < SINCE_1904[1]:
                return lambda cells: _whole_us(numbers_of(cells) - FROM_1904_TO_1970, 1.0, 1)
            scale = next(s for s in (1e-9, 1e-6, 1e-3, 1.0) if middle * s >= EPOCH_LEAST)
            return lambda cells: _whole_us(numbers_of(cells), scale, 1)
        offset = "%z" in form if form else bool(text.head(50).str.contains(OFFSET).any())
        reading: Callable[[pd.Series], np.ndarray] = lambda cells: text_us(year + cells, form, offset)  # noqa: E731
        if len(text) and (reading(text.head(1_000)) == NOT_A_TIME).all():
            raise InputError(
                f"{self.where}: column {self.entry.column!r} holds {text.iloc[0]!r}, which is not a time"
                f" in {self.entry.format or 'ISO 8601'}; expected [columns] time to give its format"
            )
        return reading if offset else lambda cells: self._local(reading(cells))

    def _from_start(self, text: pd.Series, form: str | None) -> Callable[[pd.Series], np.ndarray]:
        """Return how cells become times that count from the start, or from midnight where they tell the time of day.

        They do so by a `form` that has no day, or where the first is a clock that shows what the start's own shows, or
        the start is a day alone.
        """
        begin = self._begin()
        local_us = int(pd.DatetimeIndex([begin.tz_convert(self.zone).tz_localize(None)]).as_unit("us").asi8[0])
        self._of_day_us = local_us % DAY_US
        self._midnight_us = local_us - self._of_day_us
        if form is not None:
            return lambda cells: self._times_of_day(_of_day(text_us(cells, form, False)))
        first = int(self._since(text.head(1))[0]) if len(text) else NOT_A_TIME
        near = not self._of_day_us or apart_in_a_day(first, self._of_day_us) < min(SAME_TIME_US, first)
        if first != NOT_A_TIME and ":" in text.iloc[0] and near:
            return lambda cells: self._times_of_day(self._since(cells))
        if self.entry.unit == "d" and not self._of_day_us and first > SPREADSHEET_DAYS[0] * DAY_US:
            midnight_us = local_us  # days of a calendar, which have 23 and 25 hours, too
            return lambda cells: self._local(_added(self._since(cells), midnight_us))
        start_us = int(pd.DatetimeIndex([begin]).as_unit("us").asi8[0])
        return lambda cells: _added(self._since(cells), start_us)

    def _begin(self) -> pd.Timestamp:
        try:
            begin = pd.Timestamp(self.entry.start or "")
            return begin.tz_localize(self.zone) if begin.tz is None else begin
        except (ValueError, TypeError):
            raise InputError(
                f"[columns] time start: {self.entry.start!r} is not accepted; expected such as 2026-03-14 08:00:00"
            ) from None

    def _since(self, cells: pd.Series) -> np.ndarray:
        """Return what a counter or a clock shows in microseconds."""
        unit = self.entry.unit or "s"
        if unit not in ELAPSED_S:
            raise InputError(f"[columns] time unit: {unit!r} is not accepted; expected one of {' '.join(ELAPSED_S)}")
        since = _whole_us(numbers_of(cells), ELAPSED_S[unit], 1)
        clocks = (since == NOT_A_TIME) & cells.str.contains(":").fillna(False).to_numpy(dtype=bool)
        if clocks.any():
            days = (
                cells[clocks]
                .str.replace(",", ".", regex=False)
                .str.replace(r"^(\d+)\.(\d+:)", r"\1 days \2", regex=True)
            )
            spans = pd.to_timedelta(days, errors="coerce")
            since[clocks] = pd.TimedeltaIndex(spans).as_unit("us").asi8
        return since

    def _times_of_day(self, since_us: np.ndarray) -> np.ndarray:
        """Return times of day as UTC: a new day begins where they fall by more than half of one."""
        there = since_us != NOT_A_TIME
        steps = np.diff(since_us[there], prepend=self._of_day_us)
        days = np.cumsum((steps < -DAY_US // 2).astype(np.int64) - (steps > DAY_US - HOUR_US))
        local_us = since_us.copy()
        local_us[there] += self._midnight_us + days * DAY_US
        if there.any():
            self._midnight_us += int(days[-1]) * DAY_US
            self._of_day_us = int(since_us[there][-1])
        return self._local(local_us)

    def _local(self, local_us: np.ndarray) -> np.ndarray:
        """Return local times as UTC, in the order of the rows.

        No later row is used, but by a log that begins within the repeated hour: one that runs on past it without a
        step back has begun in its second pass.
        """
        there = local_us != NOT_A_TIME
        local = local_us[there]
        if not len(local):
            return local_us
        begins = self._last_us is None
        steps = np.diff(local, prepend=local[0] if self._last_us is None else self._last_us)
        self._last_us = int(local[-1])
        rows = pd.DatetimeIndex(local.view("M8[us]"))
        first = self._first_pass(local, steps)
        if begins:
            first[: self._second_at_once(rows, steps)] = False
        utc = rows.tz_localize(self.zone, ambiguous=first, nonexistent="NaT").asi8.copy()
        self._keep_behind(rows, utc, steps)
        whole = np.full(len(local_us), NOT_A_TIME)
        whole[there] = utc
        return whole

    def _first_pass(self, local_us: np.ndarray, steps: np.ndarray) -> np.ndarray:
        """Return for each row whether the repeated hour would be run through for the first time (daylight time)."""
        jumps = pd.Series(np.where(steps < -BACK_US, local_us, np.nan))
        if self._stepped_back_us is not None and np.isnan(jumps.iloc[0]):
            jumps.iloc[0] = self._stepped_back_us
        at_jump = jumps.ffill().to_numpy()
        self._stepped_back_us = None if np.isnan(at_jump[-1]) else int(at_jump[-1])
        since = local_us - at_jump
        return ~((since >= 0) & (since < AGAIN_US))

    def _second_at_once(self, rows: pd.DatetimeIndex, steps: np.ndarray) -> int:
        """Return how many of the first rows lie in the repeated hour and run on past it, 0 where it may come again."""

        def utc_us(rows: pd.DatetimeIndex, first: bool) -> np.ndarray:
            return rows.tz_localize(self.zone, ambiguous=np.full(len(rows), first), nonexistent="NaT").asi8

        if utc_us(rows[:1], True)[0] == utc_us(rows[:1], False)[0]:
            return 0
        end = int(np.argmin(utc_us(rows, True) != utc_us(rows, False)))
        return end if end and steps[1 : end + 1].min() > -BACK_US and steps[end] < BACK_US else 0

    def _keep_behind(self, rows: pd.DatetimeIndex, utc: np.ndarray, steps: np.ndarray) -> None:
        """Put right, in place, the rows of a clock that was not put forward in spring."""
        missing = utc == NOT_A_TIME
        if not (self._behind or missing.any()):
            return
        caught_up = (steps >= FORWARD_US[0]) & (steps <= FORWARD_US[1]) & ~missing
        state = pd.Series(np.where(missing, 1.0, np.where(caught_up, 0.0, np.nan)))
        if np.isnan(state.iloc[0]):
            state.iloc[0] = float(self._behind)
        behind = state.ffill().to_numpy() == 1.0
        late = rows[behind] + pd.Timedelta(hours=1)
        utc[behind] = late.tz_localize(self.zone, ambiguous=False, nonexistent="shift_forward").asi8
        self._behind = bool(behind[-1])


def _zone(name: str | None) -> zoneinfo.ZoneInfo:
    try:
        return zoneinfo.ZoneInfo(name or "UTC")
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(f"[columns] time zone: {name!r} is not accepted; expected an IANA name") from None


def _unsaid(form: str | None) -> str:
    """Return what of a date a format does not hold: its day, its year, or nothing."""
    held = set(re.findall(r"%-?([A-Za-z])", form or "%c"))
    if form == "ISO8601" or held & set("cx"):
        return ""
    return "" if held & set("YyG") else "year" if held & set("djUWV") else "day"


def _of_day(us: np.ndarray) -> np.ndarray:
    return np.where(us == NOT_A_TIME, NOT_A_TIME, us % DAY_US)


def apart_in_a_day(us: int, other_us: int) -> int:
    """Return how far the times of day of two moments lie apart, whichever comes first."""
    return abs((us - other_us + DAY_US // 2) % DAY_US - DAY_US // 2)


def told_once(date: pd.Series, clock: pd.Series, before: str | None = None) -> pd.Series:
    """Return dates with those that are blank beside a time of day as the one above, `before` above the first."""
    blank = (date == "") | date.isna()
    if not blank.any():
        return date
    above = date.mask(blank).ffill().fillna(before or "")
    return date.where(~blank | (clock == "") | clock.isna(), above).fillna("")


def joined(date: pd.Series, *clock: pd.Series) -> pd.Series:
    """Return a time's columns in one text; one part of a day is added to day numbers of spreadsheets, else written out.

    A year and a month are no day and its part, so more than two columns are taken as they stand.
    """
    part = numbers_of(clock[0].head(100)) if len(clock) == 1 else pd.Series(dtype=float)
    if part.notna().mean() > 0.9 and float(part.max()) <= 1.0:
        days = numbers_of(date.head(100))
        if days.notna().mean() > 0.9 and float(days.median()) < SPREADSHEET_DAYS[1]:
            whole = numbers_of(date) + numbers_of(clock[0])
            return whole.map(lambda day: "" if np.isnan(day) else repr(day)).astype("str")
        ms = (numbers_of(clock[0]) * DAY_MS).round().clip(upper=DAY_MS - 1.0)
        clock = (pd.to_datetime(ms, unit="ms").dt.strftime("%H:%M:%S.%f").astype("str"),)
    if clock:
        date = date.str.replace(f"{MIDNIGHT}$", "", regex=True)
    for each in clock:
        date = date.str.cat(each, sep=" ")
    return date


def _added(us: np.ndarray, to_us: int) -> np.ndarray:
    return np.where(us == NOT_A_TIME, NOT_A_TIME, us + to_us)


def _whole_us(number: pd.Series, scale_s: float, round_us: int) -> np.ndarray:
    value = number.to_numpy(dtype=float) * (scale_s * SECOND_US / round_us)
    with np.errstate(invalid="ignore"):
        fits = np.isfinite(value) & (np.abs(value) < 9e18 / round_us)
        return np.where(fits, np.round(np.where(fits, value, 0.0)).astype(np.int64) * round_us, NOT_A_TIME)


def _parsed(text: pd.Series, form: str, offset: bool = False) -> np.ndarray:
    times = pd.to_datetime(text.mask(text.isin(("now", "today"))), format=form, errors="coerce", utc=offset)
    return pd.DatetimeIndex(times).as_unit("us").asi8.copy()


def text_us(text: pd.Series, form: str | None, offset: bool) -> np.ndarray:
    """Return texts as microseconds; those that do not fit as they stand are tried in the shapes that spreadsheets make.

    These are: a comma or a colon before the parts of a second, parts of a second that come or go, no clock at
    midnight, a month or AM and PM by another language's name, odd blanks, "UTC" or the letters of a zone behind
    (which the place of the log tells better), the weekday before the date, the year behind the clock.
    """
    us = _parsed(text, form or "ISO8601", offset)
    left = np.flatnonzero((us == NOT_A_TIME) & text.notna().to_numpy() & (text != "").to_numpy())
    if not len(left):
        return us
    some = in_plain_words(text.iloc[left])
    some = some.str.replace(r"(:\d\d)(?:,(?=\d)|:(?=\d{3}\b))", r"\1.", regex=True)
    some = some.str.replace(r" ?(?:UTC|GMT)$", "Z", regex=True).str.replace(r" [A-Z]{2,4}T$", "", regex=True)
    some = some.str.replace(r"([AaPp])\. ?([Mm])\.", r"\1\2", regex=True)
    some = months_as_numbers(some) if form is not None and re.search("%[bB]", form) else some
    for shape in _shapes(form):
        us[left] = _parsed(some, shape, offset)
        still = us[left] == NOT_A_TIME
        left, some = left[still], some[still]
        if not len(left):
            break
    return us


def months_as_numbers(text: pd.Series) -> pd.Series:
    """Return times with the names of their months, in whichever of the languages, as `_NAMED` and two digits."""
    for month, begins in enumerate(_MONTHS, 1):
        text = text.str.replace(rf"\b(?:{begins})[a-zçéû]*\.?", f"{_NAMED}{month:02d}", regex=True, flags=re.IGNORECASE)
    return text


def in_plain_words(text: pd.Series) -> pd.Series:
    """Return times without odd blanks and the name of the day before them, the halves of the day as AM and PM.

    A year that stands behind the clock is put before it.
    """
    text = text.str.replace(r"[\s\u00a0\u202f\u2009]+", " ", regex=True)
    for half, word in _HALVES.items():
        text = text.str.replace(word, half, regex=True)
    text = text.str.replace(_OFFSET_NAMED, r" \1", regex=True)
    return text.str.replace(_WEEKDAY, "", regex=True).str.replace(_YEAR_LAST, r"\1 \3 \2", regex=True)


def _shapes(form: str | None) -> list[str]:
    if form is None:
        return ["ISO8601"]
    form = re.sub(r"%[bB]\.?", f"{_NAMED}%m", re.sub("[,:]%f", ".%f", form))
    date = re.split(r"[ ,T]*%(?:-?[HIMSpfXTR])", form, maxsplit=1)[0]
    parts = re.sub(r"\.?%f", "", form) if "%f" in form else form.replace("%S", "%S.%f")
    return [form, parts, *([date] if date else [])]
