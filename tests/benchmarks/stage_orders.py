"""Other days than the usual one: stages in another order, one stage alone, two days, bare gauges; are they found?

The circuit and its instruments are those of `stage_ensemble`, the work is not. Run it for the table:
``python -m tests.benchmarks.stage_orders [days of each kind] [kind]``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.stages import find_stages
from tests.benchmarks.stage_ensemble import NEAR_S, Case, Site, observe, score

GAUGES = ("circuit_pressure", "ambient_temperature")
PANEL = ("suction_pressure", "discharge_pressure", "ambient_temperature", "leaving_water_temperature")


class Day(Site):
    """A day's work in its own order."""

    def open_circuit(self) -> None:
        """Begin with a circuit that is open to the air, as after a repair."""
        self.refrigerant_kg, self.residue_pa = 0.0, 0.0
        self.nitrogen_mol = self.barometer_pa * self.volume_m3 / (8.314 * self.gas_k)

    def rest(self) -> None:
        begin = self.seconds
        self.idle(40, 120)
        self.truth.append(("at_rest", begin, self.seconds))

    def test_after_evacuation(self) -> None:
        self.idle(2, 10)
        self.recovery()
        self.idle(5, 40)
        self.repair()
        self.pump_down()
        self.let_in(self.barometer_pa)
        self.idle(3, 20)
        self.pressure_test(overnight=False)
        self.idle(3, 30)
        self.evacuation()
        self.charging()
        self.idle(5, 30)
        self.startup()

    def two_pulls_and_a_sweep(self) -> None:
        self.open_circuit()
        self.idle(1, 15)
        begin = self.seconds
        for number in range(int(self.rng.integers(2, 4))):
            if number:
                self.let_in(float(self.rng.uniform(0.5, 1.0)) * self.barometer_pa)
                self.idle(5, 25)
            self.pull(float(self.rng.uniform(50, 120)))
        self.shut(float(self.rng.uniform(20, 60)))
        self.truth.append(("evacuation", begin, self.seconds))
        self.charging()
        self.idle(10, 40)

    def overnight_test_alone(self) -> None:
        self.open_circuit()
        if self.rng.random() < 0.7:
            self.idle(1, 15)
        self.seconds = 3_600.0 * 15.0
        self.rows.clear()
        self.idle(1, 10)
        self.pressure_test(overnight=True)
        if self.rng.random() < 0.5:
            self.idle(5, 30)
        else:  # the log ends with the night
            cut = self.truth[-1][2]
            self.rows = [row for row in self.rows if row[0] <= cut]

    def evacuation_alone(self) -> None:
        self.open_circuit()
        self.idle(0.5, 15)
        self.evacuation()

    def vacuum_overnight(self) -> None:
        self.open_circuit()
        self.idle(1, 15)
        begin = self.seconds
        self.pull(float(self.rng.uniform(120, 300)))
        self.shut(float(self.rng.uniform(480, 900)))
        self.truth.append(("evacuation", begin, self.seconds))
        self.charging()
        self.idle(5, 30)
        self.startup()

    def charging_alone(self) -> None:
        self.refrigerant_kg = self.charge_kg * float(self.rng.uniform(0.5, 0.8))
        self.idle(2, 10)
        self.truth.append(("at_rest", self.seconds, self.seconds))  # moved by `charging`, and not counted
        self.charging()
        self.truth.pop(0)
        self.idle(5, 20)

    def recovery_of_two_days(self) -> None:
        self.idle(5, 10)
        before = self.refrigerant_kg
        self.recovery()
        if before > 30.0:
            self.idle(60, 120)

            def comes_back() -> bool:  # out of the oil, from where it was trapped
                self.refrigerant_kg += (0.35 * before - self.refrigerant_kg) * 10.0 / 9_000.0
                return False

            self.wait(float(self.rng.uniform(600, 900)), comes_back)
            self.recovery()
        self.idle(20, 60)

    def tests_and_lunch(self) -> None:
        self.open_circuit()
        self.idle(2, 15)
        for _ in range(3):
            self.pressure_test(overnight=False)
            self.idle(20, 60)
            self.repair()
        self.evacuation()

    def run_alone(self) -> None:
        if self.rng.random() < 0.5:
            self.idle(1, 20)
        self.startup()

    # --- parts ------------------------------------------------------------------------------------------

    def let_in(self, wanted_pa: float) -> None:
        """Nitrogen into the vacuum."""
        speed = float(self.rng.uniform(100, 1_500))

        def fill() -> bool:
            self.residue_pa += speed * 10.0
            return self.residue_pa >= wanted_pa

        self.wait(60.0, fill)

    def pull(self, minutes: float) -> None:
        tau, floor_pa = float(self.rng.uniform(80, 700)), float(self.rng.uniform(25, 120))

        def pump() -> bool:
            p = self.pressure_pa()
            self.nitrogen_mol, self.refrigerant_kg = 0.0, 0.0
            self.residue_pa = floor_pa + (p - floor_pa) * float(np.exp(-10.0 / (tau if p > 2_000 else 4 * tau)))
            return False

        self.wait(minutes, pump)

    def shut(self, minutes: float) -> None:
        level_pa = float(self.rng.uniform(100, 400))

        def rise() -> bool:
            self.residue_pa += (level_pa - self.residue_pa) * 10.0 / 9_000.0
            return False

        self.wait(minutes, rise)

    def pump_down(self) -> None:
        begin = self.seconds
        self.pull(float(self.rng.uniform(60, 200)))
        self.shut(float(self.rng.uniform(15, 45)))
        self.truth.append(("evacuation", begin, self.seconds))


KINDS: Mapping[str, tuple[Callable[[Day], None], str, tuple[str, ...]]] = {
    "test after evacuation": (Day.test_after_evacuation, "psig", ()),
    "two pulls and a sweep": (Day.two_pulls_and_a_sweep, "psig", ()),
    "overnight test alone": (Day.overnight_test_alone, "psig", ()),
    "overnight test, bare gauge": (Day.overnight_test_alone, "psig", GAUGES),
    "overnight test in kPa": (Day.overnight_test_alone, "kPa", ()),
    "evacuation alone": (Day.evacuation_alone, "psig", ()),
    "evacuation, bare probe": (Day.evacuation_alone, "psig", ("vacuum", "ambient_temperature")),
    "vacuum overnight": (Day.vacuum_overnight, "psig", ()),
    "charging alone": (Day.charging_alone, "psig", ()),
    "recovery of two days": (Day.recovery_of_two_days, "psig", ()),
    "tests and lunch": (Day.tests_and_lunch, "psig", ()),
    "tests, panel only": (Day.tests_and_lunch, "psig", PANEL),
    "run alone": (Day.run_alone, "psig", (*PANEL, "liquid_temperature", "compressor_load")),
    "rest alone": (Day.rest, "psig", ()),
}


def make_day(kind: str, seed: int) -> Case:
    """Return one day of a kind."""
    work, unit, only = KINDS[kind]
    day = Day(np.random.default_rng([seed, list(KINDS).index(kind)]))
    work(day)
    case = observe(day, unit=unit, only=only)
    observable = tuple(t for t in case.truth if not only or t[0] != "charging" or "cylinder_weight" in only)
    return replace(case, truth=observable)


def main(days: int = 6, only: str = "") -> None:
    """Print the table."""
    rows = []
    for kind in KINDS:
        if only not in kind:
            continue
        for seed in range(days):
            case = make_day(kind, seed)
            spans, _ = find_stages(case.log, case.job)
            result = score(case, spans)
            rows += [(kind, *e) for e in result.errors]
            rows += [(kind, f"extra {s.stage}", np.nan, np.nan) for s in result.extra]
            bad = [f"{s} {b / 60:+.1f} {e / 60:+.1f}" for s, b, e in result.errors if not max(abs(b), abs(e)) <= NEAR_S]
            bad += [
                f"extra {s.stage} {s.begin:%d %H:%M} to {s.end:%d %H:%M}" if s.end else f"extra {s.stage}"
                for s in result.extra
            ]
            if bad:
                print(f"{kind:28} {seed} {case.what}: {'; '.join(bad)}")
    table = pd.DataFrame(rows, columns=["kind", "stage", "begin", "end"])
    real = table[~table["stage"].str.startswith("extra")]
    print(pd.DataFrame({
        "stages": real.groupby("kind").size(),
        "missed": real["begin"].isna().groupby(real["kind"]).sum(),
        "extra": table.groupby("kind").size() - real.groupby("kind").size(),
        "begin near": (real["begin"].abs() <= NEAR_S).groupby(real["kind"]).mean(),
        "end near": (real["end"].abs() <= NEAR_S).groupby(real["kind"]).mean(),
    }).round(3).to_string())  # fmt: skip
    near = np.abs(np.concatenate([real["begin"].to_numpy(), real["end"].to_numpy()])) <= NEAR_S
    print(f"bounds within 5 min: {np.mean(near):.3f} of {len(near)}")


if __name__ == "__main__":
    main(*(int(a) if a.isdigit() else a for a in sys.argv[1:]))  # type: ignore[arg-type]
