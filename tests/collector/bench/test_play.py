"""The whole job without wires: nothing is lost, nothing is random but by the seed, and the samples are its output."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.log import load
from analysis.vocabulary.channels import CHANNELS, JOURNAL_KINDS, MARKS, STAGES
from analysis.vocabulary.job import load_job
from analysis.vocabulary.shipped import shipped
from analysis.vocabulary.units import UNITS
from collector.bench import samples
from collector.bench.play import Bench, Row, play
from collector.bench.scenario import LEVEL_PA
from collector.bench.sensors import SENSORS
from tests.collector.bench.truth import TRUTH

Whole = tuple[Bench, list[Row], samples.Journal, list[float]]


@pytest.fixture(scope="module")
def whole() -> Whole:
    benches: list[Bench] = []
    masses: list[float] = []

    def look(bench: Bench) -> None:
        benches.append(bench)
        masses.append(bench.plant.refrigerant_kg())

    rows, journal = samples.whole_job(look)
    return benches[-1], rows, journal, masses


def test_no_refrigerant_is_made_or_lost(whole: Whole) -> None:
    _, _, _, masses = whole
    assert masses == pytest.approx([masses[0]] * len(masses), abs=1e-9)


def test_the_script_comes_to_its_truth(whole: Whole) -> None:
    bench, _, journal, _ = whole
    plant = bench.plant
    assert bench.done
    assert plant.circuit.refrigerant_kg == pytest.approx(132.0, abs=0.2)
    assert plant.circuit.liquid_kg > 100.0
    begun = [said.subject for _, said in journal if said.kind == "stage" and said.value == "begin"]
    assert begun == [stage for stage, verdicts in TRUTH.items() for _ in verdicts]
    assert {said.kind for _, said in journal} <= set(JOURNAL_KINDS)
    assert {said.subject for _, said in journal if said.kind == "mark"} <= set(MARKS)
    assert {said.subject for _, said in journal if said.kind == "stage"} <= set(STAGES)
    times = [at for at, _ in journal]
    assert times == sorted(times)


def test_recovered_mass_stands_on_the_scale(whole: Whole) -> None:
    """Sum over cylinders of what the scale shows settled, against what left the circuit by the model's own count."""
    _, rows, journal, _ = whole
    begin, end = samples.stage_times(journal, "recovery")
    on = [(at, said.value) for at, said in journal if said.subject == "cylinder_on" and begin <= at <= end]
    off = [at for at, said in journal if said.subject == "cylinder_off" and begin <= at <= end]
    weights = {row.seconds: row.shown["cylinder_weight"] for row in rows}
    tare = {"CYL-1": 57.5, "CYL-2": 56.7, "CYL-3": 58.2}
    net = 0.0
    for (_, name), at in zip(on, off, strict=True):
        last = max(seconds for seconds in weights if seconds <= at - 25.0)
        gross = weights[last]
        assert gross is not None
        net += gross - tare[name]
    assert net * 0.45359237 == pytest.approx(114.7 - 1.5, abs=1.0)


def test_recovery_ends_under_the_level_and_holds(whole: Whole) -> None:
    _, rows, journal, _ = whole
    _, end = samples.stage_times(journal, "recovery")
    row = max((row for row in rows if row.seconds <= end - 120.0), key=lambda each: each.seconds)
    gauge, barometer = row.shown["circuit_pressure"], row.shown["barometer"]
    assert gauge is not None
    assert barometer is not None
    assert gauge * UNITS["psig"].scale + barometer * 100.0 < LEVEL_PA


def test_same_seed_same_rows_other_seed_other_rows() -> None:
    def first(seed: int) -> list[dict[str, float | None]]:
        rows = play(Bench(seed), 30.0)
        return [next(rows).shown for _ in range(40)]

    assert first(5) == first(5)
    assert first(5) != first(6)


def test_readings_are_in_whole_digits(whole: Whole) -> None:
    _, rows, _, _ = whole
    for name, sensor in SENSORS.items():
        assert UNITS[sensor.unit].dimension == CHANNELS[name]
        for row in rows[::20]:
            shown = row.shown[name]
            if shown is not None:
                assert round(shown / sensor.digit) * sensor.digit == pytest.approx(shown, abs=2e-3)


def test_sample_logs_are_what_the_bench_makes(tmp_path: Path, whole: Whole) -> None:
    _, rows, journal, _ = whole
    samples.main(tmp_path, rows, journal)
    made = {path.relative_to(tmp_path): path.read_bytes() for path in tmp_path.rglob("*.*") if path.is_file()}
    assert len(made) == 8
    for name, content in made.items():
        assert (shipped("sample_logs") / name).read_bytes() == content, f"{name} is not what the bench makes"
    assert sum(map(len, made.values())) < 6_000_000


@pytest.mark.parametrize("name", ["full-job", "torn-and-crlf", "gaps-and-missing"])
def test_sample_logs_load_and_say_that_they_are_simulated(name: str) -> None:
    log, job = load(shipped("sample_logs") / name)
    assert job.job.simulated
    assert job.job.name.startswith("SIMULATED")
    assert "SIMULATED" in job.job.reference
    assert len(log.frame) >= 300


def test_damaged_samples_are_damaged_as_the_readme_says() -> None:
    torn, _ = load(shipped("sample_logs") / "torn-and-crlf")
    assert sum("torn" in caution for caution in torn.cautions) == 2
    assert b"\r\n" in (shipped("sample_logs") / "torn-and-crlf" / "readings.csv").read_bytes()
    gaps, _ = load(shipped("sample_logs") / "gaps-and-missing")
    said = " ".join(gaps.cautions)
    for damage in ("remark", "without a number", "back in time"):
        assert damage in said
    assert "blower_current" in gaps.frame
    assert gaps.frame["surface_temperature"].isna().any()
    assert gaps.frame.index.to_series().diff().max().total_seconds() > 1_600.0


@pytest.mark.parametrize("name", ["demo", "example"])
def test_shipped_jobs_are_accepted(name: str) -> None:
    job = load_job(shipped("config") / "jobs" / f"{name}.toml")
    assert job.circuit.refrigerant is not None
    assert job.job.simulated == (name == "demo")
