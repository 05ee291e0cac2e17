"""Bars of an intake: use of each part against its believed budget, and where like units were replaced."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dutylog.bench.intake import Intake

FULL_RATIO = 1.5
"""What the whole width means, so that a part that is over can be seen; more is cut off. Judgement."""


@dataclass(frozen=True, slots=True)
class IntakeBar:
    """A bar in per cent of its width. like: from, width of the range of like units, None where there are too few."""

    used: str
    budget: str
    like: tuple[str, str] | None


def make_intake_bars(intake: Intake) -> Mapping[str, IntakeBar]:
    """Return a bar for each part that use ends."""
    bars = {}
    for one in intake.parts:
        ratio = one.part.used_ratio
        if ratio is None:
            continue
        like = None
        if one.like is not None and one.like.count > 1:
            low, high = _percent(one.like.low_ratio), _percent(one.like.high_ratio)
            like = (f"{low:.1f}", f"{max(high - low, 0.5):.1f}")
        bars[one.part.key] = IntakeBar(f"{_percent(ratio):.1f}", f"{_percent(1.0):.1f}", like)
    return bars


def _percent(ratio: float) -> float:
    return min(max(ratio, 0.0), FULL_RATIO) / FULL_RATIO * 100.0
