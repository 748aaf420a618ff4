"""The lock of a job folder: one writer, also when the folder goes away and comes back, or its disk is full."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from analysis.vocabulary.errors import InputError
from collector.folder_lock import FolderHeld, FolderLock


def test_one_writer_a_folder_and_the_lock_goes_with_its_holder(tmp_path: Path) -> None:
    with FolderLock(tmp_path), pytest.raises(FolderHeld, match=f"process {os.getpid()}"):
        FolderLock(tmp_path)
    with FolderLock(tmp_path):
        pass


def test_a_folder_whose_disk_is_full_is_refused_and_free_again_afterwards(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, hard))  # no file may grow, as on a full disk
    try:
        with pytest.raises(InputError, match=r"cannot be written .*expected room on its disk"):
            FolderLock(tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    with FolderLock(tmp_path):
        pass


def test_the_lock_is_taken_again_in_a_folder_that_came_back(tmp_path: Path) -> None:
    job = tmp_path / "job"
    job.mkdir()
    with FolderLock(job) as lock:
        lock.renew()
        job.rename(tmp_path / "away")
        job.mkdir()
        lock.renew()
        with pytest.raises(FolderHeld):
            FolderLock(job)
        job.rename(tmp_path / "other")
        job.mkdir()
        with FolderLock(job), pytest.raises(FolderHeld):
            lock.renew()
