"""Probes, gauges and barometers: missing, coarse, late, fallen or stuck."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.pressure_test import assess
from analysis.pressure_test.errors import SegmentData, covariances
from analysis.pressure_test.gas import temperature_exponent
from analysis.pressure_test.minutes import minutes_of
from analysis.pressure_test.probes import probe_faults
from analysis.report.pressure_test_plot import draw
from analysis.result import Assessment
from analysis.review import review
from analysis.stretch import Stretch
from analysis.vocabulary.channels import METAL
from analysis.vocabulary.units import UNITS
from tests.analysis.pressure_test.nights import CALM, PSI, changed, slept
from tests.benchmarks.pressure_test_nights import Night, make_night
from tests.support import assert_prefix_consistent, cut, kinds, make_log, make_stretch, value


def test_what_no_gauge_showed_is_not_judged(calm: Night) -> None:
    """A gauge that falls silent after five of ten hours: neither the rest of the night nor its warmth is judged."""
    silent = changed(calm, lambda t, p: np.where(t < 5 * 3600.0, p, np.nan))
    found, soon = assess(silent), assess(cut(silent, 2040))
    assert 3.5 * 3600 < value(found, "hours_judged") <= 5 * 3600
    for name in ("hours_judged", "pressure_change_by_temperature", "loss_rate_high"):
        assert value(found, name) == pytest.approx(value(soon, name), rel=1e-6)


def test_weather_and_probes_are_of_the_minute_in_which_they_were_read() -> None:
    """A gauge that moves with the weather tells what an absolute one does; a spike in a probe is no heat."""
    at = np.arange(0.0, 7_200.0, 60.0)
    weather = 100_000.0 + 300.0 * np.sin(at / 1_800.0)
    warm = 293.0 + at / 3_600.0
    warm[60] += 5.0
    logged = {
        "circuit_pressure": ("psig", (1.2e6 - weather) / PSI),
        "barometer": ("Pa", weather),
        "surface_temperature": ("K", warm),
    }
    minutes = minutes_of(make_stretch("pressure_test", at, logged))
    quiet = slice(5, -5)
    assert minutes.pressure_pa[quiet] == pytest.approx(1.2e6, abs=1.0)
    off = np.abs(minutes.probes[METAL] - 293.0 - np.arange(len(minutes)) / 60.0)
    assert off.max() < 0.02
    assert np.delete(off, [60, 61])[quiet].max() < 0.005


def test_a_log_that_slept_lost_neither_probe_nor_barometer(calm: Night) -> None:
    found = assess(slept(changed(calm, lambda t, p: p), 14_000.0, 23_000.0))
    assert found.verdict == "tight"
    assert kinds(found) == ["settled"]
    assert "What would help" not in found.text


def blanked(stretch: Stretch, begin_s: float, end_s: float) -> Stretch:
    """Return the stretch without what its metal probe read in a while."""
    at = (stretch.frame.index - stretch.begin).total_seconds()
    frame = stretch.frame.copy()
    frame.loc[(at > begin_s) & (at < end_s), "surface_temperature"] = np.nan
    return replace(stretch, frame=frame)


def test_a_probe_that_reads_again_is_used_again(calm: Night) -> None:
    whole = changed(calm, lambda t, p: p, without=("ambient_temperature",))
    found = assert_prefix_consistent(assess, blanked(whole, 14_000.0, 17_000.0), range(1200, len(whole.frame), 1000))
    assert found.verdict == "tight"
    assert value(found, "smallest_detectable") < 1.5 * value(assess(whole), "smallest_detectable")


def test_the_hours_before_the_only_probe_went_blank_are_judged(calm: Night) -> None:
    stretch = blanked(changed(calm, lambda t, p: p, without=("ambient_temperature",)), 25_000.0, 40_000.0)
    found = assess(stretch)
    assert 18_000.0 < value(found, "hours_judged") < 26_000.0
    assert value(found, "smallest_detectable") < 2.0 * PSI / 86_400.0
    assert "That holds until 14:12 UTC; what came after may be a loss" in found.text


def test_without_probes_it_cannot_tell(calm: Night) -> None:
    both = assess(changed(calm, lambda t, p: p))
    none = assess(changed(calm, lambda t, p: p, ("surface_temperature", "ambient_temperature")))
    assert none.verdict == "undecided"
    assert value(none, "smallest_detectable") > 5.0 * value(both, "smallest_detectable")
    assert "probe on the metal" in none.text


def test_what_would_help_is_the_probe_that_is_missing(calm: Night) -> None:
    """A night whose loss is just what is allowed, 1 psi/d, is decided by nothing."""
    for without, wanted in (("ambient_temperature", "a probe in the air"), ("surface_temperature", "on the metal")):
        found = assess(changed(calm, lambda t, p: p - t / 86_400.0, (without,)))
        assert found.verdict == "undecided"
        assert wanted in found.text


def test_without_a_barometer_the_interval_is_wider(calm: Night) -> None:
    both = assess(changed(calm, lambda t, p: p))
    none = assess(changed(calm, lambda t, p: p, ("barometer",)))
    assert value(none, "smallest_detectable") > 1.2 * value(both, "smallest_detectable")


@pytest.mark.parametrize("moved_pa", [-1_000.0, 300.0, 1_000.0])
def test_weather_that_nobody_logged_is_as_large_as_at_stations(moved_pa: float) -> None:
    """A tight circuit whose metal says all. Hourly records of six public stations: a change of 12 h has 320 to 520 Pa
    of standard deviation, so 1,000 Pa is two to three of them."""
    dice = np.random.default_rng(5)
    at = np.arange(0.0, 43_200.0, 30.0)
    metal = 290.0 + 0.3 * np.sin(at / 2_000.0)
    gas = 2.0e6 * metal / 290.0 + dice.normal(0.0, 100.0, len(at))

    def without_barometer(weather_pa: np.ndarray) -> Assessment:
        logged = {"circuit_pressure": ("psig", (gas - weather_pa) / PSI), "surface_temperature": ("K", metal)}
        return assess(make_stretch("pressure_test", at, logged))

    found = without_barometer(100_000.0 + 0.5 * moved_pa * (1.0 - np.cos(np.pi * at / 43_200.0)))
    assert value(found, "loss_rate_low") < 0.0 < value(found, "loss_rate_high")
    assert value(found, "smallest_detectable") < 0.4 * PSI / 86_400.0
    stormy = without_barometer(100_000.0 + 1_000.0 * np.sin(2.0 * np.pi * at / 36_000.0))
    assert value(stormy, "smallest_detectable") > 1.4 * value(found, "smallest_detectable")


def test_missing_pressure_and_short_logs(calm: Night) -> None:
    stretch = changed(calm, lambda t, p: p)
    found = assess(changed(calm, lambda t, p: p, ("circuit_pressure",)))
    assert found.verdict == "undecided"
    assert "no reading of the circuit pressure" in found.text
    for rows in (1, 2, 30, 200):
        short = make_stretch(
            "pressure_test", np.arange(rows) * 10.0, {"circuit_pressure": ("psig", np.full(rows, 150.0))}
        )
        assert assess(short).verdict == "undecided"
        assert value(assess(short), "hours_judged") == 0.0
    blank = make_stretch("pressure_test", np.arange(4000) * 10.0, {"circuit_pressure": ("psig", np.full(4000, np.nan))})
    assert assess(blank).verdict == "undecided"
    assert stretch.frame.shape[0] > 200


def test_stuck_gauge_is_named() -> None:
    night = make_night(9, **{**CALM, "stuck": True, "swing_k": 4.0, "ratio": 3.0})
    found = assess(night.stretch)
    assert "channel_stuck" in kinds(found)
    assert found.verdict != "tight"


def test_one_minute_of_a_probe_does_not_say_that_the_gauge_is_stuck() -> None:
    """The metal warmed and is back where it was when the gauge froze; a spike of a minute is none in the next one."""
    minute = np.arange(0.0, 180.0, 0.5)
    metal = np.where((minute >= 63.0) & (minute < 100.0), 28.0, 20.0) + np.where(minute // 1 == 110.0, 4.0, 0.0)
    gauge = np.where(minute < 60.0, 150.0 + 0.02 * np.sin(minute), 150.0)
    logged = {"circuit_pressure": ("psig", gauge), "surface_temperature": ("degC", metal)}
    stretch = make_stretch("pressure_test", 60.0 * minute, logged)
    found = assert_prefix_consistent(assess, stretch, range(215, 232))
    assert "channel_stuck" not in kinds(found)


@pytest.mark.parametrize("frozen", [False, True])
def test_a_probe_that_came_off_does_not_say_that_the_gauge_is_stuck(frozen: bool) -> None:
    """The gas stood while the metal warmed by half a kelvin; then the probe leaps, and is left out from then on."""
    at = np.arange(0.0, 5.0 * 3_600.0, 30.0)
    metal = 20.0 + 0.5 * np.clip((at - 7_200.0) / 1_800.0, 0.0, 1.0) + np.where(at >= 9_900.0, 24.0, 0.0)
    gauge = np.where(at < 7_000.0, 1_500.0 + 0.5 * np.sin(at), 1_500.0)
    gauge = np.where((at >= 12_000.0) & ~frozen, 1_500.0 + 0.5 * np.sin(at), gauge)
    metal = np.where(frozen, 20.0 + 4.0 * np.clip((at - 7_200.0) / 3_600.0, 0.0, 1.0), metal)
    logged = {"circuit_pressure": ("kPag", gauge.round()), "surface_temperature": ("degC", metal.round(2))}
    log, job = make_log(at, logged, journal=[(0.0, "stage", "pressure_test", "begin")])
    named = [(f.kind, f.figures.get("channel")) for f in review(log, job).findings]
    assert (("channel_stuck", "circuit_pressure") in named) == frozen
    assert (("channel_jumped", "surface_temperature") in named) != frozen


def test_fallen_probe_is_named() -> None:
    names = [
        kinds(assess(make_night(s, **{**CALM, "falls_off": True, "swing_k": 5.0, "parts": 1}).stretch))
        for s in range(3, 6)
    ]
    assert sum("channel_jumped" in n for n in names) >= 1
    calm_names = [kinds(assess(make_night(s, **{**CALM, "swing_k": 5.0}).stretch)) for s in range(3, 6)]
    assert not any("channel_jumped" in n for n in calm_names)


def test_gas_that_stands_still_while_it_turns_is_no_stuck_gauge() -> None:
    """A coarse gauge on a slow circuit: the air warms already while the gas still cools, an hour at one number."""
    at = np.arange(0.0, 12 * 3600.0, 30.0)
    air = 288.0 + 6.0 * np.cos((at / 3600.0 - 10.0) / 12.0 * np.pi)
    lag = 2.5 * 3600.0
    gas = 288.0 + 6.0 * np.real(np.exp(1j * (at / 3600.0 - 10.0) / 12.0 * np.pi) / (1 + 1j * lag * np.pi / 43_200.0))
    shown = np.round(150.0 * gas / 288.0 * 10.0) / 10.0
    stretch = make_stretch(
        "pressure_test", at, {"circuit_pressure": ("psig", shown), "ambient_temperature": ("K", np.round(air, 1))}
    )
    assert "channel_stuck" not in kinds(assess(stretch))


@pytest.mark.parametrize(("digit_bar", "lag_h"), [(0.01, 48.0), (0.0001, np.inf)])
def test_a_coarse_gauge_on_an_insulated_barrel_is_not_stuck_and_a_fine_one_that_stands_is(
    digit_bar: float, lag_h: float
) -> None:
    """The room warms by 3 K in three hours. Its barrel of metal and water, under 19 mm of foam, follows in two days."""
    hour = np.arange(0.0, 8.0, 1.0 / 120.0)
    at, warmed = 3_600.0 * hour, np.clip(hour - 3.0, 0.0, 3.0)
    settling = np.where(hour < 2.0, 2.0 * digit_bar * (2.0 - hour), 0.0)
    gas = 0.0 if np.isinf(lag_h) else np.cumsum(warmed) / 120.0 / lag_h
    air = 290.0 + warmed
    shown = np.round((10.0 * (1.0 + gas / 290.0) + settling) / digit_bar) * digit_bar
    stretch = make_stretch(
        "pressure_test", at, {"circuit_pressure": ("barg", shown), "ambient_temperature": ("K", np.round(air, 1))}
    )
    assert ("channel_stuck" in kinds(assess(stretch))) == np.isinf(lag_h)


def test_what_gives_way_beside_a_chilled_probe_is_told(calm: Night) -> None:
    """A fitting that cold shrinks lets go of 0.6 %, and what blows out, or the gate's cold, chills a probe by 8 K."""
    late = 1.0 - np.exp(-np.clip(calm.at_s - 5 * 3600.0, 0.0, None) / 120.0)
    gave_way = changed(calm, lambda _, p: p - (p + 14.7) * 0.006 * late)
    air = gave_way.frame["ambient_temperature"] - 8.0 * late
    for stretch in (gave_way, replace(gave_way, frame=gave_way.frame.assign(ambient_temperature=air))):
        assert "circuit_pressure" in [f.figures.get("channel") for f in assess(stretch).findings]


def test_the_air_probe_is_not_put_on_the_metal() -> None:
    at = np.arange(0.0, 4.0 * 3_600.0, 30.0)
    logged = {
        "circuit_pressure": ("psig", 150.0 + 0.02 * np.sin(at)),
        "ambient_temperature": ("degC", np.where(at < 7_200.0, 20.0, 26.0)),
    }
    jumped = [f for f in assess(make_stretch("pressure_test", at, logged)).findings if f.kind == "channel_jumped"]
    assert [f.figures["channel"] for f in jumped] == ["ambient_temperature"]
    assert "shade" in jumped[0].text
    assert "metal" not in jumped[0].text


def test_gas_that_lags_metal_that_lags_the_logged_air_is_followed_through_both() -> None:
    """Two lags of about half an hour each, one after the other: no single lag and no sum of two gives that shape."""
    at = np.arange(-6.0 * 3_600.0, 12.0 * 3_600.0, 60.0)
    hour = 18.0 + at / 3_600.0
    air = 293.15 + 4.0 * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0) + 0.6 * np.sin(2.0 * np.pi * hour / 5.0)
    gas = air
    for lag_min in (25.0, 40.0):
        share = 1.0 - np.exp(-1.0 / lag_min)
        gas = gas[0] + lfilter([share], [1.0, share - 1.0], gas - gas[0])
    logged = at >= 0.0
    at, air, gas = at[logged], air[logged], gas[logged]
    dice = np.random.default_rng(12)
    shown = (314.7 - 1.5 * at / 86_400.0) * (gas / 293.15) ** 1.05 - 14.7 + dice.normal(0.0, 0.02, len(at))
    readings = {
        "circuit_pressure": ("psig", np.round(shown, 2)),
        "ambient_temperature": ("K", np.round(air + dice.normal(0.0, 0.02, len(at)), 2)),
        "barometer": ("Pa", np.full(len(at), 101_353.0)),
    }
    found = assess(make_stretch("pressure_test", at, readings, tables={"pressure_test": {"allowed_loss": "0.5 psi/d"}}))
    per_day = {name: value(found, name) * 86_400.0 / PSI for name in ("loss_rate_low", "loss_rate_high")}
    assert per_day["loss_rate_low"] < 1.5 < per_day["loss_rate_high"], per_day
    assert per_day["loss_rate_high"] - per_day["loss_rate_low"] < 0.8, per_day
    assert found.verdict == "leaking"


@pytest.mark.parametrize(("fell_k", "phase"), [(2.5, 0.7), (2.5, 0.9), (3.0, 0.7)])
def test_rounding_to_whole_kelvins_is_outlived_where_the_metal_passes_several(fell_k: float, phase: float) -> None:
    """A tight circuit at its metal's temperature, which falls smoothly and is read in whole kelvins."""
    at = np.arange(0.0, 43_200.0, 60.0)
    metal = 294.0 + phase - fell_k * (1.0 - np.cos(np.pi * at / at[-1])) / 2.0
    gas = metal + 6.0 * np.exp(-at / 900.0)
    logged = {
        "circuit_pressure": ("psia", np.round(214.7 * gas / gas[-1], 2)),
        "surface_temperature": ("K", np.round(metal)),
    }
    found = assess(make_stretch("pressure_test", at, logged, tables={"pressure_test": {"allowed_loss": "2 psi/d"}}))
    assert found.verdict == "tight"
    assert value(found, "loss_rate_low") < 0.0 < value(found, "loss_rate_high")


def test_rounding_is_remembered_over_the_path_that_a_probe_went() -> None:
    """Against the autocorrelation of a sawtooth, 1 - 6 u + 6 u^2 after u digits, and while the number stands."""
    at = np.arange(60) * 10.0
    read = np.where(at < 300.0, 0.0, 0.02 * (at - 300.0) / 10.0)
    data = SegmentData(at, np.full(60, 10.0), read, read[:, None], ((METAL, ()),), 0.0, (1.0,), 0.0)
    without = replace(data, probe_digits_k=(0.0,))
    rounding = (covariances(data, (METAL,))[0] - covariances(without, (METAL,))[0])[0, 0] * 12.0
    assert np.diag(rounding) == pytest.approx(1.0, abs=1e-6)
    assert rounding[0, 29] > 0.25
    for steps in (1, 2, 3):
        u = 0.02 * steps
        assert rounding[40, 40 + steps] == pytest.approx(1.0 - 6.0 * u + 6.0 * u**2, abs=0.05)


def test_a_long_night_is_drawn() -> None:
    night = make_night(6, **{**CALM, "interval": 1.0, "hours": 16.0})
    found = assess(night.stretch)
    figure = draw(night.stretch, found)
    assert figure is not None
    assert len(figure.axes) == 4


def test_a_barometer_that_hardly_moves_is_drawn_as_it_shows(calm: Night) -> None:
    still = 14.4 + 0.002 * np.sin(calm.at_s / 7_200.0)
    channels = {"circuit_pressure": ("psig", np.round(calm.gauge_psi, 2)), "barometer": ("psia", still)}
    stretch = make_stretch("pressure_test", calm.at_s, channels)
    figure = draw(stretch, assess(stretch))
    assert figure is not None
    figure.draw_without_rendering()
    assert [ax.yaxis.get_major_formatter().get_offset() for ax in figure.axes] == [""] * len(figure.axes)


def test_a_heater_that_comes_and_goes_is_no_probe_that_jumped() -> None:
    at = np.arange(0.0, 8 * 3600.0, 30.0)
    air = 20.0 - at / 7200.0 + 1.6 * np.sign(np.sin(2.0 * np.pi * at / 2900.0)) + 0.1 * np.sin(at)
    channels = {"circuit_pressure": ("psig", 150.0 - at / 36_000.0), "ambient_temperature": ("degC", air)}
    assert "channel_jumped" not in kinds(assess(make_stretch("pressure_test", at, channels)))
    fell = np.where(at < 5 * 3600.0, 20.0, 28.0) - at / 7200.0 + 0.1 * np.sin(at)
    moved = {**channels, "ambient_temperature": ("degC", fell)}
    assert "channel_jumped" in kinds(assess(make_stretch("pressure_test", at, moved)))


@pytest.mark.parametrize(("gas_follows", "falls"), [(0.0, 0.0), (0.8, 0.0), (0.0, 2.0)])
def test_sun_on_the_only_probe_is_named_and_is_no_leak(gas_follows: float, falls: float) -> None:
    """The gas law: gas that is as warm as its metal follows it; one that falls meanwhile is lost."""
    dice = np.random.default_rng(3)
    at = np.arange(0.0, 11.0 * 3_600.0, 30.0)
    night, warm = 290.0 - 2.0 * np.sin(at / 14_000.0), np.clip((at - 9.0 * 3_600.0) / 3_600.0, 0.0, 1.0)
    gas = 2.0e6 * (night + (4.0 * gas_follows - falls) * warm) / 290.0 + dice.normal(0.0, 300.0, len(at))
    logged = {
        "circuit_pressure": ("psia", gas / PSI),
        "surface_temperature": ("K", night + 4.0 * warm + dice.normal(0.0, 0.01, len(at))),
    }
    found = assess(make_stretch("pressure_test", at, logged, tables={"pressure_test": {"allowed_loss": "1 psi/d"}}))
    named = [f for f in found.findings if f.kind == "channel_jumped" and "the sun" in f.text]
    assert len(named) == (gas_follows == falls)
    assert not named or value(found, "smallest_detectable") < 2.0 * PSI / 86_400.0


def test_gas_in_tubes_that_a_warm_draught_moves_before_the_metal_is_no_sun() -> None:
    """The gas law, and bodies that lag the air: what stands in tubes follows it before thick metal does."""
    at = np.arange(0.0, 6.0 * 3_600.0, 60.0)
    air = 285.0 + 6.0 * ((at > 4.0 * 3_600.0) & (at < 5.0 * 3_600.0))

    def behind(by_s: float) -> np.ndarray:
        share = np.exp(-60.0 / by_s)
        return np.asarray(lfilter([1.0 - share], [1.0, -share], air, zi=[share * air[0]])[0])

    metal = behind(2_400.0)
    gas_pa = 2.0e6 / 285.0 * (0.6 * behind(300.0) + 0.4 * metal) + np.random.default_rng(3).normal(0.0, 300.0, len(at))
    logged = {"circuit_pressure": ("psia", gas_pa / PSI), "surface_temperature": ("K", metal)}
    assert probe_faults(minutes_of(make_stretch("pressure_test", at, logged))) == []


@pytest.mark.parametrize(("room_k", "meant", "said"), [(277.0, "degF", True), (310.0, "degC", False)])
def test_a_unit_that_keeps_it_undecided_is_named(room_k: float, meant: str, said: bool) -> None:
    """The gas law: 39 degF logged as degC hides a loss, and would be called tight; a label that fits says nothing."""
    at = np.arange(0.0, 8.0 * 3_600.0, 60.0)
    room = room_k - 3.0 * np.sin(at / 20_000.0)
    gas_psi = 290.0 * (room / room_k) ** temperature_exponent(290.0 * PSI, room_k)
    read_psi = gas_psi - 5.0 * at / 86_400.0 + np.random.default_rng(3).normal(0.0, 0.1, len(at))
    logged = {"circuit_pressure": ("psia", read_psi), "surface_temperature": ("degC", UNITS[meant].number(room))}
    allowed = {"pressure_test": {"allowed_loss": "4.8 psi/d"}}
    found = assess(make_stretch("pressure_test", at, logged, tables=allowed))
    assert found.verdict == "undecided"
    assert ("would be tight, but degF and degC may be mixed up" in found.text) == said


@pytest.mark.parametrize("stuck", [True, False])
def test_what_stood_until_it_jumped_was_stuck(stuck: bool) -> None:
    """Common practice: a reading that comes back after hours at one number is no use from where it stood."""
    at = np.arange(0.0, 8.0 * 3_600.0, 60.0)
    metal = 293.0 - at / 7_200.0 + np.random.default_rng(3).normal(0.0, 0.05, len(at))
    held = np.where(stuck & (at >= 10_800.0) & (at < 18_000.0), metal[180], metal) - 3.0 * (at >= 18_000.0)
    logged = {"circuit_pressure": ("psia", 290.0 - at / 7_200.0), "surface_temperature": ("K", np.round(held, 1))}
    stretch = make_stretch("pressure_test", at, logged)
    (fault,) = probe_faults(minutes_of(stretch))
    assert fault.since == pytest.approx(300, abs=6)
    assert fault.believed == pytest.approx(180 if stuck else 300, abs=6)
    assert any("had stood at one number" in f.text for f in assess(stretch).findings) == stuck


def test_what_is_warmer_than_any_gas_under_test_corrects_nothing() -> None:
    """The gas law: 68 degF logged as degC makes of a kelvin of the gas one and a half, and hides a loss behind it."""
    at = np.arange(0.0, 9.0 * 3_600.0, 60.0)
    room = 294.0 - 2.0 * np.sin(at / 20_000.0)
    lost = {"circuit_pressure": ("psia", 1.5e6 / PSI * room / 294.0 - 2.0 * at / 86_400.0)}
    allowed = {"pressure_test": {"allowed_loss": "1 psi/d"}}

    def told(**probe: str) -> Assessment:
        read = {name: (unit, 1.8 * room - 459.67) for name, unit in probe.items()}
        return assess(make_stretch("pressure_test", at, {**lost, **read}, tables=allowed))

    right, wrong, without = told(surface_temperature="degF"), told(surface_temperature="degC"), told()
    assert right.verdict == "leaking"
    assert "its unit" not in right.text
    assert "its unit" in wrong.text
    for name in ("loss_rate_low", "loss_rate_high"):
        assert value(wrong, name) == value(without, name)


@pytest.mark.parametrize(("lost_psi_per_h", "verdict"), [(0.0, "tight"), (0.35, "undecided")])
def test_hours_before_sun_on_the_only_probe_are_not_tight_for_those_after(lost_psi_per_h: float, verdict: str) -> None:
    """A joint that opens then hides behind the probe: lost is 1.2 psi of 290, a kelvin of all the gas."""
    dice = np.random.default_rng(3)
    hours = np.arange(0.0, 12.0, 1.0 / 120.0)
    night, after = 290.0 - 0.5 * np.sin(hours / 4.0), np.clip(hours - 8.5, 0.0, None)
    logged = {
        "circuit_pressure": ("psia", night + dice.normal(0.0, 0.04, len(hours)) - lost_psi_per_h * after),
        "surface_temperature": ("K", night + 4.0 * np.minimum(after, 1.0) + dice.normal(0.0, 0.01, len(hours))),
    }
    allowed = {"pressure_test": {"allowed_loss": "3 psi/d"}}
    found = assess(make_stretch("pressure_test", hours * 3_600.0, logged, tables=allowed))
    assert "the sun" in "".join(f.text for f in found.findings)
    assert found.verdict == verdict
    assert ("what came after may be a loss" in found.text) == (verdict == "undecided")


@pytest.mark.parametrize(
    ("unit", "said", "verdict"),
    [
        ("psig", {}, "tight"),
        ("kPag", {}, "undecided"),
        ("kPag", {"pressure_test": {"pressure": "150 kPag", "allowed_loss": "1 psi/d"}}, "tight"),
        ("kPag", {"circuit": {"refrigerant": "R-134a"}}, "undecided"),
        ("kPag", {"circuit": {"refrigerant": "R-123"}}, "tight"),
    ],
)
def test_a_test_so_low_is_tight_where_the_job_tells_it_from_psi_logged_as_kpa(
    unit: str, said: dict[str, dict[str, str]], verdict: str
) -> None:
    """R-134a stands at 572 kPa, R-123 at 76 kPa, at 20 degC (CoolProp); who tests at 22 psi says so."""
    at = np.arange(0.0, 9.0 * 3_600.0, 60.0)
    warmer = 0.5 * np.sin(at / 9_000.0)
    logged = {
        "circuit_pressure": (unit, 150.0 + (150.0 + {"psig": 14.7, "kPag": 101.3}[unit]) * warmer / 293.0),
        "surface_temperature": ("degC", 20.0 + warmer),
    }
    tables = {"pressure_test": {"allowed_loss": "1 psi/d"}, **said}
    found = assess(make_stretch("pressure_test", at, logged, tables=tables))
    assert found.verdict == verdict
    assert ("psi logged as kPa" in found.text) == (verdict == "undecided")
