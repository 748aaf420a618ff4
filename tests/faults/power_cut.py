"""Power cuts without a power switch: everything a recorder asks of its disk is taken down, and at each point of that
record the disks that a cut may leave behind are made, opened and held to what had been acknowledged.

What was synced is there. Of what was written since, each sector may be there or not, the two files apart, sizes too; a
file whose folder was not synced may be missing.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from collector.joblog import RealDisk

SECTOR = 512


@dataclass(frozen=True)
class Asked:
    """One thing that was asked of the disk: ``write``, ``truncate``, ``sync`` of a file, ``folder`` for its names."""

    what: str
    name: str = ""
    offset: int = 0
    data: bytes = b""


class Tape(RealDisk):
    """A disk that does what it is asked and takes it down."""

    def __init__(self, folder: Path) -> None:
        self.asked: list[Asked] = []
        self._folder = folder
        self._guard = threading.Lock()

    def write(self, descriptor: int, data: bytes) -> int:
        offset = os.lseek(descriptor, 0, os.SEEK_CUR)
        done = super().write(descriptor, data)
        self._note(Asked("write", self._name(descriptor), offset, data[:done]))
        return done

    def truncate(self, descriptor: int, size: int) -> None:
        super().truncate(descriptor, size)
        self._note(Asked("truncate", self._name(descriptor), size))

    def sync(self, descriptor: int) -> None:
        super().sync(descriptor)
        self._note(Asked("sync", self._name(descriptor)))

    def sync_folder(self, folder: Path) -> None:
        super().sync_folder(folder)
        self._note(Asked("folder"))

    def _note(self, asked: Asked) -> None:
        with self._guard:
            self.asked.append(asked)

    def _name(self, descriptor: int) -> str:
        file = os.fstat(descriptor)
        return next(p.name for p in self._folder.iterdir() if os.path.samestat(p.stat(), file))


@dataclass
class Left:
    """A file at one moment: what is surely on the disk, and what was asked of it since."""

    synced: bytes = b""
    named: bool = False
    since: list[Asked] = field(default_factory=list)


def left_at(moment: int, asked: list[Asked], before: Mapping[str, bytes]) -> dict[str, Left]:
    """Return the files after the first `moment` things were done; `before` are those that were there at the start."""
    files = {name: Left(data, True) for name, data in before.items()}
    for each in asked[:moment]:
        if each.what == "folder":
            for file in files.values():
                file.named = True
            continue
        file = files.setdefault(each.name, Left())
        if each.what == "sync":
            file.synced, file.since = _after(file.synced, file.since), []
        else:
            file.since.append(each)
    return files


def _after(data: bytes, asked: list[Asked]) -> bytes:
    for each in asked:
        if each.what == "truncate":
            data = data[: each.offset].ljust(each.offset, b"\0")
        else:
            data = data[: each.offset].ljust(each.offset, b"\0") + each.data + data[each.offset + len(each.data) :]
    return data


def after_a_cut(file: Left, dice: random.Random) -> bytes | None:
    """Return what of a file a power cut may leave; None for no file at all."""
    if not file.named and dice.random() < 0.5:
        return None
    if dice.random() < 0.5:  # in order, up to some byte
        kept = file.since[: dice.randint(0, len(file.since))]
        if kept and kept[-1].what == "write":
            last = kept.pop()
            kept.append(Asked("write", last.name, last.offset, last.data[: dice.randint(0, len(last.data))]))
        return _after(file.synced, kept)
    new = _after(file.synced, file.since)  # in any order, sector by sector
    size = dice.choice([len(file.synced), len(new), dice.randint(*sorted((len(file.synced), len(new))))])
    parts = []
    for start in range(0, size, SECTOR):
        source = dice.choice([file.synced, new])
        parts.append(source[start : start + SECTOR].ljust(SECTOR, b"\0"))
    return b"".join(parts)[:size]
