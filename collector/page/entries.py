"""What the buttons write into the journal, and how it is taken back: by a later row, since the journal only grows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from collector.entries import Entry, said

OPPOSITE: Mapping[str, str] = {
    "cylinder_on": "cylinder_off",
    "cylinder_off": "cylinder_on",
    "pump_valve_closed": "pump_valve_open",
    "pump_valve_open": "pump_valve_closed",
    "pump_on": "pump_off",
    "pump_off": "pump_on",
    "recovery_paused": "recovery_resumed",
    "recovery_resumed": "recovery_paused",
    "water_flow_on": "water_flow_off",
    "water_flow_off": "water_flow_on",
    "liquid_charging": "vapor_charging",
    "vapor_charging": "liquid_charging",
}
"""The mark that takes another one back; the others are taken back by a note alone."""

STAGE_MARKS: Mapping[str, Sequence[str]] = {
    "recovery": (
        "cylinder_on",
        "cylinder_off",
        "recovery_paused",
        "recovery_resumed",
        "water_flow_on",
        "water_flow_off",
    ),
    "pressure_test": (),
    "evacuation": ("pump_valve_closed", "pump_valve_open", "pump_on", "pump_off", "oil_change", "vacuum_broken"),
    "charging": ("cylinder_on", "cylinder_off", "vapor_charging", "liquid_charging", "water_flow_on", "water_flow_off"),
    "startup": ("water_flow_on", "water_flow_off", "oil_change"),
    "at_rest": ("water_flow_on", "water_flow_off"),
}
"""The marks that a stage mostly needs; the others stand behind one more button."""


def undo(entry: Entry, stage_before: str, at: str) -> list[Entry]:
    """Return the rows that take an entry back.

    Parameters
    ----------
    stage_before : the stage that ran before it, empty for none.
    at : time of day of the entry, for the note.
    """
    why = f"undo: {said(entry)} ({at})"
    rows = [Entry("note", text=why)]
    if entry.kind == "mark" and entry.subject in OPPOSITE:
        rows.append(Entry("mark", OPPOSITE[entry.subject], entry.value, why))
    elif entry.kind == "stage" and stage_before != (entry.subject if entry.value == "begin" else ""):
        if stage_before:
            rows.append(Entry("stage", stage_before, "begin", why))
        else:
            rows.append(Entry("stage", entry.subject, "end", why))
    return rows
