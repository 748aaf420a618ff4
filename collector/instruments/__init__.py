"""Instruments: from what is plugged in to readings with a name, a unit and a time.

A profile (`profiles`, TOML under `config/instruments/`) says how instruments of one kind talk; a job
(`settings`) says which are plugged in where and what they log. `decode` and `frames` turn bytes into numbers
without touching a port; `serial_line`, `modbus` and `mqtt` are the links; `polling` asks in turn and comes
back after a failure.
"""
