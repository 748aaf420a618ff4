"""What a night is told as: figures, sentences, the corrected pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.fluids.leak import leak_kg_per_s, leak_pa_m3_per_s
from analysis.fluids.nitrogen import MOLAR_MASS_KG_PER_MOL
from analysis.pressure_test.design_pressure import said_of_pressure, too_low_for_a_test
from analysis.pressure_test.judging import Judged, as_labelled
from analysis.pressure_test.minutes import Minutes, first_readings
from analysis.pressure_test.probes import ProbeFault, can_be_gas
from analysis.pressure_test.segments import TEST_LEVEL, Segment, let_down
from analysis.pressure_test.standing import EARLY_HOURS, EVEN, GAIN_SHARE, LIKELY, hours_more, side_of
from analysis.pressure_test.structures import transients
from analysis.result import Figure, FigureValue, Finding, significant
from analysis.stretch import Stretch
from analysis.vocabulary.channels import AIR, METAL
from analysis.vocabulary.text import unit_once
from analysis.vocabulary.units import UnitSystem, display

STAGE = "pressure_test"
FORESEEN_HOURS = 2.5
"""Before so many hours are judged the night is not known well enough to say what more of it brings (on simulated nights
58 % of all hours told decided in time, 78 % of those told from then on)."""

UNSEEN_K_PER_H = 0.5
"""Where cooling of all the gas by so little would look like a loss, it is told with it: of a circuit that stands partly
outdoors, with no probe there, half cools by twice as much in a clear night (common practice)."""
PACE_MINUTES, PACE_QUANTA = 10, 2.0
"""Before anything is judged it is told how fast the pressure falls, once it fell by two digits in ten minutes
(common practice)."""


@dataclass(frozen=True)
class Night:
    """A stretch with what was found in it."""

    stretch: Stretch
    minutes: Minutes
    segments: list[Segment]
    faults: list[ProbeFault]
    allowed: float | None

    @property
    def system(self) -> UnitSystem:
        """Display units of the job."""
        return self.stretch.job.job.units

    @property
    def confidence(self) -> float:
        """Confidence of the interval."""
        return self.stretch.job.pressure_test.confidence

    def time_of(self, minute: int) -> pd.Timestamp:
        """Return the moment at which a minute of the stage begins."""
        return self.stretch.begin + pd.Timedelta(minutes=minute)

    @staticmethod
    def rounded(value: float) -> float:
        """Return a figure of a finding to four digits, so that rounding errors never show."""
        return float(f"{value:.4g}")

    def per_day(self, rate_pa_per_s: float) -> str:
        """Return a rate as pressure a day, ``0.31 psi/d``."""
        value, unit = display(rate_pa_per_s * 86_400.0, "pressure_difference", self.system)
        return f"{significant(value, 2)} {unit}/d"

    def with_error(self, change_pa: float, error_pa: float) -> str:
        """Return a change of pressure and its error to two digits of that, ``-3.4 ± 0.6 psi``."""
        change, unit = display(change_pa, "pressure_difference", self.system)
        error = display(error_pa, "pressure_difference", self.system)[0]
        digits = 1 - math.floor(math.log10(error)) if error > 0.0 else 2
        shown = (f"{round(value, digits) + 0.0:,.{max(digits, 0)}f}" for value in (change, error))
        return f"{' ± '.join(shown)} {unit}"

    def rate_figures(self, judged: Judged) -> dict[str, FigureValue]:
        """Return the loss rate, its interval and the smallest loss that could be told."""
        low, high = judged.interval(self.confidence)
        return {
            "loss_rate": Figure(self.rounded(judged.rate(judged.loss.mean)), "pressure_rate"),
            "loss_rate_low": Figure(self.rounded(low), "pressure_rate"),
            "loss_rate_high": Figure(self.rounded(high), "pressure_rate"),
            "smallest_detectable": Figure(self.rounded(0.5 * (high - low)), "pressure_rate"),
            "hours_judged": Figure(self.rounded(judged.hours * 3_600.0), "hours"),
        }

    def settled_finding(self, checkpoint: int, judged: Judged) -> Finding:
        """Return the finding that judging began."""
        figures = self.rate_figures(judged)
        low, high = judged.interval(self.confidence)
        return Finding(
            self.minutes.known[checkpoint - 1], self.time_of(judged.plan.begin), STAGE, "settled", "info",
            "The gas has settled after filling; judging starts here. So far only a loss above "
            f"{self.per_day(0.5 * (high - low))} would show; every hour brings that down. {self._uses(judged)}",
            figures,
        )  # fmt: skip

    def alarm_finding(self, judged: Judged) -> Finding:
        """Return the alarm that the loss is beyond what is allowed."""
        low, high = judged.interval(self.confidence)
        against = (
            "No allowed loss is stated, but this is no small leak."
            if self.allowed is None
            else f"Allowed is {self.per_day(self.allowed)}."
        )
        return Finding(
            self.minutes.known[judged.checkpoint - 1], self.time_of(judged.plan.begin), STAGE, "loss_alarm", "alarm",
            f"The circuit loses {self.per_day(judged.rate(judged.loss.mean))}, corrected for temperature "
            f"(surely between {unit_once(self.per_day(low), 'and', self.per_day(high))}). {against} "
            "Look for the leak now; never tighten or open a joint under pressure.",
            self.rate_figures(judged),
        )  # fmt: skip

    def _uses(self, judged: Judged) -> str:
        names = ["metal" if n == METAL else "air" for n in judged.plan.probes]
        probes = f"{' and '.join(names)} temperature" if names else "no temperature at all"
        barometer = "" if judged.plan.barometer else " and no barometer"
        return f"Judged with {probes}{barometer}."


def gas_part_k(night: Night, judged: Judged) -> np.ndarray:
    """Return what temperature and settling make of the gas, kelvin from the reference, by minute of the plan."""
    plan, fit = judged.plan, judged.loss.coefficients()
    part = transients(np.arange(plan.end - plan.begin) + 0.5) @ fit.transients
    for weight, (name, lag) in zip(fit.lags.tolist(), judged.lag_names, strict=True):
        if weight != 0.0:
            column = night.minutes.lagged(name, lag)[plan.begin : plan.end]
            part = part + weight * judged.reference_k * np.log(column / judged.reference_k)
    return np.asarray(part, dtype=float)


def corrected(night: Night, judged: Judged, part: np.ndarray) -> dict[str, pd.Series]:
    """Return traces of the judged minutes: gauge pressure corrected to the mean gas temperature, and the fitted loss
    with its interval about the middle of the period, in pascal above the barometer at the beginning.

    `part` is what `gas_part_k` makes of `judged`.
    """
    plan = judged.plan
    mean = float(np.nanmean(part))
    pressure = night.minutes.pressure_pa[plan.begin : plan.end]
    scale = judged.exponent / judged.reference_k
    barometer = float(night.minutes.barometer_pa[plan.begin])
    level = pressure * np.exp(-scale * (part - mean))
    index = pd.DatetimeIndex(night.time_of(plan.begin) + pd.to_timedelta(np.arange(len(level)) + 0.5, unit="min"))
    at_s = (np.arange(len(level)) + 0.5 - 0.5 * len(level)) * 60.0
    middle = float(np.nanmean(level))
    low, high = judged.interval(night.confidence)
    lines = {
        "corrected_pressure": level,
        "corrected_low": middle - np.where(at_s > 0, high, low) * at_s,
        "corrected_high": middle - np.where(at_s > 0, low, high) * at_s,
    }
    return {name: pd.Series(values - barometer, index=index) for name, values in lines.items()}


def nothing_judged(night: Night, fast: bool) -> tuple[str, str, dict[str, FigureValue]]:
    """Return verdict, text and figures while no loss can be judged; `fast` when the pressure never rested."""
    figures: dict[str, FigureValue] = {"hours_judged": Figure(0.0, "hours")}
    if fast:
        said = "Pressure has fallen fast ever since filling and never rested: a big leak or an open valve."
        return "leaking", said, figures
    return "undecided", _why_nothing(night), figures


def summary(night: Night, side: str, judged: Judged, part: np.ndarray) -> tuple[str, str, dict[str, FigureValue]]:
    """Return verdict, text and figures of the stage as it stands.

    Parameters
    ----------
    side : ``tight``, ``leaking`` or ``undecided``.
    judged : the look that the verdict stands on, the last one while undecided.
    part : what `gas_part_k` makes of `judged`.
    """
    low, high = judged.interval(night.confidence)
    figures = night.rate_figures(judged)
    figures.update(_change_figures(night, judged, part))
    figures.update(_leak_figures(night, judged))
    loss = judged.rate(judged.loss.mean)
    interval = f"interval {unit_once(night.per_day(low), 'to', night.per_day(high))}"
    change = figures["pressure_change_by_temperature"]
    seen = "No loss is seen" if loss <= 0.0 or (side == "tight" and low <= 0.0) else f"Loss {night.per_day(loss)}"
    said = [f"{seen}, corrected to the mean gas temperature ({interval}), over {judged.hours:.1f} h."]
    if isinstance(change, Figure) and np.isfinite(change.si):
        said.append(
            "Temperature alone moved the pressure by "
            f"{night.with_error(change.si, 0.5 * (high - low) * judged.hours * 3_600.0)}."
        )
    said += _no_gas(night, judged)
    said += _events(night, judged)
    if judged.warmed:
        said.append(
            f"From {night.time_of(judged.plan.end):%H:%M} UTC on something warms the circuit that no probe sees (sun, "
            "a heater, an open door): judged up to there."
        )
    said += _pressure_reached(night, judged)
    allowed = night.allowed
    if allowed is None:
        if side == "leaking":
            return "leaking", " ".join(["It leaks.", *said, "The job states no allowed loss."]), figures
        said.append("The job states no allowed loss, so tight cannot be said: state [pressure_test] allowed_loss.")
        return "undecided", " ".join(said), figures
    if side == "leaking":
        said += [f"Allowed is {night.per_day(allowed)}.", *_looks_the_same(night, judged, allowed)]
        return "leaking", " ".join(["It leaks.", *said]), figures
    reached_pa, barometer_pa = _reached(night, judged)
    if side == "tight" and too_low_for_a_test(night.stretch, reached_pa, barometer_pa):
        at = Figure(reached_pa, "gauge_pressure").show(night.system)
        said.append(
            f"It stood at {at} only, and were that psi logged as kPa, or bar as psi, the loss would be seven or "
            "fourteen times as large: state [pressure_test] pressure, then tight can be said. Allowed is "
            f"{night.per_day(allowed)}."
        )
        return "undecided", " ".join(["Cannot tell yet.", *said]), figures
    if side == "tight":
        if low > 0:
            said.append("A small loss is sure, yet within what is allowed.")
        until = [s for s in night.segments if s.begin == judged.plan.segment_begin and s.closed_by in ("fall", "rise")]
        until_m = judged.plan.end if judged.warmed else until[0].end if until else None
        tight = "Tight." if until_m is None else f"Tight until {night.time_of(until_m):%H:%M} UTC."
        return "tight", " ".join([tight, *said, f"Allowed is {night.per_day(allowed)}."]), figures
    why, hours = _undecided(night, judged, allowed)
    said += [
        *why,
        *_unit_in_doubt(night, judged, allowed),
        *_may_be_stuck(night, judged),
        *_helps(judged),
        f"Allowed is {night.per_day(allowed)}.",
    ]
    return "undecided", " ".join(["Cannot tell yet.", *said]), figures | hours


def _looks_the_same(night: Night, judged: Judged, allowed: float) -> list[str]:
    """Return what cooling that no probe sees would look like the loss beyond what is allowed, where that is little."""
    cooling_k = (judged.loss.mean - judged.loss_of(allowed)) * (judged.plan.end - judged.plan.begin)
    if not 0.0 < cooling_k <= UNSEEN_K_PER_H * judged.hours:
        return []
    cooling = Figure(cooling_k, "temperature_difference").show(night.system, 2)
    return [
        f"Gas that has cooled by {cooling} more than the probes tell would look the same: if part of the circuit "
        "stands elsewhere (outdoors), put a probe there first."
    ]


def _undecided(night: Night, judged: Judged, allowed: float) -> tuple[list[str], dict[str, FigureValue]]:
    """Return why it cannot be told yet, and after how many hours it can, where that is foreseen."""
    if judged.warmed:
        return [
            "What is warmed so decides nothing: leave it for hours that are dark and even, or put a probe there."
        ], {}
    said = []
    _, high = judged.interval(night.confidence)
    if judged.doubted and high < allowed:
        return [
            f"That holds until {night.time_of(judged.plan.end):%H:%M} UTC; what came after may be a loss, for a probe "
            "told nothing of it: put it right and log some hours more."
        ], {}
    lies = side_of(judged, allowed, night.confidence)
    if lies in ("tight", "leaking"):
        if lies == "leaking" and judged.hours < EARLY_HOURS:
            return [
                "So early it may still be what is left of the filling; a leak will be surer soon. Keep logging."
            ], {}
        said.append(f"{lies.capitalize()} is said once two looks, half an hour or an hour apart, are sure of it.")
    elif high < -GAIN_SHARE * allowed:
        return ["Pressure rises more than the temperatures explain: check probes, barometer and gauge."], {}
    else:
        if high < allowed:
            said.append("The interval is still too wide to tell, though no loss in it is beyond what is allowed.")
        if judged.hours < FORESEEN_HOURS:
            said.append("It is too early to say how long it takes: ask again when it has been judged for a few hours.")
            return said, {}
    more, even = (hours_more(judged, allowed, night.confidence, odds) for odds in (LIKELY, EVEN))
    told = {"hours_more": more, "hours_more_even": even}
    figures: dict[str, FigureValue] = {name: Figure(h * 3_600.0, "hours") for name, h in told.items() if h is not None}
    return [*said, _foreseen(more, even)], figures


def _foreseen(likely: float | None, even: float | None) -> str:
    """Return what is told of the hours after which it is most likely decided, and of those with even odds."""
    if likely is None:
        if even is None:
            return "At the present noise not even three more days would most likely decide."
        return (
            f"At the present noise about {even:.0f} h more would decide as likely as not; it may take over three days."
        )
    half = f", about {even:.0f} h as likely as not" if even is not None and round(even) < round(likely) else ""
    return f"At the present noise about {likely:.0f} h more would most likely decide{half}."


def _helps(judged: Judged) -> list[str]:
    wanted = []
    if METAL not in judged.plan.probes:
        wanted.append("a probe on the metal (under insulation)")
    elif AIR not in judged.plan.probes:
        wanted.append("a probe in the air about it")
    if not judged.plan.barometer:
        wanted.append("a barometer in the log")
    return [f"What would help: {' and '.join(wanted)}."] if wanted else []


def _called(probe: str) -> str:
    return "surface" if probe == METAL else "air"


def _unit_in_doubt(night: Night, judged: Judged, allowed: float) -> list[str]:
    """Return what to check where nothing but a thermometer's unit keeps it from being told."""
    labelled = as_labelled(night.minutes, judged)
    side = "" if labelled is None or judged.warmed else side_of(labelled, allowed, night.confidence)
    if side not in ("tight", "leaking") or side == side_of(judged, allowed, night.confidence):
        return []
    return [
        f"With the temperatures as labelled it would be {side}, but degF and degC may be mixed up there: hold another "
        "thermometer beside the probe."
    ]


def _may_be_stuck(night: Night, judged: Judged) -> list[str]:
    """Return since when the only probe has shown one number, where that was for long."""
    if judged.plan.stood is None:
        return []
    what = _called(judged.plan.probes[0])
    since = f"{night.time_of(judged.plan.stood):%H:%M} UTC"
    return [
        f"The {what} probe stood at one number for long from {since} on, at rest or stuck: hold another thermometer "
        "beside it."
    ]


def _no_gas(night: Night, judged: Judged) -> list[str]:
    """Return which probes showed what no gas in a standing circuit has."""
    said = []
    for name, values in night.minutes.probes.items():
        shown = values[judged.plan.begin : judged.plan.end]
        if np.isfinite(shown).any() and not can_be_gas(shown):
            what = _called(name)
            level = Figure(float(np.nanmedian(shown)), "temperature").show(night.system)
            said.append(
                f"The {what} probe stands near {level}, as gas under test hardly does: is it on a heated part, or "
                "is its unit degF or degC by mistake? It is not used."
            )
    return said


def _events(night: Night, judged: Judged) -> list[str]:
    """Return what happened beside the judged quiet, and whether it is the first at its pressure."""
    begin, end = judged.plan.segment_begin, judged.plan.end
    told = [s for s in night.segments if s.begin == begin]
    levels = [s.level_pa for s in told]
    tests = [s for s in night.segments if s.level_pa >= TEST_LEVEL * min(levels, default=np.inf)]
    said = []
    if any(s.settled is not None and let_down(night.minutes, s.begin, s.end, begin) for s in tests):
        said.append(f"The circuit was filled again: judged afresh from {night.time_of(begin):%H:%M} UTC.")
    if any(let_down(night.minutes, begin, end, s.begin) for s in tests):
        said.append("The circuit was filled again: what is told here is from before, what follows is not sure yet.")
    for at, by in ((f"At {night.time_of(s.end):%H:%M} UTC", s.closed_by) for s in told):
        if by == "fall":
            said.append(
                f"{at} the pressure fell within minutes: let down, or something gave way; that is not judged as loss. "
                "If nobody opened a valve, look for it."
            )
        elif by == "rise":
            said.append(
                f"{at} the pressure was raised: what is told here is from before. If a leak was mended meanwhile, end "
                "this test and begin another."
            )
    return said


def _pressure_reached(night: Night, judged: Judged) -> list[str]:
    minutes, begin = night.minutes, judged.plan.segment_begin
    before = (minutes.pressure_pa - minutes.barometer_pa)[:begin]
    return said_of_pressure(night.stretch, *_reached(night, judged), before, 60.0 * (judged.plan.end - begin))


def _reached(night: Night, judged: Judged) -> tuple[float, float]:
    """Return the pressure at which it began to stand [Pa above the barometer], and the barometer."""
    minutes, plan = night.minutes, judged.plan
    gauge = (minutes.pressure_pa - minutes.barometer_pa)[plan.segment_begin : plan.end]
    return first_readings(gauge, 30), float(minutes.barometer_pa[plan.begin])


def _why_nothing(night: Night) -> str:
    if not night.segments:
        return (
            "Cannot tell yet: the pressure has not stood still for long enough. Once it is at test pressure, shut the "
            "valves, leave them shut and keep logging."
        )
    return (
        "Cannot tell yet: the gas still settles after filling, or the time at test pressure is too short. Keep logging "
        f"for an hour at least.{_pace(night)}"
    )


def _pace(night: Night) -> str:
    """Return how fast the pressure falls now and did before, where it does: who stands there sees whether it slows."""
    last = night.segments[-1]
    stood = night.minutes.logged_pa[last.begin : last.end]
    if len(stood) < 3 * PACE_MINUTES:
        return ""
    levels = [first_readings(part) for part in np.split(stood[-3 * PACE_MINUTES :], 3)]
    before, now = -np.diff(levels) * 60.0 / PACE_MINUTES
    if not now * PACE_MINUTES / 60.0 > PACE_QUANTA * night.minutes.quantum_pa[last.end - 1]:
        return ""
    shown = [Figure(max(fell, 0.0), "pressure_difference").show(night.system, 2) for fell in (now, before)]
    return (
        f" The pressure falls by {shown[0]} an hour now and fell by {shown[1]} an hour ten minutes ago. What filling "
        "left in the gas dies away, a leak goes on: stay until it has slowed."
    )


def _change_figures(night: Night, judged: Judged, part: np.ndarray) -> dict[str, FigureValue]:
    first, last = part[:10][np.isfinite(part[:10])], part[-10:][np.isfinite(part[-10:])]
    moved = float(np.mean(last) - np.mean(first)) if len(first) and len(last) and judged.plan.probes else np.nan
    series = corrected(night, judged, part)["corrected_pressure"].to_numpy(dtype=float)
    known = series[np.isfinite(series)]
    raw = (night.minutes.pressure_pa - night.minutes.barometer_pa[judged.plan.begin])[
        judged.plan.begin : judged.plan.end
    ]
    raw = raw[np.isfinite(raw)]
    figures: dict[str, FigureValue] = {
        "pressure_change_by_temperature": Figure(
            moved * judged.pressure_pa * judged.exponent / judged.reference_k, "pressure_difference"
        ),
    }
    if len(known) >= 10 and len(raw) >= 10:
        figures["pressure_change"] = Figure(float(np.mean(raw[-10:]) - np.mean(raw[:10])), "pressure_difference")
        figures["corrected_pressure_at_start"] = Figure(float(np.mean(known[:10])), "gauge_pressure")
        figures["corrected_pressure_now"] = Figure(float(np.mean(known[-10:])), "gauge_pressure")
    figures["loss_per_day"] = Figure(judged.rate(judged.loss.mean) * 86_400.0, "pressure_difference")
    return figures


def _leak_figures(night: Night, judged: Judged) -> dict[str, FigureValue]:
    """Return the loss as a leak, nothing where pressure seems to rise; mass as the job's refrigerant, else nitrogen."""
    volume = night.stretch.job.circuit.internal_volume_m3
    if volume is None:
        return {}
    fluid = night.stretch.fluid
    molar, gas = (MOLAR_MASS_KG_PER_MOL, "nitrogen") if fluid is None else (fluid.molar_mass_kg_per_mol, fluid.name)
    _, high = judged.interval(night.confidence)
    leak, most = (leak_pa_m3_per_s(max(rate, 0.0), volume) for rate in (judged.rate(judged.loss.mean), high))
    mass = leak_kg_per_s(leak, molar, judged.reference_k)
    return {
        "leak_rate": Figure(leak, "leak_rate"),
        "leak": Figure(mass, "leak_g"),
        "leak_oz": Figure(mass, "leak_oz"),
        "leak_at_most": Figure(leak_kg_per_s(most, molar, judged.reference_k), "leak_g"),
        "leak_counted_as": gas,
    }
