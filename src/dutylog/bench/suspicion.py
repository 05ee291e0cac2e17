"""What points at each point of the inspection before anybody has looked, and what findings then say of others.

What a damper did is judged once, by the rules of intake (first_looks, look_rules); here stands only which points look
at such a place, and how closely. Hints add up as independent ones do, 1 - product of (1 - weight), so more of them
never make a point less suspicious. All weights are judgement.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from dutylog.bench.facts import UnitFacts
from dutylog.bench.figures import Sentence
from dutylog.bench.findings import GRADE_WORDS, Finding, Item
from dutylog.bench.first_looks import find_first_looks
from dutylog.bench.store.rows import LikeRow
from dutylog.domain.wear import FAILED, WORN

TOLD_WEIGHT = 0.1
"""Lighter hints count in the order but aren't told: nearly every damper has some."""
BASE = 0.02
BASES: Mapping[str, float] = {
    "leak_seal_head": 0.08,
    "shaft_marks": 0.05,
    "clunk_mounts": 0.04,
    "bolts": 0.04,
    "charge_before": 0.05,
    "oil_colour": 0.05,
    "oil_volume": 0.04,
    "seal_lips": 0.05,
}
"""What is found often whatever was measured. Source: common practice, no published source; weights judgement."""
RELATED_WEIGHTS: Mapping[str, float] = {WORN: 0.3, FAILED: 0.5}
"""Of a bad finding at one point on others, by its grade."""

Shares = Mapping[str, float]
_GAS_SIDE: Shares = {
    "charge_before": 1.0,
    "charge_valve": 0.9,
    "clunk_floating_piston": 0.6,
    "piston_seal_state": 0.6,
    "bladder_state": 0.6,
    "piston_depth": 0.5,
    "leak_reservoir": 0.4,
    "damping_lost": 0.3,
}
OF_TOPIC: Mapping[str, Shares] = {
    "seal_head": {"leak_seal_head": 1.0, "seal_lips": 0.9, "shaft_marks": 0.3},
    "charge": _GAS_SIDE,
    "damping": {
        "damping_lost": 1.0,
        "damping_curve": 1.0,
        "oil_volume": 0.6,
        "valving_state": 0.6,
        "leak_seal_head": 0.4,
        "tyre_wear": 0.4,
    },
    "oil": {"oil_colour": 1.0, "oil_metal": 0.8, "oil_volume": 0.6, "damping_curve": 0.3},
    "guide": {"wear_band_state": 1.0, "bore_state": 0.5, "oil_metal": 0.4, "shaft_runout": 0.2, "shaft_on_blocks": 0.2},
    "floating_piston": {"piston_seal_state": 1.0, "piston_depth": 0.6, "clunk_floating_piston": 0.5},
    "bladder": {"bladder_state": 1.0, "charge_before": 0.4},
    "hose": {"leak_hose_crimp": 1.0, "hose_route": 0.7},
    "joints": {
        "rod_end_play": 1.0,
        "bushing_cracks": 1.0,
        "bushing_bulge": 0.9,
        "rod_end_noise": 0.8,
        "clunk_joints": 0.8,
        "bearing_rattle": 0.7,
        "bearing_dirt": 0.6,
        "bearing_rust": 0.6,
        "rod_end_cap": 0.5,
    },
    "hard_hits": {
        "bump_stops": 1.0,
        "mounts_cracked": 0.9,
        "shaft_runout": 0.8,
        "shaft_on_blocks": 0.8,
        "clunk_mounts": 0.8,
        "bolts": 0.6,
        "body_dents": 0.5,
        "reservoir_clamps": 0.4,
        "rod_end_play": 0.4,
        "valving_state": 0.3,
    },
    "top_out": {"clunk_top_out": 1.0, "straps": 1.0, "bolts": 0.5, "mounts_cracked": 0.4, "valving_state": 0.3},
}
"""Points that look at a topic of first_looks, and how closely. `whole` concerns every point alike, so it moves none."""
OF_RULE: Mapping[str, Shares] = {
    "mark": {"shaft_marks": 1.0, "leak_seal_head": 0.7, "seal_lips": 0.7, "shaft_rust": 0.3},
    "dirt": {
        "leak_seal_head": 1.0,
        "seal_lips": 0.8,
        "bearing_dirt": 0.8,
        "shaft_marks": 0.6,
        "bearing_rust": 0.5,
        "shaft_rust": 0.5,
        "corrosion": 0.4,
        "rod_end_play": 0.4,
        "bushing_cracks": 0.3,
    },
    "hot_seal": {
        "leak_seal_head": 1.0,
        "seal_lips": 1.0,
        "piston_seal_state": 0.7,
        "bladder_state": 0.7,
        "leak_hose_crimp": 0.4,
    },
    "peak_body": {"leak_seal_head": 1.0, "seal_lips": 1.0, "oil_colour": 0.7},
}
"""The same for rules that speak of more, or of something else, than their topic does."""
RELATED: Mapping[str, tuple[str, ...]] = {
    "leak_seal_head": ("shaft_marks", "shaft_runout", "shaft_on_blocks", "seal_lips", "oil_volume", "damping_lost"),
    "leak_hose_crimp": ("hose_route", "oil_volume"),
    "leak_reservoir": ("charge_before", "piston_seal_state", "oil_volume"),
    "shaft_marks": ("leak_seal_head", "seal_lips", "wear_band_state"),
    "shaft_rust": ("leak_seal_head", "seal_lips", "corrosion"),
    "shaft_runout": ("shaft_on_blocks", "seal_lips", "wear_band_state", "clunk_mounts", "mounts_cracked"),
    "shaft_on_blocks": ("seal_lips", "wear_band_state", "mounts_cracked"),
    "body_dents": ("bore_state", "wear_band_state", "piston_seal_state"),
    "charge_before": ("charge_valve", "piston_seal_state", "bladder_state", "piston_depth"),
    "clunk_mounts": ("bolts", "mounts_cracked"),
    "clunk_joints": ("rod_end_play", "rod_end_cap", "bushing_bulge", "bushing_cracks", "bearing_rattle"),
    "clunk_top_out": ("straps", "valving_state"),
    "clunk_floating_piston": ("charge_before", "piston_depth", "piston_seal_state"),
    "bump_stops": ("shaft_runout", "shaft_on_blocks", "mounts_cracked"),
    "tyre_wear": ("damping_lost", "damping_curve"),
    "damping_lost": ("damping_curve", "charge_before", "oil_volume", "valving_state"),
    "damping_curve": ("oil_volume", "oil_colour", "valving_state", "wear_band_state"),
    "oil_metal": ("wear_band_state", "bore_state", "valving_state"),
    "piston_depth": ("piston_seal_state",),
}
"""What a bad finding at one point says of others."""


@dataclass(frozen=True, slots=True)
class Hint:
    """Something that points at a place. weight: 0 to 1."""

    weight: float
    text: Sentence

    @property
    def is_told(self) -> bool:
        """Return whether it is worth a line."""
        return self.weight >= TOLD_WEIGHT


Hints = dict[str, list[Hint]]


def combine(hints: Iterable[Hint]) -> float:
    """Return how suspicious a point is by all its hints, 0 to 1."""
    return 1.0 - math.prod(1.0 - hint.weight for hint in hints)


def hints_of(
    facts: UnitFacts, items: Sequence[Item], said: Mapping[str, Finding], likes: Mapping[str, LikeRow], today: date
) -> Hints:
    """Return what points at each point, by its key.

    Args:
        facts: what is known of the damper. items: the points it has. said: the findings of this visit that count.
        likes: of like units, by part. today: for the calendar.
    """
    hints: Hints = {item.key: [Hint(BASES.get(item.key, BASE), ("is often found",))] for item in items}
    for look in find_first_looks(facts, likes, today):
        for reason in look.reasons:
            shares = OF_RULE.get(reason.rule) or OF_TOPIC.get(reason.topic, {})
            _add(hints, shares, reason.strength, reason.text)
    for item in items:
        finding = said.get(item.key)
        if finding is not None and finding.grade in RELATED_WEIGHTS:
            text = (f"{item.name} was found: {GRADE_WORDS[finding.grade]}",)
            _add(hints, dict.fromkeys(RELATED.get(item.key, ()), 1.0), RELATED_WEIGHTS[finding.grade], text)
    return hints


def _add(hints: Hints, shares: Shares, weight: float, text: Sentence) -> None:
    for key, share in shares.items():
        if key in hints:
            hints[key].append(Hint(weight * share, text))
