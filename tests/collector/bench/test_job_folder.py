"""The demo's folder: its job is read back as written, and nobody's own folder is touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.job import load_job
from collector.bench.job_folder import prepare
from collector.bench.wires import Wires
from collector.instruments.settings import load_instruments

INSTRUMENTS = [
    {"name": 'a "b" \\ c', "profile": "micron-probe-ascii", "port": "COM3", "channels": {"vacuum": "pump_vacuum"}},
]


def test_job_with_its_instruments_is_read_back(tmp_path: Path) -> None:
    prepare(tmp_path / "demo", INSTRUMENTS, 12.5)
    job = load_job(tmp_path / "demo")
    assert job.job.simulated
    assert job.instrument == INSTRUMENTS
    assert job.recorder["interval"] == "12.5 s"


async def test_wires_describe_themselves_as_a_job_can_hold(tmp_path: Path) -> None:
    async with Wires(lambda: {}, every_s=1.0) as wires:
        prepare(tmp_path, wires.instruments(0.05), 30.0)
    assert len(load_instruments(load_job(tmp_path).instrument, tmp_path)) == 6


def test_an_earlier_demo_is_replaced_and_what_is_not_its_own_stays(tmp_path: Path) -> None:
    prepare(tmp_path, INSTRUMENTS, 30.0)
    (tmp_path / "readings.csv").write_text("time\n")
    (tmp_path / "notes.txt").write_text("mine")
    prepare(tmp_path, INSTRUMENTS, 30.0)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".standwatch", "job.toml", "notes.txt"]


@pytest.mark.parametrize("job", [None, '[job]\nname = "a real one"\n', "not toml ["])
def test_a_folder_that_is_no_demo_is_refused_in_one_line(tmp_path: Path, job: str | None) -> None:
    (tmp_path / "readings.csv").write_text("time\n")
    if job is not None:
        (tmp_path / "job.toml").write_text(job)
    with pytest.raises(InputError, match="not a demo; expected a new folder") as refusal:
        prepare(tmp_path, INSTRUMENTS, 30.0)
    assert "\n" not in str(refusal.value)
    assert (tmp_path / "readings.csv").read_text() == "time\n"


def test_a_file_in_place_of_a_folder_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "demo"
    file.write_text("mine")
    with pytest.raises(InputError, match="not a demo"):
        prepare(file, INSTRUMENTS, 30.0)
    assert file.read_text() == "mine"


def test_a_folder_that_cannot_be_made_is_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        prepare(tmp_path / "file" / "demo", INSTRUMENTS, 30.0)
