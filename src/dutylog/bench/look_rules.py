"""Where to look first on a damper, and every limit of the rules that say so (shared/BENCH.md has the table)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

JUDGEMENT = "judgement"


@dataclass(frozen=True, slots=True)
class Topic:
    """A place to look at. parts: wear parts (domain.wear) it speaks of. how: what is looked for. caution: '' none."""

    key: str
    name: str
    how: str
    parts: tuple[str, ...] = ()
    caution: str = ""


_GAS = (
    "Under nitrogen: damper cold, valve pointed away from everybody, eye protection on, and never opened before the "
    "maker's procedure has let the gas out. A qualified technician decides."
)
_HOT = "Mind moving parts and hot bodies on the bench; let it cool before anybody touches it. It is under nitrogen."
_STANDS = "Vehicle on stands on firm ground before a wheel comes off; dampers stay hot long after the drive."

_TOPICS = (
    Topic(
        "seal_head",
        "shaft, seal head and wiper",
        "wipe it, work it, look for oil again; feel the shaft for nicks; a dry film on it is normal",
        ("shaft_seal",),
        _STANDS,
    ),
    Topic(
        "charge",
        "nitrogen charge",
        "read the gauge cold and fully extended; soap on valve and fittings",
        ("charge",),
        _GAS,
    ),
    Topic(
        "damping",
        "damping as found",
        "run it on the bench before it is opened, and lay the curve over that of its profile",
        (),
        _HOT,
    ),
    Topic("oil", "oil", "volume, colour, smell and metal when it is drained", ("oil",), _GAS),
    Topic(
        "guide",
        "shaft guide, wear band and piston ring",
        "side play of the shaft; opened: bare metal on band and ring",
        ("wear_band",),
        _GAS,
    ),
    Topic(
        "floating_piston",
        "floating piston and its seal",
        "its depth, oil on the gas side, scores in its bore",
        ("piston_seal",),
        _GAS,
    ),
    Topic("bladder", "bladder", "oil at the gas valve; opened: hardness, folds and cracks", ("bladder",), _GAS),
    Topic("hose", "reservoir hose", "cracks, chafing, oil at the crimps and fittings", ("hose",), _GAS),
    Topic(
        "joints",
        "rod ends or bushings",
        "play, noise, wear into the cap; rubber that bulges or cracks",
        ("joints",),
        _STANDS,
    ),
    Topic(
        "hard_hits",
        "bump stop, mounts, shaft and body",
        "crushed bump stop, cracked mounts and eyelets, bent shaft (runout), dents in the way of the piston",
        ("structure",),
        _STANDS,
    ),
    Topic("top_out", "limit strap and top-out", "stretched strap, loose bolts, clunk at full extension", (), _STANDS),
    Topic("whole", "everything, by eye", "what wasn't measured can't be foreseen: leave out no point of the list"),
)
TOPICS: Mapping[str, Topic] = {one.key: one for one in _TOPICS}
"""By key, in the order that breaks a tie."""
TOPIC_OF_PART: Mapping[str, str] = {
    **{part: one.key for one in _TOPICS for part in one.parts},
}


@dataclass(frozen=True, slots=True)
class LookRule:
    """One rule. when: what makes it speak. strength: 0..1, in words. source: of its limits."""

    key: str
    name: str
    when: str
    strength: str
    source: str


_RULES = (
    LookRule("mark", "mark on the shaft", "any mark", "stop 0.97, soon 0.85, next service 0.55, watch 0.25", JUDGEMENT),
    LookRule(
        "used",
        "use against the budget",
        "70 % of the believed budget",
        "0.35 at 70 %, 0.8 at 100 %, 0.95 from 200 % on; 0.6 times that where it is an estimate",
        "judgement; where it begins is `plan it` of shared/LIFE.md",
    ),
    LookRule(
        "calendar",
        "years",
        "calendar limit within 90 days",
        "0.6 over, 0.4 within 30 days, 0.25 within 90",
        "judgement; limits of shared/LIFE.md",
    ),
    LookRule(
        "like",
        "like units",
        "use at which the same part of like units was replaced (median of 3 or more)",
        "0.4",
        JUDGEMENT,
    ),
    LookRule(
        "hot_seal",
        "hot time of the seal",
        "oil above 120 degC for a minute since the seal was new",
        "0.3 at a minute, 0.7 from an hour on, by the logarithm",
        "common practice, no published source, for 120 degC on nitrile; times and strengths are judgement",
    ),
    LookRule(
        "hot_oil",
        "hot time of the oil",
        "oil above 130 degC for a minute since it was new",
        "0.3 at a minute, 0.7 from an hour on, by the logarithm",
        "judgement; limit of shared/LIFE.md",
    ),
    LookRule(
        "peak_body",
        "hottest body",
        "body above the limit of its profile",
        "0.5",
        "the maker's limit in the profile; strength is judgement",
    ),
    LookRule(
        "bottom_outs",
        "hard hits",
        "10 bottom-outs since the last service, at most",
        "0.3 at 10, 0.65 from 200 on, by the logarithm",
        JUDGEMENT,
    ),
    LookRule(
        "top_outs",
        "top-outs",
        "10 top-outs since the last service, at most, where something counts them",
        "0.3 at 10, 0.65 from 200 on, by the logarithm",
        JUDGEMENT,
    ),
    LookRule(
        "dirt",
        "dirt",
        "mud, sand or water told since the seal was new",
        "mud 0.4, sand 0.3, water 0.2; not washed 0.2 more, nobody said 0.1 more",
        "common practice, no published source: mud and sand are among what ends seals early; strengths are judgement",
    ),
    LookRule(
        "gas_low",
        "charge too low",
        "newest cold reading more than 5 % below its target",
        "0.85",
        "shared/CHARGE.md; strength is judgement",
    ),
    LookRule(
        "gas_high",
        "charge too high",
        "newest cold reading more than 5 % above its target",
        "0.6",
        "shared/CHARGE.md; strength is judgement",
    ),
    LookRule(
        "gas_falling",
        "charge falls",
        "a loss larger than what readings differ by (95 of 100)",
        "0.7",
        "shared/CHARGE.md; strength is judgement",
    ),
    LookRule(
        "alert",
        "alerts of the vehicle",
        "damping lost since the oil was new, charge leaking since the charge was, oil or body over its limit since "
        "seal and oil were, bottomed since the last service",
        "damping 0.9 (oil 0.5), charge 0.85, oil 0.55 (seal 0.4), body 0.45 (oil 0.3), bottomed 0.3",
        JUDGEMENT,
    ),
    LookRule(
        "earlier",
        "found before",
        "graded failed, worn or usable at its last look, and not replaced then or since",
        "failed 0.9, worn 0.75, usable 0.25",
        JUDGEMENT,
    ),
    LookRule(
        "unmeasured",
        "unmeasured time",
        "less than 95 % of the moving time measured",
        "0.3 at 95 %, 0.6 from half on",
        JUDGEMENT,
    ),
    LookRule("untold", "nothing told", "no card, and no miles, years or last service told", "0.6", JUDGEMENT),
)
LOOK_RULES: Mapping[str, LookRule] = {one.key: one for one in _RULES}
"""Every rule there is, by key."""

MARK_STRENGTHS: Mapping[str, float] = {"stop": 0.97, "soon": 0.85, "next service": 0.55, "watch": 0.25}
ALERT_TOPICS: Mapping[str, tuple[tuple[str, float], ...]] = {
    "damping_lost": (("damping", 0.9), ("oil", 0.5)),
    "charge_leaking": (("charge", 0.85),),
    "oil_over_limit": (("oil", 0.55), ("seal_head", 0.4)),
    "body_over_limit": (("seal_head", 0.45), ("oil", 0.3)),
    "bottomed": (("hard_hits", 0.3),),
}
"""By kind of alert (alerts.rules): where to look, and how strongly."""
ALERT_OVER: Mapping[str, tuple[str, ...]] = {
    "damping_lost": ("oil",),
    "charge_leaking": ("charge",),
    "oil_over_limit": ("shaft_seal", "oil"),
    "body_over_limit": ("shaft_seal", "oil"),
}
"""By kind of alert: parts that must all have been made new for an alert before that to be over; others are over with
the next service that makes any part new. Source: judgement."""
DIRT_OVER, HEAT_OVER = ("shaft_seal",), ("shaft_seal", "oil")
"""The same for dirt and for heat."""
SENSOR_ALERTS = ("damper_fault", "coverage_lost")
"""Kinds that speak of measuring, not of the damper."""
DIRT_STRENGTHS: Mapping[str, float] = {"mud": 0.4, "sand": 0.3, "water": 0.2}
NOT_WASHED, WASH_UNKNOWN = 0.2, 0.1
EARLIER_STRENGTHS: Mapping[str, float] = {"failed": 0.9, "worn": 0.75, "usable": 0.25}
LIKE_LEAST_COUNT, LIKE_STRENGTH = 3, 0.4
ESTIMATE_RATIO = 0.6
USED_FROM = 0.7
HITS_FROM, HITS_FULL = 10, 200
HOT_FROM_S, HOT_FULL_S = 60.0, 3600.0
LEAST_COVERAGE = 0.95
CALENDAR_STRENGTHS = ((0, 0.6), (30, 0.4), (90, 0.25))
"""(within days, strength), the nearest first."""
PEAK_STRENGTH, GAS_LOW, GAS_HIGH, GAS_FALLING, UNTOLD = 0.5, 0.85, 0.6, 0.7, 0.6
LOOK_FIRST, LOOK_EARLY = 0.7, 0.4
MOST = 0.99


def used_strength(ratio: float) -> float:
    """Return how strongly a used ratio speaks, 0 below USED_FROM; it never falls with more use."""
    if ratio < USED_FROM:
        return 0.0
    if ratio < 1.0:
        return 0.35 + 0.45 * (ratio - USED_FROM) / (1.0 - USED_FROM)
    return 0.8 + 0.15 * min(1.0, ratio - 1.0)


def log_strength(value: float, start: float, full: float, low: float, high: float) -> float:
    """Return a strength that rises with the logarithm of a value from `low` at `start` to `high` at `full`."""
    if value < start:
        return 0.0
    return low + (high - low) * min(1.0, math.log(value / start) / math.log(full / start))


def coverage_strength(ratio: float) -> float:
    """Return how strongly unmeasured time speaks: 0.3 at LEAST_COVERAGE, 0.6 from half on; 0 above."""
    if ratio >= LEAST_COVERAGE:
        return 0.0
    return 0.3 + 0.3 * min(1.0, (LEAST_COVERAGE - ratio) / (LEAST_COVERAGE - 0.5))


def say_level(strength: float) -> str:
    """Return a strength in words."""
    return "look here first" if strength >= LOOK_FIRST else "look early" if strength >= LOOK_EARLY else "keep in mind"
