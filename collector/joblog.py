"""The two files that the recorder appends to: whole lines only, on the disk before they count.

A file that ends in half a line (power cut, full disk) is cut back to its last whole line when it is opened
again; what was cut is handed back so that the journal can say so.
"""

from __future__ import annotations

import contextlib
import csv
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
"""A torn tail is looked for this far back from the end; no line of ours is nearly as long."""


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
    """How a file was found: `fresh` when it was made now, `torn` the bytes cut from its end."""

    fresh: bool
    torn: bytes


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
        self._good = 0
        try:
            self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
        except OSError as error:
            raise InputError(f"{path}: cannot be opened for recording ({error.strerror})") from None
        try:
            self.opened = self._recover(header.encode("utf-8"))
        except BaseException:
            os.close(self._descriptor)
            raise

    def _recover(self, header: bytes) -> Opened:
        size = os.lseek(self._descriptor, 0, os.SEEK_END)
        start = max(0, size - LONGEST_LINE)
        os.lseek(self._descriptor, start, os.SEEK_SET)
        tail = _read(self._descriptor, size - start)
        whole = tail.rfind(b"\n") + 1
        if whole == 0 and start > 0:
            raise InputError(f"{self.path}: is not a log (no line end in its last {LONGEST_LINE:,} bytes)")
        torn, self._good = tail[whole:], start + whole
        os.lseek(self._descriptor, 0, os.SEEK_SET)
        found = _read(self._descriptor, min(self._good, LONGEST_LINE)).split(b"\n", 1)[0].rstrip(b"\r")
        if self._good and found.removeprefix(b"\xef\xbb\xbf") != header.rstrip(b"\r\n"):
            shown = found.decode("utf-8", "replace")
            raise InputError(
                f"{self.path}: its header is {shown[:300]!r}, this job records {header.decode().strip()[:300]!r};"
                " expected the same columns, or a new job folder"
            )
        if torn:
            os.ftruncate(self._descriptor, self._good)
        fresh = self._good == 0
        if fresh:
            try:
                self.commit(header)
            except OSError as error:
                raise InputError(f"{self.path}: cannot be written ({error.strerror})") from None
            sync_folder(self.path.parent)
        elif torn:
            self._disk.sync(self._descriptor)
        return Opened(fresh, torn)

    def commit(self, lines: bytes) -> None:
        """Add whole lines at the end and return once they are on the disk.

        Raises
        ------
        OSError
            The disk is full or broken. The file is then cut back to what it held before, since nobody can say
            what of a failed write or sync has arrived; the same lines may be given again.
        """
        try:
            os.lseek(self._descriptor, self._good, os.SEEK_SET)
            rest = memoryview(lines)
            while rest:
                done = self._disk.write(self._descriptor, bytes(rest))
                if done <= 0:
                    raise OSError(errno.EIO, "nothing was written")
                rest = rest[done:]
            self._disk.sync(self._descriptor)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, self._good)
            raise
        self._good += len(lines)

    def close(self) -> None:
        """Close the file."""
        os.close(self._descriptor)

    def __enter__(self) -> LineFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _read(descriptor: int, size: int) -> bytes:
    parts = []
    while size > 0:
        part = os.read(descriptor, size)
        if not part:
            break
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


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
