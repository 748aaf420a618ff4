"""Evacuations by physics of their own, many at once: two volumes, a hose in every regime of flow, wet walls that chill
and freeze, a pump with an ultimate, gas that comes off oil and walls, leaks; and probes as they are in the field.

Nothing here is shared with the project's analysis or its bench; formulas differ on purpose (Magnus for the vapour
pressure, a series of regimes for the hose).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

MICRON = 101_325.0 / 760_000.0
STEP_S = 2.0


@dataclass(frozen=True)
class Act:
    """Something done at `minute`: close, open, oil, sweep (nitrogen to `pressure_pa`), off (pump off, valve open)."""

    minute: float
    what: str
    pressure_pa: float = 112e3


@dataclass(frozen=True)
class Case:
    """One evacuation. SI; leak in Pa m3/s; `evaporation` in m3/s (of vapour, at the vapour pressure's lack)."""

    name: str
    minutes: float
    volume: float = 0.3
    far_share: float = 0.2
    far_bore: float = 0.012
    far_length: float = 3.0
    pump: float = 0.0035
    bore: float = 0.016
    length: float = 2.0
    ultimate: float = 3.0
    fresh_ultimate: float = 3.0
    ultimate_decay_h: float = 1e9
    leak: float = 0.0
    water_kg: float = 0.0
    evaporation: float = 0.0
    outgas: float = 0.01
    start_pa: float = 101_325.0
    ambient_k: float = 294.0
    night_k: float = 2.0
    metal_lag_h: float = 1.0
    acts: tuple[Act, ...] = ()


@dataclass(frozen=True)
class Truth:
    """What happened, at each step: seconds, pressure at the probe and at the pump [Pa], temperatures [K], valve."""

    at_s: np.ndarray
    vacuum: np.ndarray
    pump: np.ndarray
    metal: np.ndarray
    ambient: np.ndarray
    closed: np.ndarray


def saturation_pa(kelvin: np.ndarray) -> np.ndarray:
    """Return the vapour pressure of water or ice by Magnus' formula (WMO-No. 8), within 0.5 % from -40 to 60 degC."""
    c = kelvin - 273.15
    liquid = 611.2 * np.exp(17.62 * c / (243.12 + c))
    ice = 611.2 * np.exp(22.46 * c / (272.62 + c))
    return np.where(c >= 0.0, liquid, ice)


def conductance(bore: np.ndarray, length: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """Return the conductance of a hose [m3/s]: Poiseuille and free molecular added, with the dip between left out."""
    viscous = np.pi * bore**4 * pressure / (128.0 * 1.82e-5 * length)
    molecular = 463.0 * np.pi * bore**3 / (12.0 * length) / (1.0 + 4.0 * bore / (3.0 * length))
    choked = 0.25 * np.pi * bore**2 * 200.0
    smooth: np.ndarray = 1.0 / (1.0 / (viscous + molecular) + 1.0 / choked)
    return smooth


def simulate(cases: list[Case]) -> list[Truth]:
    """Return the truth of each case; all are stepped together."""
    n = len(cases)

    def of(name: str) -> np.ndarray:
        return np.array([getattr(case, name) for case in cases], dtype=float)

    volume, far = of("volume") * (1.0 - of("far_share")), of("volume") * of("far_share")
    bore, length, pump = of("bore"), of("length"), of("pump")
    far_bore, far_length = of("far_bore"), of("far_length")
    ultimate, fresh, decay = of("ultimate"), of("fresh_ultimate"), of("ultimate_decay_h") * 3600.0
    leak, evaporation, water, outgas = of("leak"), of("evaporation"), of("water_kg"), of("outgas")
    first_water = np.maximum(water, 1e-9)
    mean_k, night, lag = of("ambient_k"), of("night_k"), of("metal_lag_h") * 3600.0
    dry_near, dry_far = of("start_pa"), of("start_pa")
    steam = np.zeros(n)
    metal = mean_k + 0.5 * night
    wall = metal.copy()
    closed = np.zeros(n, dtype=bool)
    off = np.zeros(n, dtype=bool)
    filling = np.zeros(n)
    inlet = of("start_pa")
    since_low = np.full(n, np.nan)
    queue = [sorted(case.acts, key=lambda act: act.minute) for case in cases]
    following = np.array([acts[0].minute * 60.0 if acts else np.inf for acts in queue])
    steps = int(max(case.minutes for case in cases) * 60.0 / STEP_S)
    kept = {name: np.empty((steps, n), dtype=np.float32) for name in ("p", "i", "m", "a", "c")}
    for step in range(steps):
        t = step * STEP_S
        for j in np.flatnonzero(following <= t).tolist():
            act = queue[j].pop(0)
            following[j] = queue[j][0].minute * 60.0 if queue[j] else np.inf
            if act.what == "close":
                closed[j] = True
            elif act.what == "open":
                closed[j], off[j], filling[j] = False, False, 0.0
            elif act.what == "oil":
                ultimate[j] = fresh[j]
            elif act.what == "sweep":
                closed[j], filling[j] = True, act.pressure_pa
                since_low[j] = np.nan
            elif act.what == "off":
                off[j] = True
        ambient = mean_k + 0.5 * night * np.cos(2 * np.pi * t / 86_400.0 * 1.6)
        metal += (ambient - metal) * STEP_S / lag
        total = dry_near + steam
        # nitrogen let in through a throttle
        dry_near += np.where(filling > 0.0, np.clip(filling - total, 0.0, None) * 0.01 * STEP_S, 0.0)
        # the far part
        hose = conductance(far_bore, far_length, 0.5 * (dry_near + dry_far))
        even = 1.0 - np.exp(-hose * STEP_S * (1.0 / volume + 1.0 / far))
        moved = (dry_far - dry_near) * even * volume * far / (volume + far)
        dry_far -= moved / far
        dry_near += moved / volume
        # water: limited by the surface, chills its wall, freezes
        left = np.clip(water / first_water, 0.0, 1.0)
        rate = evaporation * left**0.6 * np.where(wall < 273.15, 0.25, 1.0) * (water > 1e-7)
        full = saturation_pa(wall)
        size = volume + far
        newer = (steam + STEP_S * rate * full / size) / (1.0 + STEP_S * rate / size)
        grown = newer - steam
        mass = grown * size * 0.018015 / (8.314 * metal)
        water = np.maximum(0.0, water - mass)
        heat = 60.0 * (evaporation / 0.002 + 0.1)
        wall += STEP_S * (heat * (metal - wall) - np.clip(mass, 0, None) / STEP_S * 2.5e6) / (4_000.0 + 4_180.0 * water)
        wall = np.clip(wall, 240.0, metal + 1.0)
        steam = newer
        # leak, and what comes off walls and oil
        total = dry_near + steam
        since_low = np.where(np.isnan(since_low) & (total < 3e3), t, since_low)
        age = np.maximum(np.nan_to_num(t - since_low, nan=0.0), 600.0)
        gas = np.where(np.isnan(since_low), 0.0, outgas * (3600.0 / age) ** 0.9) * np.clip(
            1.0 - total / 400.0, 0.0, 1.0
        )
        dry_near += STEP_S * (leak * (total < 101_325.0) + gas) / volume
        # pump
        total = dry_near + steam
        hose = conductance(bore, length, 0.5 * (total + inlet))
        speed = pump * np.clip(1.0 - inlet / 250e3, 0.2, 1.0)
        both = hose * speed / (hose + speed)
        ultimate = fresh + (ultimate - fresh) * np.exp(-STEP_S / decay)
        against = np.where(off, 101_325.0, ultimate)
        both = np.where(off, 0.02 * hose / (1.0 + hose / 0.0005), both)
        open_ = ~closed
        end = (total + STEP_S * both * against / volume) / (1.0 + STEP_S * both / volume)
        share = np.where(total > 0.0, steam / np.maximum(total, 1e-6), 0.0)
        change = np.where(open_, end - total, 0.0)
        flow_out = np.clip(-change, 0.0, None)
        steam -= flow_out * share * volume / size
        dry_near -= flow_out * (1.0 - share)
        dry_near += np.clip(change, 0.0, None)
        steam, dry_near = np.maximum(steam, 0.0), np.maximum(dry_near, 0.05)
        total = dry_near + steam
        inlet = np.where(open_ & ~off, (hose * total + speed * against) / (hose + speed), inlet)
        inlet = np.where(closed, ultimate + (inlet - ultimate) * np.exp(-STEP_S / 6.0), inlet)
        inlet = np.where(off, np.where(open_, total, 101_325.0), inlet)
        for name, value in (("p", total), ("i", inlet), ("m", metal), ("a", ambient), ("c", closed)):
            kept[name][step] = value
    at = np.arange(steps) * STEP_S
    found = []
    for j, case in enumerate(cases):
        own = slice(0, int(case.minutes * 60.0 / STEP_S))
        columns = [kept[name][own, j].astype(float) for name in ("p", "i", "m", "a", "c")]
        found.append(Truth(at[own], *columns[:4], columns[4] > 0.5))
    return found


@dataclass(frozen=True)
class Probe:
    """A vacuum probe: shown = true x `gain`, slowed by `lag_s`, noise that grows with pressure, digits that coarsen."""

    gain: float = 1.0
    lag_s: float = 4.0
    noise: float = 0.01
    digits: tuple[tuple[float, float], ...] = ((1e9, 1.0),)
    range_micron: float = 20_000.0
    over: float = float("nan")
    spikes: float = 0.0005
    blanks: float = 0.005
    wander: float = 0.3

    def show(self, truth_pa: np.ndarray, sampled: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Return the readings [micron] at the steps in `sampled`, NaN or `over` above the range."""
        slow = np.empty_like(truth_pa)
        share = 1.0 - np.exp(-STEP_S / self.lag_s)
        level = truth_pa[0]
        for i, true in enumerate(truth_pa.tolist()):
            level += (true - level) * share
            slow[i] = level
        p = slow[sampled] / MICRON * self.gain
        n = len(p)
        size = self.noise * (1.0 + np.sqrt(p / 5_000.0))
        white = rng.normal(size=n)
        wander = np.empty(n)
        state, keep = 0.0, 0.9
        for i, kick in enumerate(rng.normal(size=n).tolist()):
            state = keep * state + np.sqrt(1.0 - keep**2) * kick
            wander[i] = state
        shown = p * np.exp(size * (np.sqrt(1.0 - self.wander**2) * white + self.wander * wander))
        shown = np.where(rng.random(n) < self.spikes, shown * rng.choice([0.3, 5.0, 10.0], size=n), shown)
        step = np.full(n, self.digits[-1][1])
        for below, digit in reversed(self.digits):
            step = np.where(shown < below, digit, step)
        shown = np.maximum(np.round(shown / step) * step, 1.0)
        shown = np.where(shown > self.range_micron, self.over, shown)
        return np.where(rng.random(n) < self.blanks, np.nan, shown)


DIGITS = (
    ((1e9, 1.0),),
    ((1e9, 10.0),),
    ((400.0, 1.0), (3_000.0, 10.0), (10_000.0, 100.0), (1e9, 500.0)),
    ((1_000.0, 5.0), (2_000.0, 20.0), (5_000.0, 50.0), (1e9, 250.0)),
)
"""Fine, coarse, and digits that coarsen with the level."""


@dataclass
class Setting:
    """How a case was watched."""

    interval_s: float
    probe: Probe
    marks: float
    pump_gauge: bool
    temperatures: tuple[str, ...] = ("surface_temperature",)
    tables: dict[str, object] = field(default_factory=dict)
