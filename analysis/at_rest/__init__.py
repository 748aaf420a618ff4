"""A stopped, equalised circuit is a free calibration: air, metal, water and saturation temperatures agree.

Every temperature, and the saturation temperature of every pressure, is one estimate of the same number. The hour
before is looked back upon again and again (`look`); a channel is named once hardly anything else explains the
readings, and what cannot be told is said: a part alone in another room stands as far off as a probe that lies.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from analysis.at_rest.look import LEAST_K, MOVING_K_PER_H, Look, Looks
from analysis.at_rest.way import EXPOSED, PRESSURES, TEMPERATURES
from analysis.fluids import Refrigerant
from analysis.result import Assessment, Figure, FigureValue, Finding
from analysis.stretch import Stretch
from analysis.vocabulary.text import unit_once, words
from analysis.vocabulary.units import UnitSystem

CHECKS_AGREEING = 2
"""Looks in a row that must say the same before a channel is named."""
DOUBTFUL = 0.5
"""What is likelier than this is said, though nobody is named."""
MOST_NAMES = 3
"""So many channels are named that are to stand still."""
LEAST_AGREEING = 3
"""Which of two is right cannot be told."""
CORRECTABLE_K = 3.0
"""A steady offset up to this is corrected by number; a probe or gauge farther off is changed (common practice)."""


def assess(stretch: Stretch) -> Assessment:
    """Return which channels agree on a circuit at rest, and the offset of each from the consensus.

    Uses temperatures [K] and pressures [Pa absolute] of the running circuit's channels; `[at_rest] ignore`
    leaves channels out (a heated sump). Pressures are compared through the saturation temperature of
    `[circuit] refrigerant`, a little above the bubble point, since a charge at rest is nearly all liquid.
    """
    ignored = set(stretch.job.at_rest.ignore)
    channels = [c for c in (*TEMPERATURES, *PRESSURES) if stretch.has(c) and c not in ignored]
    fluid = stretch.fluid
    if fluid is None:
        channels = [c for c in channels if c not in PRESSURES]
    if len(channels) < 2:
        return Assessment("undecided", _too_few(fluid))
    looks = Looks(stretch, channels)
    findings: list[Finding] = []
    in_a_row: dict[str, int] = {}
    named: set[str] = set()
    check: Look | None = None
    for last in looks.due():
        check = looks.back_from(last)
        for channel in channels:
            suspect = check is not None and channel in check.suspects
            in_a_row[channel] = in_a_row.get(channel, 0) + 1 if suspect else 0
            sure = in_a_row[channel] >= CHECKS_AGREEING or (check is not None and suspect and check.surely(channel))
            if check is not None and sure and channel not in named:
                named.add(channel)
                findings.append(_finding(stretch, looks.ways.bins.known[last], channel, check, fluid))
    return _conclude(stretch, check, named, tuple(findings), fluid, looks)


def _too_few(fluid: Refrigerant | None) -> str:
    why = "" if fluid is not None else " The refrigerant is not stated, so pressures could not be compared."
    return f"Cannot tell: at least two temperatures or pressures of the circuit are needed.{why}"


def _finding(stretch: Stretch, known: pd.Timestamp, channel: str, check: Look, fluid: Refrigerant | None) -> Finding:
    offset = _offset(channel, check.offset_k(channel), check, fluid)
    unsure = _offset(channel, check.unsure_k(channel), check, fluid)
    system = stretch.job.job.units
    correct = abs(check.offset_k(channel)) <= CORRECTABLE_K
    figures: dict[str, FigureValue] = {
        "channel": channel, "offset": offset, "offset_uncertainty": unsure,
        "consensus": Figure(check.said.level_k, "temperature"), "remedy": "correct" if correct else "change",
    }  # fmt: skip
    return Finding(
        time=known,
        since=stretch.begin + pd.Timedelta(seconds=max(check.begin_s, 0.0)),
        stage=stretch.stage,
        kind="sensor_disagrees",
        level="caution",
        text=f"{_said_offset(channel, offset, unsure, check, system)} {_advice(channel, offset, correct, system)}",
        figures=figures,
    )


def _advice(channel: str, offset: Figure, correct: bool, system: UnitSystem) -> str:
    """Return what to look at, and whether a number mends it."""
    look = {
        "oil_temperature": "A heated sump is named under [at_rest] ignore.",
        **dict.fromkeys(
            PRESSURES,
            "Check its zero and that its port is open; is there air, no liquid, or not the refrigerant stated in it?",
        ),
        **(dict.fromkeys(EXPOSED, "Shade it if the sun can reach it.") if offset.si > 0 else {}),
    }.get(channel, "Check where it sits.")
    mended = Figure(-offset.si, offset.kind).show(system, 2)
    return f"{look} " + (
        f"If nothing else explains it, correct it by {mended} (its instrument's offset), or change it."
        if correct
        else "If nothing else explains it, change it: a sensor so far off cannot be trusted with a correction."
    )


def _offset(channel: str, offset_k: float, check: Look, fluid: Refrigerant | None) -> Figure:
    """Return the offset of a channel: a temperature difference, or a pressure difference at what it should show."""
    if channel not in PRESSURES or fluid is None:
        return Figure(offset_k, "temperature_difference")
    at_k = check.expected_k(channel)
    return Figure(
        float(fluid.bubble_pressure_pa(at_k + offset_k) - fluid.bubble_pressure_pa(at_k)), "pressure_difference"
    )


def _said_offset(channel: str, offset: Figure, unsure: Figure, check: Look, system: UnitSystem) -> str:
    side = "above" if offset.si > 0 else "below"
    shown = unit_once(Figure(abs(offset.si), offset.kind).show(system, 2), "±", unsure.show(system, 1))
    if offset.kind == "pressure_difference":
        saturation = Figure(abs(check.offset_k(channel)), "temperature_difference").show(system, 2)
        shown += f" ({saturation} of saturation)"
    return f"{words(channel)} reads {shown} {side} the others at rest."


def _names(channels: tuple[str, ...] | list[str], most: int | None = None) -> str:
    names = [words(c) for c in channels]
    rest = len(names) - (most or len(names))
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


def _conclude(
    stretch: Stretch,
    check: Look | None,
    named: set[str],
    findings: tuple[Finding, ...],
    fluid: Refrigerant | None,
    looks: Looks,
) -> Assessment:
    index = stretch.begin + pd.to_timedelta(looks.ways.bins.end_s, unit="s")
    traces = {channel: pd.Series(values, index=index) for channel, values in looks.ways.estimates.items()}
    if check is None:
        return Assessment(
            "undecided", "Cannot tell yet: two channels are needed for eight minutes at rest.", {}, findings, traces
        )
    said = check.said
    figures: dict[str, FigureValue] = {
        "consensus": Figure(said.level_k, "temperature"),
        "consensus_uncertainty": Figure(2.0 * said.level_sd_k, "temperature_difference"),
    }
    verdict, text = _verdict(check, named, stretch.job.job.units)
    said_now: dict[str, str] = {}
    for channel in check.channels:
        offset, unsure = (_offset(channel, k, check, fluid) for k in (check.offset_k(channel), check.unsure_k(channel)))
        figures |= {channel: offset, f"{channel}_uncertainty": unsure}
        said_now[channel] = _said_offset(channel, offset, unsure, check, stretch.job.job.units)
    for channel in sorted(named.intersection(said_now)):
        if _agrees_now(channel, check):
            text += f" {words(channel).capitalize()} was off before; it agrees now."
            continue
        text += f" {said_now[channel][:1].upper()}{said_now[channel][1:]}"
    for doubtful, said_of_it in ((check.shut_off, _may_be_shut_off), (check.elsewhere, _may_be_elsewhere)):
        if named and (left := tuple(c for c in doubtful if c not in named)):
            text += f" {said_of_it(left)}"
    if also := _also_doubtful(check, named, verdict):
        text += f" Cannot tell yet whether {' or '.join(map(words, also))} is wrong, too. {_what_decides(also)}"
    if check.moving and verdict != "undecided":
        text += f" Still moving, so less sure: {_names(check.moving)}."
    if fluid is None:
        text += " Pressures were not compared: the refrigerant is not stated."
    return Assessment(verdict, text, figures, findings, traces)


def _also_doubtful(check: Look, named: set[str], verdict: str) -> list[str]:
    """Return what stands far off and likely lies, too, beside what the verdict says of others."""
    told = {*named, *check.shut_off, *check.elsewhere}
    if not check.arrived or not (verdict == "disagree" or told):
        return []
    lying = dict(zip(check.channels, check.said.lying.tolist(), strict=True))
    return [c for c in check.behind if lying[c] > DOUBTFUL and c not in told]


def _agrees_now(channel: str, check: Look) -> bool:
    """Return whether a channel stands where the others do: nearer than what is named, and than what is not sure."""
    return channel in check.channels and abs(check.offset_k(channel)) < min(LEAST_K, check.unsure_k(channel))


def _what_decides(doubtful: list[str]) -> str:
    """Return what tells which of the doubtful readings is wrong."""
    pressures, temperatures = (any(c in kind for c in doubtful) for kind in (PRESSURES, TEMPERATURES))
    wait = "Shade what the sun reaches and wait" if any(c in EXPOSED for c in doubtful) else "Wait"
    second = " or ".join([*["gauge"] * pressures, *["thermometer"] * temperatures]) or "instrument"
    return f"{wait} until all of it has one temperature, or compare with a second {second}."


def _may_be_shut_off(gauges: tuple[str, ...]) -> str:
    """Return what decides whether gauges read wrong or show what a closed valve keeps behind it."""
    return (
        f"Cannot tell whether {' or '.join(map(words, gauges))} is wrong or shut off from the rest of the circuit, as"
        " after a pump-down, or without liquid. Open the valves between and wait, or compare with a second gauge."
    )


def _may_be_elsewhere(channels: tuple[str, ...]) -> str:
    """Return what decides whether some read wrong or stand in another place."""
    probes = [c for c in channels if c not in PRESSURES]
    if not probes:
        return (
            f"Cannot tell whether {_names(channels)} is wrong: a gauge shows the coldest part, which may have no"
            " thermometer. Hold one to what stands in another room, outdoors or on other water, or compare with a"
            " second gauge."
        )
    return (
        f"Cannot tell whether {' or '.join(map(words, probes))} is wrong or stands in another place: another room,"
        " outdoors, on other water. Hold a second thermometer beside it. What stands in another place is named under"
        " [at_rest] ignore."
    )


def _verdict(check: Look, named: set[str], system: UnitSystem) -> tuple[str, str]:
    said = check.said
    doubtful = [c for c, p in zip(check.channels, said.lying, strict=True) if p > 0.1]
    if named:
        off = sorted(channel for channel in named if not _agrees_now(channel, check))
        if not off:
            return "disagree", "What disagreed before agrees now."
        return "disagree", f"At rest, {_names(off)} {'disagrees' if len(off) == 1 else 'disagree'} with the others."
    if not check.arrived or (check.moving and max(said.apart.values(), default=0.0) > DOUBTFUL):
        still = Figure(MOVING_K_PER_H, "temperature_difference").show(system, 1)
        until = (
            f"these stand still, within {still} an hour of the others: {_names(check.moving, MOST_NAMES)}"
            if check.moving
            else "the readings come together"
        )
        return "undecided", f"The circuit has not equalised yet. Wait until {until}."
    if check.shut_off:
        return "undecided", _may_be_shut_off(check.shut_off)
    if check.elsewhere:
        return "undecided", _may_be_elsewhere(check.elsewhere)
    if len(check.channels) < LEAST_AGREEING:
        return "undecided", "Only two channels could be compared: which of two is right cannot be told. Log a third."
    if said.none_lies < DOUBTFUL:
        names = " or ".join(map(words, doubtful))
        which = f"which reading is wrong: {names}".removesuffix(": ")
        what = f"whether {names} is wrong" if len(doubtful) == 1 else which
        return "undecided", f"Cannot tell yet {what}. {_what_decides(doubtful)}"
    if check.behind:
        return "undecided", (
            f"The circuit may not have equalised yet. {_names(check.behind).capitalize()} may lag the weather by so"
            " much. Wait until it has stood still for hours, or bring a trusted instrument."
        )
    agree = len(check.channels) - len({c for members in check.apart.values() for c in members})
    verdict, text = "agree", f"{agree} channels agree at rest."
    if agree < LEAST_AGREEING:
        verdict, text = "undecided", f"Cannot tell: hardly any channels agree. {_what_decides(list(check.channels))}"
    sunny = [
        f"{words(c)} by {Figure(check.offset_k(c), 'temperature_difference').show(system, 2)}"
        for c in check.apart.get("sun", ())
    ]
    reasons: Mapping[str, str] = {
        "pressures": "Saturation stands apart in all pressures alike: no liquid left, or air in the circuit, or not the"
        " refrigerant stated.",
        "water": "The water is not as warm as the rest of the machine.",
        "barrel": "The barrel that holds the liquid is colder than the rest of the machine, and the pressures with it.",
        "condenser": "The condenser side is not as warm as the rest of the machine.",
        "sun": f"One side is warmer: {', '.join(sunny)}. Where no sun, wind or other room explains it, that is wrong."
        if sunny
        else "One side stands in the sun or wind.",
    }
    return verdict, " ".join([text, *(reasons[name] for name in check.apart)])
