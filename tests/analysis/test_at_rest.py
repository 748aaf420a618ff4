"""A circuit at rest: liars found, sun and weather not taken for liars."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.at_rest import assess
from analysis.result import Figure
from analysis.stretch import Stretch
from tests.support import assert_prefix_consistent, make_stretch

# Published pressure-temperature chart values of R-134a, psig at degF (supplier charts, from memory, to 0.1 psi)
PSIG_AT_70F = 71.1


def circuit(
    seed: int = 0,
    hours: float = 1.0,
    step: float = 5.0,
    warm_f: dict[str, float] | None = None,
    psi: float = 0.0,
    **more: object,
) -> Stretch:
    """Return a machine that stands at 70 degF; `warm_f` moves single channels, `psi` the discharge gauge."""
    noise = np.random.default_rng(seed)
    at = np.arange(0.0, hours * 3600.0, step)
    moved = warm_f or {}
    names = ("ambient", "surface", "entering_water", "leaving_water", "suction", "discharge", "liquid")
    logged = {
        f"{name}_temperature": (
            "degF",
            np.round(70.0 + moved.get(name, 0.0) + noise.normal(0, 0.35) + noise.normal(0, 0.1, len(at)), 1),
        )
        for name in names
    }
    for name, offset in (("suction", 0.0), ("discharge", psi), ("liquid", 0.0)):
        logged[f"{name}_pressure"] = (
            "psig",
            np.round(PSIG_AT_70F + offset + noise.normal(0, 0.3) + noise.normal(0, 0.1, len(at)), 1),
        )
    tables = {"circuit": {"refrigerant": "R-134a"}, "site": {"barometer": "101.325 kPa"}, **more}
    return make_stretch("at_rest", at, logged, tables=tables)


def named(stretch: Stretch) -> dict[str, Figure]:
    found = [f for f in assess(stretch).findings if f.kind == "sensor_disagrees"]
    return {str(f.figures["channel"]): f.figures["offset"] for f in found}  # type: ignore[misc]


@pytest.mark.parametrize("seed", range(20))
def test_honest_channels_agree(seed: int) -> None:
    result = assess(circuit(seed))
    assert result.verdict == "agree"
    assert result.findings == ()


@pytest.mark.parametrize("seed", range(10))
def test_one_liar_is_named_with_its_offset(seed: int) -> None:
    found = named(circuit(seed, warm_f={"leaving_water": -4.0}))
    assert list(found) == ["leaving_water_temperature"]
    assert found["leaving_water_temperature"].si == pytest.approx(-4.0 / 1.8, abs=0.6)


@pytest.mark.parametrize("seed", range(10))
def test_two_liars_one_a_gauge(seed: int) -> None:
    found = named(circuit(seed, warm_f={"suction": 5.0}, psi=-6.0))
    assert set(found) == {"suction_temperature", "discharge_pressure"}
    assert found["discharge_pressure"].si / 6894.757 == pytest.approx(-6.0, abs=1.5)


@pytest.mark.parametrize("seed", range(10))
def test_a_sunny_side_is_not_a_liar(seed: int) -> None:
    result = assess(circuit(seed, warm_f={"ambient": 6.0, "surface": 5.0}))
    assert result.verdict == "agree"
    assert "sun" in result.text


def test_pressures_alike_are_no_liars_but_said() -> None:
    stretch = circuit()
    for channel in ("suction_pressure", "discharge_pressure", "liquid_pressure"):
        stretch.frame[channel] -= 20 * 6894.757
    result = assess(stretch)
    assert result.findings == ()
    assert "no liquid left, or air" in result.text


def test_a_machine_that_still_cools_is_not_judged() -> None:
    stretch = circuit()
    hours = np.arange(len(stretch.frame)) * 5.0 / 3600.0
    for number, channel in enumerate(c for c in stretch.frame if c != "ambient_temperature"):
        stretch.frame[channel] += (3 + number) * np.exp(-hours / 0.7) * (2e4 if "pressure" in channel else 1.0)
    result = assess(stretch)
    assert result.findings == ()
    assert result.verdict == "undecided"


def test_a_heated_sump_is_ignored_when_the_job_says_so() -> None:
    stretch = circuit(at_rest={"ignore": ["suction_temperature"]}, warm_f={"suction": 30.0})
    assert assess(stretch).verdict == "agree"


def test_two_channels_cannot_say_which_is_right() -> None:
    at = np.arange(0.0, 3600.0, 5.0)
    logged = {
        name: ("degF", np.full(len(at), value))
        for name, value in (("ambient_temperature", 70.0), ("liquid_temperature", 80.0))
    }
    assert assess(make_stretch("at_rest", at, logged)).verdict == "undecided"


def test_findings_use_no_later_row() -> None:
    stretch = circuit(warm_f={"suction": 5.0, "ambient": 5.0}, psi=9.0)
    whole = assert_prefix_consistent(assess, stretch, np.random.default_rng(1).integers(1, len(stretch.frame), 25))
    assert len(whole.findings) == 3
