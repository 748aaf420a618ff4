"""One link for each port, whatever it speaks."""

from __future__ import annotations

from collections.abc import Iterable

from collector.instruments.modbus import ModbusWire
from collector.instruments.mqtt import MqttLink
from collector.instruments.polling import PolledLink
from collector.instruments.ports import check_port
from collector.instruments.profiles import MqttProfile, SerialProfile
from collector.instruments.reading import Link
from collector.instruments.serial_line import QueryWire, StreamingLink
from collector.instruments.settings import InstrumentSettings


def build_links(instruments: Iterable[InstrumentSettings]) -> list[Link]:
    """Return one link for each port; instruments on one port are asked in turn.

    Raises
    ------
    InputError
        An environment variable with a broker's user or password is not set.
    """
    by_port: dict[str, list[InstrumentSettings]] = {}
    for instrument in instruments:
        by_port.setdefault(instrument.port, []).append(instrument)
    return [_link(port, sharing) for port, sharing in by_port.items()]


def _link(port: str, sharing: list[InstrumentSettings]) -> Link:
    profile = sharing[0].profile
    if isinstance(profile, MqttProfile):
        return MqttLink(port, sharing)
    if not isinstance(profile, SerialProfile):
        return PolledLink(port, sharing, ModbusWire(port, sharing))
    if profile.line.query is None:
        return StreamingLink(port, sharing[0])
    return PolledLink(port, sharing, QueryWire(port, sharing))


async def check_ports(instruments: Iterable[InstrumentSettings]) -> None:
    """Open and close every serial port of this machine once, before recording starts.

    Raises
    ------
    PortError
        The first port that is not there, in use, or cannot be set up as its profile asks.
    """
    checked: set[str] = set()
    for instrument in instruments:
        if instrument.port not in checked and not isinstance(instrument.profile, MqttProfile):
            checked.add(instrument.port)
            await check_port(instrument.port, instrument.profile.serial, f"[[instrument]] {instrument.name!r} port")
