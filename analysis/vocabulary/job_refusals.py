"""What a table of `job.toml`, or a file that it names, is refused with: the first fault in one line, in plain words."""

from __future__ import annotations

from typing import get_args

from pydantic import BaseModel, ValidationError

from analysis.vocabulary.errors import quoted

YEAR = "a year such as 2015, or a date"
PLAINLY = {
    "string_type": "text in quotes",
    "list_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "time_parsing": "a time of day such as 22:00:00",
}
"""What the checking library says, in words of the trade."""


def first_fault(error: ValidationError, model: type[BaseModel], *, secret: bool = False) -> str:
    """Return the first fault as one line: key, value, what is accepted, and how many more there are.

    `secret`: no value is quoted, since it may be an address or a password, perhaps in the wrong place.
    """
    fault = error.errors()[0]
    year = fault["type"] == "int_parsing" and fault["loc"][-1] == "int"
    loc = fault["loc"][:-1] if year else fault["loc"]
    place = [str(part) for part in loc]
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc).removeprefix(".")
    key = "startup" if key == "startup.limits" else key  # whose refusals name the figure
    more = "" if error.error_count() == 1 else f" (and {error.error_count() - 1} more)"
    if fault["type"] == "extra_forbidden":
        # a whole table is not quoted: it may be an alarm with its addresses under a name that was misspelt
        value = "" if secret or isinstance(fault["input"], dict | list) else f", value {quoted(fault['input'])}"
        return f"{key}: unknown key{value}; expected one of {known_keys(fault['loc'], model)}{more}"
    if fault["type"] == "missing":
        return f"{key}: missing; it must be given{more}"
    if fault["type"] == "list_type" and len(place) == 1 and get_args(model.model_fields[key].annotation) != (str,):
        return f"{key}: expected a list of tables, each headed [[{key}]]{more}"
    said = YEAR if year else PLAINLY.get(fault["type"], "")
    said = f"expected {said}" if said else str(fault["msg"]).replace("Input should be", "expected")
    if secret or isinstance(fault["input"], dict | list | None) or place[0] in ("alarm", "publish"):
        return f"{key + ': ' if key else ''}{said}{more}"
    return f"{key}: {quoted(fault['input'])} is not accepted; expected {said.removeprefix('expected ')}{more}"


def known_keys(location: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """Return the keys of the table in which the last part of `location` stands, after each other."""
    for part in location[:-1]:
        field = next((f for name, f in model.model_fields.items() if part in (name, f.alias)), None)
        if field is not None:
            inner = [field.annotation, *get_args(field.annotation)]
            inner += [deeper for each in inner for deeper in get_args(each)]
            model = next((each for each in inner if isinstance(each, type) and issubclass(each, BaseModel)), model)
    return ", ".join(field.alias or name for name, field in model.model_fields.items())


def entry_fault(error: ValidationError, model: type[BaseModel]) -> str:
    """Return what is wrong with one entry of `[columns]`: a key that is not known before one that is missing."""
    faults = sorted(error.errors(), key=lambda fault: fault["type"] != "extra_forbidden")
    key, known = "".join(map(str, faults[0]["loc"][:1])), ", ".join(model.model_fields)
    if faults[0]["type"] == "extra_forbidden":
        return f"unknown key {key!r}; expected one of {known}"
    if faults[0]["type"] == "missing":
        return f'{key} is missing; expected a table such as {{ column = "…", unit = "…" }}'
    if not key:
        return f"{quoted(faults[0]['input'])} is not accepted; expected a table such as {{ column = …, unit = … }}"
    return f"{key}: {quoted(faults[0]['input'])} is not accepted; expected text in quotes"
