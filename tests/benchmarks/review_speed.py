"""A two-day review at one row a second, against the bare pandas read of the same file, in one run.

    python -m tests.benchmarks.review_speed [rows]

The log is the sample job with its rows drawn out to one a second.
"""

from __future__ import annotations

import shutil
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


def drawn_out(folder: Path, rows: int) -> None:
    """Write the sample job into `folder` with `rows` rows and at most 14 channels."""
    sample = shipped("sample_logs") / "full-job"
    for name in ("job.toml", "journal.csv"):
        shutil.copy(sample / name, folder / name)
    table = pd.read_csv(sample / "readings.csv")
    kept = table.columns[: CHANNELS + 1]
    begin, end = (pd.Timestamp(table["time"].iloc[i]) for i in (0, -1))
    stamps = begin + pd.to_timedelta(np.linspace(0.0, (end - begin).total_seconds(), rows), unit="s")
    nearest = np.minimum(np.arange(rows) * len(table) // rows, len(table) - 1)
    out = table[kept].iloc[nearest].reset_index(drop=True)
    out["time"] = stamps.strftime("%Y-%m-%dT%H:%M:%S.") + (stamps.microsecond // 1000).astype(str).str.zfill(3) + "Z"
    out.to_csv(folder / "readings.csv", index=False)


def main() -> None:
    """Print times, their ratio, and the peak memory of the process (Linux)."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 172_800
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drawn_out(folder, rows)
        bare, whole = [], []
        for _ in range(3):
            begin = time.perf_counter()
            pd.read_csv(folder / "readings.csv")
            bare.append(time.perf_counter() - begin)
            begin = time.perf_counter()
            found = review(*load(folder))
            whole.append(time.perf_counter() - begin)
    print(f"{rows:,} rows, {len(found.stages)} stages, {len(found.findings)} findings")
    print(f"bare read {min(bare):.2f} s, review {min(whole):.2f} s; 3 x read + 1 s = {3 * min(bare) + 1:.2f} s")
    if sys.platform != "win32":
        import resource

        print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
