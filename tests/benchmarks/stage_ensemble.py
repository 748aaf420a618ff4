"""Two-day jobs without a journal, and how near the stages found in them are to the true ones.

The circuit here is a vessel on a ten-second step: liquid and vapour at one temperature, nitrogen and air beside
it, a scale, a vacuum pump with a floor, instruments with their quanta, noise, blanks and gaps. Run it for
the table: ``python -m tests.benchmarks.stage_ensemble [jobs]``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analysis.fluids import refrigerant
from analysis.log import Log
from analysis.stages import StageSpan, find_stages
from analysis.vocabulary.job import Job
from tests.support import make_log

STEP_S = 10.0
START = pd.Timestamp("2026-05-19T05:40:00Z")
NEAR_S = 300.0
"""A bound is found when it is within five minutes."""
CHANNELS = (
    "circuit_pressure", "suction_pressure", "discharge_pressure", "vacuum", "cylinder_weight",
    "ambient_temperature", "surface_temperature", "leaving_water_temperature", "liquid_temperature",
    "compressor_load", "barometer",
)  # fmt: skip


@dataclass
class Site:
    """A machine, its weather and a technician's day; everything by chance from `rng`."""

    rng: np.random.Generator
    fluid_name: str = ""
    volume_m3: float = 0.0
    charge_kg: float = 0.0
    seconds: float = 0.0
    room_k: float = 293.0
    liquid_k: float = 293.0
    gas_k: float = 293.0
    refrigerant_kg: float = 0.0
    nitrogen_mol: float = 0.0
    residue_pa: float = 0.0
    open_to_air: bool = False
    load: float = 0.0
    scale_kg: float = 0.0
    hand_kg: float = 0.0
    lift: float = 0.0
    rows: list[tuple[float, ...]] = field(default_factory=list)
    truth: list[tuple[str, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = self.rng
        self.fluid_name = str(
            rng.choice(["R-134a", "R-410A", "R-22", "R-407C", "R-513A", "R-404A", "R-1234ze(E)", "R-1233zd(E)"])
        )
        self.fluid = refrigerant(self.fluid_name)
        self.charge_kg = float(rng.choice([6.0, 18.0, 45.0, 90.0, 160.0]) * rng.uniform(0.8, 1.2))
        self.volume_m3 = self.charge_kg / float(rng.uniform(200.0, 450.0))
        self.mean_k = float(rng.uniform(286.0, 301.0))
        self.swing_k = float(rng.uniform(0.5, 5.0))
        self.air_pa = float(rng.uniform(84e3, 102.5e3))
        self.refrigerant_kg = self.charge_kg * float(rng.uniform(0.6, 1.0))
        self.weather()
        self.liquid_k = self.gas_k = self.room_k

    def weather(self) -> None:
        day = 2 * np.pi * (self.seconds / 86_400.0 - 0.3)
        self.room_k = self.mean_k + self.swing_k * float(np.sin(day))
        self.barometer_pa = self.air_pa + 600.0 * float(np.sin(self.seconds / 50_000.0 + self.air_pa))

    def pressure_pa(self) -> float:
        if self.open_to_air:
            return self.barometer_pa
        full_kg = float(self.fluid.vapor_density(self.liquid_k)) * self.volume_m3
        saturated = float(self.fluid.bubble_pressure_pa(self.liquid_k) + self.fluid.dew_pressure_pa(self.liquid_k)) / 2
        vapour = saturated * min(1.0, max(self.refrigerant_kg, 0.0) / full_kg)
        return vapour + self.nitrogen_mol * 8.314 * self.gas_k / self.volume_m3 + self.residue_pa

    def step(self) -> None:
        self.seconds += STEP_S
        self.weather()
        self.liquid_k += (self.room_k - self.liquid_k) * STEP_S / 1_200.0
        self.gas_k += (self.room_k - self.gas_k) * STEP_S / 1_800.0
        p = self.pressure_pa()
        suction, discharge = p, p
        self.lift += (self.load - self.lift) * STEP_S / 120.0
        if self.load or self.lift > 0.02:
            suction, discharge = p * (1 - 0.35 * self.lift), p * (1 + 1.1 * self.lift)
        liquid = self.liquid_k + 18.0 * self.lift
        self.rows.append((
            self.seconds, suction if self.load else p, suction, discharge, p, self.scale_kg + self.hand_kg,
            self.room_k, self.room_k + 0.3, self.room_k - 0.4 - 6.0 * self.lift, liquid, self.load, self.barometer_pa,
        ))  # fmt: skip

    def wait(self, minutes: float, act: Callable[[], bool] | None = None) -> None:
        """Let time pass, at the longest so many minutes; `act` runs each step and ends it by returning True."""
        for _ in range(max(1, round(minutes * 60 / STEP_S))):
            done = act is not None and act()
            self.step()
            if done:
                return

    def idle(self, low: float, high: float) -> None:
        self.wait(float(self.rng.uniform(low, high)))

    # --- the work ---------------------------------------------------------------------------------------

    def job(self) -> None:
        rng = self.rng
        self.idle(0, 8)
        if rng.random() < 0.7:
            begin = self.seconds
            self.idle(35, 90)
            self.truth.append(("at_rest", begin, self.seconds))
            self.idle(0, 8)
        self.recovery()
        self.idle(2, 60)
        if rng.random() < 0.7:
            self.repair()
        for number in range(1 + int(rng.random() < 0.4)):
            if number:
                self.repair()
            self.pressure_test(overnight=number == 0 and rng.random() < 0.7)
            self.idle(3, 40)
        if rng.random() < 0.3:
            self.repair()
        self.evacuation()
        self.charging()
        self.idle(3, 40)
        self.startup()

    def place(self, kg: float) -> None:
        self.hand_kg = float(self.rng.uniform(-3, 6))
        self.scale_kg = kg
        self.wait(0.4)
        self.hand_kg = 0.0

    def take_off(self) -> None:
        self.scale_kg = 0.0
        self.wait(0.2)

    def recovery(self) -> None:
        rng = self.rng
        tare_kg = float(rng.uniform(8, 30))
        room_kg = float(rng.uniform(20, 60))
        self.place(tare_kg)
        self.idle(0.5, 7)
        begin = self.seconds
        rate = float(rng.uniform(0.5, 4.0)) / 60.0
        left_kg = self.refrigerant_kg * float(rng.uniform(0.08, 0.3))
        vapour_m3_s = float(rng.uniform(0.5e-3, 2.5e-3)) * (1 + 3 * self.volume_m3)
        deep_pa = float(rng.uniform(20e3, 60e3)) if self.fluid_name != "R-1233zd(E)" else 3.3e3
        filled = [0.0]

        def pull() -> bool:
            full_kg = float(self.fluid.vapor_density(self.liquid_k)) * self.volume_m3
            if self.refrigerant_kg > full_kg + left_kg:
                kg = rate * STEP_S
            else:
                density = (
                    self.refrigerant_kg / self.volume_m3
                    if self.refrigerant_kg < full_kg
                    else full_kg / (self.volume_m3)
                )
                kg = min(density * vapour_m3_s * STEP_S, rate * STEP_S)
                if self.refrigerant_kg < full_kg:
                    kg = min(kg, self.refrigerant_kg * (1.0 - float(np.exp(-vapour_m3_s * STEP_S / self.volume_m3))))
                if self.refrigerant_kg > full_kg:
                    self.liquid_k = max(self.liquid_k - kg * 2e5 / (25e3 + 1500 * self.charge_kg), self.room_k - 25)
            self.refrigerant_kg -= kg
            self.scale_kg += kg
            filled[0] += kg
            return self.pressure_pa() < deep_pa or filled[0] > room_kg

        lunch = rng.random() < 0.4
        for _ in range(60):
            self.wait(8 * 60.0, pull)
            if self.pressure_pa() < deep_pa:
                break
            filled[0] = 0.0
            self.idle(1, 4)
            self.take_off()
            self.idle(0.5, 4)
            if lunch and rng.random() < 0.5:
                lunch = False
                self.idle(25, 60)
            self.place(tare_kg + float(rng.uniform(-1, 1)))
            self.idle(0.5, 2)
        if rng.random() < 0.5:
            self.idle(10, 15)
            self.wait(30.0, lambda: pull() and self.pressure_pa() < 0.85 * deep_pa)
        self.idle(10, 17)
        self.truth.append(("recovery", begin, self.seconds))
        self.idle(0, 5)
        if rng.random() < 0.7:
            self.take_off()

    def repair(self) -> None:
        """The circuit open to the air, now and then a little nitrogen through it."""
        self.residue_pa, self.refrigerant_kg, self.nitrogen_mol = self.pressure_pa(), 0.0, 0.0
        target = self.barometer_pa

        def fill() -> bool:
            p = self.pressure_pa()
            self.nitrogen_mol += (target * 1.02 - p) * 0.08 * self.volume_m3 / (8.314 * self.gas_k)
            return abs(p - target) < 300.0

        self.wait(20.0, fill)
        self.open_to_air = True
        self.idle(20, 150)
        self.open_to_air, self.residue_pa = False, 0.0
        self.nitrogen_mol = self.barometer_pa * self.volume_m3 / (8.314 * self.gas_k)

    def pressure_test(self, overnight: bool) -> None:
        rng = self.rng
        begin = self.seconds
        bars = [7.0, 11.0, 22.0, 32.0] if self.fluid_name != "R-1233zd(E)" else [0.7, 1.5]
        at = float(rng.choice(bars)) * 1e5 + self.barometer_pa
        steps = sorted(rng.uniform(0.05, 0.8, int(rng.integers(1, 4))).tolist())
        speed = float(rng.uniform(0.4e5, 3e5)) / 60.0
        for part in (*steps, 1.0):
            wanted = self.barometer_pa + part * (at - self.barometer_pa)

            def fill(wanted: float = wanted) -> bool:
                self.nitrogen_mol += speed * STEP_S * self.volume_m3 / (8.314 * self.gas_k)
                self.gas_k += 0.15
                return self.pressure_pa() >= wanted

            self.wait(120.0, fill)
            if part < 1:
                self.idle(2, 20)
        loss = float(rng.choice([0.0, 2e-4, 2e-3, 1.5e-2])) / 3_600.0 * STEP_S

        def leak() -> bool:
            self.nitrogen_mol *= 1.0 - loss
            return False

        hours = (24 + 7.0 - self.seconds / 3_600.0) if overnight else float(rng.uniform(1.5, 5))
        self.wait(max(60.0, hours * 60), leak)
        self.truth.append(("pressure_test", begin, self.seconds))
        tau = float(rng.uniform(90, 900))

        def bleed() -> bool:
            p, air = self.pressure_pa(), self.barometer_pa
            wanted = air + (p - air) * float(np.exp(-STEP_S / tau)) - 40.0
            scale = wanted / p
            self.nitrogen_mol *= scale
            self.refrigerant_kg *= scale
            return wanted < air + 500.0

        self.wait(180.0, bleed)

    def evacuation(self) -> None:
        rng = self.rng
        self.refrigerant_kg = 0.0
        begin = self.seconds
        tau = float(rng.uniform(80, 700))
        floor = [float(rng.uniform(60, 250))]

        def pump() -> bool:
            p = self.pressure_pa()
            new = floor[0] + (p - floor[0]) * float(np.exp(-STEP_S / (tau if p > 2_000 else 4 * tau)))
            self.nitrogen_mol, self.residue_pa = 0.0, new
            return False

        def shut() -> bool:
            self.residue_pa += (900.0 - self.residue_pa) * STEP_S / 20_000.0
            return False

        self.wait(float(rng.uniform(60, 150)), pump)
        if rng.random() < 0.5:
            self.wait(float(rng.uniform(8, 25)), shut)
            floor[0] = float(rng.uniform(20, 40))
        if rng.random() < 0.3:  # a sweep with nitrogen
            wanted = float(rng.uniform(40e3, 98e3))
            self.nitrogen_mol = 0.0

            def sweep() -> bool:
                self.residue_pa += 300.0 * STEP_S
                return self.residue_pa > wanted

            self.wait(20.0, sweep)
            self.idle(5, 20)
        self.wait(float(rng.uniform(60, 240)), pump)
        self.wait(float(rng.uniform(30, 90)), shut)
        self.truth.append(("evacuation", begin, self.seconds))

    def charging(self) -> None:
        rng = self.rng
        self.place(float(rng.uniform(40, 75)))
        self.idle(0.2, 6)
        begin = self.seconds
        stage, at, _ = self.truth[-1]
        self.truth[-1] = (stage, at, self.seconds)
        slow, fast = float(rng.uniform(0.1, 0.35)) / 60.0, float(rng.uniform(0.5, 4.0)) / 60.0
        freeze_pa = float(self.fluid.bubble_pressure_pa(275.0))
        contents = [float(rng.uniform(15, 50))]
        lunch = rng.random() < 0.4

        def charge() -> bool:
            rate = slow if self.pressure_pa() < freeze_pa else fast
            kg = rate * STEP_S
            self.refrigerant_kg += kg
            self.scale_kg -= kg
            contents[0] -= kg
            return self.refrigerant_kg >= self.charge_kg or contents[0] <= 0

        while self.refrigerant_kg < self.charge_kg:
            self.wait(12 * 60.0, charge)
            if self.refrigerant_kg >= self.charge_kg:
                break
            self.idle(0.5, 3)
            self.take_off()
            self.idle(0.5, 3)
            if lunch:
                lunch = False
                self.idle(25, 60)
            contents[0] = float(rng.uniform(25, 50))
            self.place(contents[0] + float(rng.uniform(8, 25)))
            self.idle(0.2, 3)
        self.idle(0, 4)
        self.truth.append(("charging", begin, self.seconds))
        self.idle(0, 5)
        if rng.random() < 0.7:
            self.take_off()

    def startup(self) -> None:
        rng = self.rng
        begin = self.seconds
        for _ in range(int(rng.integers(1, 4))):
            self.load = float(rng.uniform(0.4, 1.0))
            self.idle(15, 60)
            if rng.random() < 0.3:
                self.load = 0.0
                self.idle(4, 12)
        self.load = 0.6
        self.idle(10, 20)
        self.truth.append(("startup", begin, self.seconds))
        self.load = 0.0
        if rng.random() < 0.5:
            self.idle(35, 60)


@dataclass(frozen=True)
class Case:
    """A log without journal, its job, and when each stage truly ran [s since the log's START]."""

    log: Log
    job: Job
    truth: tuple[tuple[str, float, float], ...]
    what: str


def make_case(seed: int, *, start: pd.Timestamp = START) -> Case:
    """Return one job seen through one set of instruments."""
    rng = np.random.default_rng(seed)
    site = Site(rng)
    site.job()
    return observe(site, start=start)


def observe(site: Site, *, start: pd.Timestamp = START, unit: str = "psig", only: tuple[str, ...] = ()) -> Case:
    """Return what one set of instruments saw of a day; `unit` of the gauges, `only` these channels where given."""
    rng = site.rng
    table = np.array(site.rows)
    interval = float(rng.choice([2.0, 5.0, 10.0, 20.0, 60.0]))
    at = np.arange(table[0, 0], table[-1, 0], interval)
    names = ("circuit_pressure", "suction_pressure", "discharge_pressure", "_true", "cylinder_weight",
             "ambient_temperature", "surface_temperature", "leaving_water_temperature", "liquid_temperature",
             "compressor_load", "barometer")  # fmt: skip
    seen = {name: np.interp(at, table[:, 0], table[:, i + 1]) for i, name in enumerate(names)}
    psi, gauge_error = 6_894.757, float(rng.normal(0, 1.2e3))
    quantum = float(rng.choice([0.1, 0.5, 1.0]))
    logged: dict[str, tuple[str, np.ndarray]] = {}

    def noisy(values: np.ndarray, noise: float, step: float) -> np.ndarray:
        return np.round((values + rng.normal(0, noise, len(values))) / step) * step

    panel = rng.random() < 0.6
    for name in ("circuit_pressure", "suction_pressure", "discharge_pressure"):
        if name != "circuit_pressure" and not panel:
            continue
        gauge = (seen[name] - seen["barometer"] * (unit == "psig") + gauge_error) / psi
        one = 1.0 if unit == "psig" else psi / 1e3
        logged[name] = (unit, one * noisy(gauge, 0.05, quantum))
    has_probe = rng.random() < 0.85
    if has_probe:
        micron = seen["_true"] / 0.1333224
        top = float(rng.choice([20_000.0, 25_000.0, 760_000.0]))
        reading = noisy(micron * np.exp(rng.normal(0, 0.01, len(at))), 1.0, 5.0)
        logged["vacuum"] = ("micron", np.where(micron < top, reading, np.nan if rng.random() < 0.6 else top))
    has_scale = rng.random() < 0.85
    if has_scale:
        drift = 0.1 * np.sin(at / 20_000.0)
        step_kg = float(rng.choice([0.01, 0.05, 0.2]))
        logged["cylinder_weight"] = ("kg", noisy(seen["cylinder_weight"] + drift, 0.02, step_kg))
    for name in names[5:9]:
        if name == "liquid_temperature" and not panel:
            continue
        logged[name] = ("degC", noisy(seen[name] - 273.15 + float(rng.normal(0, 0.3)), 0.05, 0.1))
    has_load = rng.random() < 0.6
    if has_load:
        logged["compressor_load"] = ("%", np.round(100 * seen["compressor_load"]))
    if rng.random() < 0.5:
        logged["barometer"] = ("mbar", noisy(seen["barometer"] / 100.0, 0.1, 0.1))
    if only:
        top = 25_000.0
        logged.setdefault("vacuum", ("micron", np.minimum(np.round(seen["_true"] / 0.1333224), top)))
        logged.setdefault("compressor_load", ("%", np.round(100 * seen["compressor_load"])))
        for name in ("suction_pressure", "discharge_pressure"):
            logged.setdefault(name, ("psig", noisy((seen[name] - seen["barometer"]) / psi, 0.05, quantum)))
        logged.setdefault("liquid_temperature", ("degC", noisy(seen["liquid_temperature"] - 273.15, 0.05, 0.1)))
        logged = {name: logged[name] for name in only}
        has_scale, panel, has_load, has_probe = (
            name in only for name in ("cylinder_weight", "suction_pressure", "compressor_load", "vacuum")
        )
    kept = np.ones(len(at), dtype=bool)
    for _ in range(int(rng.integers(0, 3))):
        hole = float(rng.uniform(0, at[-1]))
        kept &= (at < hole) | (at > hole + float(rng.uniform(60, 900)))
    tables: dict[str, object] = {
        "circuit": {"refrigerant": site.fluid_name} if rng.random() < 0.9 else {},
        "site": {"barometer": f"{site.air_pa / 1e3:.2f} kPa"},
    }
    shown = {
        name: (unit, np.where(rng.random(len(at)) < 0.01, np.nan, readings)[kept])
        for name, (unit, readings) in logged.items()
    }
    log, job = make_log(at[kept], shown, tables=tables, start=start)
    what = (
        f"{site.fluid_name:11} {site.charge_kg:5.0f} kg each {interval:2.0f} s, {quantum:g} psi,"
        f" {'scale' if has_scale else '-':5} {'probe' if has_probe else '-':5} {'panel' if panel else '-':5}"
        f" {'load' if has_load else '-'}"
    )
    return Case(log, job, tuple(site.truth), what)


@dataclass(frozen=True)
class Score:
    """How near: (stage, begin error, end error) [s], NaN where the stage was not found; what nobody did.

    A machine that stands is at rest, also where nobody named that.
    """

    errors: tuple[tuple[str, float, float], ...]
    extra: tuple[StageSpan, ...]


def score(case: Case, spans: list[StageSpan]) -> Score:
    """Compare the stages found with the true ones; each found span serves once."""
    left = list(spans)
    last = case.log.frame.index[-1]
    errors = []
    for stage, begin_s, end_s in case.truth:
        begin, end = START + pd.Timedelta(seconds=begin_s), START + pd.Timedelta(seconds=end_s)
        same = [s for s in left if s.stage == stage and s.begin < end and (s.end is None or s.end > begin)]
        if not same:
            errors.append((stage, np.nan, np.nan))
            continue
        best = min(same, key=lambda s: abs(s.begin - begin))
        left.remove(best)
        ended = min(last, end) if best.end is None and end > last - pd.Timedelta(minutes=40) else best.end
        ended = last if ended is None else ended
        errors.append((stage, (best.begin - begin).total_seconds(), (ended - end).total_seconds()))
    stood = [
        s
        for s in left
        if s.stage == "at_rest" and all(START + pd.Timedelta(seconds=end) <= s.begin for _, _, end in case.truth)
    ]
    return Score(tuple(errors), tuple(s for s in left if s not in stood))


def main(jobs: int = 60) -> None:
    """Print the table."""
    rows, extra = [], 0
    for seed in range(jobs):
        case = make_case(seed)
        spans, _ = find_stages(case.log, case.job)
        result = score(case, spans)
        extra += len(result.extra)
        rows += [(*e, "cylinder_weight" in case.log.columns) for e in result.errors]
        bad = [f"{s} {b / 60:+.1f} {e / 60:+.1f}" for s, b, e in result.errors if not max(abs(b), abs(e)) <= NEAR_S]
        bad += [f"extra {s.stage} {s.begin:%d %H:%M}" for s in result.extra]
        print(f"{seed:4} {case.what}: {'; '.join(bad)}")
    table = pd.DataFrame(rows, columns=["stage", "begin", "end", "scale"])
    near = pd.DataFrame({
        "stages": table.groupby("stage").size(),
        "missed": table["begin"].isna().groupby(table["stage"]).sum(),
        "begin near": (table["begin"].abs() <= NEAR_S).groupby(table["stage"]).mean(),
        "end near": (table["end"].abs() <= NEAR_S).groupby(table["stage"]).mean(),
    })  # fmt: skip
    print(near.round(3).to_string())
    both = table.dropna(subset=["begin"])
    print(f"median error of the begins: {both['begin'].median():+.0f} s, of the ends: {both['end'].median():+.0f} s")
    for scale in (True, False):
        some = table[table["scale"] == scale]
        near_s = np.abs(np.concatenate([some["begin"].to_numpy(), some["end"].to_numpy()])) <= NEAR_S
        print(f"bounds within 5 min, {'with' if scale else 'without'} a scale: {np.mean(near_s):.3f} of {len(near_s)}")
    print(f"stages that nobody did: {extra}")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
