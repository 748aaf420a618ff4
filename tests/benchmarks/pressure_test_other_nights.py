"""A second, independent simulation of standing pressure tests: a heat balance of rooms, metals and gas.

Sections of the circuit stand outdoors, in a heated plant room or in a basement. Each has heavy metal, thin metal and
gas that exchange heat; outdoors sun, clouds and the night sky act on the metal. The plant room is heated by a
thermostat that cycles and is set back at night. All sections share one pressure. The leak is a choked orifice or a
laminar crack; gauge, barometer and probes have the faults of real ones. Nothing is shared with `pressure_test_nights`
but the record of a night.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.linalg import expm
from scipy.signal import lfilter

from tests.benchmarks.pressure_test_nights import Night
from tests.support import make_stretch

GAS_CONSTANT = 8.314462618
PSI = 6_894.757293168
STEP_S = 20.0
CRITICAL_K, CRITICAL_PA, ACENTRIC = 126.2, 3.396e6, 0.037
DIGIT_UNITS = {"psi": 1.0, "bar": 0.1, "kPa": 10.0}
PRESSURE_UNITS = {"psi": (PSI, ("psig", "psia")), "bar": (1e5, ("barg", "bar")), "kPa": (1e3, ("kPag", "kPa"))}


def virial_m3_per_mol(kelvin: np.ndarray | float) -> np.ndarray | float:
    """Return the second virial coefficient of nitrogen by the correlation of corresponding states (Pitzer, Curl)."""
    reduced = kelvin / CRITICAL_K
    simple = 0.083 - 0.422 / reduced**1.6
    return GAS_CONSTANT * CRITICAL_K / CRITICAL_PA * (simple + ACENTRIC * (0.139 - 0.172 / reduced**4.2))


@dataclass(frozen=True)
class Weather:
    """Air outdoors [K], sun on metal (0 to 1), clear sky (0 to 1), barometer [Pa]; every `STEP_S`."""

    air_k: np.ndarray
    sun: np.ndarray
    clear: np.ndarray
    barometer_pa: np.ndarray


def _ornstein_uhlenbeck(dice: np.random.Generator, count: int, hours: float) -> np.ndarray:
    """Return a mean-reverting walk of unit variance with a memory."""
    keep = 1.0 - STEP_S / (hours * 3600.0)
    shocks = dice.normal(0.0, np.sqrt(1.0 - keep * keep), count)
    out = np.empty(count)
    level = float(dice.normal())
    for i, shock in enumerate(shocks.tolist()):
        level = keep * level + shock
        out[i] = level
    return out


def _weather(dice: np.random.Generator, clock_h: np.ndarray, fact: dict[str, Any]) -> Weather:
    count = len(clock_h)
    hour = np.mod(clock_h, 24.0)
    rise, peak = 6.2, 15.2
    day = np.sin(0.5 * np.pi * np.clip((hour - rise) / (peak - rise), 0.0, 1.0)) ** 1.3
    fading = np.exp(-np.mod(hour - peak, 24.0) / 5.0)
    shape = np.where((hour >= rise) & (hour < peak), np.maximum(day, 0.05), fading)
    clear = np.empty(count)
    k = 0
    while k < count:
        until = k + int(dice.exponential(2400.0) / STEP_S) + 3
        clear[k:until] = dice.choice([0.1, 0.5, 1.0])
        k = until
    air = float(fact["outdoor_k"]) + float(fact["swing_k"]) * (shape - 0.4)
    air = air + 0.8 * _ornstein_uhlenbeck(dice, count, 5.0) + 0.15 * _ornstein_uhlenbeck(dice, count, 0.2)
    sun = clear * np.sin(np.pi * np.clip((hour - 6.5) / 12.0, 0.0, 1.0)) ** 1.2
    front_at, width = dice.uniform(0.0, clock_h[-1] - clock_h[0]) + clock_h[0], dice.uniform(0.4, 4.0)
    passed = 1.0 / (1.0 + np.exp(-(clock_h - front_at) / width))
    barometer = float(fact["barometer_pa"]) + float(fact["front_pa"]) * passed
    barometer = barometer + 60.0 * np.sin(np.pi * hour / 6.0) + 120.0 * _ornstein_uhlenbeck(dice, count, 10.0)
    air = air - 2.0 * passed * (float(fact["front_pa"]) != 0.0)
    return Weather(air, sun, clear, barometer)


def _plant_room(dice: np.random.Generator, clock_h: np.ndarray, outdoors: np.ndarray, setback: float) -> np.ndarray:
    """Return the air of a room with a heater on a thermostat, set back from 21 to 5 o'clock."""
    setpoint, band = dice.uniform(288.0, 295.0), dice.uniform(0.2, 0.8)
    slow, heat = dice.uniform(3.0, 12.0) * 3600.0, dice.uniform(15.0, 30.0)
    walls, mixing = dice.uniform(0.6, 0.9), dice.uniform(0.15, 0.5) * 3600.0
    out = np.empty(len(clock_h))
    room = wall = float(max(setpoint, outdoors[0] + 2.0)) + float(dice.normal(0.0, 0.8))
    on = False
    for i, (hour, outside) in enumerate(zip(np.mod(clock_h, 24.0).tolist(), outdoors.tolist(), strict=True)):
        wanted = setpoint - (setback if hour > 21.0 or hour < 5.0 else 0.0)
        on = room < wanted + band if on else room < wanted - band
        wall += STEP_S * ((outside + 4.0 - wall) / slow + (room - wall) / (2.0 * slow))
        surrounding = walls * wall + (1.0 - walls) * outside
        room += STEP_S * ((surrounding - room) / mixing + (heat / slow if on else 0.0) * 3.0)
        out[i] = room
    return out


def _section(
    dice: np.random.Generator, air: np.ndarray, gain_k: np.ndarray, gas_start_k: float, water: bool
) -> np.ndarray:
    """Return heavy metal, thin metal and gas of one section, shape (n, 3), from its air and the radiation on it."""
    heavy = dice.uniform(8.0, 16.0) * 3600.0 if water else np.exp(dice.uniform(np.log(1500.0), np.log(15_000.0)))
    thin, gas = dice.uniform(200.0, 900.0), np.exp(dice.uniform(np.log(60.0), np.log(1200.0)))
    share = dice.uniform(0.3, 0.9)
    conduct = dice.uniform(0.0, 0.5) / thin
    rates = np.array(
        [
            [-1.0 / heavy, 0.0, 0.0],
            [conduct, -(1.0 / thin + conduct), 0.0],
            [share / gas, (1.0 - share) / gas, -1.0 / gas],
        ]
    )
    drive = np.array([1.0 / heavy, 1.0 / thin, 0.0])
    full = np.zeros((4, 4))
    full[:3, :3], full[:3, 3] = rates * STEP_S, drive * STEP_S
    step = expm(full)
    forcing = air + gain_k
    out = np.empty((len(air), 3))
    metal = air[0] + dice.normal(0.0, 1.0)
    state = np.array([metal, 0.5 * (metal + air[0]), metal + gas_start_k])
    for i, push in enumerate(forcing):
        out[i] = state
        state = step[:3, :3] @ state + step[:3, 3] * push
    return out


def _facts(dice: np.random.Generator) -> dict[str, Any]:
    ratio = [
        0.0,
        dice.uniform(0.05, 0.6),
        dice.uniform(0.6, 0.95),
        dice.uniform(1.05, 1.6),
        dice.uniform(1.6, 5.0),
        12.0,
    ]
    return {
        "hours": float(dice.uniform(4.0, 20.0)),
        "interval": float(dice.choice([1, 2, 5, 10, 20, 30, 60], p=[0.06, 0.1, 0.16, 0.22, 0.16, 0.15, 0.15])),
        "psig": float(dice.uniform(90.0, 420.0)),
        "unit": str(dice.choice(["psi", "bar", "kPa"], p=[0.7, 0.2, 0.1])),
        "probes": str(dice.choice(["both", "metal", "air", "none"], p=[0.5, 0.23, 0.19, 0.08])),
        "sensor": str(dice.choice(["gauge+baro", "gauge+station", "gauge", "absolute"], p=[0.35, 0.1, 0.25, 0.3])),
        "allowed_psi_d": float(dice.choice([0.5, 1.0, 2.0, 4.0])),
        "ratio": float(dice.choice(ratio, p=[0.28, 0.18, 0.1, 0.14, 0.2, 0.1])),
        "leak": str(dice.choice(["choked", "laminar"])),
        "full_scale_psi": float(dice.choice([500.0, 800.0])),
        "digit": float(dice.choice([0.01, 0.1, 0.5, 1.0], p=[0.25, 0.5, 0.12, 0.13])),
        "noise_psi": float(np.exp(dice.uniform(np.log(0.005), np.log(0.3)))),
        "slow_noise_psi": float(np.exp(dice.uniform(np.log(0.003), np.log(0.06)))),
        "creep_psi_d": float(dice.normal(0.0, 0.02)),
        "hysteresis_psi": float(dice.choice([0.0, 0.02, 0.08], p=[0.6, 0.3, 0.1])),
        "coefficient": float(dice.normal(0.0, 5e-5)),
        "averaging_s": float(dice.choice([0.0, 2.0, 20.0])),
        "probe_digit_k": float(dice.choice([0.01, 0.0556, 0.1, 0.278, 0.556], p=[0.15, 0.35, 0.25, 0.15, 0.1])),
        "swing_k": float(dice.uniform(2.0, 12.0)),
        "outdoor_k": float(dice.uniform(275.0, 300.0)),
        "barometer_pa": float(dice.uniform(86_000.0, 102_500.0)),
        "front_pa": float(dice.choice([0.0, 0.0, 400.0, 900.0, 1800.0]) * dice.choice([-1.0, 1.0])),
        "setback_k": float(dice.choice([0.0, 3.0])),
        "place": str(dice.choice(["plant", "outdoors", "basement", "split"], p=[0.4, 0.2, 0.15, 0.25])),
        "start_h": float(dice.uniform(14.0, 21.0)) if dice.random() < 0.85 else float(dice.uniform(6.0, 12.0)),
        "water": bool(dice.random() < 0.25),
        "badly_placed": bool(dice.random() < 0.12),
        "falls_off": bool(dice.random() < 0.05),
        "sun_patch": bool(dice.random() < 0.08),
        "sleep": bool(dice.random() < 0.15),
        "slow_instrument": bool(dice.random() < 0.2),
        "fill_k": float(dice.normal(4.0, 5.0)),
        "lead_min": float(dice.choice([0.0, 8.0, 25.0], p=[0.3, 0.4, 0.3])),
    }


def make_other_night(seed: int, **fixed: object) -> Night:
    """Return one night. `fixed` sets what the dice would choose: see `_facts`."""
    dice = np.random.default_rng([seed, 77])
    fact = {**_facts(dice), **fixed}
    lead = fact["lead_min"] * 60.0
    total = lead + fact["hours"] * 3600.0
    t = np.arange(int(total / STEP_S) + 2) * STEP_S
    clock_h = fact["start_h"] + t / 3600.0
    weather = _weather(dice, clock_h, fact)
    rooms = {
        "outdoors": weather.air_k,
        "plant": _plant_room(dice, clock_h, weather.air_k, fact["setback_k"]),
        "basement": fact["outdoor_k"] * 0.4 + 0.6 * 288.0 + 0.25 * _ornstein_uhlenbeck(dice, len(t), 6.0),
    }
    where = (
        ["plant", "outdoors", "basement"] if fact["place"] == "split" else [fact["place"]] * int(dice.integers(1, 4))
    )
    volumes = dice.dirichlet(np.full(len(where), 2.0))
    sections = []
    for i, room in enumerate(where):
        open_air = room == "outdoors"
        sunny = dice.uniform(2.0, 12.0) * weather.sun - dice.uniform(0.5, 2.0) * weather.clear * (weather.sun < 0.02)
        draught = dice.normal(0.0, 0.25) * _ornstein_uhlenbeck(dice, len(t), 4.0)
        gain = (sunny if open_air else 0.0) + draught
        sections.append(
            _section(dice, rooms[room], gain, fact["fill_k"] * dice.uniform(0.6, 1.2), fact["water"] and i == 0)
        )
    gas = np.array([s[:, 2] for s in sections])
    filled = int(lead / STEP_S)
    amount, pressure, allowed = _leaking_gas(fact, t, filled, volumes, gas, weather)
    loss = _truth(t, filled, amount, volumes, gas, pressure)

    rows = np.arange(0.0, total - 1e-6, fact["interval"])
    biggest, smallest = int(np.argmax(volumes)), int(np.argmin(volumes))
    at = smallest if fact["badly_placed"] else biggest
    touched = sections[at][:, int(dice.integers(2))]
    contact = dice.uniform(0.8, 1.0)
    nearby = rooms[where[at]]
    metal = contact * touched + (1.0 - contact) * nearby
    start, stop = filled + int(2700.0 / STEP_S), len(t)
    truth_metal, truth_air = metal.copy(), nearby.copy()
    if fact["falls_off"]:
        fell = int(len(t) * dice.uniform(0.4, 0.8))
        metal = np.where(np.arange(len(t)) > fell, nearby, metal)
    if fact["sun_patch"]:
        metal = metal + 4.0 * weather.clear * ((t > total * 0.75) & (t < total * 0.75 + 5400.0))
    air = nearby + 0.1 * _ornstein_uhlenbeck(dice, len(t), 0.05)
    logged, awake = _log(dice, fact, rows, t, pressure, weather, metal, air)
    stretch = make_stretch(
        "pressure_test",
        rows[awake],
        {name: (unit, values[awake]) for name, (unit, values) in logged.items()},
        tables={
            "pressure_test": {"allowed_loss": f"{fact['allowed_psi_d']} psi/d"},
            "circuit": {"internal_volume": "300 L"},
            "site": {"barometer": f"{weather.barometer_pa[0] / 1e3:.1f} kPa"},
        },
    )
    effective = 1.0 / np.sum(volumes[:, None] / gas, axis=0)
    seen = {"both": [truth_metal, truth_air], "metal": [truth_metal], "air": [truth_air]}.get(fact["probes"], [])
    judged = slice(start, stop)
    mean_pa = float(np.mean(pressure[judged]))
    bound = _bound(t[judged], effective[judged], [s[judged] for s in seen], truth_air[judged], mean_pa, fact)
    gauge_psi = np.interp(rows, t, pressure - weather.barometer_pa) / PSI
    return Night(stretch, loss, allowed, bound, rows, gauge_psi, np.interp(rows, t, effective), fact)


def _leaking_gas(
    fact: dict[str, Any], t: np.ndarray, filled: int, volumes: np.ndarray, gas: np.ndarray, weather: Weather
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the amount of gas [mol], the pressure [Pa] and the allowed loss [Pa/s]."""
    test_pa = fact["psig"] * PSI + float(weather.barometer_pa[0])
    allowed = fact["allowed_psi_d"] * PSI / 86_400.0
    room_per_k = np.sum(volumes[:, None] / gas, axis=0)
    virial = np.sum(volumes[:, None] * np.asarray(virial_m3_per_mol(gas)) / gas**2, axis=0)

    def moles(pressure: float, i: int) -> float:
        """P V/(Z R T) over the sections, 1/Z to first order in B P/(R T)."""
        return pressure / GAS_CONSTANT * (room_per_k[i] - pressure * virial[i] / GAS_CONSTANT)

    def pressure_of(n: float, i: int) -> float:
        a, b = virial[i] / GAS_CONSTANT**2, room_per_k[i] / GAS_CONSTANT
        return float(2.0 * n / (b + np.sqrt(b * b - 4.0 * a * n)))

    amount, pressure = np.empty(len(t)), np.empty(len(t))
    n = moles(test_pa, filled)
    loss_mol = moles(test_pa, filled) / test_pa * allowed * fact["ratio"]
    for i in range(len(t)):
        if i < filled:
            pressure[i] = weather.barometer_pa[i] + (test_pa - weather.barometer_pa[i]) * min(1.0, (i + 1) / filled)
            amount[i] = moles(pressure[i], i)
            continue
        pressure[i], amount[i] = pressure_of(n, i), n
        outside = weather.barometer_pa[i]
        speed = (
            pressure[i] / test_pa
            if fact["leak"] == "choked"
            else (pressure[i] ** 2 - outside**2) / (test_pa**2 - outside**2)
        )
        n -= loss_mol * speed * STEP_S
    return amount, pressure, allowed


def _truth(
    t: np.ndarray, filled: int, amount: np.ndarray, volumes: np.ndarray, gas: np.ndarray, pressure: np.ndarray
) -> float:
    """Return the loss [Pa/s] over the period: what the amount is as pressure at the mean gas temperature."""
    start = filled + int(2700.0 / STEP_S)
    mean_k = float(np.mean(1.0 / np.sum(volumes[:, None] / gas[:, start:], axis=0)))
    middle = float(np.mean(pressure[start:]))
    z = 1.0 + float(virial_m3_per_mol(mean_k)) * middle / (GAS_CONSTANT * mean_k)
    per_mol = GAS_CONSTANT * mean_k * z * (2.0 - 1.0 / z)
    return float((amount[start] - amount[-1]) * per_mol / (t[-1] - t[start]))


def _log(
    dice: np.random.Generator, fact: dict[str, Any], rows: np.ndarray, t: np.ndarray, pressure: np.ndarray,
    weather: Weather, metal: np.ndarray, air: np.ndarray,
) -> tuple[dict[str, tuple[str, np.ndarray]], np.ndarray]:  # fmt: skip
    """Return what the instruments show at the rows, and which rows were recorded."""
    size, names = PRESSURE_UNITS[fact["unit"]]
    gauge = fact["sensor"] != "absolute"
    true_pa = np.interp(rows, t, pressure) - (np.interp(rows, t, weather.barometer_pa) if gauge else 0.0)
    body_k = np.interp(rows, t, air)
    shown = true_pa / PSI + fact["coefficient"] * fact["full_scale_psi"] * (body_k - body_k[0])
    shown += fact["creep_psi_d"] * rows / 86_400.0 + dice.normal(0.0, 0.7)
    shown += fact["slow_noise_psi"] * np.interp(rows, t, _ornstein_uhlenbeck(dice, len(t), dice.uniform(0.1, 2.0)))
    if fact["hysteresis_psi"]:
        shown = _backlash(shown, fact["hysteresis_psi"])
    noise = dice.standard_t(5, len(rows)) * fact["noise_psi"] * np.sqrt(3.0 / 5.0)
    memory = np.exp(-fact["interval"] / fact["averaging_s"]) if fact["averaging_s"] else 0.0
    for i in range(1, len(noise) if memory > 1e-3 else 0):
        noise[i] = memory * noise[i - 1] + (1.0 - memory) * noise[i]
    digit = fact["digit"] * DIGIT_UNITS[fact["unit"]]
    shown = np.round((shown + noise) * PSI / size / digit) * digit
    if fact["slow_instrument"]:
        every = max(1, round(7.0 / fact["interval"]))
        shown[np.arange(len(rows)) % every != 0] = np.nan
    shown[dice.random(len(rows)) < 0.003] = np.nan
    logged = {"circuit_pressure": (names[0] if gauge else names[1], shown)}
    if fact["sensor"] == "gauge+baro":
        read = np.interp(rows, t, weather.barometer_pa) + dice.normal(0.0, 80.0) + dice.normal(0.0, 8.0, len(rows))
        logged["barometer"] = ("kPa", np.round(read / 1e3, 2))
    if fact["sensor"] == "gauge+station":
        lagging = np.interp(np.maximum(0.0, rows - 900.0), t, weather.barometer_pa)
        logged["barometer"] = ("kPa", np.round(lagging[np.searchsorted(rows, rows // 1800.0 * 1800.0)] / 1e3 + 0.3, 1))
    fahrenheit = fact["unit"] == "psi"

    def probe(series: np.ndarray, lag_s: float) -> tuple[str, np.ndarray]:
        slow = np.empty(len(t))
        level = float(series[0])
        for i, value in enumerate(series.tolist()):
            level += (value - level) * min(1.0, STEP_S / lag_s)
            slow[i] = level
        read = np.interp(rows, t, slow) + dice.normal(0.0, 0.4) + dice.normal(0.0, 0.04, len(rows)) - 273.15
        step = fact["probe_digit_k"]
        read = np.round(read / step) * step
        return ("degF", read * 1.8 + 32.0) if fahrenheit else ("degC", read)

    if fact["probes"] in ("both", "metal"):
        logged["surface_temperature"] = probe(metal, dice.uniform(40.0, 240.0))
    if fact["probes"] in ("both", "air"):
        logged["ambient_temperature"] = probe(air, dice.uniform(60.0, 400.0))
    awake = np.ones(len(rows), dtype=bool)
    if fact["sleep"]:
        begin = rows[-1] * dice.uniform(0.2, 0.8)
        awake = (rows < begin) | (rows > begin + dice.uniform(900.0, 9000.0))
    return logged, awake


def _backlash(values: np.ndarray, width: float) -> np.ndarray:
    """Return readings that follow only once the truth has moved by half the play."""
    out = np.empty(len(values))
    shown = float(values[0])
    for i, value in enumerate(values.tolist()):
        shown = min(max(shown, value - 0.5 * width), value + 0.5 * width)
        out[i] = shown
    return out


def _bound(
    t: np.ndarray, gas: np.ndarray, seen: list[np.ndarray], air: np.ndarray, pressure_pa: float, fact: dict[str, Any]
) -> float:
    """Return the information bound of the loss [Pa/s, standard deviation] for one who knows the noise law.

    Unknown: level, loss, a transient of an hour, the weight of each probe behind each of four lags (known to 0.3 one by
    one, their sum to 0.05), the gauge's temperature coefficient within its specification, its creep. Known: the
    covariance of noise, of digits, of the barometer nobody logged, and of the gas that those probes do not explain.
    """
    per = int(300.0 / STEP_S)
    n = len(t) // per

    def binned(series: np.ndarray) -> np.ndarray:
        return np.asarray(series[: n * per].reshape(n, per).mean(axis=1))

    def slow(series: np.ndarray, lag_s: float) -> np.ndarray:
        share = STEP_S / lag_s
        return np.asarray(lfilter([share], [1.0, share - 1.0], series - series[0]) + series[0])

    at = binned(t) - t[0]
    per_k = pressure_pa / float(np.mean(gas))
    truth = binned(gas)
    transient = np.exp(-at / 3600.0)
    lags = [binned(slow(s, lag)) for s in seen for lag in (300.0, 1200.0, 4800.0, 19_200.0)]
    columns = np.column_stack([np.ones(n), transient, *lags])
    left = truth - columns @ np.linalg.lstsq(columns, truth, rcond=1e-9)[0]
    half, size = max(1, n // 2), float(np.std(left))
    correlation = np.array([1.0 if size == 0 else np.mean(left[: n - k] * left[k:]) / size**2 for k in range(half)])
    under = np.flatnonzero(correlation < 1.0 / np.e)
    memory = 300.0 * float(under[0] if len(under) else half)
    apart = np.abs(at[:, None] - at[None, :])
    digit_pa = fact["digit"] * DIGIT_UNITS[fact["unit"]] * PRESSURE_UNITS[fact["unit"]][0]
    noise_pa = fact["noise_psi"] * PSI

    def digits(step: float, scatter: float, moved: float) -> np.ndarray:
        """Rounding that the noise does not average away: a sawtooth as long as the series takes to move by a step."""
        kept = step * np.exp(-2.0 * np.pi**2 * (scatter / step) ** 2)
        return np.asarray(kept**2 / 12.0 * np.exp(-apart / max(300.0, (at[-1] - at[0]) / max(4.0 * moved / step, 0.5))))

    independent = 300.0 / max(fact["interval"], 7.0 if fact["slow_instrument"] else 0.0, fact["averaging_s"])
    cover = (noise_pa**2 + digit_pa**2 / 12.0) / max(1.0, independent) * np.eye(n)
    cover += (fact["slow_noise_psi"] * PSI) ** 2 * np.exp(-apart / 3600.0)
    cover += (size * per_k) ** 2 * np.exp(-apart / max(memory, 300.0))
    cover += digits(digit_pa, noise_pa, float(np.sum(np.abs(np.diff(truth)))) * per_k)
    for series in seen[:1]:
        moved = float(np.sum(np.abs(np.diff(binned(series)))))
        cover += digits(fact["probe_digit_k"] * per_k, 0.04 * per_k, moved * per_k)
    if fact["sensor"] == "gauge":
        cover += 120.0**2 * np.exp(-apart / 36_000.0) + 700.0**2 * np.exp(-((apart / 15_000.0) ** 2))
    warm = binned(air) - float(np.mean(air))
    design = np.column_stack([np.ones(n), -at, transient, warm, *[(lag - lag.mean()) * per_k for lag in lags]])
    known = np.zeros((design.shape[1], design.shape[1]))
    known[3, 3] = (5e-5 * fact["full_scale_psi"] * PSI) ** -2
    known[4:, 4:] = np.eye(len(lags)) * 0.3**-2 + 0.05**-2
    information = design.T @ np.linalg.solve(cover, design) + known
    return float(np.sqrt(np.linalg.inv(information)[1, 1] + (0.02 * PSI / 86_400.0) ** 2))
