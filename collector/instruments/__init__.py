"""Instruments: from what is plugged in to readings with a name, a unit and a time.

A profile (`profiles`, TOML under `config/instruments/`) says how instruments of one kind talk; a job
(`settings`) says which are plugged in where and what they log. `decode` and `frames` turn bytes into numbers
without touching a port; `serial_line`, `modbus` and `mqtt` are the links; `polling` asks in turn and comes
back after a failure.
"""

from collector.instruments.links import build_links, check_ports
from collector.instruments.reading import Event, Link, PortError, Reading, Sink
from collector.instruments.settings import (
    InstrumentSettings,
    channels_of,
    corrections_of,
    load_instruments,
    load_profile,
)

__all__ = [
    "Event",
    "InstrumentSettings",
    "Link",
    "PortError",
    "Reading",
    "Sink",
    "build_links",
    "channels_of",
    "check_ports",
    "corrections_of",
    "load_instruments",
    "load_profile",
]
