"""Ports: their forms, finding a USB port by what is plugged in, and whether they can be opened."""

from __future__ import annotations

import asyncio
import errno
import os
import re
import urllib.parse
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

import serialx

from analysis.vocabulary.errors import refused
from collector.instruments.profiles import SerialTable
from collector.instruments.reading import PortError

OPEN_TIMEOUT_S = 3.0
"""Time that opening a port or a connection may take."""

CLOSE_TIMEOUT_S = 3.0
"""Time that closing a port may take; a driver may hold on to one that was unplugged."""

_NETWORK = {"socket": None, "rfc2217": None, "tcp": 502, "mqtt": 1883, "mqtts": 8883}
_ACCEPTED = {
    "serial": ("socket", "rfc2217", "serial port"),
    "modbus": ("tcp", "socket", "rfc2217", "serial port"),
    "mqtt": ("mqtt", "mqtts"),
}
_FORMS = {
    "socket": "socket://HOST:PORT",
    "rfc2217": "rfc2217://HOST:PORT",
    "tcp": "tcp://HOST:502",
    "mqtt": "mqtt://HOST:1883",
    "mqtts": "mqtts://HOST:8883",
    "serial port": "a serial port (/dev/ttyUSB0, COM3, usb:VID:PID, usb:SERIAL)",
}


_HOST_ALONE = re.compile(r"(?!usb:)[\w.-]+:\d+|\d+(\.\d+){3}")
"""An address of the network whose form was forgotten: ``192.0.2.10:502``, or without the port."""


def check_form(port: str, link: str, where: str) -> None:
    """Refuse a port that does not have a form that `link` can use.

    Raises
    ------
    InputError
        Names `where`, the port and the forms accepted.
    """
    scheme, separator, _ = port.partition("://")
    kind = scheme if separator else "serial port"
    accepted = _ACCEPTED[link]
    if kind not in accepted or (separator and endpoint(port) is None) or _HOST_ALONE.fullmatch(port):
        raise refused(where, port, " or ".join(_FORMS[form] for form in accepted))


def endpoint(url: str) -> tuple[str, int] | None:
    """Return host and TCP port of a URL, the scheme's usual port when it names none; None when it has no such form."""
    try:
        parts = urllib.parse.urlsplit(url)
        number = parts.port
    except ValueError:
        return None
    if number is None:
        number = _NETWORK.get(parts.scheme)
    bare = not (parts.path.strip("/") or parts.query or parts.username or parts.password)
    return (parts.hostname, number) if parts.hostname and number and bare else None


async def device_of(port: str) -> str:
    """Return the device or URL to open: a ``usb:`` port is looked up among what is plugged in.

    Raises
    ------
    OSError
        When nothing, or more than one thing, plugged in fits.
    """
    if not port.lower().startswith("usb:"):
        return port
    found = await asyncio.get_running_loop().run_in_executor(None, serialx.list_serial_ports)
    devices = [each.device for each in found if _fits(port[4:], each)]
    if len(devices) != 1:
        what = "nothing like it is plugged in" if not devices else "several fit: " + ", ".join(devices)
        raise OSError(what)
    return str(devices[0])


def _fits(wanted: str, info: serialx.SerialPortInfo) -> bool:
    ids = re.fullmatch(r"([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})", wanted)
    if ids is not None:
        return (info.vid, info.pid) == (int(ids.group(1), 16), int(ids.group(2), 16))
    return bool(info.serial_number == wanted)


_PORT_ERRORS = {
    errno.ENOTTY: "is not a serial port",
    errno.EBUSY: "in use by another program",
    errno.EINVAL: "does not take this baudrate, parity, bytesize or stopbits",
}
_Protocol = TypeVar("_Protocol", bound=asyncio.BaseProtocol)


async def open_serial(
    port: str, settings: SerialTable, protocol: Callable[[], _Protocol]
) -> tuple[serialx.BaseSerialTransport, _Protocol]:
    """Open a serial port, alone, and return its transport and protocol.

    Raises
    ------
    OSError
        Not there, in use, not a serial port, or settings that it does not have; the reason in a few words.
    """
    device = await device_of(port)
    try:
        async with asyncio.timeout(OPEN_TIMEOUT_S):
            made: tuple[Any, Any] = await serialx.create_serial_connection(
                asyncio.get_running_loop(),
                protocol,  # type: ignore[arg-type]  # only the methods of a protocol are called
                device,
                baudrate=settings.baudrate,
                parity=serialx.Parity(settings.parity[0].upper()),
                stopbits=serialx.StopBits(settings.stopbits),
                byte_size=settings.bytesize,
                exclusive=True,
                close_timeout=1.0,
            )
    except TimeoutError:
        raise OSError("does not open") from None
    except (serialx.SerialException, ValueError) as error:
        raise OSError(str(error)) from None
    except OSError as error:
        raise OSError(_PORT_ERRORS.get(error.errno or 0) or reason(error)) from None
    return made[0], made[1]


async def close_serial(transport: serialx.BaseSerialTransport) -> None:
    """Close a serial port and wait, within bounds, until it is free again."""
    transport.abort()
    with suppress(TimeoutError):
        async with asyncio.timeout(CLOSE_TIMEOUT_S):
            await transport.wait_closed()


def reason(error: BaseException) -> str:
    """Return why something failed, in a few words without a traceback."""
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, OSError) and error.errno is not None and error.errno > 0:
        return os.strerror(error.errno).lower()
    return str(error) or type(error).__name__


async def check_port(port: str, settings: SerialTable, where: str) -> None:
    """Open and close a serial port of this machine once, before recording starts.

    A network peer may come later, so it is not asked: it is journalled as lost until it answers.

    Raises
    ------
    PortError
        The port is not there, in use, or cannot be set up as asked; names `where`.
    """
    if "://" in port:
        return
    try:
        transport, _ = await open_serial(port, settings, asyncio.Protocol)
    except OSError as error:
        raise PortError(
            f"{where}: {port!r} cannot be used ({reason(error)}); expected a serial port that is plugged in and free"
        ) from None
    await close_serial(transport)
