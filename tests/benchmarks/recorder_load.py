"""What recording costs: 32 channels of 8 instruments, one row every 0.1 s, over real sockets.

The instruments are Modbus TCP servers in a process of their own; the recorder is the command itself. Run it::

    python tests/benchmarks/recorder_load.py [SECONDS]

It prints rows written and due, cells filled, the longest step between stamps, processor time as a share of one
core, and resident memory; it ends with 1 when a row is missing or a bound below is passed.
"""

from __future__ import annotations

import asyncio
import csv
import datetime
import itertools
import multiprocessing
import signal
import struct
import subprocess
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path

import psutil

INSTRUMENTS = 8
CHANNELS_EACH = 4
INTERVAL_S = 0.1
MOST_CORE = 0.10
MOST_MEMORY_MB = 80.0
_HEAD = 8  # of a request: transaction, protocol, length, unit, function
_REQUEST = 12


async def _serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Answer "read holding registers" with a count that rises, so that no two readings are alike."""
    count = 0
    try:
        while True:
            request = await reader.readexactly(_REQUEST)
            (registers,) = struct.unpack(">H", request[10:12])
            count = (count + 1) % 30_000
            data = struct.pack(">B", 2 * registers) + struct.pack(">H", count) * registers
            length = struct.pack(">H", 2 + len(data))
            writer.write(request[:4] + length + request[6:_HEAD] + data)
    except (asyncio.IncompleteReadError, ConnectionError):
        writer.close()


async def _instruments(ports: Connection) -> None:
    servers = [await asyncio.start_server(_serve, "127.0.0.1", 0) for _ in range(INSTRUMENTS)]
    ports.send([server.sockets[0].getsockname()[1] for server in servers])
    await asyncio.Event().wait()


def serve_instruments(ports: Connection) -> None:
    """Run the instruments until the process is ended; sends their ports first."""
    asyncio.run(_instruments(ports))


def write_job(folder: Path, ports: list[int]) -> None:
    """Write the `job.toml` that records every channel of every instrument."""
    parts = [f'[job]\nname = "load"\nsimulated = true\n[recorder]\ninterval = "{INTERVAL_S} s"\n']
    for number, port in enumerate(ports):
        channels = ", ".join(f't{n} = "i{number}_t{n}"' for n in range(1, CHANNELS_EACH + 1))
        parts.append(
            f'[[instrument]]\nname = "i{number}"\nprofile = "thermometer-4ch-modbus"\n'
            f'port = "tcp://127.0.0.1:{port}"\ninterval = "{INTERVAL_S} s"\nchannels = {{ {channels} }}\n'
        )
    (folder / "job.toml").write_text("".join(parts), encoding="utf-8")


def measure(folder: Path, seconds: float) -> tuple[float, float]:
    """Record for some seconds; return (share of one core, resident memory [MB] at the end)."""
    recorder = subprocess.Popen(
        [sys.executable, "-m", "collector.cli", "record", str(folder)], stdout=subprocess.PIPE, text=True
    )
    assert recorder.stdout is not None
    with recorder.stdout:
        recorder.stdout.readline()
        watched = psutil.Process(recorder.pid)
        time.sleep(2.0)  # importing and connecting are over
        before, begin = watched.cpu_times(), time.monotonic()
        time.sleep(seconds)
        after, took = watched.cpu_times(), time.monotonic() - begin
        memory = watched.memory_info().rss / 1e6
        recorder.send_signal(signal.SIGINT)
        recorder.wait(20)
    return (after.user + after.system - before.user - before.system) / took, memory


def main() -> int:
    """Measure, print, and return 1 when a bound is passed."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    near, far = multiprocessing.Pipe()
    instruments = multiprocessing.get_context("spawn").Process(target=serve_instruments, args=(far,), daemon=True)
    instruments.start()
    try:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_job(folder, near.recv())
            core, memory = measure(folder, seconds)
            with (folder / "readings.csv").open(encoding="utf-8", newline="") as file:
                rows = list(csv.reader(file))[1:]
    finally:
        instruments.terminate()
        instruments.join()
    stamps = [datetime.datetime.fromisoformat(row[0]).timestamp() for row in rows]
    steps = [later - earlier for earlier, later in itertools.pairwise(stamps)]
    due = round((stamps[-1] - stamps[0]) / INTERVAL_S) + 1
    settled = rows[10:]  # the first second is for connecting
    filled = sum(cell != "" for row in settled for cell in row[1:])
    cells = len(settled) * INSTRUMENTS * CHANNELS_EACH
    print(f"rows {len(rows)} of {due} due; steps {min(steps):.3f} to {max(steps):.3f} s")
    print(f"cells filled {filled} of {cells} ({100 * filled / cells:.2f} %)")
    print(f"processor {100 * core:.1f} % of one core (at most {100 * MOST_CORE:.0f} %)")
    print(f"memory {memory:.1f} MB (at most {MOST_MEMORY_MB:.0f} MB)")
    return int(len(rows) < due or core > MOST_CORE or memory > MOST_MEMORY_MB)


if __name__ == "__main__":
    sys.exit(main())
