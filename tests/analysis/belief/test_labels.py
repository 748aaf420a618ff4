"""Units and labels that cannot be meant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.belief import believe
from analysis.belief.labels import relabelled
from analysis.review import review
from analysis.vocabulary.channels import CHANNELS, make_column
from analysis.vocabulary.job import parse_job
from analysis.vocabulary.units import UNITS
from tests.analysis.belief.logs import R134A, RUNNING, begun, found, night, put, running, standing, two_gauges
from tests.support import make_log, with_channels

R134A_JOB = parse_job({"job": {"name": "test"}, **R134A})


def test_degrees_celsius_logged_as_fahrenheit() -> None:
    log = night()
    celsius = log.frame["leaving_water_temperature"] - 273.15
    _, findings = believe(with_channels(log, leaving_water_temperature=("degF", (celsius + 459.67) / 1.8)))
    assert [f.figures["channel"] for f in findings] == ["leaving_water_temperature"]
    assert "only as degC" in findings[0].text


@pytest.mark.parametrize("unit", ["kPag", "barg", "kPa", "bar"])
@pytest.mark.parametrize("others", [(), ("suction_pressure", "discharge_pressure")])
def test_psi_logged_as_something_else(unit: str, others: tuple[str, ...]) -> None:
    log = standing({"circuit_pressure": unit, **dict.fromkeys(others, "psig")})
    _, findings = believe(log, R134A_JOB)
    assert [f.figures["channel"] for f in findings] == ["circuit_pressure"]
    assert f"is logged as {unit} but agrees with" in findings[0].text
    assert "only as psig" in findings[0].text
    assert believe(standing({"circuit_pressure": "psig", **dict.fromkeys(others, "psig")}), R134A_JOB)[1] == ()


@pytest.mark.parametrize("channel", ["surface_temperature", "leaving_water_temperature"])
def test_the_only_probe_logged_in_its_unit_is_judged_beside_its_partner(channel: str) -> None:
    log = night()
    kept = ["ambient_temperature", "surface_temperature", "entering_water_temperature", "leaving_water_temperature"]
    rooms = with_channels(
        replace(log, frame=log.frame[kept], columns={}),
        **{c: ("degF" if c == channel else "degC", log.frame[c]) for c in kept},
    )
    assert believe(rooms)[1] == ()
    numbers_of_celsius = (log.frame[channel] - 273.15 + 459.67) / 1.8
    _, findings = believe(with_channels(rooms, **{channel: ("degF", numbers_of_celsius)}))
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert findings[0].since == log.frame.index[0]


def test_a_gauge_labelled_absolute_is_told_by_the_one_beside_it() -> None:
    gauges = dict.fromkeys(("suction_pressure", "discharge_pressure"), "psig")
    assert found(standing({"circuit_pressure": "psia", **gauges})) == [("channel_jumped", "circuit_pressure")]
    assert found(standing({"circuit_pressure": "psia", "suction_pressure": "psig"})) == []


def test_water_in_a_wrong_unit_is_told_by_the_pressure_where_the_water_beside_it_bears_the_pressure_out() -> None:
    """R-134a at 20 degC: 68 psi read as kPa would stand beside 20 degF as well, but not beside the entering water."""
    gauge = standing({"circuit_pressure": "psig"}).frame["circuit_pressure"]
    logged = {
        "circuit_pressure": ("psig", UNITS["psig"].number(gauge.to_numpy(), 101_325.0)),
        "entering_water_temperature": ("degF", np.full(len(gauge), 68.4)),
        "leaving_water_temperature": ("degF", np.full(len(gauge), 20.0)),
    }
    (fault,) = believe(*make_log(10.0 * np.arange(len(gauge)), logged, tables=R134A, journal=begun("recovery")))[1]
    assert fault.figures["channel"] == "leaving_water_temperature"
    assert "only as degC" in fault.text


@pytest.mark.parametrize(("channel", "unit", "meant"), [
    ("cylinder_temperature", "degF", "degC"), ("cylinder_pressure", "psig", "kPag"),
])  # fmt: skip
def test_a_cylinder_far_above_saturation_has_a_wrong_label(channel: str, unit: str, meant: str) -> None:
    log = standing({"circuit_pressure": "psig"})
    right = {"cylinder_temperature": ("degC", 20.0), "cylinder_pressure": ("kPag", 470.4)}
    labelled = {name: (unit if name == channel else own, number) for name, (own, number) in right.items()}
    beside = {name: (label, UNITS[label].si(number, log.barometer_pa)) for name, (label, number) in labelled.items()}
    _, findings = believe(with_channels(log, **beside), R134A_JOB)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert f"only as {meant}" in findings[0].text


def test_a_cylinder_that_grows_hot_as_it_fills_is_no_wrong_label() -> None:
    """Read as degF its 45 degC and more would lie beside a room of 10 degC."""
    log = standing({})
    log.frame[list(log.columns)] -= 10.0
    assert found(with_channels(log, cylinder_temperature=("degC", np.linspace(295.0, 328.0, len(log.frame))))) == []


@pytest.mark.parametrize("number", [24.0, 38.0, 75.0])
def test_warm_air_beside_chilled_water_alone_is_no_wrong_label(number: float) -> None:
    """Two probes of one water say nothing of the room: 24 degC would lie beside brine as degF, 75 degC is no room."""
    log = standing({"entering_water_temperature": "degC"})
    log.frame[["leaving_water_temperature", "entering_water_temperature"]] = (number - 32.0) / 1.8 + 273.15 + 2.0
    log.frame["ambient_temperature"] = number + 273.15
    del log.columns["surface_temperature"]
    log = replace(log, frame=log.frame.drop(columns="surface_temperature"))
    assert [channel for _, channel in found(log)] == (["ambient_temperature"] if number > 45.0 else [])


def test_air_in_a_cylinder_is_no_wrong_label() -> None:
    """2 bar of air stand above R-134a at 20 degC: saturation of what the gauge shows is 11 K above the metal."""
    log = standing({"circuit_pressure": "psig"})
    filled = with_channels(log, cylinder_temperature=("degC", 293.15), cylinder_pressure=("kPag", 771.7e3))
    assert believe(filled, R134A_JOB)[1] == ()


@pytest.mark.parametrize(("number", "unit", "air"), [(55.4, "degC", 13.0), (12.0, "degF", 14.0)])
def test_water_that_cannot_be_what_it_is_labelled_is_told_by_one_thermometer(
    number: float, unit: str, air: float
) -> None:
    steady = np.ones(4_320)
    logged = {"leaving_water_temperature": (unit, number * steady), "ambient_temperature": ("degC", air * steady)}
    log, _ = make_log(5.0 * np.arange(len(steady)), logged)
    assert found(log) == [("channel_jumped", "leaving_water_temperature")]


@pytest.mark.parametrize(("number", "unit"), [(97.2, "kPag"), (97.2, "psig")])
def test_a_condenser_far_under_its_water_has_a_wrong_label(number: float, unit: str) -> None:
    """R-134a at 97 psig condenses at 30 degC; at 97 kPag it would at -10 degC, beside water of 27 degC."""
    steady = np.ones(4_320)
    logged = {"discharge_pressure": (unit, number * steady), "condenser_leaving_temperature": ("degC", 27.0 * steady)}
    log = make_log(5.0 * np.arange(len(steady)), logged, tables=R134A, journal=begun("startup"))
    expected = ["discharge_pressure"] if unit == "kPag" else []
    assert [f.figures["channel"] for f in believe(*log)[1]] == expected


@pytest.mark.parametrize(
    ("channel", "label", "number", "unit", "pressure"),
    [("suction_temperature", "degF", 9.0, "kPag", 241.0), ("liquid_temperature", "degC", 92.0, "psig", 125.0)],
)
def test_a_pipe_that_cannot_be_so_far_from_its_saturation_has_a_wrong_label(
    channel: str, label: str, number: float, unit: str, pressure: float
) -> None:
    """R-134a: suction of 241 kPa is at 4 degC, so no pipe of -13 degC; no liquid line of 92 degC stands at 125 psig."""
    gauge = "suction_pressure" if channel == "suction_temperature" else "discharge_pressure"
    steady = np.ones(4_320)
    logged = {gauge: (unit, pressure * steady), channel: (label, number * steady)}
    findings = believe(*make_log(5.0 * np.arange(len(steady)), logged, tables=R134A, journal=begun("startup")))[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
def test_a_display_switched_to_another_unit_is_named_once_since_then(step: float) -> None:
    log = night(step=step)
    rows = log.frame.index[int(9_000.0 / step) :]
    celsius = log.frame.loc[rows, "leaving_water_temperature"] - 273.15
    log.frame.loc[rows, "leaving_water_temperature"] = celsius * 1.8 + 32.0 + 273.15
    result = review(log, parse_job({"job": {"name": "n"}}))
    named = [f for f in result.findings if f.kind.startswith("channel_")]
    assert [(f.kind, f.figures["channel"], f.since) for f in named] == [
        ("channel_jumped", "leaving_water_temperature", rows[0])
    ]


def test_a_display_switched_at_the_hose_while_it_flows_is_told_by_its_unit() -> None:
    log = two_gauges("recovery")
    assert found(log) == []
    put(log, "circuit_pressure", 500, lambda shown: shown * 6.894757)
    (fault,) = believe(log)[1]
    assert (fault.kind, fault.figures["channel"], fault.since) == (
        "channel_jumped", "circuit_pressure", log.frame.index[500],
    )  # fmt: skip
    assert "kPag since then, not psig" in fault.text


@pytest.mark.parametrize("bare_rows", [0, 6])
def test_a_cylinder_that_weighs_as_many_kilograms_as_the_last_pounds_is_no_fault(bare_rows: int) -> None:
    log = night()
    column = log.frame.columns.get_loc("cylinder_weight")
    log.frame.iloc[1_000:, column] *= 0.45359237
    log.frame.iloc[1_000 : 1_000 + bare_rows, column] = 0.0
    assert found(log) == []


def test_a_running_machine_in_order_is_believed() -> None:
    assert believe(*running({}))[1] == ()
    assert believe(*running({}, marked=False, loaded=True))[1] == ()


@pytest.mark.parametrize(("low", "high", "celsius"), [(75.0, 150.0, 21.0), (150.0, 300.0, 21.0), (1.0, 46.0, 10.0)])
def test_two_pressures_in_a_machine_that_stands_put_no_label_in_doubt(low: float, high: float, celsius: float) -> None:
    """Nitrogen in its low and its high side, as their designs allow; liquid left where only the low side is drawn."""
    at, noise = np.arange(0.0, 7_200.0, 10.0), np.random.default_rng(1)
    thermometers = ("suction_temperature", "discharge_temperature", "liquid_temperature", "leaving_water_temperature")
    for unit in ("degC", "degF"):
        room = celsius if unit == "degC" else 32.0 + 1.8 * celsius
        for seen in (thermometers, ("suction_temperature", "leaving_water_temperature")):
            logged = {channel: (unit, np.round(room + 0.1 * noise.normal(size=len(at)), 1)) for channel in seen}
            for channel, psig in (("suction_pressure", low), ("discharge_pressure", high)):
                logged[channel] = "psig", np.round(psig + 0.1 * noise.normal(size=len(at)), 1)
            assert believe(*make_log(at, logged, tables=R134A))[1] == ()


@pytest.mark.parametrize(
    ("channel", "loaded"),
    [("leaving_water_temperature", False), ("suction_temperature", True), ("suction_pressure", True)],
)
def test_a_label_is_put_in_doubt_by_a_machine_that_runs_though_nobody_marked_it(channel: str, loaded: bool) -> None:
    """Its load tells that it runs, or the lift of the pressure where no load is read."""
    unit = "degC"
    if channel == "suction_pressure":  # numbers in kPa under psi: far above saturation
        log, job = running({}, marked=False, loaded=True)
        column = make_column(channel, "psig", "suction_pressure [psig]")
        frame = log.frame.assign(**{channel: (log.frame[channel] - log.barometer_pa) * 6.894757 + log.barometer_pa})
        log, unit = replace(log, frame=frame, columns={**log.columns, channel: column}), "kPag"
    else:
        log, job = running({channel: unit}, marked=False, loaded=loaded)
    findings = believe(log, job)[1]
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert f"only as {unit}" in findings[0].text


@pytest.mark.parametrize("channel", [channel for channel in RUNNING if channel != "suction_pressure"])
def test_a_label_that_breaks_the_order_of_a_running_machine_is_named_once(channel: str) -> None:
    unit = "degC" if CHANNELS[channel] == "temperature" else "psig"
    log, findings = believe(*running({channel: unit}))
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", channel)]
    assert f"only as {unit}" in findings[0].text
    assert log.frame[channel].iloc[-100:].isna().all()


@pytest.mark.parametrize("step", [1.0, 10.0, 60.0])
@pytest.mark.parametrize(("unit", "filled"), [("barg", 0.88), ("MPa", 0.1), ("psig", 10.0), ("kPag", 70.0)])
def test_a_circuit_filled_a_little_from_open_shows_no_other_unit(step: float, unit: str, filled: float) -> None:
    at = np.arange(0.0, 3_600.0, step)
    opened = UNITS[unit].number(101_325.0, 101_325.0)
    log, _ = make_log(at, {"circuit_pressure": (unit, opened + np.where(at < 1_800.0, 0.0, filled))})
    assert found(log) == []


@pytest.mark.parametrize(("own", "shown", "gas"), [("kPag", "barg", 9.0), ("barg", "bar", 7.5)])
def test_the_suction_gauge_that_water_and_gas_cannot_stand_beside_has_a_wrong_label(
    own: str, shown: str, gas: float
) -> None:
    """2.4 barg read as kPag boil 43 K under the water, 3.4 bar read as barg above the water and the gas that leave."""
    log, job = running({})
    air = log.barometer_pa.iloc[0]
    gauge = UNITS[own].si(UNITS[shown].number(236e3 + air, air), air)
    spoilt = with_channels(log, suction_pressure=(own, gauge), suction_temperature=("degF", gas + 273.15))
    _, findings = believe(with_channels(spoilt, discharge_pressure=(shown, 915e3 + air)), job)
    assert [(f.kind, f.figures["channel"]) for f in findings] == [("channel_jumped", "suction_pressure")]
    assert f"only as {shown}" in findings[0].text
    assert believe(with_channels(spoilt, discharge_pressure=(own, 915e3 + air)), job)[1] == ()


@pytest.mark.parametrize("counts", [1.0, 100.0])
@pytest.mark.parametrize("stood", [(500e3, 500e3), (450e3, 770e3)])
def test_a_load_that_counts_in_shares_of_one_is_named_once_a_machine_started_and_ran(
    counts: float, stood: tuple[float, float]
) -> None:
    """For ten minutes before the compressor starts both pressures are the same, or kept apart by a closed valve: R-134a
    at 12 and 30 degC."""
    log, _ = running({})
    begins = np.arange(len(log.frame)) < 60
    off = {
        side: ("kPag", np.where(begins, stands, log.frame[side]))
        for side, stands in zip(("suction_pressure", "discharge_pressure"), stood, strict=True)
    }
    load = np.where(begins, 0.0, 0.7 + 0.02 * np.random.default_rng(7).integers(-1, 2, len(begins))) * counts / 100.0
    named = [("channel_jumped", "compressor_load")] * (counts == 1.0)
    assert found(with_channels(log, **off, compressor_load=("%", load))) == named
    assert found(with_channels(log, compressor_load=("%", np.full(len(begins), 0.002)))) == []  # never seen to start


def test_metal_that_frosts_while_liquid_boils_beside_a_warm_room_is_no_wrong_label() -> None:
    """At 21 degF, logged right, beside a room and water of 70 degF: read as degC it would stand beside them as well."""
    log = night()
    for channel in ("ambient_temperature", "entering_water_temperature", "leaving_water_temperature"):
        log.frame[channel] = 294.2 + 0.1 * np.random.default_rng(1).integers(-1, 2, len(log.frame))
    log.frame["surface_temperature"] = np.interp(np.arange(len(log.frame)), [400.0, 1_500.0], [294.2, 267.0])
    assert found(log) == []
    log.frame["surface_temperature"] = 267.0
    assert ("channel_jumped", "surface_temperature") in found(log)


def test_a_number_of_a_vacuum_gauge_means_as_much_below_the_barometer() -> None:
    """10 inHg are 33.86 kPa (NIST SP 811)."""
    barometer_pa = np.array([101_000.0])
    read = UNITS["psig"].si(10.0, barometer_pa)
    assert relabelled(read, UNITS["psig"], UNITS["inHg"], barometer_pa) == pytest.approx(67_136.0, abs=1.0)


def test_parts_that_come_to_rest_after_a_stop_put_no_label_in_doubt() -> None:
    """A pipe of 72 degC would lie beside rooms of 20 degC as degF, one of 44 degF not under what boils as degC."""
    pipes = {"discharge_temperature": "degC", "suction_temperature": "degF"}
    log = standing({"suction_pressure": "psig", **pipes})
    decay = np.exp(-10.0 * np.arange(len(log.frame)) / 4_000.0)
    log.frame["discharge_temperature"] += 52.0 * decay
    log.frame["suction_temperature"] -= 13.0 * decay
    assert believe(log, R134A_JOB)[1] == ()
    log.frame["discharge_temperature"] = 72.0 + 273.15
    assert found(log) == [("channel_jumped", "discharge_temperature")]


def test_a_gauge_whose_zero_is_off_beside_a_refrigerant_that_boils_near_the_atmosphere_is_in_no_other_unit() -> None:
    """R-1233zd(E) at 20 degC stands at 7 kPa on a gauge: that is about as little in bar, in psi and in kPa."""
    log = standing({"circuit_pressure": "barg"}, hours=1.0)
    log.frame["circuit_pressure"] = 101_325.0 + 45e3
    job = parse_job({"job": {"name": "test"}, "circuit": {"refrigerant": "R-1233zd(E)"}})
    assert believe(log, job)[1] == ()


def test_a_gauge_of_a_circuit_with_air_in_it_beside_a_pipe_that_reads_cold_is_in_no_other_unit() -> None:
    """25 kPa of air over R-1233zd(E) at 25 degC (130 kPa) stand 5.6 K above the water, and 9 K above a pipe's probe
    that reads 3.5 K low; as kPag they would stand at saturation of that pipe."""
    log = standing(dict.fromkeys(("circuit_pressure", "suction_pressure"), "psig"), hours=1.0)
    for channel in ("circuit_pressure", "suction_pressure"):
        log.frame[channel] = 155e3
    log = with_channels(
        log, suction_temperature=("degC", 294.65), leaving_water_temperature=("degC", 298.15),
        entering_water_temperature=("degC", 298.15),
    )  # fmt: skip
    job = parse_job({"job": {"name": "test"}, "circuit": {"refrigerant": "R-1233zd(E)"}})
    assert believe(log, job)[1] == ()


def test_metal_that_moves_as_far_as_air_in_degrees_fahrenheit_alone_is_labelled_wrong_and_a_heated_sump_is_not() -> (
    None
):
    """A number in degF moves 1.8 times as far. A sump keeps its distance to the air, or its heater its temperature."""
    at = np.arange(0.0, 8.0 * 3_600.0, 30.0)
    air = 15.8 - 4.0 * np.sin(np.pi * at / at[-1])

    def beside(metal: np.ndarray) -> list[tuple[str, str]]:
        probes = {
            "ambient_temperature": ("degC", np.round(air, 1)),
            "surface_temperature": ("degC", np.round(metal, 1)),
        }
        return found(make_log(at, probes, journal=begun("pressure_test"))[0])

    assert beside(air * 1.8 + 32.0) == [("channel_jumped", "surface_temperature")]
    assert beside(air + 42.0) == []
    assert beside(np.full(len(at), 58.0)) == []
    assert beside(58.0 + 3.0 * np.sin(at / 900.0)) == []


def test_what_has_a_wrong_label_itself_doubts_no_other() -> None:
    """Air that logs degC as degF moves 1.8 times as little as the metal beside it, which is right."""
    at = np.arange(0.0, 8.0 * 3_600.0, 30.0)
    air = 15.8 - 4.0 * np.sin(np.pi * at / at[-1])
    probes = {"ambient_temperature": ("degF", np.round(air, 1)), "surface_temperature": ("degC", np.round(air, 1))}
    log = make_log(at, probes, journal=begun("pressure_test"))[0]
    assert found(log) == [("channel_jumped", "ambient_temperature")]


@pytest.mark.parametrize(("true", "label"), [("psig", "kPag"), ("barg", "psig"), ("kPag", "kPag")])
def test_a_gauge_that_came_down_beside_a_vacuum_probe_shows_nothing_in_its_own_unit(true: str, label: str) -> None:
    at = np.arange(0.0, 7_200.0, 10.0)
    pascal = 30.0 + 101_295.0 * np.exp(-np.fmax(at - 600.0, 0.0) / 400.0)
    dice = np.random.default_rng(4)
    gauge = np.round((pascal - 101_325.0 + 300.0 * dice.normal(size=len(at))) / UNITS[true].scale, 2)
    probe = np.where(pascal < 3_000.0, np.round(pascal / UNITS["micron"].scale), np.nan)

    def beside(numbers: np.ndarray) -> list[tuple[str, str]]:
        logged = {"circuit_pressure": (label, numbers), "vacuum": ("micron", probe)}
        return found(make_log(at, logged, journal=begun("evacuation"))[0])

    assert beside(gauge) == ([] if true == label else [("channel_jumped", "circuit_pressure")])
    assert beside(np.full(len(at), gauge[-1])) == []  # one in the air whose zero is off
    assert beside(np.where(at < 600.0, 14.7, 0.0)) == []  # let out, and no scale for vacuum
    probe = np.full(len(at), 5_000.0)  # in the air, at its end: nitrogen is let out
    assert beside(np.maximum(np.linspace(100.0, -50.0, len(at)), 0.0)) == []
    probe = np.where(at < 900.0, 25_000.0, 500.0)  # let out to the little that its zero is off, and it ends at nothing
    assert beside(np.where(at < 900.0, np.fmax(9.0 * np.exp(-at / 100.0), 0.2), 0.0)) == []
