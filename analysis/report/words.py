"""Names, tones and cautions that the report and the page show."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.result import NOT_JUDGED, Assessment
from analysis.vocabulary.text import words

VERDICT_TONE: Mapping[str, str] = {
    "complete": "good",
    "tight": "good",
    "held": "good",
    "on_target": "good",
    "steady_in_limits": "good",
    "agree": "good",
    "leaking": "alarm",
    "liquid_remains": "alarm",
    "rising_leak": "alarm",
    "over": "alarm",
}
"""How a verdict is coloured; whatever is not here asks for attention (``caution``)."""


def tone_of(assessment: Assessment) -> str:
    """Return how a verdict is coloured: none is good that leaves open a part of what the job asks for."""
    tone = VERDICT_TONE.get(assessment.verdict, "caution")
    return "caution" if tone == "good" and NOT_JUDGED in assessment.figures else tone


def verdict_said(assessment: Assessment) -> str:
    """Return a verdict as it is printed; what was held against none of its limits, or not all, is only steady."""
    unjudged = assessment.verdict == "steady_in_limits" and NOT_JUDGED in assessment.figures
    return "steady" if unjudged else words(assessment.verdict)


FIGURE_NAMES: Mapping[str, str] = {
    "liquid_gone_after": "liquid gone after",
    "vapor_left": "vapour left",
    "loss_rate": "loss rate, corrected",
    "loss_rate_low": "loss rate, low end",
    "loss_rate_high": "loss rate, high end",
    "smallest_detectable": "smallest loss that shows",
    "pressure_change_by_temperature": "change by temperature",
    "hours_judged": "time judged",
    "hours_more": "more hours, most likely",
    "hours_more_even": "more hours, as likely as not",
    "leak_oz": "leak, in ounces",
    "leak_counted_as": "leak given as the mass of",
    "rise_straight": "rise looks like a leak",
    "rise_levels_off": "rise looks like moisture",
    "final": "level at the end",
    "plateau": "level it stands at",
    "oil_hours": "hours run on this oil",
    "best_rate": "highest rate",
    "consensus": "what they agree on",
    "liquid_from": "liquid only above",
    "effective_speed": "pumping speed found",
    "effective_speed_at": "that speed, at a level of",
    "speed_through_hose": "speed that pump and hose allow",
    "corrected_pressure_at_start": "corrected, at start",
    "corrected_pressure_now": "corrected, now",
}
"""Names of figures where the key alone reads badly."""

GENERAL_CAUTION = (
    "Local codes, the machine maker's instructions and the licensed technician come first. This paper advises: it does "
    "not replace a gauge that you can see, nor a relief valve. Recover, never vent. Lock out before work."
)

CAUTIONS: Mapping[str, tuple[str, ...]] = {
    "recovery": (
        "Never open a head or a joint under any pressure. Air the room: refrigerant displaces air.",
        "No flame before the circuit is empty and nitrogen flows through: refrigerant in a flame turns to poison gas.",
        "Keep water flowing or drained while refrigerant boils in a barrel.",
        "Never overfill or heat a cylinder.",
    ),
    "pressure_test": (
        "Dry nitrogen only, through a regulator with a relief, raised in steps. Never oxygen or compressed air.",
        "Never open a joint under pressure. Bleed down slowly, outdoors or ducted away: nitrogen displaces air.",
    ),
    "evacuation": ("Never run a hermetic compressor or test its windings under vacuum.",),
    "charging": (
        "Vapour first until saturation is above freezing; keep water flowing or drained.",
        "Never overfill or heat a cylinder.",
    ),
    "startup": ("Limits are the machine maker's. Guards on, lock-out removed by the one who set it.",),
}
"""Usual cautions by stage (common practice of the trade)."""
