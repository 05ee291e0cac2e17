"""What the verdict of a trip looks for: every rule with its thresholds, in the order in which it is said.

All thresholds are judgement. shared/REVIEW.md has the same table in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from dutylog.review.trip_data import GRADED, JUMPS, PARKED, ROUGH, STREET, WASHBOARD

NEAR_LIMIT_K = 10.0
"""A body that came so near to its profile's limit is told, its charge read and its seals looked at. Judgement."""
HARD_MPS = 1.0
"""An end of travel, or the bump stop before it, that was met faster than this is looked at. Judgement."""
MOST_SENTENCES = 8
"""A verdict is read standing. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. key: its name for ever. what: what it looks for. limits: its thresholds by name, SI units."""

    key: str
    what: str
    limits: Mapping[str, float]


def _rule(key: str, what: str, **limits: float) -> Rule:
    return Rule(key, what, MappingProxyType(limits))


RULES: Mapping[str, Rule] = MappingProxyType(
    {
        rule.key: rule
        for rule in (
            _rule("nothing_measured", "no damper was measured on this trip"),
            _rule("damping_lost", "the alert damping_lost was raised"),
            _rule("too_hot", "a body came near its limit or over it", look_below_limit_k=NEAR_LIMIT_K),
            _rule("oil_too_hot", "the alert oil_over_limit was raised"),
            _rule("gas_leaking", "the alert charge_leaking was raised"),
            _rule("bottomed", "bottom-outs", look_count=3, look_mps=HARD_MPS, act_count=10, act_mps=2.0),
            _rule("sensor", "sensors told nothing true", look_ratio=0.01, look_s=5.0, act_ratio=0.10),
            _rule("coverage", "motion that was not measured", look_ratio=0.95, act_ratio=0.50),
            _rule("dirt", "mud, sand or water was told and nobody washed", act_factor=1.5),
            _rule("not_driven", "the trip was told not to be one"),
            _rule("side_heat", "one wheel of an axle took more heat", look_ratio=0.15, act_ratio=0.50),
            _rule("side_warmth", "one damper of an axle rises more above the air from the same heat", look_ratio=0.20),
            _rule("standing", "a wheel stands otherwise than it did (review/height_trend.py)"),
            _rule("topped_out", "hits at full extension", look_count=3, look_mps=HARD_MPS),
            _rule("strap", "the limit strap caught the wheel", look_count=10, look_per_km=5.0, look_mps=1.5),
            _rule("bump_stop", "the bump stop was met often", look_count=20, look_per_km=2.0),
            _rule("cavitation", "heat beyond the cavitation margin", look_ratio=0.05, look_s=1.0),
            _rule("raw_lost", "part of the raw log is gone or damaged"),
            _rule("budget", "what the trip took of the most used part", fine_ratio=0.01, look_ratio=0.05),
            _rule("roads", "a road that made far more heat than its share of time", fine_ratio=0.25, fine_times=1.3),
            _rule("axle_heat", "one axle took far more heat than the other", fine_ratio=0.50),
            _rule("uneventful", "none of the above to look at", alike_ratio=0.25),
        )
    }
)
"""By key, the most urgent first within one level."""
ORDER = tuple(RULES)

ROAD_WORDS: Mapping[str, str] = MappingProxyType(
    {
        STREET: "street",
        GRADED: "graded road",
        WASHBOARD: "washboard",
        ROUGH: "rough ground",
        JUMPS: "jumps",
        PARKED: "standing",
    }
)
FAULT_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "travel_open": "travel sensor open",
        "travel_stuck": "travel sensor stuck",
        "impossible_speed": "travel that jumps",
        "worn_spot": "worn spot of the travel sensor",
        "spike": "spikes",
        "gap": "gaps in the log",
        "thermocouple_open": "thermocouple open",
        "time_order": "clock that went back",
    }
)
"""Kinds of engine/output.py in words; others are shown as they are."""


def limit(rule: str, name: str) -> float:
    """Return a threshold."""
    return RULES[rule].limits[name]
