"""A serial port on a pseudo-terminal that can be unplugged and plugged in again under the same name."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from pathlib import Path


class FarEnd:
    """The instruments' end; the other end is the port at `path`. What is heard there is said in `hear`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master = self._slave = -1

    def hear(self, data: bytes) -> None:
        """Take what came over the wire."""
        raise NotImplementedError

    @property
    def device(self) -> str:
        """The name of the port as the system gave it."""
        return os.ttyname(self._slave)

    def plug(self) -> None:
        """Put the port there, under a name of the system's own; `path` is the stable one."""
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(self.device)
        asyncio.get_running_loop().add_reader(self._master, self._read)

    def unplug(self) -> None:
        """Take the port away."""
        if self._master < 0:
            return
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
        self.path.unlink(missing_ok=True)

    def send(self, data: bytes) -> None:
        """Say something, asked or not; what the line does not take is lost."""
        if self._master >= 0:
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, data)

    def _read(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self.hear(os.read(self._master, 4096))
