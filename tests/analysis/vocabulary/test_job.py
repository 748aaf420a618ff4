"""`job.toml` is read whole or refused in one line that says key, value and what is accepted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import load_job, parse_job

NAME: dict[str, Any] = {"job": {"name": "n"}}


def test_quantities_become_si() -> None:
    job = parse_job(
        {
            **NAME,
            "circuit": {"charge": "118 kg", "internal_volume": "420 L", "freeze_point": "-7 degC"},
            "pressure_test": {"pressure": "150 psig", "allowed_loss": "0.5 psi/d"},
            "evacuation": {"target": "500 micron", "hold": "30 min"},
            "startup": {"limits": {"suction_superheat": ["4 degC", "8 degC"]}},
        }
    )
    assert job.circuit.charge_kg == 118.0
    assert job.circuit.internal_volume_m3 == pytest.approx(0.420)
    assert job.circuit.freezes_at_k == pytest.approx(266.15)
    assert job.pressure_test.pressure is not None
    assert not job.pressure_test.pressure.absolute
    assert job.evacuation.target is not None
    assert job.evacuation.target.pa == pytest.approx(66.66, abs=0.01)
    assert job.evacuation.hold_s == 1800.0
    assert job.startup.limits == {"suction_superheat": (4.0, 8.0)}


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ({}, r"job: missing"),
        ({"job": {"name": " "}}, r"job.name: ' ' is not accepted; expected a name"),
        ({**NAME, "cylinder": [{"id": ""}]}, r"id: '' is not accepted; expected a name"),
        (
            {**NAME, "cylinder": [{"id": "A", "water_capacity": "20 kg", "contents": "60 kg"}]},
            r"cylinder.*contents are more than water_capacity can hold; expected the net weight",
        ),
        (
            {**NAME, "charging": {"target": "10 kg", "tolerance": "12 kg"}},
            r"charging.*tolerance is more than target; expected less",
        ),
        ({"job": {"name": "n", "colour": "red"}}, r"job.colour: unknown key, value 'red'; expected one of name, site"),
        (
            {**NAME, "cylinder": [{"id": "A", "water_capacity": "27.2 L"}]},
            r"water_capacity: '27.2 L' is not accepted; expected the mass of water .* as many kg as it has litres",
        ),
        ({**NAME, "circuit": {"charge": "118 psi"}}, r"circuit.charge: '118 psi' is not accepted; expected a mass"),
        ({**NAME, "circuit": {"charge": 118.0}}, r"circuit.charge: 118.0 is not accepted; expected a mass"),
        ({**NAME, "circuit": {"charge": "-1 kg"}}, r"circuit.charge: '-1 kg'.*expected a mass above 0"),
        (
            {**NAME, "site": {"barometer": "99 psig"}},
            r"site.barometer: '99 psig' is not accepted; expected an absolute",
        ),
        ({**NAME, "site": {"elevation": "300 km"}}, r"site.elevation: '300 km' is not accepted; expected a length"),
        ({**NAME, "site": {"elevation": "300000 m"}}, r"site.elevation: '300000 m'.*from -500 to 6000 m"),
        (
            {**NAME, "startup": {"limits": {"subcooling": ["9 degF", "8 degF"]}}},
            r"subcooling: \['9 degF', '8 degF'\].*low not above high",
        ),
        (
            {**NAME, "startup": {"subcoolin": ["1 degF", "8 degF"]}},
            r"'subcoolin' is not a figure; expected one of suct",
        ),
        ({**NAME, "cylinder": {"id": "a"}}, r"cylinder: expected a list of tables, each headed \[\[cylinder\]\]"),
        ({**NAME, "startup": {"limits": {"superheat": ["1 degF", "8 degF"]}}}, r"expected one of suction_superheat"),
        ({**NAME, "columns": {"vacuum": {"column": "V", "unit": "degC"}}}, r"vacuum: unit degC.*expected one of psia"),
        ({**NAME, "cylinder": [{"id": "a"}, {"id": "a"}]}, r"id a stands twice"),
        ({**NAME, "stratup": {}}, r"stratup: unknown key"),
        ({**NAME, "circuit": {"charge": "0 kg"}}, r"charge: '0 kg'.*expected a mass above 0"),
        ({**NAME, "charging": {"target": "0 kg"}}, r"target: '0 kg'.*expected a mass above 0"),
        (
            {**NAME, "cylinder": [{"id": "A", "water_capacity": "0 lb"}]},
            r"water_capacity: '0 lb'.*expected a mass above 0",
        ),
        ({**NAME, "evacuation": {"hold": "0 min"}}, r"hold: '0 min'.*expected a time above 0"),
        ({**NAME, "circuit": {"internal_volume": "0 L"}}, r"internal_volume: '0 L'.*expected a volume above 0"),
        ({**NAME, "evacuation": {"target": "-5 micron"}}, r"target: '-5 micron'.*an absolute pressure not below 0"),
        ({**NAME, "charging": {"tolerance": "-1 kg"}}, r"tolerance: '-1 kg'.*a mass such as '0.5 kg', not below 0"),
        ({**NAME, "charging": {"tolerance": "-1 %"}}, r"tolerance: '-1 %'.*not below 0"),
        ({**NAME, "recovery": {"equipment_made": 15}}, r"equipment_made: 15.*expected a year such as 2015, or a date"),
        (
            {**NAME, "recovery": {"equipment_made": "new"}},
            r"recovery.equipment_made: 'new'.*expected a year such",
        ),
        (
            {**NAME, "evacuation": {"target": "500 psig"}},
            r"evacuation.target: '500 psig'.*a vacuum such as",
        ),
        (
            {**NAME, "evacuation": {"target": "0 micron"}},
            r"evacuation.target: '0 micron'.*a vacuum such as",
        ),
        (
            {**NAME, "evacuation": {"target": "500 micron", "hold_limit": "300 micron"}},
            r"evacuation: hold_limit is below",
        ),
        ({**NAME, "pressure_test": {"pressure": "150 micron"}}, r"pressure: '150 micron'.*above the air's"),
        ({**NAME, "circuit": {"freeze_point": "30 degC"}}, r"circuit.freeze_point: '30 degC'.*not above that of water"),
        ({**NAME, "cylinder": [{"id": "a"}, {}]}, r"^job.toml: cylinder\[2\].id: missing"),
        ({**NAME, "startup": {"subcooling": "8 degF"}}, r"job.toml: startup: subcooling: '8 degF' is not accepted"),
        ({**NAME, "at_rest": {"ignore": "oil"}}, r"at_rest.ignore: 'oil' is not accepted; expected a list in brackets"),
        ({"job": {"name": 3}}, r"job.name: 3 is not accepted; expected text in quotes"),
        ({**NAME, "columns": {"vacuum": {"colum": "V"}}}, r"columns: vacuum: unknown key 'colum'; expected one of col"),
        ({**NAME, "columns": {"vacuum": {"unit": "Pa"}}}, r"columns: vacuum: column is missing; expected a table such"),
        ({**NAME, "columns": {"vacuum": "V"}}, r"columns: vacuum: 'V' is not accepted; expected a table such as"),
        ({**NAME, "columns": {"time": {"column": "T", "clock": 5}}}, r"time: clock: 5 is not accepted; expected text"),
        ({**NAME, "job": {"name": "n", "units": "metric"}}, r"units: 'metric'.*'us' or 'si'"),
    ],
)
def test_refusals_name_key_value_and_what_is_accepted(tables: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said) as refusal:
        parse_job(tables)
    assert "\n" not in str(refusal.value)


def test_a_folder_without_a_job_and_a_file_that_is_not_toml(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no job\.toml here"):
        load_job(tmp_path)
    (tmp_path / "job.toml").write_text("[job\nname=", encoding="utf-8")
    with pytest.raises(InputError, match="is not TOML"):
        load_job(tmp_path)
    (tmp_path / "job.toml").write_bytes('[job]\nname = "Kälte"\n'.encode("latin-1"))
    with pytest.raises(InputError, match=r"job\.toml: is not text in UTF-8; save it as UTF-8"):
        load_job(tmp_path)
