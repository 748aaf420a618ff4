"""The two files that the recorder appends to: whole lines only, on the disk before they count.

A file that ends in half a line (power cut, full disk) goes on after its last whole line when it is opened
again. What stood behind that line is handed back, and is only cut by the first commit, so that the journal can
say so before anything is gone.

A file that went away under the recorder (a stick pulled, a folder moved, a file put in place of another) takes no lines
until the same log stands at its path again: rows never go where nobody finds them, nor into another file.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import errno
import io
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from analysis.vocabulary.channels import JOURNAL_COLUMNS
from analysis.vocabulary.errors import InputError
from analysis.vocabulary.text import one_line

LONGEST_LINE = 1 << 20
"""No line of ours is nearly as long: a file without any line end in so many bytes is no log."""

_BLOCK = 1 << 16
_SHOWN_BYTES = 200
_KNOWN_BY_BYTES = 512
"""So many bytes of a log's end, stamps to the millisecond among them, are found in no other log."""
_UNSYNCED_BYTES = 1 << 23
"""No commit is nearly as long: what a power cut can have spoiled lies this close to the end."""


class Disk(Protocol):
    """What is asked of the operating system; tests put a failing disk in its place."""

    def write(self, descriptor: int, data: bytes) -> int:
        """Write some of `data`, return how much."""

    def truncate(self, descriptor: int, size: int) -> None:
        """Cut the file to `size` bytes."""

    def sync(self, descriptor: int) -> None:
        """Return once everything written is on the disk (its size too)."""

    def sync_folder(self, folder: Path) -> None:
        """Return once the names of the files in `folder` are on the disk."""


class RealDisk:
    """The operating system's own calls."""

    def write(self, descriptor: int, data: bytes) -> int:
        """Write some of `data`, return how much."""
        return os.write(descriptor, data)

    def truncate(self, descriptor: int, size: int) -> None:
        """Cut the file to `size` bytes."""
        os.ftruncate(descriptor, size)

    def sync(self, descriptor: int) -> None:
        """Return once everything written is on the disk (its size too)."""
        getattr(os, "fdatasync", os.fsync)(descriptor)

    def sync_folder(self, folder: Path) -> None:
        """Return once the names of the files in `folder` are on the disk."""
        sync_folder(folder)


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
    """A file of lines that only grows. `on_return` is called before a file that had gone away is gone on with.

    Raises
    ------
    InputError
        At opening: the file cannot be opened, or begins with another header.
    OSError
        While writing: the disk is full or broken; the file then still ends in a whole line as far as the disk
        allows, and the same lines may be tried again.
    """

    def __init__(
        self, path: Path, header: str, disk: Disk | None = None, on_return: Callable[[], None] = lambda: None
    ) -> None:
        self.path = path
        self._disk: Disk = disk if disk is not None else RealDisk()
        self._on_return = on_return
        self._header = header.encode("utf-8")
        self._failed: bytes | None = None
        try:
            self._descriptor = os.open(path, _OPEN | os.O_CREAT, 0o644)
        except OSError as error:
            raise InputError(f"{path}: cannot be opened for recording ({error.strerror})") from None
        try:
            self._size = os.lseek(self._descriptor, 0, os.SEEK_END)
            self._good = self._end_of_whole_lines()
            self.opened = self._found()
            self._end = self._read(max(0, self._good - _KNOWN_BY_BYTES), self._good)
            self._begin()
        except BaseException:
            os.close(self._descriptor)
            raise

    def _found(self) -> Opened:
        torn = self._read(self._good, self._size)
        if self._good == 0:
            if not _part_of(self._header, torn):
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
            if self.opened.fresh:
                self.commit(self._header)
            self._disk.sync_folder(self.path.parent)  # whoever made the file may have been killed before this
        except OSError as error:
            raise InputError(f"{self.path}: cannot be written ({error.strerror})") from None

    def _end_of_whole_lines(self) -> int:
        """Return where the last line ends that is whole and was written before whatever a power cut left as a hole.

        A hole reads as zero bytes, which no line of ours holds; what stands behind it was never acknowledged.
        """
        start = max(0, self._size - _UNSYNCED_BYTES)
        hole = self._read(start, self._size).find(b"\0")
        end = self._size if hole < 0 else start + hole
        while end > 0:
            start = max(0, end - _BLOCK)
            found = self._read(start, end).rfind(b"\n")
            if found >= 0:
                return start + found + 1
            end = start
        return 0

    def _read(self, start: int, end: int) -> bytes:
        return read_between(self._descriptor, start, end)

    def commit(self, lines: bytes) -> None:
        """Add whole lines behind the last whole line and return once they are on the disk.

        Raises
        ------
        OSError
            The disk is full or broken. The file is then cut back to what it held before, since nobody can say
            what of a failed write or sync has arrived; the same lines may be given again.
        """
        self._take_up()
        end = self._good + len(lines)
        try:
            if self._size > self._good or self._failed is not None:
                self._disk.truncate(self._descriptor, self._good)
                self._disk.sync(self._descriptor)  # or a power cut could leave a line of new bytes and old ones
                self._size = self._good
            os.lseek(self._descriptor, self._good, os.SEEK_SET)
            rest = memoryview(lines)
            while rest:
                done = self._disk.write(self._descriptor, bytes(rest))
                if done <= 0:
                    raise OSError(errno.EIO, "nothing was written")
                rest = rest[done:]
                self._size = end - len(rest)
            self._disk.sync(self._descriptor)
        except OSError:
            self._failed = lines
            with contextlib.suppress(OSError):
                self._disk.truncate(self._descriptor, self._good)
                self._size = self._good
            raise
        self._good, self._failed = end, None
        self._end = (self._end + lines[-_KNOWN_BY_BYTES:])[-_KNOWN_BY_BYTES:]

    def _take_up(self) -> None:
        """Make sure that the descriptor is the file at the path: after a failure, or when that is another one now.

        Raises
        ------
        OSError
            Nothing stands there, or not this log as it was left.
        """
        try:
            here = same_file(self.path, self._descriptor)
            if here and self._failed is None:
                return
            descriptor = os.open(self.path, _OPEN)
        except FileNotFoundError:
            raise OSError(errno.ENOENT, f"{self.path.name} is gone from its folder") from None
        old, self._descriptor = self._descriptor, descriptor
        try:
            size = os.lseek(descriptor, 0, os.SEEK_END)
            end = self._read(max(0, self._good - _KNOWN_BY_BYTES), self._good)
            if end != self._end or not _part_of(self._failed or b"", self._read(self._good, size)):
                raise OSError(errno.EEXIST, f"another {self.path.name} stands in its place")
            if not here:
                self._on_return()
        except BaseException:
            self._descriptor = old
            os.close(descriptor)
            raise
        self._size = size
        os.close(old)

    def close(self) -> None:
        """Close the file; a thread that is late with a commit finds it closed, not another file of that number."""
        descriptor, self._descriptor = self._descriptor, -1
        os.close(descriptor)

    def __enter__(self) -> LineFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


_OPEN = os.O_RDWR | getattr(os, "O_BINARY", 0)


def read_between(descriptor: int, start: int, end: int) -> bytes:
    """Return the bytes of an open file from `start` to before `end`, fewer where it ends sooner."""
    os.lseek(descriptor, start, os.SEEK_SET)
    parts = []
    while start < end and (part := os.read(descriptor, end - start)):
        parts.append(part)
        start += len(part)
    return b"".join(parts)


def same_file(path: Path, descriptor: int) -> bool:
    """Return whether the file at a path is the open one. FileNotFoundError where none is."""
    here = path.stat()
    with contextlib.suppress(OSError):  # of a disk that is gone
        return os.path.samestat(here, os.fstat(descriptor))
    return False


def _part_of(written: bytes, found: bytes) -> bool:
    """Return whether `found` is what a broken write of `written` may have left: its bytes, or zeros in their place."""
    found = found.rstrip(b"\0")
    return len(found) <= len(written) and all(f in (0, w) for f, w in zip(found, written, strict=False))


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
    """Return one RFC 4180 line ending in LF, each cell printable and on one line."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerow([one_line(cell) for cell in cells])
    return buffer.getvalue().encode("utf-8", "replace")


JOURNAL_HEADER = ",".join(JOURNAL_COLUMNS) + "\n"
