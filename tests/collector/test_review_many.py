"""A folder of jobs: every core or a cluster, one bad job stops nobody."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from distributed import LocalCluster

from analysis.vocabulary.errors import InputError
from analysis.vocabulary.shipped import shipped
from collector.commands.review import run_review
from collector.commands.review_many import review_many, review_one

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")


@pytest.fixture
def jobs(tmp_path: Path) -> list[Path]:
    """Return two damaged sample logs and a job that cannot be read."""
    for name in ("torn-and-crlf", "gaps-and-missing"):
        shutil.copytree(shipped("sample_logs") / name, tmp_path / name)
    (tmp_path / "unreadable").mkdir()
    (tmp_path / "unreadable" / "job.toml").write_text("[job]\n", encoding="utf-8")
    return sorted(path for path in tmp_path.iterdir() if path.is_dir())


def check(folder: Path, jobs: list[Path], **how: object) -> None:
    lines = {line.folder: line for line in review_many(folder, jobs, **how)}  # type: ignore[arg-type]
    assert set(lines) == {job.name for job in jobs}
    assert "name: missing" in lines["unreadable"].refused
    assert lines["torn-and-crlf"].refused == ""
    assert (folder / "torn-and-crlf" / "report.html").exists()
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert "gaps-and-missing/report.html" in index
    assert "not reviewed" in index
    assert "17 Mar 2026" in index
    assert "<p>gaps-and-missing · " in index


def test_a_folder_of_jobs_is_reviewed_on_two_cores(tmp_path: Path, jobs: list[Path]) -> None:
    check(tmp_path, jobs, workers=2)


def test_on_a_dask_cluster_of_two(tmp_path: Path, jobs: list[Path]) -> None:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster:
        check(tmp_path, jobs, dask=cluster.scheduler_address)


def test_no_cluster_is_one_line(tmp_path: Path, jobs: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.commands.review_many.CLUSTER_WITHIN_S", 0.5)
    with pytest.raises(InputError, match="no cluster answers"):
        review_many(tmp_path, jobs, dask="tcp://127.0.0.1:9")


@pytest.mark.parametrize("asked", [{"json_file": Path("x.json")}, {"csv_file": Path("x.csv")}, {"pdf": True}])
def test_what_takes_one_job_is_refused_for_many(tmp_path: Path, jobs: list[Path], asked: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=f"holds {len(jobs)} jobs; --json, --csv and --pdf take one job folder"):
        run_review(tmp_path, **asked)
    assert not (tmp_path / "index.html").exists()


def test_a_fault_of_the_program_in_one_job_is_its_line(jobs: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("no rows")

    monkeypatch.setattr("collector.commands.review_many.review", broken)
    assert review_one(jobs[0]).refused == "something went wrong inside (ZeroDivisionError: no rows)"
