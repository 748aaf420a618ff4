"""Small files that are put in place of the one before: a reader sees the one or the other, never half of it."""

from __future__ import annotations

import os
from pathlib import Path

from collector.joblog import sync_folder


def put_in_place(file: Path, data: bytes, *, mode: int = 0o644, synced: bool = True) -> None:
    """Put a file in place of the one before; `synced`: it is on the disk then, which a file that can be made again need
    not be.

    Raises
    ------
    OSError
        The folder cannot be written, or that in which it stands is gone: none is made in its place.
    """
    file.parent.mkdir(mode=0o700, exist_ok=True)
    part = file.with_name(f"{file.name}-{os.getpid()}.part")
    part.unlink(missing_ok=True)
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    with os.fdopen(descriptor, "wb") as out:
        out.write(data)
        if synced:
            out.flush()
            os.fsync(descriptor)
    part.replace(file)
    if synced:
        sync_folder(file.parent)
