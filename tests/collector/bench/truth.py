"""What the demo's script makes true."""

from __future__ import annotations

TRUTH: dict[str, list[str]] = {
    "at_rest": ["disagree"],
    "recovery": ["complete"],
    "pressure_test": ["leaking", "tight"],
    "evacuation": ["held"],
    "charging": ["on_target"],
    "startup": ["steady_in_limits"],
}
"""What each stage of the job is in truth, in order: the verdicts that a fair judge comes to."""
