"""Telling people: through an address that names its service, and by a sound of this machine."""

from __future__ import annotations

import logging
import sys
import time
import warnings
from typing import Any

import apprise

SEND_WITHIN_S = 20.0
BELLS = 3

# what the library logs may hold addresses with passwords
logging.getLogger("apprise").addHandler(logging.NullHandler())
logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
logging.getLogger("apprise").propagate = False

with warnings.catch_warnings():  # its services are loaded at the first use, some over modules that Python will drop
    warnings.simplefilter("ignore", DeprecationWarning)
    apprise.Apprise.instantiate("json://127.0.0.1")

_TYPES = {"info": apprise.NotifyType.INFO, "caution": apprise.NotifyType.WARNING, "alarm": apprise.NotifyType.FAILURE}


def understood(address: str) -> bool:
    """Return whether an address names a service that can be used."""
    return _plugin(address) is not None


def _plugin(address: str) -> Any:
    try:
        return apprise.Apprise.instantiate(address, suppress_exceptions=True)
    except Exception:  # noqa: BLE001  whatever a service's own reader raises may quote the address
        return None


def send(address: str, title: str, body: str, level: str) -> bool:
    """Send one message within a bounded time; return whether it was taken. Blocks; run it in a thread."""
    plugin = _plugin(address)
    if plugin is None:
        return False
    try:
        told = apprise.Apprise()
        told.add(plugin)
        return bool(told.notify(body=body, title=title, notify_type=_TYPES[level], timeout=SEND_WITHIN_S))
    except Exception:  # noqa: BLE001  one service that fails is told as "not taken", never with its address
        return False


def sound() -> None:
    """Ring the bell of the terminal, and the system's own alarm sound on Windows."""
    for _ in range(BELLS):
        try:
            if sys.platform == "win32":  # pragma: no cover
                import winsound

                winsound.MessageBeep(winsound.MB_ICONHAND)
            print("\a", end="", file=sys.stderr, flush=True)
        except (OSError, RuntimeError):
            return
        time.sleep(0.3)
