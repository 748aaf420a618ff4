"""kill -9 at any moment: no acknowledged mark is lost, every row is whole, and the next start goes on."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from pathlib import Path

from analysis.log import load
from analysis.vocabulary.errors import StandwatchError
from collector.control import send
from collector.entries import Entry
from tests.collector.rig import job_folder

ROUNDS = 8
SERVE = """
import asyncio, sys
async def serve(_, writer):
    try:
        while True:
            writer.write(b"ST,GS,+  123.45 lb\\r\\n"); await writer.drain(); await asyncio.sleep(0.02)
    except OSError:
        pass
async def main():
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.sleep(110)
asyncio.run(main())
"""


def test_killed_again_and_again(tmp_path: Path) -> None:
    chance = random.Random(7)
    instrument = subprocess.Popen([sys.executable, "-c", SERVE], stdout=subprocess.PIPE, text=True)
    assert instrument.stdout is not None
    acknowledged: list[str] = []
    try:
        folder = job_folder(tmp_path / "job", int(instrument.stdout.readline()))
        for number in range(ROUNDS):
            recorder = subprocess.Popen(
                [sys.executable, "-m", "collector.cli", "record", str(folder)], stdout=subprocess.PIPE
            )
            assert recorder.stdout is not None
            with recorder.stdout:
                recorder.stdout.readline()
                killer = threading.Timer(chance.uniform(0.3, 1.2), recorder.kill)
                killer.start()
                mark = 0
                while recorder.poll() is None:
                    name = f"{number}-{mark}"
                    try:
                        send(folder, Entry("mark", "cylinder_on", name))
                        acknowledged.append(name)
                    except StandwatchError:
                        pass  # refused or unanswered: not acknowledged
                    mark += 1
                    time.sleep(0.02)
                killer.join()
                recorder.wait()
    finally:
        instrument.kill()
        instrument.wait()
        instrument.stdout.close()
    log, _ = load(folder)
    assert log.cautions == ()
    assert len(log.frame) > ROUNDS
    assert (log.frame["cylinder_weight"].dropna() > 0).all()
    marked = log.journal[log.journal["kind"] == "mark"]["value"].tolist()
    assert len(acknowledged) > ROUNDS
    assert set(acknowledged) <= set(marked)
    assert log.journal["value"].tolist().count("resumed") == ROUNDS - 1
