"""Checking a report against the files that it says it was made from."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path

from analysis.report.write import digests_of, render
from analysis.review import Review
from analysis.vocabulary.errors import InputError

_SEALED = re.compile(r'<script type="application/json" id="sealed">(.*?)</script>', re.DOTALL)
_DRAWING = re.compile(r'src="data:image/svg\+xml;base64,[^"]*"')


def differences(report: Path, review: Review, files: Mapping[str, Path]) -> list[str]:
    """Return what a report says otherwise than its files do, one sentence each; empty when it holds.

    The digests, the result and every word of the report are compared with those made again; the plots are
    not, because another version of the drawing library may draw them otherwise.

    Raises
    ------
    InputError
        The file is not a report, or cannot be read.
    """
    try:
        html = report.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise InputError(f"{report}: cannot be read; expected a report made by standwatch review") from None
    match = _SEALED.search(html)
    if match is None:
        raise InputError(f"{report}: is not a report; expected one made by standwatch review")
    try:
        sealed = json.loads(match.group(1))
        said: dict[str, str] = dict(sealed["digests"])
        result = sealed["result"]
    except (ValueError, KeyError, TypeError):
        return ["The record inside the report is damaged."]
    found: list[str] = []
    now = digests_of(files)
    for name in sorted(said.keys() | now.keys()):
        if name not in now:
            found.append(f"{name} is missing.")
        elif name not in said:
            found.append(f"{name} was not there when the report was made.")
        elif said[name] != now[name]:
            found.append(f"{name} has changed since the report was made.")
    if result != json.loads(json.dumps(review.to_json())):
        found.append("The result in the report is not what the files give.")
    if not found and _DRAWING.sub("", html) != _DRAWING.sub("", render(review, now)):
        found.append("The words of the report are not what the files give.")
    return found
