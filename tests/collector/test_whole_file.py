"""A file that is put in place of another is whole, as private as asked, and never in a folder that went away."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from collector.whole_file import put_in_place


@pytest.mark.parametrize("synced", [True, False])
def test_a_file_takes_the_place_of_the_one_before(tmp_path: Path, synced: bool) -> None:
    file = tmp_path / ".standwatch" / "state.json"
    for data in (b"first", b"second and longer", b""):
        put_in_place(file, data, mode=0o600, synced=synced)
        assert file.read_bytes() == data
        assert os.name == "nt" or file.stat().st_mode & 0o777 == 0o600
    assert [each.name for each in file.parent.iterdir()] == ["state.json"]


def test_a_job_folder_that_went_away_is_not_made_again(tmp_path: Path) -> None:
    folder = tmp_path / "stick" / "job"
    with pytest.raises(FileNotFoundError):
        put_in_place(folder / ".standwatch" / "state.json", b"{}")
    assert not folder.exists()
