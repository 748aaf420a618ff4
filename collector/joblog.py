"""The two files that the recorder appends to: whole lines only, on the disk before they count.

A file that ends in half a line (power cut, full disk) goes on after its last whole line when it is opened
again. What stood behind that line is handed back, and is only cut by the first commit, so that the journal can
say so before anything is gone.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import errno
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Protocol

from analysis.vocabulary.channels import JOURNAL_COLUMNS
from analysis.vocabulary.errors import InputError

LONGEST_LINE = 1 << 20
"""No line of ours is nearly as long: a file without any line end in so many bytes is no log."""

_BLOCK = 1 << 16
_SHOWN_BYTES = 200


class Disk(Protocol):
    """What is asked of the operating system; tests put a failing disk in its place."""

    def write(self, descriptor: int, data: bytes) -> int:
        """Write some of `data`, return how much."""

    def sync(self, descriptor: int) -> None:
        """Return once everything written is on the disk."""


class RealDisk:
    """The operating system's own calls."""

    def write(self, descriptor: int, data: bytes) -> int:
        """Write some of `data`, return how much."""
        return os.write(descriptor, data)

    def sync(self, descriptor: int) -> None:
        """Return once everything written is on the disk (its size too)."""
        getattr(os, "fdatasync", os.fsync)(descriptor)


@dataclass(frozen=True)
class Opened:
    """How a file was found.

    `fresh` when it was made now, `torn` the bytes behind its last whole line, `last` that line.
    """

    fresh: bool
    torn: bytes
    last: bytes = b""

    @property
    def last_time(self) -> datetime.datetime | None:
        """The stamp of the last whole line; None when it has none."""
        try:
            stamp = datetime.datetime.fromisoformat(self.last.split(b",", 1)[0].decode("ascii"))
        except ValueError:
            return None
        return stamp if stamp.tzinfo is not None else None

    def torn_words(self, name: str) -> str:
        """Return what the journal says of the torn bytes of file `name`; empty when nothing was torn."""
        if not self.torn:
            return ""
        more = "" if len(self.torn) <= _SHOWN_BYTES else ", beginning with"
        return f"{name}: cut {len(self.torn)} bytes of a torn last line{more} {self.torn[:_SHOWN_BYTES]!r}"


class LineFile:
    """A file of lines that only grows.

    Raises
    ------
    InputError
        At opening: the file cannot be opened, or begins with another header.
    OSError
        While writing: the disk is full or broken; the file then still ends in a whole line as far as the disk
        allows, and the same lines may be tried again.
    """

    def __init__(self, path: Path, header: str, disk: Disk | None = None) -> None:
        self.path = path
        self._disk: Disk = disk if disk is not None else RealDisk()
        self._header = header.encode("utf-8")
        try:
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
        except OSError as error:
            raise InputError(f"{path}: cannot be opened for recording ({error.strerror})") from None
        try:
            self._size = os.lseek(self._descriptor, 0, os.SEEK_END)
            self._good = self._end_of_whole_lines()
            self.opened = self._found()
            if self.opened.fresh:
                self._begin()
        except BaseException:
            os.close(self._descriptor)
            raise

    def _found(self) -> Opened:
        torn = self._read(self._good, self._size)
        if self._good == 0:
            if not self._header.startswith(torn.rstrip(b"\0")):
                raise InputError(f"{self.path}: is not a log (no line end in {self._size:,} bytes)")
            return Opened(True, torn)
        first = self._read(0, min(self._good, LONGEST_LINE)).split(b"\n", 1)[0].rstrip(b"\r")
        if first.removeprefix(b"\xef\xbb\xbf") != self._header.rstrip(b"\n"):
            shown, wanted = first[:300].decode("utf-8", "replace"), self._header[:300].decode().rstrip("\n")
            raise InputError(
                f"{self.path}: its header is {shown!r}, this job records {wanted!r};"
                " expected the same columns, or a new job folder"
            )
        last = self._read(max(0, self._good - _BLOCK), self._good).rstrip(b"\r\n").rsplit(b"\n", 1)[-1]
        return Opened(False, torn, last)

    def _begin(self) -> None:
        try:
            self.commit(self._header)
            sync_folder(self.path.parent)
        except OSError as error:
            raise InputError(f"{self.path}: cannot be written ({error.strerror})") from None

    def _end_of_whole_lines(self) -> int:
        end = self._size
        while end > 0:
            start = max(0, end - _BLOCK)
            found = self._read(start, end).rfind(b"\n")
            if found >= 0:
                return start + found + 1
            end = start
        return 0

    def _read(self, start: int, end: int) -> bytes:
        os.lseek(self._descriptor, start, os.SEEK_SET)
        parts = []
        while start < end and (part := os.read(self._descriptor, end - start)):
            parts.append(part)
            start += len(part)
        return b"".join(parts)

    def commit(self, lines: bytes) -> None:
        """Add whole lines behind the last whole line and return once they are on the disk.

        Raises
        ------
        OSError
            The disk is full or broken. The file is then cut back to what it held before, since nobody can say
            what of a failed write or sync has arrived; the same lines may be given again.
        """
        end = self._good + len(lines)
        try:
            os.lseek(self._descriptor, self._good, os.SEEK_SET)
            rest = memoryview(lines)
            while rest:
                done = self._disk.write(self._descriptor, bytes(rest))
                if done <= 0:
                    raise OSError(errno.EIO, "nothing was written")
                rest = rest[done:]
                self._size = max(self._size, end - len(rest))
            if self._size > end:
                os.ftruncate(self._descriptor, end)
                self._size = end
            self._disk.sync(self._descriptor)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, self._good)
                self._size = self._good
            raise
        self._good = end

    def close(self) -> None:
        """Close the file."""
        os.close(self._descriptor)

    def __enter__(self) -> LineFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def sync_folder(folder: Path) -> None:
    """Make a new file's name itself survive a power cut (where the system offers it)."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def csv_line(cells: Sequence[str]) -> bytes:
    """Return one RFC 4180 line ending in LF; line breaks and control characters in a cell become spaces."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow([_one_line(cell) for cell in cells])
    return buffer.getvalue().encode("utf-8", "replace")


def _one_line(cell: str) -> str:
    return "".join(c if c.isprintable() else " " for c in cell)


JOURNAL_HEADER = ",".join(JOURNAL_COLUMNS) + "\n"


class FolderHeld(InputError):
    """Another process writes into the job folder."""


class FolderLock:
    """One writer a job folder. The system frees the lock when its holder dies, however it dies.

    Raises
    ------
    FolderHeld
        Another process holds it; the message names the process.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / ".standwatch" / "lock"
        try:
            self.path.parent.mkdir(mode=0o700, exist_ok=True)
            self._file = self.path.open("a+", encoding="ascii")
        except OSError as error:
            raise InputError(f"{folder}: cannot be written ({error.strerror}); expected a folder of yours") from None
        try:
            _lock(self._file.fileno())
        except OSError:
            self._file.seek(0)
            holder = self._file.read().strip()
            self._file.close()
            raise FolderHeld(f"{folder}: another process ({holder or 'unknown'}) records this job already") from None
        self._file.seek(0)
        self._file.truncate()
        self._file.write(f"process {os.getpid()}")
        self._file.flush()

    def close(self) -> None:
        """Let the folder go."""
        self._file.close()

    def __enter__(self) -> FolderLock:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


if os.name == "nt":  # pragma: no cover
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, 1 << 20, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
