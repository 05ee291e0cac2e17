"""What people are told of: kinds, how long each must hold, how urgent it is, and in which words.

All thresholds and times are judgement. Words address co-driver or crew, never the driver.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

DAMPER_FAULT = "damper_fault"
BODY_OVER_LIMIT = "body_over_limit"
OIL_OVER_LIMIT = "oil_over_limit"
HEAT_RISING = "heat_rising"
COVERAGE_LOST = "coverage_lost"
BOTTOMED = "bottomed"
DAMPING_LOST = "damping_lost"
CHARGE_LEAKING = "charge_leaking"
DISK = "disk"
CLOCK = "clock_not_trusted"
OUTPUT_REFUSED = "output_refused"

RAISED = "raised"
CLEARED = "cleared"
ADVICE = "advice"
"""Something for the next stop."""
ACT_NOW = "act_now"
"""Something that can't wait for it."""

Key = tuple[str, str, str]
"""Kind, position (empty: the vehicle) and subject: the fault or the output (empty: the kind says it all)."""


@dataclass(frozen=True, slots=True)
class Rule:
    """How one kind of alert behaves.

    hold_s: so long its condition must hold before it is raised: a single reading is none. clear_s: so long it must
    be gone before the alert is cleared: what comes and goes is one alert. remedy: what somebody can do. over: what is
    said when it is cleared, with the place and the subject filled in.
    """

    kind: str
    level: str
    hold_s: float
    clear_s: float
    remedy: str
    over: str


@dataclass(frozen=True, slots=True)
class Words:
    """What an alert says: what is the matter, and what can be done."""

    text: str
    remedy: str


_COOL = "ease off; stop where it is safe and let it cool in air, never with water"
_SENSOR = "check its sensor and plug at the next stop"

RULES: Mapping[str, Rule] = {
    rule.kind: rule
    for rule in (
        Rule(DAMPER_FAULT, ADVICE, 2.0, 2.0, _SENSOR, "{where}: {subject} is over"),
        Rule(BODY_OVER_LIMIT, ACT_NOW, 2.0, 2.0, _COOL, "{where}: body has cooled below its limit"),
        Rule(OIL_OVER_LIMIT, ACT_NOW, 5.0, 5.0, _COOL, "{where}: oil has cooled below its limit"),
        Rule(
            HEAT_RISING, ADVICE, 10.0, 30.0,
            "ask the driver to ease off before the limit is reached", "{where}: heat no longer rises to its limit",
        ),
        Rule(
            COVERAGE_LOST, ADVICE, 10.0, 30.0,
            "its duty is a lower bound meanwhile; check the travel sensor, its rod and plug at the next stop",
            "{where}: its motion is measured again",
        ),
        Rule(
            BOTTOMED, ADVICE, 0.0, 0.0,
            "slower over the rough; at the next safe stop look at bump stops, springs and mounts, mind hot parts",
            "{where}: no bottom-out for 5 minutes",
        ),
        Rule(
            DAMPING_LOST, ACT_NOW, 5.0, 30.0,
            "ease off and don't count on it; stop where it is safe and look for oil and loose mounts "
            "without touching hot parts; have it checked by somebody qualified, after its maker's manual",
            "{where}: damping is back",
        ),
        Rule(
            CHARGE_LEAKING, ADVICE, 10.0, 60.0,
            "take it easy; it is under pressure, don't open it: have it checked by somebody qualified, after its "
            "maker's manual",
            "{where}: charge holds",
        ),
        Rule(
            DISK, ADVICE, 0.0, 2.0,
            "free some space or check the card; what comes meanwhile may be lost", "the disk takes data again",
        ),
        Rule(CLOCK, ADVICE, 600.0, 2.0, "bring the logger to a network or set its clock", "the date is trusted"),
        Rule(
            OUTPUT_REFUSED, ADVICE, 0.0, 2.0,
            "check name, password or token, and rights at the receiver; everything is kept meanwhile",
            "{subject} doesn't refuse us any more",
        ),
    )
}  # fmt: skip
"""Every kind there is. Their conditions: judge.py; output_refused: publish/alerts.py, which alone knows of it."""
KINDS = tuple(RULES)
RESTORED_CLEAR_S = 60.0
"""What was open of a damper before a stop is cleared only after so long: some faults need time to be seen again."""


def say_over(key: Key) -> str:
    """Return what is said when an alert is cleared; also of a kind from another version."""
    kind, position, subject = key
    template = RULES[kind].over if kind in RULES else "{where}: {kind} is over"
    return template.format(where=say_where(position), subject=subject.replace("_", " "), kind=kind.replace("_", " "))


def say_where(position: str) -> str:
    """Return a position in words; the vehicle where it is empty."""
    return position.replace("_", " ") or "vehicle"
