"""A third, independent simulation of standing pressure tests: textbook lags or one lumped heat balance, read by
instruments with the faults of their data sheets.

Air outdoors is a daily wave, a front and Ornstein-Uhlenbeck weather; a room adds a thermostat and a setback. A section
has thin and heavy metal, each a first-order lag behind its air (`physics` ``lags``) or behind its air and the radiation
on it (``balance``), and gas that follows a mixture of both. Now and then a second section stands elsewhere. All that
moves has run for six hours before the log begins, so no lag starts at rest. The gauge has a temperature coefficient,
drift, slow noise and digits; the probe sits on one of the metals, more or less in contact. Nothing is shared with the
other simulations but the record of a night.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import lfilter

from tests.benchmarks.pressure_test_nights import Night
from tests.support import make_stretch

PSI = 6_894.757293168
GAS_CONSTANT = 8.314462618
STEFAN_BOLTZMANN = 5.670374e-8
STEP_S = 20.0
BEFORE_S = 6.0 * 3600.0
JUDGED_AFTER_S = 2_700.0
UNITS = {"psig": (PSI, "psia", 1.0), "kPag": (1e3, "kPa", 10.0), "barg": (1e5, "bar", 0.1)}
"""Pascal, the absolute unit, and how many of the unit count as one psi of digit."""


def wander(dice: np.random.Generator, count: int, memory_s: float) -> np.ndarray:
    """Return an Ornstein-Uhlenbeck process of unit variance."""
    keep = np.exp(-STEP_S / memory_s)
    return np.asarray(
        lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], dice.normal(size=count), zi=[dice.normal() * keep])[0]
    )


def follow(drive: np.ndarray, lag_s: float) -> np.ndarray:
    """Return a series behind a first-order lag that starts where the drive does."""
    share = 1.0 - np.exp(-STEP_S / lag_s)
    return np.asarray(drive[0] + lfilter([share], [1.0, share - 1.0], drive - drive[0]))


def compressibility(pressure: np.ndarray | float, kelvin: np.ndarray | float) -> Any:
    """Return Z of nitrogen by its second and third virial coefficients near room temperature (from memory)."""
    second = (-4.7 + 0.175 * (kelvin - 298.15) - 6e-4 * (kelvin - 298.15) ** 2) * 1e-6
    density = pressure / (GAS_CONSTANT * kelvin)
    for _ in range(3):
        density = pressure / (GAS_CONSTANT * kelvin * (1.0 + second * density + 1.5e-9 * density**2))
    return 1.0 + second * density + 1.5e-9 * density**2


@dataclass(frozen=True)
class Place:
    """Air [K], and sun [W/m2] and cloud (0 to 1) where it is outdoors."""

    air_k: np.ndarray
    sun: np.ndarray | None = None
    cloud: np.ndarray | None = None


@dataclass(frozen=True)
class Section:
    """Air, both metals and gas without the heat of filling [K]."""

    air_k: np.ndarray
    thin_k: np.ndarray
    heavy_k: np.ndarray
    gas_k: np.ndarray


def _facts(dice: np.random.Generator) -> dict[str, Any]:
    ratios = [0.0, dice.uniform(0.05, 0.8), dice.uniform(0.8, 1.25), dice.uniform(1.25, 4.0), dice.uniform(4.0, 20.0)]
    return {
        "physics": str(dice.choice(["lags", "balance"])),
        "hours": float(dice.uniform(4.0, 24.0)),
        "interval": float(dice.choice([1, 5, 10, 15, 30, 60], p=[0.12, 0.18, 0.25, 0.15, 0.15, 0.15])),
        "psig": float(dice.choice([100, 150, 200, 300, 450])),
        "unit": str(dice.choice(["psig", "kPag", "barg"], p=[0.6, 0.2, 0.2])),
        "probes": str(dice.choice(["both", "metal", "air", "none"], p=[0.5, 0.2, 0.2, 0.1])),
        "sensor": str(dice.choice(["gauge+baro", "gauge", "absolute"], p=[0.4, 0.3, 0.3])),
        "allowed_psi_d": float(dice.choice([0.3, 0.5, 1.0, 2.0])),
        "ratio": float(dice.choice(ratios, p=[0.35, 0.15, 0.1, 0.25, 0.15])),
        "leak": str(dice.choice(["constant", "orifice"])),
        "indoors": bool(dice.random() < 0.5),
        "split": bool(dice.random() < 0.15),
        "digit_psi": float(dice.choice([0.01, 0.05, 0.1, 0.5, 1.0], p=[0.25, 0.2, 0.35, 0.1, 0.1])),
        "noise_psi": float(np.exp(dice.uniform(np.log(0.01), np.log(0.2)))),
        "slow_psi": float(dice.choice([0.0, 0.01, 0.03])),
        "coefficient": float(dice.normal(0.0, 7e-5)),
        "drift_psi_d": float(dice.normal(0.0, 0.02)),
        "probe_digit_k": float(dice.choice([0.01, 0.1, 0.5 / 1.8, 0.5], p=[0.25, 0.5, 0.15, 0.1])),
        "contact": float(dice.choice([1.0, 0.9, 0.7], p=[0.4, 0.4, 0.2])),
        "placed": str(dice.choice(["thin", "heavy", "mean"])),
        "fill_k": float(dice.uniform(0.0, 15.0)),
        "lead_min": float(dice.choice([0, 10, 30])),
        "start_h": float(dice.uniform(15.0, 20.0) if dice.random() < 0.8 else dice.uniform(7.0, 12.0)),
        "blank": float(dice.choice([0.0, 0.01, 0.1], p=[0.6, 0.3, 0.1])),
        "front": bool(dice.random() < 0.5),
    }


def _places(dice: np.random.Generator, t: np.ndarray, f: dict[str, Any]) -> tuple[Place, Place, np.ndarray]:
    """Return outdoors, the room, and the barometer [Pa]."""
    n, hour = len(t), f["start_h"] + t / 3600.0
    outdoors = dice.uniform(275.0, 303.0) + dice.uniform(1.5, 8.0) * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
    outdoors = outdoors + dice.uniform(0.2, 1.0) * wander(dice, n, 9_000.0) + 0.15 * wander(dice, n, 600.0)
    passed = 1.0 / (1.0 + np.exp(-(t / 3600.0 - dice.uniform(0.0, f["hours"])) / dice.uniform(0.3, 2.5)))
    outdoors = outdoors - f["front"] * dice.uniform(0.0, 4.0) * passed
    barometer = dice.uniform(88e3, 103e3) + f["front"] * dice.choice([-1, 1]) * dice.uniform(200.0, 1_800.0) * passed
    barometer = barometer + dice.uniform(30.0, 200.0) * wander(dice, n, 21_600.0) + dice.normal(0.0, 30.0) * t / 3600.0
    barometer = barometer + 50.0 * np.sin(np.pi * hour / 6.0)
    room = 294.0 + dice.normal(0.0, 2.0) + dice.uniform(0.2, 1.5) * np.cos(2.0 * np.pi * (hour - 16.0) / 24.0)
    room = room + dice.uniform(0.05, 0.5) * wander(dice, n, 10_800.0)
    if dice.random() < 0.4:
        room = room + dice.uniform(0.2, 0.8) * np.sign(np.sin(2.0 * np.pi * t / dice.uniform(900.0, 2_400.0)))
    if dice.random() < 0.3:
        room = room - dice.uniform(1.0, 4.0) / (1.0 + np.exp(-4.0 * (hour - 20.0)))
        room = room + dice.uniform(1.0, 3.0) / (1.0 + np.exp(-4.0 * (hour - 30.0)))
    cloud = np.clip(0.5 + 0.6 * wander(dice, n, 7_200.0), 0.0, 1.0)
    sun = 800.0 * np.clip(np.sin(np.pi * (np.mod(hour, 24.0) - 6.0) / 12.0), 0.0, None) * (1.0 - 0.8 * cloud)
    return Place(outdoors, sun, cloud), Place(room), barometer


def _section(dice: np.random.Generator, place: Place, physics: str) -> Section:
    air = place.air_k
    thin_s = np.exp(dice.uniform(np.log(400.0), np.log(2_400.0)))
    heavy_s = np.exp(dice.uniform(np.log(2_400.0), np.log(14_000.0)))
    gas_s, heavy_share = np.exp(dice.uniform(np.log(120.0), np.log(1_500.0))), dice.uniform(0.0, 1.0)
    drive = air
    if physics == "balance" and place.sun is not None and place.cloud is not None:
        film = dice.uniform(6.0, 14.0)
        emits, absorbs = dice.uniform(0.3, 0.95), dice.uniform(0.02, 0.3)
        sky = air * (0.75**0.25 * (1.0 - place.cloud) + place.cloud)
        flux = 0.4 * absorbs * place.sun + 0.15 * emits * STEFAN_BOLTZMANN * (sky**4 - air**4)
        drive = air + flux / film
    thin, heavy = follow(drive, thin_s), follow(drive, heavy_s)
    return Section(air, thin, heavy, follow(heavy_share * heavy + (1.0 - heavy_share) * thin, gas_s))


def make_plain_night(seed: int, **fixed: object) -> Night:
    """Return one night. `fixed` sets what the dice would choose: see `_facts`."""
    dice = np.random.default_rng([seed, 2026])
    f = {**_facts(dice), **fixed}
    lead = 60.0 * f["lead_min"]
    total = lead + 3600.0 * f["hours"]
    t = np.arange(-BEFORE_S, total + STEP_S, STEP_S)
    begin = int(BEFORE_S / STEP_S)
    outdoors, room, barometer = _places(dice, t, f)
    here, elsewhere = (room, outdoors) if f["indoors"] else (outdoors, room)
    sections, volumes = [_section(dice, here, f["physics"])], [1.0]
    if f["split"]:
        sections.append(_section(dice, elsewhere, f["physics"]))
        volumes = [dice.uniform(0.5, 0.85)]
        volumes.append(1.0 - volumes[0])
    after = t - lead
    fill_s = dice.uniform(300.0, 1_200.0)
    filling = f["fill_k"] * np.exp(-np.clip(after, 0.0, None) / fill_s) * (after >= 0.0)
    gas = 1.0 / sum(v / (s.gas_k + filling) for v, s in zip(volumes, sections, strict=True))
    judged = after >= JUDGED_AFTER_S
    mean_k, test_pa = float(gas[judged].mean()), f["psig"] * PSI + float(barometer[begin])
    allowed = f["allowed_psi_d"] * PSI / 86_400.0
    share = allowed * f["ratio"] / test_pa * np.clip(after, 0.0, None)
    z = compressibility(test_pa, mean_k)
    amount = (
        test_pa / (z * gas[int(np.argmax(after >= 0.0))]) * (np.exp(-share) if f["leak"] == "orifice" else 1 - share)
    )
    if lead > 0.0:
        amount = np.where(after < 0.0, amount * np.clip(t / lead, 0.02, 1.0), amount)
    pressure = _pressure(amount * z, gas)
    ends = _pressure(amount[judged][[0, -1]] * z, np.full(2, mean_k))
    loss = float((ends[0] - ends[1]) / (t[-1] - t[judged][0]))
    stretch, seen = _logged(dice, f, t, pressure, barometer, sections[0], total, begin)
    bound = _bound(f, t[judged], gas[judged], [s[judged] for s in seen], pressure[judged], here.air_k[judged], fill_s)
    rows = np.arange(0.0, total - 1e-6, f["interval"])
    gauge = np.interp(rows, t, pressure - barometer) / PSI
    return Night(stretch, loss, allowed, bound, rows, gauge, np.interp(rows, t, gas), f)


def _pressure(amount: np.ndarray, gas: np.ndarray) -> np.ndarray:
    """Return the pressure at which P/(Z T) is `amount`."""
    pressure = amount * gas
    for _ in range(6):
        pressure = amount * gas * compressibility(pressure, gas)
    return pressure


def _logged(
    dice: np.random.Generator, f: dict[str, Any], t: np.ndarray, pressure: np.ndarray, barometer: np.ndarray,
    section: Section, total: float, begin: int,
) -> tuple[Any, list[np.ndarray]]:  # fmt: skip
    """Return the stretch, and the truth behind each probe that is logged."""
    rows = np.arange(0.0, total - 1e-6, f["interval"])
    size, absolute, per_psi = UNITS[f["unit"]]
    gauge = f["sensor"] != "absolute"

    def at(series: np.ndarray) -> np.ndarray:
        return np.interp(rows, t, series)

    shown = at(pressure) - (at(barometer) if gauge else 0.0) + dice.normal(0.0, 2_000.0)
    shown += 1.6 * f["psig"] * PSI * f["coefficient"] * (at(section.air_k) - 293.15)
    shown += f["drift_psi_d"] * PSI * rows / 86_400.0
    shown += f["slow_psi"] * PSI * at(wander(dice, len(t), dice.uniform(300.0, 7_200.0)))
    shown += dice.normal(0.0, f["noise_psi"] * PSI, len(rows))
    digit = f["digit_psi"] * per_psi
    shown = np.round(shown / size / digit) * digit
    shown[dice.random(len(rows)) < f["blank"]] = np.nan
    logged = {"circuit_pressure": (f["unit"] if gauge else absolute, shown)}
    if f["sensor"] == "gauge+baro":
        read = at(barometer) + dice.normal(0.0, 50.0) + dice.normal(0.0, 6.0, len(rows))
        logged["barometer"] = ("kPa", np.round(read / 1e3, 2))

    def probe(series: np.ndarray, lag_s: float) -> tuple[str, np.ndarray]:
        read = at(follow(series, lag_s)) + dice.normal(0.0, 0.4) + dice.normal(0.0, 0.04, len(rows)) - 273.15
        read = np.round(read / f["probe_digit_k"]) * f["probe_digit_k"]
        read[dice.random(len(rows)) < 0.3 * f["blank"]] = np.nan
        return ("degF", 1.8 * read + 32.0) if f["unit"] == "psig" else ("degC", read)

    metals = {"thin": section.thin_k, "heavy": section.heavy_k, "mean": 0.5 * (section.thin_k + section.heavy_k)}
    touched = f["contact"] * metals[f["placed"]] + (1.0 - f["contact"]) * section.air_k
    seen = []
    if f["probes"] in ("both", "metal"):
        logged["surface_temperature"] = probe(touched, 60.0)
        seen.append(touched)
    if f["probes"] in ("both", "air"):
        logged["ambient_temperature"] = probe(section.air_k, 180.0)
        seen.append(section.air_k)
    tables = {
        "pressure_test": {"allowed_loss": f"{f['allowed_psi_d']} psi/d"},
        "site": {"barometer": f"{barometer[begin] / 1e3:.1f} kPa"},
    }
    return make_stretch("pressure_test", rows, logged, tables=tables), seen


def _bound(
    f: dict[str, Any], t: np.ndarray, gas: np.ndarray, seen: list[np.ndarray], pressure: np.ndarray, air: np.ndarray,
    fill_s: float,
) -> float:  # fmt: skip
    """Return the information bound of the loss [Pa/s, standard deviation] for one who knows the law of every error.

    Unknown: level, loss, settling, the weight of each probe behind each of four lags (to 0.3 one by one, their sum to
    0.05), the gauge's temperature coefficient. What of the gas the probes cannot tell counts as noise of its own law.
    """
    per = int(600.0 / STEP_S)
    n = len(t) // per

    def binned(series: np.ndarray) -> np.ndarray:
        return np.asarray(series[: n * per].reshape(n, per).mean(axis=1))

    at = binned(t) - binned(t)[0]
    apart = np.abs(at[:, None] - at[None, :])
    per_k = float(np.mean(pressure)) / float(np.mean(gas))
    lags = [binned(follow(s, lag)) for s in seen for lag in (120.0, 900.0, 3_600.0, 14_400.0)]
    lags = [lag - lag.mean() for lag in lags]
    settling, truth = binned(np.exp(-(t - t[0]) / fill_s)), binned(gas)
    columns = np.column_stack([np.ones(n), settling, *lags])
    left = truth - columns @ np.linalg.lstsq(columns, truth, rcond=1e-9)[0]
    size, half = float(left.std()), max(1, n // 2)
    correlation = np.array([1.0 if size == 0.0 else np.mean(left[: n - k] * left[k:]) / size**2 for k in range(half)])
    under = np.flatnonzero(correlation < 1.0 / np.e)
    memory = 600.0 * max(1, int(under[0]) if len(under) else half)

    def digits(step: float, scatter: float, moved: float) -> np.ndarray:
        kept = step * np.exp(-2.0 * np.pi**2 * (scatter / step) ** 2)
        return np.asarray(kept**2 / 12.0 * np.exp(-apart / max(600.0, at[-1] / max(4.0 * moved / step, 0.5))))

    digit, noise = f["digit_psi"] * (PSI if f["unit"] == "psig" else 1e4), f["noise_psi"] * PSI
    cover = (noise**2 + digit**2 / 12.0) * f["interval"] / 600.0 * np.eye(n)
    cover += digits(digit, noise, float(np.abs(np.diff(truth)).sum()) * per_k)
    cover += (f["slow_psi"] * PSI) ** 2 * np.exp(-apart / 3_600.0) + (size * per_k) ** 2 * np.exp(-apart / memory)
    for series in seen[:1]:
        moved = float(np.abs(np.diff(binned(series))).sum())
        cover += digits(f["probe_digit_k"] * per_k, 0.04 * per_k, moved * per_k)
    if f["sensor"] == "gauge":
        cover += 115.0**2 * np.exp(-apart / 21_600.0) + 500.0**2 * np.exp(-((apart / 18_000.0) ** 2))
    design = np.column_stack([np.ones(n), -at, settling, binned(air) - air.mean(), *[lag * per_k for lag in lags]])
    known = np.zeros((design.shape[1], design.shape[1]))
    known[3, 3] = (7e-5 * 1.6 * f["psig"] * PSI) ** -2.0
    known[4:, 4:] = np.eye(len(lags)) * 0.3**-2.0 + 0.05**-2.0
    information = design.T @ np.linalg.solve(cover, design) + known
    return float(np.sqrt(np.linalg.inv(information)[1, 1] + (0.02 * PSI / 86_400.0) ** 2))
