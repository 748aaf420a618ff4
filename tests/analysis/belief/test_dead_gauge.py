"""A standing gauge that is stuck, or may be, is never called tight; an honest coarse one is not called stuck."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.review import Review, review
from tests.support import make_log

PSI = 6_894.757293


def overnight(
    *, leak_psi_per_day: float = 0.0, allowed: float = 5.0, step_psi: float = 0.1, cools_k: float = 6.0,
    noise_psi: float = 0.08, stuck_from: float | None = None, until: float | None = None, seed: int = 0,
    hours: float = 10.0, step: float = 60.0,
) -> Review:  # fmt: skip
    """Return the review of a night under nitrogen at 150 psig; the gauge shows one number from part `stuck_from` on.

    Only rows up to part `until` are judged.
    """
    dice = np.random.default_rng(seed)
    at = np.arange(0.0, hours * 3600.0, step)
    metal = 294.0 - cools_k * np.sin(0.5 * np.pi * at / at[-1])
    pressure = 164.7 * metal / 294.0 - leak_psi_per_day * at / 86_400.0 - 14.7
    psig = np.round((pressure + noise_psi * dice.normal(size=len(at))) / step_psi) * step_psi
    if stuck_from is not None:
        first = int(stuck_from * len(at))
        psig[first:] = psig[first]
    logged = {
        "circuit_pressure": ("psig", psig),
        "surface_temperature": ("degF", np.round(metal * 1.8 - 459.67 + 0.1 * dice.normal(size=len(at)), 1)),
        "ambient_temperature": ("degF", np.round(metal * 1.8 - 459.97 + 0.1 * dice.normal(size=len(at)), 1)),
    }
    tables = {"site": {"barometer": "14.7 psia"}, "pressure_test": {"allowed_loss": f"{allowed} psi/d"}}
    marks = [(0.0, "stage", "pressure_test", "begin"), (float(at[-1]), "stage", "pressure_test", "end")]
    log, job = make_log(at, logged, tables=tables, journal=marks)
    return review(log if until is None else log.before(log.frame.index[int(until * len(at))]), job)


def verdict(result: Review) -> str:
    return result.stages[0].assessment.verdict


def named(result: Review) -> list[str]:
    return [str(f.figures["channel"]) for f in result.findings if f.kind == "channel_stuck"]


def test_an_honest_night_is_tight() -> None:
    result = overnight()
    assert verdict(result) == "tight"
    assert named(result) == []


@pytest.mark.parametrize("cools_k", [0.3, 6.0])
@pytest.mark.parametrize("stuck_from", [0.0, 0.55])
@pytest.mark.parametrize("leak", [0.0, 12.0])
def test_a_stuck_gauge_is_never_tight(stuck_from: float, cools_k: float, leak: float) -> None:
    for step_psi, noise_psi in ((0.1, 0.08), (1.0, 0.05)):
        result = overnight(
            leak_psi_per_day=leak, stuck_from=stuck_from, cools_k=cools_k, step_psi=step_psi, noise_psi=noise_psi,
        )  # fmt: skip
        assert verdict(result) != "tight", (step_psi, noise_psi)
        assert len(named(result)) <= 1


def test_a_stuck_gauge_that_a_cooling_night_gives_away_is_named_and_said() -> None:
    result = overnight(stuck_from=0.4)
    assert named(result) == ["circuit_pressure"]
    assert verdict(result) == "undecided"
    assert "stuck from" in result.stages[0].assessment.text


@pytest.mark.parametrize(("stuck_from", "waits"), [(None, True), (0.55, False)])
def test_nobody_waits_for_what_a_stuck_gauge_will_not_tell(stuck_from: float | None, waits: bool) -> None:
    figures = overnight(hours=6.0, allowed=1.0, stuck_from=stuck_from, noise_psi=0.3).stages[0].assessment.figures
    assert any(name.startswith("hours_more") for name in figures) == waits


@pytest.mark.parametrize("seed", range(3))
def test_an_honest_coarse_gauge_on_a_quiet_night_is_not_stuck(seed: int) -> None:
    """It shows one number for hours: not named, yet nothing says that it lives."""
    result = overnight(step_psi=1.0, noise_psi=0.05, cools_k=0.3, seed=seed)
    assert named(result) == []
    assert verdict(result) == "undecided"
    assert "one and the same number" in result.stages[0].assessment.text


def test_a_leak_seen_before_the_gauge_stuck_stays_a_leak() -> None:
    assert verdict(overnight(leak_psi_per_day=40.0, stuck_from=0.8)) == "leaking"


def test_findings_use_no_later_row() -> None:
    whole = overnight(stuck_from=0.4)
    assert whole.findings
    for part in (0.45, 0.6, 0.8):
        cut = overnight(stuck_from=0.4, until=part)
        now = cut.log.frame.index[-1]
        expected = [f.to_json("us") for f in whole.findings if f.time <= now]
        assert [f.to_json("us") for f in cut.findings] == expected, part
