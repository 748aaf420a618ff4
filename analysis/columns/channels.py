"""Which channel and unit a column of somebody else's log holds, by the words of its header, else by its numbers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.log.words import (
    ABSOLUTE_ENDS,
    ABSOLUTE_WORDS,
    DATUM_ENDS,
    GAUGE_WORDS,
    UNIT_SPELLINGS,
    UNSAID_DATUM,
    is_unit,
    meanings,
    plain,
    spelling,
    words,
)
from analysis.vocabulary.channels import CHANNELS, MICRON_PROBES, Column, parse_header
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.units import STANDARD_ATMOSPHERE_PA, UNITS, UnitSystem

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
        ("oil_pressure_before_filter", "oil pressure filter entering"),
        ("oil_pressure_after_filter", "oil pressure filter leaving"),
        ("oil_temperature", "oil temperature"),
        ("condenser_entering_temperature", "condenser entering temperature"),
        ("condenser_leaving_temperature", "condenser leaving temperature"),
        ("suction_pressure", "suction pressure"),
        ("suction_temperature", "suction temperature"),
        ("discharge_pressure", "discharge pressure"),
        ("discharge_temperature", "discharge temperature"),
        ("liquid_pressure", "liquid pressure"),
        ("liquid_temperature", "liquid temperature"),
        ("liquid_temperature", "highside temperature"),
        ("entering_water_temperature", "water entering temperature"),
        ("leaving_water_temperature", "water leaving temperature"),
        ("ambient_temperature", "ambient temperature"),
        ("surface_temperature", "surface temperature"),
        ("compressor_load", "load"),
        ("circuit_pressure", "circuit pressure"),
        ("circuit_pressure", "circuit pressure service"),
    )
)
"""A channel and all that its header must mean; the more a rule asks for, the better it fits."""
ALONE: tuple[tuple[str, str], ...] = (
    ("suction_pressure", "boiling pressure"),
    ("discharge_pressure", "condensing pressure"),
    ("oil_pressure_before_filter", "oil pressure entering"),
    ("oil_pressure_after_filter", "oil pressure leaving"),
    ("discharge_pressure", "delivery pressure"),
    ("circuit_pressure", "pressure"),
    ("entering_water_temperature", "entering temperature"),
    ("leaving_water_temperature", "leaving temperature"),
    ("entering_water_temperature", "water entering"),
    ("leaving_water_temperature", "water leaving"),
)
"""Taken, and marked as not sure, when nothing fits better."""

OPEN_PARTS, OPEN_SHARE = (0.8, 1.05), 0.02
"""The air's pressure from 1,900 m down to the sea; a circuit that was opened stood at it in so many of the rows."""
UNDER_PART, FLICKER_SHARE = -0.02, 0.005
"""No absolute pressure is under nothing by so much; in a few rows a gauge may flicker there."""
F_LEAST = 36.0
WARM_F_LEAST = {
    "condenser_entering_temperature": 55.0, "condenser_leaving_temperature": 55.0, "liquid_temperature": 55.0,
    "cylinder_temperature": 50.0, "discharge_temperature": 95.0, "oil_temperature": 75.0,
}  # fmt: skip
"""Temperatures whose median is above this are read as degF: hotter in degC they would seldom be (common practice)."""
PSI_LEAST = 45.0
SI_KPA_LEAST = 150.0
"""A pressure without unit whose largest reading is above the first is read as psig, below it as barg; above the second,
where temperatures are in degC, as kPag."""

SIDES = ("suction_pressure", "discharge_pressure", "liquid_pressure")
STILL = frozenset({"ambient_temperature", "surface_temperature", "barometer"})
"""What is logged beside the one hose of a standing test."""
ENDS = frozenset({"min", "max", "minimum", "maximum", "std", "stdev"})
"""Headers of what else is logged of an interval beside its mean."""
SET_VALUES = re.compile(
    r"\bset(?:point| (?:pt|point|value|temp|press)|$)|\w sp\b|\bsoll|\bconsigne|\btarget"
    r"|\b(?:alarm|limit|cut ?out|tare)\b"
)
"""Headers of what a machine aims at, and of what somebody set it to."""
WORKED_OUT = re.compile(
    r"\b(?:sat(?:urat(?:ed|ion))?|super ?heat|sub ?cool(?:ing)?|approach|dew|wet|delta|diff(?:erential)?|ueberhitzung"
    r"|unterkuehlung|taupunkt|surchauffe|(?:sobre|re)calentamiento|subenfriamiento)\b|\w (?:sh|sc)$"
)
"""Headers of what a controller works out of its readings: a saturated suction temperature is none of the gas."""
OTHER_KINDS = frozenset({"total", "power", "energy", "flow", "rate", "speed", "durchfluss", "energie", "debit"})
"""Headers of what is no pressure, temperature or weight: P_total, mass flow."""
PROBES = {"mbar": 10.0, "Torr": 10.0, "Pa": 1_000.0}
"""What counts in such units from nothing and goes below so much is a vacuum probe."""
ABSOLUTE_ALONE = ("MPa", *PROBES)
"""Units of a log that always count from nothing; elsewhere gauges show them, too."""
GASES = frozenset({"pressure", "suction", "discharge", "liquid", "circuit", "oil"})
"""What has a pressure, and no weight of its own."""
_NET = "net, and the weight of the cylinder is asked for"
_ELSE = "of something else than the machine, as its name says"
NET = ("net", "netto")
ANOTHER: tuple[tuple[str, str, str], ...] = (
    *(("cylinder_weight", net, _NET) for net in NET),
    ("oil_temperature", "vacuum", "of a vacuum pump, as its name says"),
    ("ambient_temperature", "entering", _ELSE),
    ("ambient_temperature", "leaving", _ELSE),
    ("", "entering leaving", _ELSE),
    ("", "hot water", _ELSE),
    ("compressor_load", "charge", _ELSE),
)
"""A channel (empty: any) that a name may fit, what it says besides, and what it then is rather."""
OTHER_SIDE = {
    "water", "wtr", "wasser", "eau", "agua", "glycol", "brine", "sole", "chw", "cdw", "cw", "chilled",
    "d", "dp", "drop",
}  # fmt: skip
"""Words for the pressure of the water in a vessel, and for what it loses there."""
_ONE_OF_SEVERAL = re.compile(r"(?:circuit|kreis|circuito|system|sys)[ _-]?(?:[A-D]|\d)(?![A-Za-z])", re.IGNORECASE)
"""A circuit by its letter or number: no hose on it is meant."""
_UNSAID = "the unit is not said"
_IN_ITS_UNIT = re.compile(
    r"((?:temperature?|temp\.|(?<=\w)temp|pressure|druck|weight|gewicht|austritt|leaving|out|outlet|vakuum|vacuum|last"
    r"|load)) in (\S+)$",
    re.IGNORECASE,
)
"""The end of a header that says in which unit it counts, not that something enters."""


@dataclass(frozen=True)
class Guess:
    """One column: the channel it is taken for (empty: not used), its unit and what is not sure.

    `choices` are the channels that its name allows, the best first, each with how well it fits.
    """

    column: str
    channel: str
    unit: str
    doubt: str = ""
    choices: tuple[tuple[int, str], ...] = ()


def own_column(name: str) -> Column | None:
    """Return the column that a header in our own form names, None where it has another form."""
    try:
        column = parse_header(name)
    except InputError:
        return None
    return column if column is not None and column.channel in CHANNELS else None


def guess_channel(name: str, unit_cell: str, numbers: np.ndarray, units: UnitSystem | None = None) -> Guess:
    """Return what a column is taken for, by its name, the cell of its unit and its first numbers.

    `units` are those of the other columns, where they say.
    """
    there = numbers[np.isfinite(numbers)]
    own = own_column(name)
    if own is not None:
        return Guess(name, own.channel, own.unit.symbol, "", ((len(RULES), own.channel),))
    named = meanings(_IN_ITS_UNIT.sub(r"\1 \2", name))
    means = set(named)
    if means & {"suction", "discharge", "liquid"} and _ONE_OF_SEVERAL.search(plain(name)):
        means -= {"circuit"}
    unit, unit_doubt, rest = _unit(name, unit_cell, there)
    if unit in UNITS and UNITS[unit].dimension in ("pressure", "temperature", "mass"):
        means |= {{"pressure": "pressure", "temperature": "temperature", "mass": "weight"}[UNITS[unit].dimension]}
        means |= {"vacuum"} if unit == "micron" or ("vacuum" in meanings(rest)) else set()
    if unit == "micron" or (unit in UNITS and UNITS[unit].datum == "absolute" and "vacuum" in meanings(rest)):
        means -= {"circuit"}  # a probe, whatever it is screwed to
    if unit in UNITS and UNITS[unit].datum in ("gauge", "vacuum") and not unit_doubt:
        means -= {"vacuum"}  # a gauge that counts from the air is no probe
    if means & {"entering", "leaving", "pump"} or OTHER_SIDE & set(words(rest)):
        means -= {"boiling", "condensing"}
    not_read = _not_read(words(rest), unit, means, there)
    if not_read:
        return Guess(name, "", "", not_read)
    doubt = ""
    if unit in PROBES and "vacuum" not in means and len(there) and float(np.min(there)) < PROBES[unit]:
        means |= {"vacuum"}
        doubt = "by the size of its numbers alone"
    if not len(there) and not unit and "vacuum" in means:
        unit = "micron"  # blank until the pump has pulled
    if not len(there) and not unit:
        return Guess(name, "", "", "no numbers in its first rows")
    unit_doubt = unit_doubt if len(there) else "no numbers in its first rows"
    fitting = [(len(needed), channel) for channel, needed in RULES if needed <= means]
    fitting = [f for f in fitting if not unit or UNITS[unit].dimension == CHANNELS[f[1]]]
    if not fitting:
        fitting = [(0, channel) for channel, needed in ALONE if set(needed.split()) <= means]
        fitting = [f for f in fitting if not unit or UNITS[unit].dimension == CHANNELS[f[1]]]
        doubt = "by its kind alone"
    if fitting:
        choices = tuple(sorted(dict.fromkeys(fitting), key=lambda f: -f[0]))
        channel = choices[0][1]
        if not unit:
            unit, unit_doubt = _by_numbers(channel, there, units)
            unread = unit_cell or next(iter(re.findall(r"[(\[](.*)[)\]]\s*$", name)), "")
            if unread:
                unit_doubt = unit_doubt.replace(_UNSAID, f"{unread!r} is no unit of a log")
        if channel == "barometer" and UNITS[unit].datum != "absolute":
            unit = {"psig": "psia", "barg": "bar", "kPag": "kPa"}.get(unit, unit)
            unit_doubt = ""
        doubt = doubt or _another(channel, name, named, unit)
        said = "; ".join(d for d in (doubt, unit_doubt) if d)
        return Guess(name, channel, unit, said, choices)
    if unit:
        said = "_".join(re.findall(r"(?:[A-Z]+(?![a-z])|[A-Z]?[a-z]+)\d*", plain(rest))).lower() or "column"
        return Guess(name, said if said not in CHANNELS else f"{said}_other", unit, "carried and plotted, not judged")
    return Guess(name, "", "", "neither its name nor its unit says what it is")


def _another(channel: str, name: str, means: set[str], unit: str) -> str:
    """Return why a column may be another reading than the channel that its name fits, nothing where it is that."""
    said = set(words(name))
    if channel == "cylinder_weight" and not means & {"weight", "cylinder"}:
        return "by its kind alone"
    of_the_machine = {"charge"} if "compresseur" in said else set()
    for taken_for, says, why in ANOTHER:
        if taken_for in ("", channel) and set(says.split()) <= (means | said) - of_the_machine:
            return why
    if channel == "compressor_load" and re.search(r"[(\[]", name) and not said & {"%", "percent", "prozent"}:
        return "in a unit of its own, as its name says"
    absolute = re.search(r"abs|(?:pa|bar|torr)[ -]?\(?a\b", name, re.IGNORECASE)
    if unit in ABSOLUTE_ALONE and channel not in ("barometer", *MICRON_PROBES) and not absolute:
        return f"gauge or absolute is not said; {unit} counts from nothing"
    return ""


def _not_read(said: list[str], unit: str, means: set[str], numbers: np.ndarray) -> str:
    """Return why a column is none of the readings that are judged, nothing where it may be one."""
    if SET_VALUES.search(" ".join(said)):
        return "a value that was set, no reading"
    if WORKED_OUT.search(" ".join(said)):
        return "worked out of readings, no reading itself"
    if unit:
        return ""
    if OTHER_KINDS & set(said) and "temperature" not in means:
        return "of another kind, as its name says"
    return "holds nothing but 0 and 1" if len(numbers) and np.isin(numbers, (0.0, 1.0)).all() else ""


def _unit(name: str, unit_cell: str, numbers: np.ndarray) -> tuple[str, str, str]:
    """Return the unit that is stated, what is not sure about it, and the name without it."""
    candidates = [unit_cell] if unit_cell else []
    rest = name
    for match in reversed(list(re.finditer(r"[(\[]([^()\[\]]*(?:\([^()]*\))?)[)\]]", name))):
        before = name[: match.start()]
        if len(match.group(1)) == 1 and (before[-1:].isalnum() or spelling(_last(before)) in UNSAID_DATUM):
            continue  # kPa(a), kPa (a): a part of the unit
        candidates.append(match.group(1))
        rest = rest.replace(match.group(), " ")
    tail = _parts(rest if candidates and not any(map(is_unit, candidates)) else name)
    candidates += [" ".join(tail[-2:])] if len(tail) > 2 else []
    letters = ("%", "K", "F", "C", *("fc" if name.islower() and meanings(" ".join(tail[:-1])) else ""))  # ambient_f
    candidates += [tail[-1]] if len(tail) > 1 and (len(tail[-1]) > 1 or tail[-1] in letters) else []
    said = {word for word in words(name) if len(word) > 1} | set(words(unit_cell))  # the A of circuit A says nothing
    for candidate in candidates:
        key = bare = spelling(candidate)
        if key == "g" and GASES & meanings(name) and "weight" not in meanings(name):
            continue  # kgf/cm² (g): gauge, no grams
        bare = key.removesuffix(next((end for end in DATUM_ENDS if key.endswith(end)), ""))
        absolute_too = key != bare and key.endswith(ABSOLUTE_ENDS)
        if key == "um" and "vacuum" in meanings(name):  # of mercury; a vibration has micrometres, too
            key = bare = "umhg"
        symbol = UNIT_SPELLINGS.get(key, UNIT_SPELLINGS.get(bare, "") if absolute_too else "")
        if not symbol and bare not in UNSAID_DATUM:
            continue
        if symbol == "inHg" and said & ABSOLUTE_WORDS and "barometer" not in meanings(name):
            continue  # in a log inHg counts down from the air
        rest = re.sub(rf"(?<![A-Za-z]){re.escape(candidate)}(?![A-Za-z])", " ", rest)
        if bare in UNSAID_DATUM:
            gauge, absolute = UNSAID_DATUM[bare]
            if absolute_too or said & ABSOLUTE_WORDS:
                return absolute, "", rest
            if key != bare or said & GAUGE_WORDS:
                return gauge, "", rest
            in_air = numbers * UNITS[absolute].scale / STANDARD_ATMOSPHERE_PA
            if len(in_air) and _lowest(in_air) < UNDER_PART:
                return gauge, "", rest
            if _stood_open(in_air):
                said_so = f"gauge or absolute is not said, it stood at the air's pressure; {gauge} if gauge"
                return absolute, said_so, rest
            return gauge, f"gauge or absolute is not said; {absolute} if absolute", rest
        return symbol, "", rest
    return "", "", name


def _stood_open(in_air: np.ndarray) -> bool:
    """Return whether absolute pressures [parts of the air's at sea level] were pulled down, and stood open besides."""
    if not len(in_air) or not UNDER_PART <= _lowest(in_air) < 0.1:
        return False
    near = in_air[(in_air > OPEN_PARTS[0]) & (in_air < OPEN_PARTS[1])]
    if not len(near):
        return False
    still = float(np.mean(np.abs(near - np.median(near)) < 0.015))
    return still > 0.5 and still * len(near) > OPEN_SHARE * len(in_air)


def _lowest(in_air: np.ndarray) -> float:
    """Return the lowest that is no flicker."""
    return float(np.quantile(in_air, FLICKER_SHARE))


def _parts(name: str) -> list[str]:
    return re.split(r"[\s,_/]+", name.strip())


def _last(text: str) -> str:
    return _parts(text.rstrip(" _"))[-1]


def _by_numbers(channel: str, numbers: np.ndarray, units: UnitSystem | None) -> tuple[str, str]:
    """Return the unit that the size of the numbers suggests."""
    middle, high = float(np.median(numbers)), float(np.max(numbers))
    dimension = CHANNELS[channel]
    if channel == "barometer":
        unit = "mbar" if middle > 500 else "kPa" if middle > 50 else "psia" if middle > 5 else "bar"
    elif channel in MICRON_PROBES:
        unit = "micron" if high > 1_500 else "mbar"
    elif dimension == "pressure":
        bare = "kpa" if high > (SI_KPA_LEAST if units == "si" else 1_000.0) else "psi" if high > PSI_LEAST else "bar"
        unit, absolute = UNSAID_DATUM[bare]
        if _stood_open(numbers * UNITS[absolute].scale / STANDARD_ATMOSPHERE_PA):
            return absolute, f"{_UNSAID}, it stood at the air's pressure; {unit} if gauge"
    elif dimension == "temperature":
        told = units == "us" if units else middle > WARM_F_LEAST.get(channel, F_LEAST)
        unit = "K" if middle > 250 else "degF" if told else "degC"
    elif dimension == "mass":
        unit = "lb" if units == "us" else "kg"
    else:
        unit = "%"
        if high > 1.0:
            return unit, ""
    return unit, f"{_UNSAID}, taken from the size of the numbers"


def one_each(guesses: Sequence[Guess]) -> tuple[Guess, ...]:
    """Return the guesses with each channel given once: to the column that fits best, or that has no other choice.

    A column whose channel is taken gets the next that its name allows and that nobody else is named for; the mean of
    an interval goes before its ends.
    """

    def turn(i: int) -> tuple[bool, int, int]:
        fits = [fit for fit, _ in guesses[i].choices] or [0]
        return bool({*ENDS, *NET} & set(words(guesses[i].column))), -fits[0], fits.count(fits[0])

    taken: dict[str, int] = {}
    alike: dict[str, str] = {}
    named = [guess.choices[0][1] for guess in guesses if guess.choices]
    got = [_of_the_circuit(guess, named) for guess in guesses]
    for i in sorted(range(len(got)), key=turn):
        wanted = [c for fit, c in got[i].choices if fit == got[i].choices[0][0] or c not in named] or [got[i].channel]
        free = next((channel for channel in wanted if channel not in taken), "")
        if free:
            taken[free] = i
        if free != got[i].channel:
            first = taken[got[i].channel]
            if not free and turn(first)[:2] == turn(i)[:2]:
                alike.setdefault(got[i].channel, got[i].column)
            by = f"{got[i].channel} is taken by {got[first].column!r}"
            got[i] = replace(got[i], channel=free, doubt=by)
    for i, guess in enumerate(got):
        rivals = sorted(c for fit, c in guess.choices if fit == guess.choices[0][0] and c not in taken)
        said = [f"it may be {' or '.join(rivals)} as well"] if rivals else []
        said += [f"{alike[guess.channel]!r} may be it as well"] if guess.channel in alike else []
        if guess.channel and said:
            got[i] = replace(guess, doubt="; ".join(each for each in (*said, guess.doubt) if each))
    return tuple(got)


def _of_the_circuit(guess: Guess, named: Sequence[str]) -> Guess:
    """Return the pressure of one side as that of the circuit where it is rather that, as a hose hangs there.

    An evaporator's is, where nothing is said of the high side; beside what a service logs, a scale or a vacuum probe,
    a low side's is, and any that is the only one. Superheat is a running machine's, so there it is only said, as it is
    of the only one beside air and metal, which may be a night's test.
    """
    if guess.channel not in SIDES or "circuit_pressure" in named:
        return guess
    fit, choices = guess.choices[0][0], ["circuit_pressure", guess.channel]
    low, high = guess.channel == "suction_pressure", "discharge_pressure" in named
    alone = sum(channel in SIDES for channel in named) == 1
    service = "cylinder_weight" in named or "vacuum" in named
    standing = alone and bool(STILL & set(named)) and {guess.channel, *STILL} >= set(named)
    the_hose = service and (alone or (low and (fit == 0 or named.count(guess.channel) == 1)))
    if not (the_hose or standing or (low and fit == 0 and not high)):
        return guess
    if (high and "suction_temperature" in named) or (standing and fit):
        choices.reverse()
    return replace(guess, channel=choices[0], choices=tuple((fit, channel) for channel in choices))
