"""Simulated nights of a standing pressure test, private to the tests: parts with their own thermal lags in one gas.

Each part of the circuit has metal that follows its own air (and sun) and gas that follows its metal; the pressure is
common, P = n R / sum(V_i / (Z_i T_i)). The leak is an orifice (mass flow by absolute pressure), a capillary (by the
square of pressures), or by the gauge pressure. Z is a virial expansion, not the table of the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from analysis.stretch import Stretch
from tests.support import make_stretch

GAS_CONSTANT = 8.314462618
PSI = 6_894.757293168
STEP_S = 30.0


@dataclass
class Night:
    """A night: what was logged and what is true (rates in Pa/s)."""

    stretch: Stretch
    loss: float
    allowed: float
    bound: float
    at_s: np.ndarray
    gauge_psi: np.ndarray
    gas_k: np.ndarray
    facts: dict[str, object] = field(default_factory=dict)


def _z(pressure: np.ndarray | float, temperature: np.ndarray | float) -> np.ndarray | float:
    """Z of nitrogen by its second virial coefficient, -5.2 cm3/mol at 293 K rising 0.19 a kelvin (from memory)."""
    b = (-5.2 + 0.19 * (temperature - 293.0)) * 1e-6
    return 1.0 + b * pressure / (GAS_CONSTANT * temperature)


def _follow(drive: np.ndarray, lag_s: float, start: float, step_s: float = STEP_S) -> np.ndarray:
    share = 1.0 - np.exp(-step_s / max(lag_s, 1e-9))
    return start + lfilter([share], [1.0, share - 1.0], drive - start, zi=[0.0])[0]


def _wander(dice: np.random.Generator, count: int, memory_s: float, step_s: float = STEP_S) -> np.ndarray:
    keep = np.exp(-step_s / memory_s)
    noise = dice.normal(0.0, np.sqrt(1.0 - keep**2), count)
    return lfilter([1.0], [1.0, -keep], noise, zi=[dice.normal() * keep])[0]


def make_night(seed: int, **fixed: object) -> Night:
    """Return one night. `fixed` sets what the dice would choose: see the names in `facts`."""
    dice = np.random.default_rng(seed)
    facts: dict[str, object] = {
        "hours": float(dice.choice([6, 8, 10, 12, 14, 16, 24])),
        "interval": float(dice.choice([1, 2, 5, 10, 30, 60], p=[0.1, 0.15, 0.25, 0.25, 0.15, 0.1])),
        "psig": float(dice.choice([100, 150, 200, 300])),
        "probes": dice.choice(["both", "metal", "air", "none"], p=[0.55, 0.2, 0.15, 0.1]),
        "sensor": dice.choice(["gauge+baro", "gauge", "absolute"], p=[0.45, 0.25, 0.3]),
        "allowed_psi_d": float(dice.choice([0.5, 1.0, 2.0])),
        "ratio": float(dice.choice([0.0, 0.0, 0.3, 0.7, 0.9, 1.1, 1.4, 2.0, 4.0, 10.0])),
        "leak": dice.choice(["orifice", "capillary", "gauge"]),
        "quantum_psi": float(dice.choice([0.01, 0.1, 0.5, 1.0], p=[0.35, 0.4, 0.1, 0.15])),
        "noise_psi": float(np.exp(dice.uniform(np.log(0.01), np.log(0.25)))),
        "ar_psi": float(np.exp(dice.uniform(np.log(0.003), np.log(0.08)))),
        "ar_memory_s": float(np.exp(dice.uniform(np.log(60), np.log(3600)))),
        "probe_quantum_f": float(dice.choice([0.01, 0.1, 0.5, 1.0], p=[0.2, 0.5, 0.15, 0.15])),
        "swing_k": float(dice.uniform(0.5, 5.0)),
        "sun": bool(dice.random() < 0.15),
        "front_pa": float(dice.choice([0.0, 500.0, 1000.0, 2000.0])) * float(dice.choice([-1.0, 1.0])),
        "parts": int(dice.integers(1, 4)),
        "falls_off": bool(dice.random() < 0.06),
        "stuck": bool(dice.random() < 0.03),
        "bleed": bool(dice.random() < 0.15),
        "steps": bool(dice.random() < 0.3),
        "fill_k": float(dice.uniform(0.0, 12.0)),
        "hvac": bool(dice.random() < 0.3),
    }
    facts.update(fixed)
    f = dict(facts)
    pre = (40.0 if f["steps"] else 8.0) * 60.0
    tail = 900.0 if f["bleed"] else 0.0
    total = pre + float(f["hours"]) * 3600.0 + tail  # type: ignore[arg-type]
    count = int(total / STEP_S) + 1
    t = np.arange(count) * STEP_S
    clock = t / 86400.0 + dice.uniform(0.6, 0.9)
    swing = float(f["swing_k"])  # type: ignore[arg-type]
    air = 295.0 + swing * np.cos(2 * np.pi * (clock - 0.62)) + 0.25 * _wander(dice, count, 1800.0) * swing**0.5
    air = air + 0.4 * swing**0.5 * _wander(dice, count, 4 * 3600.0)
    if f["hvac"]:
        air = air + 0.6 * np.sign(np.sin(2 * np.pi * t / dice.uniform(1200.0, 3000.0)))
    sun = np.zeros(count)
    if f["sun"]:
        begin = total - tail - dice.uniform(1.0, 2.5) * 3600.0
        sun = dice.uniform(2.0, 8.0) * np.clip((t - begin) / 3600.0, 0.0, 1.0)
    width = dice.uniform(1.0, 3.0) * 3600.0
    middle = dice.uniform(0.2, 0.8) * total
    baro = 98_500.0 + float(f["front_pa"]) * 0.5 * (1 + np.tanh((t - middle) / width))  # type: ignore[arg-type]
    baro = baro + 40.0 * np.cos(4 * np.pi * clock) + 15.0 * _wander(dice, count, 3600.0)
    # parts: metal follows its air, gas follows its metal and takes the heat of filling
    parts = int(f["parts"])  # type: ignore[call-overload]
    shares = dice.dirichlet(np.full(parts, 3.0))
    filling = np.exp(-np.clip(t - pre, 0, None) / dice.uniform(200.0, 900.0)) * (t >= pre) * float(f["fill_k"])  # type: ignore[arg-type]
    gases, metals = [], []
    for i in range(parts):
        lag = np.exp(dice.uniform(np.log(600.0), np.log(7200.0)))
        own = air + (dice.normal(0, 0.15) * _wander(dice, count, 3 * 3600.0) if i else 0.0)
        metal = _follow(own + (sun * dice.uniform(0.1, 0.6) if i == 0 else 0.0), lag, own[0] + dice.normal(0, 0.7))
        gas_lag = dice.uniform(120.0, 1500.0)
        cooled = _follow(metal, gas_lag, metal[0])
        metals.append(metal)
        gases.append(cooled + filling)
    inverse = sum(s / g for s, g in zip(shares, gases, strict=True))
    gas = 1.0 / inverse
    # amount of gas: filled in steps, lost by the leak, let down at the end
    test_pa = float(f["psig"]) * PSI + 98_500.0  # type: ignore[arg-type]
    allowed = float(f["allowed_psi_d"]) * PSI / 86400.0  # type: ignore[arg-type]
    wanted = allowed * float(f["ratio"])  # type: ignore[arg-type]
    mean_k = float(np.mean(gas[t >= pre]))
    amount = np.empty(count)
    level = test_pa / (mean_k * _z(test_pa, mean_k))
    now = level
    for k in range(count):
        if t[k] < pre:
            if f["steps"]:
                target = 10 * PSI + 98_500 if t[k] < 900 else 0.5 * test_pa if t[k] < 1800 else test_pa
                ramp = target if t[k] % 900 > 180 else target * 0.97
            else:
                ramp = test_pa * (0.3 + 0.7 * t[k] / pre)
            now = ramp / mean_k
            amount[k] = now
            continue
        if k and t[k - 1] < pre:
            now = level
        p = now * mean_k
        if t[k] > total - tail:
            now -= now * (1 - 98_500.0 / max(p, 98_600.0)) * STEP_S / 150.0
        else:
            speed = {"orifice": p / test_pa, "capillary": (p**2 - 98_500.0**2) / (test_pa**2 - 98_500.0**2)}.get(
                str(f["leak"]), (p - 98_500.0) / (test_pa - 98_500.0)
            )
            now -= wanted * speed / mean_k * STEP_S
        amount[k] = now
    pressure = amount * gas
    for _ in range(3):
        pressure = amount * gas * _z(pressure, gas)
    # what is logged
    interval = float(f["interval"])  # type: ignore[arg-type]
    rows = np.arange(0.0, total - 1e-6, interval)
    gauge_sensor = f["sensor"] != "absolute"
    shown = (np.interp(rows, t, pressure) - (np.interp(rows, t, baro) if gauge_sensor else 0.0)) / PSI
    noise_psi, ar_psi = float(f["noise_psi"]), float(f["ar_psi"])  # type: ignore[arg-type]
    truth = shown.copy()
    shown = shown + dice.normal(0, noise_psi, len(rows))
    shown = shown + ar_psi * _wander(dice, len(rows), float(f["ar_memory_s"]), interval)  # type: ignore[arg-type]
    shown = shown + dice.normal(0, 0.5) + dice.normal(0, 0.005) * rows / 86400.0
    quantum = float(f["quantum_psi"])  # type: ignore[arg-type]
    shown = np.round(shown / quantum) * quantum
    if f["stuck"]:
        shown[rows > pre + 0.4 * (total - pre)] = shown[np.searchsorted(rows, pre + 0.4 * (total - pre))]
    logged: dict[str, tuple[str, np.ndarray]] = {
        "circuit_pressure": ("psig" if gauge_sensor else "psia", shown),
    }
    if f["sensor"] == "gauge+baro":
        read = np.round(np.interp(rows, t, baro) / 10.0) / 10.0 * 0.1
        read[dice.random(len(rows)) < 2e-4] += 3.0
        logged["barometer"] = ("kPa", read)
    step = float(f["probe_quantum_f"])  # type: ignore[arg-type]

    def probe(series: np.ndarray, lag_s: float) -> np.ndarray:
        seen = _follow(series, lag_s, series[0])
        read = np.interp(rows, t, seen) * 1.8 - 459.67 + dice.normal(0, 0.6) + dice.normal(0, 0.05, len(rows))
        return np.round(read / step) * step

    fell = pre + dice.uniform(0.3, 0.8) * (total - pre)
    if f["probes"] in ("both", "metal"):
        touched = metals[0] + (sun * 0.3 if f["sun"] else 0.0)
        touched = touched + 0.15 * (air - touched)
        if f["falls_off"]:
            touched = np.where(t > fell, air, touched)
        logged["surface_temperature"] = ("degF", probe(touched, 90.0))
    if f["probes"] in ("both", "air"):
        logged["ambient_temperature"] = ("degF", probe(air, 240.0))
    stretch = make_stretch(
        "pressure_test",
        rows,
        logged,
        tables={
            "pressure_test": {"allowed_loss": f"{f['allowed_psi_d']} psi/d"},
            "circuit": {"internal_volume": "420 L", "refrigerant": "R-407C"},
            "site": {"barometer": "98.5 kPa"},
        },
    )
    quiet = (t > pre + min(3600.0, 0.3 * (total - pre))) & (t < total - tail)
    tq = t[quiet]
    true_rate = np.gradient(amount[quiet] * mean_k * np.asarray(_z(pressure[quiet], mean_k)), tq)
    loss = -float(np.mean(true_rate))
    bound = _bound(
        tq, [air[quiet], metals[0][quiet]], gas[quiet], str(f["probes"]), float(np.mean(pressure[quiet])) / PSI,
        noise_psi, ar_psi, float(f["ar_memory_s"]), quantum, step, interval, f["sensor"] == "gauge",
    )  # type: ignore[arg-type]  # fmt: skip
    return Night(stretch, loss, allowed, bound, rows, truth, np.interp(rows, t, gas), facts)


def _bound(
    t: np.ndarray, temperatures: list[np.ndarray], gas: np.ndarray, probes: str, pressure: float, noise: float,
    ar: float, memory: float, quantum: float, probe_quantum: float, interval: float, no_barometer: bool,
) -> float:  # fmt: skip
    """Return the Cramér-Rao bound of the loss rate [Pa/s, standard deviation].

    Known: the covariance of gauge noise and digits, of the probe's digits, and of the part of the gas temperature that
    the logged probes behind their true lags do not tell; unknown: level, loss, settling, gain of each probe.
    """
    per = int(300.0 / STEP_S)
    n = len(t) // per

    def binned(series: np.ndarray) -> np.ndarray:
        return series[: n * per].reshape(n, per).mean(axis=1)

    at = binned(t)
    apart = np.abs(at[:, None] - at[None, :])
    psi_per_k = pressure / 295.0
    used = [s for s, n_ in zip(temperatures, ("air", "metal"), strict=True) if probes in ("both", n_)]
    lagged = [binned(_follow(s, lag, s[0])) for s in used for lag in (600.0, 3600.0, 10800.0)]
    truth = binned(gas)
    columns = np.column_stack([np.ones(n), np.exp(-(at - at[0]) / 3600.0), *lagged])
    left = truth - columns @ np.linalg.lstsq(columns, truth, rcond=1e-10)[0]
    hidden = float(np.std(left)) * psi_per_k

    def digits(series: np.ndarray, step: float, scatter: float) -> np.ndarray:
        """Rounding error: a tenth of white, and a sawtooth as long as the series takes to move by one step."""
        moves = float(np.sum(np.abs(np.diff(series)))) / step
        keep = np.exp(-(np.pi**2) * 2.0 * (scatter / step) ** 2)
        return (step * keep) ** 2 / 12.0 * np.exp(-apart / max(300.0, (at[-1] - at[0]) / max(4.0 * moves, 0.3)))

    shrink = min(1.0, 2.0 * memory / 300.0)
    cover = ar**2 * shrink * np.exp(-apart / memory) + np.eye(n) * (noise**2 + quantum**2 / 12.0) * interval / 300.0
    cover += digits(truth * psi_per_k, quantum, noise) + hidden**2 * np.exp(-apart / 3600.0)
    for series in used[-1:]:
        cover += digits(binned(series), probe_quantum / 1.8, 0.03) * psi_per_k**2
    if no_barometer:
        cover += 0.12**2 * np.exp(-((apart / 20_000.0) ** 2)) + 1e-9 * np.eye(n)
    design = [np.ones(n), -(at - at[0]), np.exp(-(at - at[0]) / 3600.0)] + [binned(s) - s.mean() for s in used]
    x = np.column_stack(design)
    prior = np.zeros((x.shape[1], x.shape[1]))
    for i in range(3, x.shape[1]):
        prior[i, i] = (0.1 * psi_per_k) ** -2
    information = x.T @ np.linalg.solve(cover, x) + prior
    return float(np.sqrt(np.linalg.inv(information)[1, 1])) * PSI
