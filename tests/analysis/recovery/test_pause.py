"""What a pause can show: only what the least pocket would have brought back in it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.fluids import refrigerant
from analysis.recovery import _going, assess
from analysis.recovery.calls import BEHIND_FOAM, _flat
from analysis.recovery.liquid import POCKET_FILM, POCKET_SURFACE
from analysis.recovery.pauses import HOSE_S, split, standing
from analysis.recovery.progress import Progress
from analysis.recovery.ticks import Ticks, make_ticks
from tests.support import assert_prefix_consistent, make_stretch


def pause(rise: float, least: float, moved_kg: float = np.nan) -> bool:
    """Return whether a pause of 15 min counts as flat; both are shares of the pressure in 10 min."""
    at = np.arange(0.0, 900.0, 10.0)
    pressure = 9e5 * (1.0 + rise * at / 600.0)
    n = len(at)
    ticks: Any = SimpleNamespace(
        at_s=at,
        pressure_pa=pressure,
        resolution_pa=np.full(n, 30.0),
        moved_kg=np.full(n, moved_kg),
        mass_resolution_kg=np.full(n, 0.02),
        expanded=np.zeros(n),
    )
    evidence: Any = SimpleNamespace(least_rise=np.full(n, least / 600.0), pocket=np.ones(n, dtype=bool))
    return bool(_flat(ticks, evidence, np.arange(n), at[0] - HOSE_S, stands=True)[-1])


@pytest.mark.parametrize(
    ("rise", "least", "flat"),
    [
        (0.0034, 0.0008, False),
        (0.0034, 0.01, True),
        (0.0, 0.0008, True),
        (0.009, 0.01, False),
        (0.035, 0.2, False),
        (-0.008, 0.0008, False),
    ],
)
def test_flat_is_a_rise_that_the_least_pocket_exceeds(rise: float, least: float, flat: bool) -> None:
    assert pause(rise, least) is flat


@pytest.mark.parametrize(("rise", "flat"), [(0.035, True), (0.06, True), (0.12, False)])
def test_what_is_weighed_may_come_back_by_what_a_pocket_behind_foam_exceeds(rise: float, flat: bool) -> None:
    assert pause(rise, 0.2, moved_kg=50.0) is flat
    assert not pause(rise, 0.2)


def test_a_pocket_behind_foam_gets_more_heat_than_is_asked_of_it() -> None:
    """0.4 kg of R-513A half fill 0.3 m of a steel pipe of 60.3 by 3.9 mm; foam of 25 mm, 0.036 W/(m K), from memory.

    Foam and still air in series, and the pipe on either side as a fin under the same foam (50 W/(m K), from memory);
    against the bare metal that the least pocket is taken to have.
    """
    liquid_m3, inner, outer, foam = 0.4 / 1_230.0, 0.02625, 0.03015, 0.025
    wet_m = liquid_m3 / (0.5 * np.pi * inner**2)
    through = np.log((outer + foam) / outer) / (2.0 * np.pi * 0.036)
    per_m = 1.0 / (through + 1.0 / (10.0 * 2.0 * np.pi * (outer + foam)))
    along = 2.0 * np.sqrt(per_m * 50.0 * np.pi * (outer**2 - inner**2))
    bare = POCKET_FILM * POCKET_SURFACE * liquid_m3 ** (2.0 / 3.0)
    assert (per_m * wet_m + along) / bare == pytest.approx(0.65, abs=0.05)
    assert 0.9 * (per_m * wet_m + along) / bare > BEHIND_FOAM


def boiling(marked_s: float | None) -> Ticks:
    """Return ticks, without a scale, of a pull that settles where as much boils as is drawn, and stops at 40 min."""
    at = np.arange(10.0, 3000.0, 10.0)
    pull, stop = 600.0, 2400.0
    drawn = np.where(at < pull, 0.0, 1.0 - np.exp(-(at - pull) / 120.0))
    back = np.where(at < stop, 0.0, 1.0 - np.exp(-(at - stop) / 120.0))
    marked = np.where(at < pull, 1.0, 0.0)
    since = np.where(at < pull, 0.0, pull)
    if marked_s is not None:
        marked, since = np.where(at < marked_s, marked, 1.0), np.where(at < marked_s, since, marked_s)
    unknown = np.full(len(at), np.nan)
    return Ticks(
        at_s=at,
        known=pd.Timestamp("2026-03-14T07:00Z") + pd.to_timedelta(at, unit="s"),
        pressure_pa=7e5 * (1.0 - 0.12 * drawn + 0.12 * back),
        resolution_pa=np.full(len(at), 500.0),
        bubble_k=unknown,
        dew_k=unknown,
        reference_k=unknown,
        plateau_k=unknown,
        density=unknown,
        expanded=unknown,
        moved_kg=unknown,
        mass_resolution_kg=unknown,
        unseen_kg=unknown,
        barometer_pa=unknown,
        flow=unknown,
        marked=marked,
        marked_s=since,
        water_channel=None,
        fluid=None,
    )


def test_a_fall_that_settles_where_liquid_boils_is_no_pause() -> None:
    ticks = boiling(None)
    stands = standing(ticks)
    assert stands[ticks.at_s < 600.0].all()
    assert not stands[(ticks.at_s >= 600.0) & (ticks.at_s < 2400.0)].any()
    pauses, _ = split(ticks, stands)
    assert abs(pauses[-1].begin_s - 2400.0) <= 20.0


@pytest.mark.parametrize("chills", [1.0, 3.0])
def test_a_pocket_that_chills_with_its_metal_and_rises_slowly_weighs_more_before(chills: float) -> None:
    """R-134a out of 14 L: 3 kg boil until 20 min, then vapour falls by e in 450 s, and a pause is marked.

    0.2 % come back in 10 min. What slows the rise threefold gave three times the vapour in the fall.
    """
    seconds = np.arange(0.0, 2_100.0, 5.0)
    fell = np.exp(-np.clip(seconds - 1_200.0, 0.0, 450.0) / 450.0)
    rest = float(refrigerant("R-134a").bubble_pressure_pa(285.0))
    vapour = 0.014 * np.asarray(refrigerant("R-134a").vapor_density_at(rest * fell, 285.0))
    weight = 30.0 + 0.003 * np.clip(seconds - 120.0, 0.0, 1_080.0) + chills * (vapour[0] - vapour)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": (
                "kPa",
                np.round(rest * fell * (1.0 + 0.002 * np.maximum(seconds - 1_650.0, 0.0) / 600.0) / 1e3, 1),
            ),
            "cylinder_weight": ("kg", np.round(weight / 0.002) * 0.002),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
        journal=[(60.0, "mark", "recovery_resumed", ""), (1_650.0, "mark", "recovery_paused", "")],
    )
    assert ("liquid_gone" in [finding.kind for finding in assess(stretch).findings]) is (chills == 1.0)


@pytest.mark.parametrize(("chills", "step", "gone"), [(1.0, 0.002, True), (3.0, 0.002, False), (1.0, 0.1, False)])
def test_what_boiled_before_a_quick_fall_says_nothing_of_it_where_the_fall_is_weighed(
    chills: float, step: float, gone: bool
) -> None:
    """R-134a out of 14 L: 3 kg boil until 20 min, then it falls by e in 4 min, and a pause is marked 110 s later.

    In the fall as much leaves as vapour gives, or three times that; a coarse scale does not see which.
    """
    seconds = np.arange(0.0, 2_100.0, 5.0)
    fell = np.exp(-np.clip(seconds - 120.0, 0.0, 1_080.0) / 2_700.0 - np.clip(seconds - 1_200.0, 0.0, 110.0) / 240.0)
    rest = float(refrigerant("R-134a").bubble_pressure_pa(285.0))
    vapour = 0.014 * np.asarray(refrigerant("R-134a").vapor_density_at(rest * fell, 285.0))
    given = np.interp(1_200.0, seconds, vapour) - vapour
    weight = 30.0 + 0.003 * np.clip(seconds - 120.0, 0.0, 1_080.0) + chills * np.maximum(given, 0.0)
    risen = 1.0 + 0.002 * np.maximum(seconds - 1_310.0, 0.0) / 600.0
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(rest * fell * risen / 1e3, 1)),
            "cylinder_weight": ("kg", np.round(weight / step) * step),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 11.85)),
        },
        tables={"circuit": {"refrigerant": "R-134a"}},
        journal=[(60.0, "mark", "recovery_resumed", ""), (1_310.0, "mark", "recovery_paused", "")],
    )
    assert ("liquid_gone" in [finding.kind for finding in assess(stretch).findings]) is gone


@pytest.mark.parametrize("falls", [0.07, 0.0])
def test_a_fall_that_slows_down_to_what_a_pocket_boils_is_no_pause(falls: float) -> None:
    """R-134a by e in 8 min down to 46 kPa, without a scale or a mark; then by `falls` more, ever more slowly."""
    seconds = np.arange(0.0, 3_000.0, 10.0)
    pull_s = 480.0 * np.log(571.0 / 46.0)
    pressure = 571.0 * np.exp(-np.clip(seconds - 300.0, 0.0, pull_s) / 480.0)
    pressure *= 1.0 + falls * np.expm1(-np.maximum(seconds - 300.0 - pull_s, 0.0) / 400.0)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure, 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "14 kg"}},
    )
    kinds = [finding.kind for finding in assess(stretch).findings]
    assert ("liquid_gone" in kinds) is (falls == 0.0)


def unweighed(kpa: np.ndarray, marked_s: float) -> bool:
    """Return whether liquid is called gone: R-134a beside water of 20 degC, a row in 10 s, a gauge of half a psi."""
    stretch = make_stretch(
        "recovery",
        10.0 * np.arange(len(kpa)),
        {
            "circuit_pressure": ("kPa", np.round(kpa / 3.5) * 3.5),
            "leaving_water_temperature": ("degC", np.full(len(kpa), 20.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "14 kg"}},
        journal=[(60.0, "mark", "recovery_resumed", ""), (marked_s, "mark", "recovery_paused", "")],
    )
    return "liquid_gone" in [finding.kind for finding in assess(stretch).findings]


@pytest.mark.parametrize("runs", [True, False])
def test_a_pause_that_is_marked_while_the_machine_runs_on_is_not_flat(runs: bool) -> None:
    """By e in 450 s down to 77 kPa; marked, and a pocket boils while it is drawn on towards 58 kPa, or nothing does."""
    seconds = np.arange(0.0, 2_100.0, 10.0)
    kpa = 572.0 * np.exp(-np.clip(seconds - 300.0, 0.0, 900.0) / 450.0)
    kpa *= 1.0 + 0.25 * runs * np.expm1(-np.maximum(seconds - 1_200.0, 0.0) / 300.0)
    assert unweighed(kpa, 1_200.0) is not runs


@pytest.mark.parametrize("boils", [True, False])
def test_a_mark_in_a_pressure_that_stood_before_it_shows_no_pause(boils: bool) -> None:
    """As much boils as is drawn, at 172 kPa for 20 min, and a pause is marked by mistake; or it fell until the mark."""
    seconds = np.arange(0.0, 2_700.0, 10.0)
    settled, drawn = -np.expm1(-np.maximum(seconds - 300.0, 0.0) / 60.0), np.clip((seconds - 300.0) / 1_500.0, 0.0, 1.0)
    fall = 1.2 * (settled if boils else drawn)
    assert unweighed(572.0 * np.exp(-fall), 1_800.0) is not boils


def test_what_came_back_in_a_pause_and_is_drawn_again_is_no_pause() -> None:
    """R-134a out of a pocket: back from 67 to 87 kPa in 11 min of pause, and drawn down again in 4 min."""
    seconds = np.arange(0.0, 4800.0, 5.0)
    log = np.interp(
        seconds, [600.0, 3000.0, 3660.0, 3900.0, 4500.0, 4800.0], np.log([572.0, 67.0, 87.0, 66.0, 80.0, 60.0])
    )
    marks = [(60.0, "recovery_resumed"), (3000.0, "recovery_paused"), (3660.0, "recovery_resumed")]
    marks += [(3900.0, "recovery_paused"), (4500.0, "recovery_resumed")]
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(np.exp(log), 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "12 kg", "internal_volume": "36 L"}},
        journal=[(at, "mark", subject, "") for at, subject in marks],
    )
    ticks = make_ticks(stretch, None)
    pauses, _ = split(ticks, standing(ticks))
    assert [pause.begin_s for pause in pauses if pause.begin_s > 600.0] == [3000.0, 3900.0]
    kinds = [finding.kind for finding in assess(stretch).findings]
    assert "liquid_gone" not in kinds


def test_a_marked_pause_begins_with_its_mark_though_the_machine_was_thought_to_stand() -> None:
    ticks = boiling(2400.0)
    stands = standing(ticks)
    stands[ticks.at_s > 1800.0] = True
    pauses, _ = split(ticks, stands)
    assert [pause.marked for pause in pauses][-2:] == [False, True]
    assert pauses[-1].begin_s == 2400.0


def test_what_still_rises_after_the_mark_of_the_next_cylinder_is_no_part_of_the_pause_before_it() -> None:
    """A cylinder is changed in 45 s; cold gas and a pocket raise the pressure by 3 % until it is opened 2 min later."""
    seconds = np.arange(0.0, 2160.0, 5.0)
    log = np.interp(seconds, [300.0, 1800.0, 1960.0, 2160.0], [0.0, -1.0, -0.97, -1.06])
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(572.0 * np.exp(log), 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "80 kg"}},
        journal=[
            (60.0, "mark", "recovery_resumed", ""),
            (1800.0, "mark", "cylinder_off", ""),
            (1845.0, "mark", "cylinder_on", ""),
        ],
    )
    ticks = make_ticks(stretch, None)
    pauses, _ = split(ticks, standing(ticks))
    assert [pause.marked for pause in pauses if pause.begin_s > 600.0] == [True, False]
    assert pauses[-1].begin_s >= 1845.0


def test_a_pause_at_a_pressure_that_stands_begins_when_the_scale_stops() -> None:
    """Nobody marks it: liquid flows at saturation for 20 min, a valve is closed for 4 min, and it flows on."""
    seconds = np.arange(0.0, 2400.0, 10.0)
    flow = (seconds >= 120.0) & ~((seconds >= 1200.0) & (seconds < 1440.0))
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", 488.0 + 0.3 * np.sin(seconds)),
            "cylinder_weight": ("kg", np.round(26.0 + np.cumsum(flow * 0.6), 2)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 15.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "150 kg", "internal_volume": "600 L"}},
    )
    begins = [(span.begin - stretch.begin).total_seconds() for span in assess(stretch).spans if span.kind == "pause"]
    assert any(abs(begin - 1200.0) <= 60.0 for begin in begins)
    assert not any(130.0 < begin < 1140.0 for begin in begins)


@pytest.mark.parametrize(("lag_s", "chills"), [(300.0, True), (7_200.0, False)])
def test_only_what_comes_back_within_minutes_of_a_pause_was_chilled_liquid(lag_s: float, chills: bool) -> None:
    """R-134a beside water of 20 degC: drawn from 572 to 500 kPa, held there for 15 min; 30 kPa come back in the pause.

    Liquid warms within minutes; what comes over hours comes out of the oil.
    """
    seconds = np.arange(0.0, 9_000.0, 5.0)
    pressure = np.maximum(572.0 * np.exp(-np.maximum(seconds - 600.0, 0.0) / 200.0), 500.0)
    pressure += 30.0 * -np.expm1(-np.maximum(seconds - 2_100.0, 0.0) / lag_s)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(pressure, 1)),
            "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "12 kg"}},
        journal=[(60.0, "mark", "recovery_resumed", ""), (2_100.0, "mark", "recovery_paused", "")],
    )
    assert ("self_chilling" in [finding.kind for finding in assess(stretch).findings]) is chills


@pytest.mark.parametrize(
    ("falls_s", "stands", "chills"), [(8_000.0, 0.0, True), (2_000.0, 0.0, False), (900.0, 300.0, False)]
)
def test_without_a_scale_a_fall_too_slow_for_vapour_is_chilled_liquid(
    falls_s: float, stands: float, chills: bool
) -> None:
    """R-134a under flowing water of 20 degC: a fall by e in `falls_s`, in which the machine stands once, unmarked."""
    seconds = np.arange(0.0, 4_500.0, 5.0)
    pulled = np.clip(seconds, 600.0, 1_200.0) + np.maximum(seconds - 1_200.0 - stands, 0.0) - 600.0
    water = np.full(len(seconds), 20.0)
    stretch = make_stretch(
        "recovery",
        seconds,
        {
            "circuit_pressure": ("kPa", np.round(560.0 * np.exp(-pulled / falls_s), 1)),
            "leaving_water_temperature": ("degC", water),
            "entering_water_temperature": ("degC", water + 1.0),
        },
        tables={"circuit": {"refrigerant": "R-134a", "charge": "12 kg"}},
        journal=[(0.0, "mark", "water_flow_on", "")],
    )
    chilled = [finding for finding in assess(stretch).findings if finding.kind == "self_chilling"]
    assert [finding.figures["evidence"] for finding in chilled] == (["fall"] if chills else [])
    assert all("Pull more slowly or pause" in finding.text for finding in chilled)
    assert_prefix_consistent(assess, stretch, [300, 400, 500, 700])


def test_the_time_left_is_said_as_people_say_it() -> None:
    told = [_going(Progress("vapour", left_s, None))[0] for left_s in ((9_000.0, 7_200.0, 90_000.0), (12.0, 8.0, 20.0))]
    assert told == [
        "About 2 h 30 min (2 h to 25 h) to the required level.",
        "Less than 1 min to the required level.",
    ]


@pytest.mark.parametrize(
    ("long_s", "lag_s", "marked", "weighed", "told"),
    [
        (600.0, 200.0, True, False, True),
        (600.0, 200.0, False, True, True),
        # pressure alone: the machine may draw less from then on
        (600.0, 200.0, False, False, False),
        # a change of cylinder
        (200.0, 80.0, True, True, False),
    ],
)
def test_what_comes_back_in_a_long_pause_is_a_rebound_though_saturation_stood_near_the_water(
    long_s: float, lag_s: float, marked: bool, weighed: bool, told: bool
) -> None:
    """R-134a beside water of 20 degC: 530 kPa, 2.4 K under it, while liquid boils; 40 kPa come back in minutes."""
    seconds = np.arange(0.0, 3_000.0, 5.0)
    stood = np.clip(seconds - 1_500.0, 0.0, long_s)
    again = np.maximum(seconds - 1_500.0 - long_s, 0.0)
    pressure = 571.0 + 41.0 * np.expm1(-np.maximum(seconds - 600.0, 0.0) / 400.0)
    pressure += 40.0 * -np.expm1(-stood / lag_s) * np.exp(-again / 60.0)
    channels: dict[str, tuple[str, np.ndarray]] = {
        "circuit_pressure": ("kPa", np.round(pressure, 1)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
    }
    if weighed:
        pulled = np.maximum(seconds - 600.0, 0.0) - stood
        channels["cylinder_weight"] = ("kg", np.round(26.0 + 0.01 * pulled, 2))
    ends = 1_500.0 + long_s
    journal = [(60.0, "mark", "recovery_resumed", "")]
    journal += [(1_500.0, "mark", "recovery_paused", ""), (ends, "mark", "recovery_resumed", "")] if marked else []
    stretch = make_stretch(
        "recovery", seconds, channels, tables={"circuit": {"refrigerant": "R-134a"}}, journal=journal
    )
    found = [finding for finding in assess(stretch).findings if finding.kind == "pressure_rebound"]
    assert [finding.level for finding in found] == ["info"] * told
    assert_prefix_consistent(assess, stretch, [300, 360, 400, 500])


@pytest.mark.parametrize(("rests_kpa", "levels"), [(60.0, ["info"]), (75.0, ["info", "caution"]), (900.0, ["caution"])])
def test_a_rebound_under_the_required_level_asks_for_something_once_it_passes_it(
    rests_kpa: float, levels: list[str]
) -> None:
    """R-134a at 10 inHg, 67.5 kPa (40 CFR 82.156, Table 1): it stood at 55 kPa, and comes back within 20 minutes."""
    seconds = np.arange(0.0, 4_200.0, 5.0)
    pressure = np.interp(seconds, [600.0, 2_400.0, 3_600.0], [571.0, 55.0, rests_kpa])
    journal = [(60.0, "mark", "recovery_resumed", ""), (2_400.0, "mark", "recovery_paused", "")]
    channels = {
        "circuit_pressure": ("kPa", np.round(pressure, 1)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
    }
    tables = {"circuit": {"refrigerant": "R-134a", "charge": "40 kg"}, "recovery": {"rules": "us-40cfr82"}}
    stretch = make_stretch("recovery", seconds, channels, tables=tables, journal=journal)
    found = [finding for finding in assess(stretch).findings if finding.kind == "pressure_rebound"]
    assert [finding.level for finding in found] == levels
    assert_prefix_consistent(assess, stretch, [520, 600, 700])


@pytest.mark.parametrize(("charge", "level"), [("40 kg", "info"), ("15 kg", "caution")])
def test_what_comes_back_while_most_of_the_charge_is_still_in_is_no_news(charge: str, level: str) -> None:
    """R-134a beside water of 20 degC, chilled to 12 degC by a fast pull of liquid: 10 kg are out at the pause."""
    seconds = np.arange(0.0, 2_400.0, 5.0)
    channels = {
        "circuit_pressure": ("kPa", np.round(np.interp(seconds, [600.0, 1_600.0, 2_000.0], [571.0, 443.0, 550.0]))),
        "cylinder_weight": ("kg", np.round(30.0 + np.interp(seconds, [600.0, 1_600.0], [0.0, 10.0]), 2)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
    }
    journal = [(60.0, "mark", "recovery_resumed", ""), (1_600.0, "mark", "recovery_paused", "")]
    tables = {"circuit": {"refrigerant": "R-134a", "charge": charge}}
    stretch = make_stretch("recovery", seconds, channels, tables=tables, journal=journal)
    found = [finding for finding in assess(stretch).findings if finding.kind == "pressure_rebound"]
    assert [finding.level for finding in found] == [level]


@pytest.mark.parametrize(("cylinder_kpa", "asked"), [(830.0, True), (600.0, False)])
def test_a_gauge_that_shows_more_than_the_circuit_stood_at_is_asked_for(cylinder_kpa: float, asked: bool) -> None:
    """R-134a beside water of 20 degC, where it stands at 572 kPa; a full cylinder of 33 degC shows 830."""
    seconds = np.arange(0.0, 2_400.0, 5.0)
    pressure = np.interp(seconds, [600.0, 1_500.0, 1_560.0, 1_565.0], [571.0, 480.0, 485.0, cylinder_kpa])
    journal = [(60.0, "mark", "recovery_resumed", ""), (1_500.0, "mark", "recovery_paused", "")]
    channels = {
        "circuit_pressure": ("kPa", np.round(pressure)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
    }
    stretch = make_stretch(
        "recovery", seconds, channels, tables={"circuit": {"refrigerant": "R-134a"}}, journal=journal
    )
    texts = [finding.text for finding in assess(stretch).findings if finding.kind == "pressure_rebound"]
    assert ["show the cylinder" in text for text in texts] == [asked]


@pytest.mark.parametrize(("lowest_s", "told"), [(5.0, False), (600.0, True)])
def test_a_hose_that_comes_off_freezes_nothing(lowest_s: float, told: bool) -> None:
    """R-134a boils at -26 degC under the air's pressure: a gauge is there at once, a pool that is chilled slowly."""
    seconds = np.arange(0.0, 2_400.0, 5.0)
    off = np.interp(seconds, [900.0, 900.0 + lowest_s, 1_800.0, 1_805.0], [480.0, 101.3, 101.3, 480.0])
    journal = [(60.0, "mark", "recovery_resumed", "")]
    channels: dict[str, tuple[str, np.ndarray]] = {
        "circuit_pressure": ("kPa", np.round(np.where(seconds < 600.0, 571.0, off))),
        "cylinder_weight": ("kg", np.round(30.0 + 0.02 * np.maximum(seconds - 600.0, 0.0), 2)),
        "leaving_water_temperature": ("degC", np.full(len(seconds), 20.0)),
    }
    stretch = make_stretch(
        "recovery", seconds, channels, tables={"circuit": {"refrigerant": "R-134a"}}, journal=journal
    )
    assert ("freeze_risk" in [finding.kind for finding in assess(stretch).findings]) is told


def test_a_gauge_that_is_not_put_on_yet_freezes_nothing() -> None:
    """It shows the air's pressure from the first row on, while the scale already fills (common practice)."""
    seconds = np.arange(0.0, 1_500.0, 5.0)
    channels = {
        "circuit_pressure": ("kPa", np.where(seconds < 900.0, 101.3, 480.0)),
        "cylinder_weight": ("kg", np.round(30.0 + 0.02 * np.maximum(seconds - 300.0, 0.0), 2)),
    }
    stretch = make_stretch("recovery", seconds, channels, tables={"circuit": {"refrigerant": "R-134a"}})
    assert "freeze_risk" not in [finding.kind for finding in assess(stretch).findings]
