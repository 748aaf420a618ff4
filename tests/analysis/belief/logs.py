"""Logs of honest instruments, to be spoilt by a test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.belief import believe
from analysis.log import Log
from analysis.vocabulary.channels import CHANNELS
from analysis.vocabulary.job import Job
from analysis.vocabulary.units import UNITS
from tests.support import journal_rows, make_log


def night(seed: int = 0, hours: float = 6.0, step: float = 5.0) -> Log:
    """Return a night under nitrogen: air falls by 8 K, metal and water follow, pressure with them, all quantised."""
    noise = np.random.default_rng(seed)
    at = np.arange(0.0, hours * 3600.0, step)
    air = 294.0 - 8.0 * at / at[-1] + 0.1 * noise.normal(size=len(at))
    metal = 294.0 - 6.0 * at / at[-1]
    logged = {
        "ambient_temperature": ("degF", np.round(air * 1.8 - 459.67, 1)),
        "surface_temperature": ("degF", np.round((metal + 0.1 * noise.normal(size=len(at))) * 1.8 - 459.67, 1)),
        "leaving_water_temperature": ("degC", np.round(290.0 - 273.15 + 0.05 * noise.normal(size=len(at)), 1)),
        "entering_water_temperature": ("degC", np.round(290.5 - 273.15 + 0.05 * noise.normal(size=len(at)), 1)),
        "circuit_pressure": ("psig", np.round(150.0 * metal / 294.0 + 0.2 * noise.normal(size=len(at)), 1)),
        "cylinder_weight": ("lb", np.full(len(at), 120.0)),
        "barometer": ("kPa", np.round(99.0 + 0.5 * at / at[-1], 1)),
    }
    return make_log(at, logged)[0]


def stick(log: Log, channel: str, first: int, end: int | None = None) -> None:
    """Let a channel show the number of its row `first` until `end`; a gauge's counts from the barometer."""
    rows = log.frame.index[first:end]
    zero = log.barometer_pa if log.columns[channel].unit.datum == "gauge" else 0.0 * log.barometer_pa
    shown = float((log.frame[channel] - zero).iloc[first])
    log.frame.loc[rows, channel] = shown + zero[rows]


R134A = {"circuit": {"refrigerant": "R-134a"}}


def begun(stage: str) -> list[tuple[float, str, str, str]]:
    return [(0.0, "stage", stage, "begin")]


def found(log: Log) -> list[tuple[str, str]]:
    return [(f.kind, str(f.figures["channel"])) for f in believe(log)[1]]


def standing(units: dict[str, str], hours: float = 3.0, step: float = 10.0) -> Log:
    """Return a stopped circuit full of R-134a at 20 degC, its pressures logged in the units given."""
    noise = np.random.default_rng(5)
    at = np.arange(0.0, hours * 3600.0, step)
    logged = {}
    for channel, unit in {
        "ambient_temperature": "degC", "surface_temperature": "degC", "leaving_water_temperature": "degC", **units
    }.items():  # fmt: skip
        true, meant = (293.15, unit) if CHANNELS[channel] == "temperature" else (571.7e3 - 101_325.0, "psig")
        logged[channel] = unit, np.round(UNITS[meant].number(true) + 0.05 * noise.normal(size=len(at)), 1)
    return make_log(at, logged, tables=R134A, journal=begun("at_rest"))[0]


def recovering(frozen: bool, falls_pa: float) -> Log:
    """Return an hour of vapour recovery on a scale that trembles by a digit or two; it may freeze half-way."""
    noise = np.random.default_rng(8)
    at = np.arange(0.0, 3_600.0, 5.0)
    weight = np.round(80.0 + at / 1_800.0 + 0.15 * noise.normal(size=len(at)), 1)
    logged = {
        "cylinder_weight": ("kg", np.where(frozen & (at >= 1_800.0), weight[360], weight)),
        "circuit_pressure": ("kPa", (600e3 - falls_pa * at / 3_600.0) / 1e3),
    }
    return make_log(at, logged, journal=begun("recovery"))[0]


def walking(surface_c: np.ndarray, at: np.ndarray) -> Log:
    """Return a night whose steady probe on metal shows `surface_c`, while air and two ends of a barrel warm on."""
    log = night(3, 4.0, 10.0)
    hours = at / 3_600.0
    log.frame["surface_temperature"] = np.round(surface_c, 1) + 273.15
    for channel in ("ambient_temperature", "entering_water_temperature", "leaving_water_temperature"):
        log.frame[channel] = np.round(18.0 + 1.2 * hours, 1) + 273.15
    return log


def two_gauges(stage: str) -> Log:
    """Return a stopped circuit with a gauge at the hose and one at the suction side, in a stage of the journal."""
    log = standing({"circuit_pressure": "psig", "suction_pressure": "psig"})
    return replace(log, journal=journal_rows(begun(stage)))


def put(log: Log, channel: str, first: int, numbers: Callable[[np.ndarray], np.ndarray]) -> None:
    """Let a gauge show other numbers from its row `first` on."""
    unit, above = log.columns[channel].unit, log.barometer_pa.iloc[first:].to_numpy()
    column = log.frame.columns.get_loc(channel)
    shown = (log.frame.iloc[first:, column].to_numpy() - above) / unit.scale
    log.frame.iloc[first:, column] = numbers(shown) * unit.scale + above


RUNNING = {
    "leaving_water_temperature": 7.0, "entering_water_temperature": 12.0, "suction_temperature": 9.0,
    "discharge_temperature": 66.0, "liquid_temperature": 35.0, "condenser_entering_temperature": 30.0,
    "condenser_leaving_temperature": 35.0, "suction_pressure": 236.0, "discharge_pressure": 915.0,
}  # fmt: skip


def running(meant: dict[str, str], *, marked: bool = True, loaded: bool = False) -> tuple[Log, Job]:
    """Return an hour of a machine that cools water, R-134a, in degF and kPag; some channels show another unit."""
    dice = np.random.default_rng(2)
    at = np.arange(0.0, 3_600.0, 10.0)
    logged = {}
    for channel, true in RUNNING.items():
        own, si = ("degF", true + 273.15) if CHANNELS[channel] == "temperature" else ("kPag", true * 1e3)
        number = UNITS[meant.get(channel, own)].number(si) + 0.1 * dice.normal(size=len(at))
        logged[channel] = own, np.round(number, 1)
    if loaded:
        logged["compressor_load"] = "%", np.full(len(at), 70.0)
    return make_log(at, logged, tables=R134A, journal=begun("startup") if marked else [])
