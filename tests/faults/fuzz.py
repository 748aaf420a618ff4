"""Every decoder against anything: damaged frames by the hundred thousand, and a fuzzer led by coverage.

The fuzzer (atheris) is no dependency of the tests; where it is installed the long form runs it in processes of its own.
"""

from __future__ import annotations

import importlib
import importlib.util
import math
import re
import subprocess
import sys
import time
from pathlib import Path

from analysis.vocabulary.shipped import shipped
from collector.instruments.decode import LineSplitter, decode_line, decode_message, decode_registers
from collector.instruments.frames import rtu_answer, tcp_answer, why_no_rtu_answer, why_no_tcp_answer, with_crc
from collector.instruments.profiles import ModbusProfile, MqttProfile, SerialProfile, TopicSpec
from collector.instruments.reading import Fault as NoReading
from collector.instruments.settings import load_profile
from tests.faults.campaign import Fault, Plan, Tally
from tests.faults.rig import ROOT
from tests.faults.wires import noisy

PROFILES = [load_profile(file.stem, Path()) for file in sorted((shipped("config") / "instruments").glob("*.toml"))]
REQUEST = with_crc(b"\x11\x03\x00\x6b\x00\x03")
TCP_REQUEST = b"\x15\x01\x00\x00\x00\x06\x11\x03\x00\x6b\x00\x03"
POINTERS = [TopicSpec.model_validate({"unit": "degF", "pointer": p}) for p in (None, "", "/t", "/0", "/t/1/x")]
SLOWEST_S = 0.5


def decode_anything(data: bytes) -> None:
    """Give some bytes to every decoder; whatever comes out must be a finite number or a fault.

    Raises
    ------
    AssertionError
        It is neither, or it took long.
    """
    if processor_time(data) >= SLOWEST_S:  # a collection of garbage falls into one time, not into each
        assert min(processor_time(data) for _ in range(3)) < SLOWEST_S, "too slow"


def processor_time(data: bytes) -> float:
    """Decode some bytes; return the time of this thread that it took [s]: other faults are tried beside it."""
    begin = time.thread_time()
    decoded: list[object] = []
    for profile in PROFILES:
        if isinstance(profile, SerialProfile):
            wanted = set(profile.values)
            splitter = LineSplitter(profile.line.ending.encode("latin-1"), profile.line.max_length)
            for line in (data[: profile.line.max_length], *splitter.feed(data), *splitter.feed(data[::-1])):
                decoded += [line] if isinstance(line, NoReading) else decode_line(line, profile, wanted)
        elif isinstance(profile, ModbusProfile):
            words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
            for name, spec in profile.values.items():
                for count in (1, 2, 4):
                    decoded.append(decode_registers(name, words[:count], spec))
        elif isinstance(profile, MqttProfile):
            decoded += [decode_message(name, data, spec) for name, spec in profile.values.items()]
    decoded += [decode_message("t", data, spec) for spec in POINTERS]
    for item in decoded:
        assert isinstance(item, NoReading) or math.isfinite(item.number), item
    for answer, why, request in (
        (rtu_answer, why_no_rtu_answer, REQUEST),
        (tcp_answer, why_no_tcp_answer, TCP_REQUEST),
    ):
        frame = answer(request, data)
        assert frame is None or frame in data
        if data:
            assert isinstance(why(request, data), str)
    return time.thread_time() - begin


def damaged_frames(plan: Plan) -> Tally:
    """Frames with damage that a CRC of 16 bits finds for certain, and with any damage at all.

    The first never pass as another answer. Of the second, one in 65,536 may: that is what 16 bits are worth.
    """
    tally, passed = Tally(rounds=plan.times(20_000, 300_000), acknowledged=None), 0
    for number in range(tally.rounds):
        frame = with_crc(b"\x11\x03\x06" + b"".join(word.to_bytes(2, "big") for word in (number % 30_000, 7, 100)))
        heard = rtu_answer(REQUEST, noisy(frame, plan.dice))
        tally.wrong += heard is not None and heard != frame and heard[1] == 3
        heard = rtu_answer(REQUEST, frame[:3] + plan.dice.randbytes(8))
        passed += heard is not None and heard[1] == 3
    most = 6 + 3 * tally.rounds / 65_536
    tally.wrong += passed > most
    tally.note = f"of answers with a right head and random rest {passed} passed, {tally.rounds / 65_536:.1f} expected"
    return tally


def damaged_text(plan: Plan) -> Tally:
    """Lines of a scale with one to three flipped bits. A line of text has no checksum: what passes is only counted."""
    profile = load_profile("ascii-scale", Path())
    assert isinstance(profile, SerialProfile)
    passed = 0
    tally = Tally(rounds=plan.times(5_000, 200_000), acknowledged=None)
    for number in range(tally.rounds):
        true = (7 * number % 90_000) / 100
        line = b"ST,GS,+%8.2f lb" % true
        bits = int.from_bytes(line, "big")
        for place in plan.dice.sample(range(8 * len(line)), plan.dice.randint(1, 3)):
            bits ^= 1 << place
        for item in decode_line(bits.to_bytes(len(line), "big"), profile, set(profile.values)):
            passed += not isinstance(item, NoReading) and (item.number, item.unit) != (true, "lb")
    tally.note = (
        f"{100 * passed / tally.rounds:.0f} % read as another number: no checksum in such lines, nothing is promised"
    )
    return tally


def anything(plan: Plan) -> Tally:
    """Random bytes, and pieces of right lines and frames put together wrongly, into every decoder."""
    pieces = [
        b"ST,GS,",
        b"12.5",
        b"-",
        b"e9",
        b" psig",
        b"OL",
        b"\r\n",
        b"{",
        b'"t":',
        b"[",
        b"]",
        b"nan",
        b"\0",
        b"9" * 400,
    ]
    pieces += [
        REQUEST,
        TCP_REQUEST,
        b"\x11\x03\x06",
        b"\xff\xfe",
        b"\xc3",
        b"T1:",
        b",",
        b"micron",
        b"+" * 50,
        b" " * 99,
    ]
    tally = Tally(rounds=plan.times(400, 20_000), acknowledged=None)
    for _ in range(tally.rounds):
        if plan.dice.random() < 0.3:
            decode_anything(plan.dice.randbytes(plan.dice.randint(0, 300)))
        else:
            decode_anything(b"".join(plan.dice.choices(pieces, k=plan.dice.randint(0, 12))))
    return tally


def led_by_coverage(plan: Plan) -> Tally:
    """The same, led by which lines of the decoders each input reaches; only in the long form."""
    if not plan.long:
        return Tally(1, None, note="in the long form")
    if importlib.util.find_spec("atheris") is None:
        return Tally(1, None, note="not tried: atheris is not installed")
    command = [sys.executable, "-m", "tests.faults.fuzz", "-max_total_time=90", f"-seed={plan.dice.randint(1, 10**6)}"]
    done = subprocess.run(
        [*command, f"-artifact_prefix={plan.folder}/"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    runs = re.findall(r"Done (\d+) runs|stat::number_of_executed_units: (\d+)", done.stderr)
    assert done.returncode == 0, done.stderr[-600:]
    assert runs, done.stderr[-600:]
    return Tally(int(next(filter(None, runs[-1]))), None)


def main() -> None:
    """Let the fuzzer loose on the decoders; its own options follow on the command line."""
    import atheris

    atheris.enabled_hooks.add("RegEx")
    with atheris.instrument_imports():  # anew, so that the fuzzer sees every branch in them
        for module in ("collector.instruments.frames", "collector.instruments.decode"):
            del sys.modules[module]
            globals().update({k: v for k, v in vars(importlib.import_module(module)).items() if k in globals()})
    atheris.Setup(sys.argv, lambda data: decode_anything(bytes(data)))
    atheris.Fuzz()


FAULTS = [
    Fault("damaged frames", "what a CRC finds for certain, and what it cannot", damaged_frames),
    Fault("damaged text", "bits flipped in lines of text, which have no checksum", damaged_text),
    Fault("anything decoded", "random bytes and wrong pieces into every decoder", anything),
    Fault("fuzzer", "the same led by coverage", led_by_coverage),
]

if __name__ == "__main__":
    main()
