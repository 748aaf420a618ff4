"""One writer a job folder."""

from __future__ import annotations

import asyncio
import contextlib
import os
from pathlib import Path
from typing import TextIO

from analysis.vocabulary.errors import InputError
from collector.joblog import same_file

HELD_S, HELD_LOOK_S = 2.0, 0.1
"""A folder that is held for less than this is held by a mark that is being written, not by a recorder."""


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
        self._file = self._take()

    def _take(self) -> TextIO:
        folder = self.path.parent.parent
        try:
            self.path.parent.mkdir(mode=0o700, exist_ok=True)
            file = self.path.open("a+", encoding="ascii")
        except OSError as error:
            raise InputError(f"{folder}: cannot be written ({error.strerror}); expected a folder of yours") from None
        try:
            _lock(file.fileno())
        except OSError:
            file.seek(0)
            holder = file.read().strip()
            file.close()
            raise FolderHeld(f"{folder}: another process ({holder or 'unknown'}) records this job already") from None
        try:
            file.seek(0)
            file.truncate()
            file.write(f"process {os.getpid()}")
            file.flush()
        except OSError as error:  # a full disk
            with contextlib.suppress(OSError):
                file.close()
            raise InputError(f"{folder}: cannot be written ({error.strerror}); expected room on its disk") from None
        return file

    def renew(self) -> None:
        """Hold the folder that stands at the path now, which may have gone and come back.

        Raises
        ------
        InputError
            Another process holds it meanwhile, or it cannot be written.
        """
        with contextlib.suppress(FileNotFoundError):
            if same_file(self.path, self._file.fileno()):
                return
        taken = self._take()
        with contextlib.suppress(OSError):
            self._file.close()
        self._file = taken

    def close(self) -> None:
        """Let the folder go."""
        self._file.close()

    def __enter__(self) -> FolderLock:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


async def hold(folder: Path) -> FolderLock:
    """Return the lock of a job folder, once whoever writes a mark there has done so.

    Raises
    ------
    FolderHeld
        Another recorder holds it.
    """
    for _ in range(round(HELD_S / HELD_LOOK_S)):
        with contextlib.suppress(FolderHeld):
            return FolderLock(folder)
        await asyncio.sleep(HELD_LOOK_S)
    return FolderLock(folder)


if os.name == "nt":  # pragma: no cover
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, 1 << 20, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
