"""A two-day review at one row a second, against the bare pandas read of the same file, in one run.

    python -m tests.benchmarks.review_speed [rows [seconds between rows [channels]]]

The log is the sample job drawn out to so many rows: 172,800 each second by default; 10000000 0.1 is the long one.
Times are those of the processor, so that others on the machine spoil them less; peak memory is the review's alone.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.log import load
from analysis.review import review
from analysis.vocabulary.shipped import shipped

CHANNELS = 14
BLOCK = 200_000
FIRST = (
    "circuit_pressure", "vacuum", "cylinder_weight", "leaving_water_temperature", "ambient_temperature", "barometer",
)  # fmt: skip
"""Channels that are kept first, when fewer are asked for than the sample has."""


def drawn_out(folder: Path, rows: int, interval_s: float = 1.0, channels: int = CHANNELS) -> None:
    """Write the sample job into `folder` with `rows` rows, its journal drawn out alike."""
    sample = shipped("sample_logs") / "full-job"
    shutil.copy(sample / "job.toml", folder / "job.toml")
    head, *lines = (sample / "readings.csv").read_text(encoding="utf-8").splitlines()
    names = head.split(",")[1:]
    kept = sorted(range(len(names)), key=lambda i: (names[i].partition(" ")[0] not in FIRST, i))[:channels]
    cells = [line.split(",") for line in lines]
    times = np.array([row[0].rstrip("Z") for row in cells], dtype="M8[ms]")
    tails = ["Z," + ",".join(row[i + 1] for i in kept) + "\n" for row in cells]
    slower = rows * interval_s / ((times[-1] - times[0]) / np.timedelta64(1, "s"))
    with (folder / "readings.csv").open("w", encoding="utf-8") as out:
        out.write(",".join(["time", *(names[i] for i in kept)]) + "\n")
        for begin in range(0, rows, BLOCK):
            row = np.arange(begin, min(begin + BLOCK, rows))
            stamps = times[0] + (row * interval_s * 1000.0).round().astype("m8[ms]")
            same = np.minimum(row * len(tails) // rows, len(tails) - 1)
            texts = np.datetime_as_string(stamps, unit="ms").tolist()
            out.write("".join(stamp + tails[i] for stamp, i in zip(texts, same.tolist(), strict=True)))
    head, *marks = (sample / "journal.csv").read_text(encoding="utf-8").splitlines()
    with (folder / "journal.csv").open("w", encoding="utf-8") as out:
        out.write(head + "\n")
        for mark in marks:
            at, rest = mark.split(",", 1)
            later = (np.datetime64(at.rstrip("Z"), "ms") - times[0]) * slower
            out.write(f"{times[0] + later.astype('m8[ms]')}Z,{rest}\n")


def measure(folder: Path, times: int) -> None:
    """Review the log in `folder` and print its best seconds and the peak memory of this process."""
    spent = []
    for _ in range(times):
        begin = time.process_time()
        found = review(*load(folder))
        spent.append(time.process_time() - begin)
    status = Path("/proc/self/status").read_text(encoding="utf-8")  # ru_maxrss is handed down by the parent
    peak = int(status.partition("VmHWM:")[2].split()[0]) / 1024.0
    print(min(spent), peak, len(found.log.frame), len(found.stages), len(found.findings))


def peak_bytes(folder: Path) -> float:
    """Return the peak memory of a review, what is freed given back at once as the arrays of a long log are."""
    said, _ = alone(
        "-c", f"from {__name__} import *; measure(Path({str(folder)!r}), 1)", MALLOC_MMAP_THRESHOLD_="65536"
    )
    return float(said.split()[1]) * 1024.0**2


def alone(*words: str, **variables: str) -> tuple[str, float]:
    """Return what a process of its own said, with one thread as the command runs, and its processor seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **variables}
    command = [sys.executable, *words]
    said = subprocess.run(command, capture_output=True, text=True, check=True, env=environment).stdout
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return said, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print times, their ratio, and the peak memory of the review (Linux)."""
    rows = int(float(sys.argv[1])) if len(sys.argv) > 1 else 172_800
    interval = float(sys.argv[2]) if len(sys.argv) > 2 else 1.0
    channels = int(sys.argv[3]) if len(sys.argv) > 3 else CHANNELS
    times = 5 if rows <= 1_000_000 else 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drawn_out(folder, rows, interval, channels)
        bare = []
        for _ in range(times):
            begin = time.process_time()
            pd.read_csv(folder / "readings.csv")
            bare.append(time.process_time() - begin)
        said, _ = alone("-c", f"from {__spec__.name} import *; measure(Path({name!r}), {times})")
        _, command = alone("-m", "collector.cli", "review", name, "--json", str(folder / "found.json"))
    took, peak, *counts = (float(word) for word in said.split())
    read = min(bare)
    print("{:,.0f} rows, {:.0f} stages, {:.0f} findings".format(*counts))
    print(
        f"bare read {read:.2f} s, review {took:.2f} s = {took / read:.1f} reads; "
        f"3 reads and 1 s are {3 * read + 1:.2f} s; the whole command {command:.2f} s"
    )
    print(f"peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
