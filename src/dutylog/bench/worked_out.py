"""How much of a damper's use nobody measured: gaps, and what its owner told, are worked out instead."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from dutylog.bench.facts_card import BY_CALENDAR

TOLD_RATIO = 0.005
"""Less isn't worth a word. Judgement."""


def worked_out_ratio(card: Mapping[str, Any]) -> float | None:
    """Return the largest share of a part's use that was worked out, 0 to 1, by a checked card; None without any use."""
    counted = [one for one in card.get("parts", ()) if one["part"] not in BY_CALENDAR]
    shares = [(float(one["used_share"]), float(one["measured_share"])) for one in counted]
    found = [1.0 - min(1.0, measured / used) for used, measured in shares if used > 0.0]
    return max(found, default=None)


def percent_text(ratio: float) -> str:
    """Return a share in whole per cent, rounded up: what wasn't measured isn't made to look less."""
    return f"{min(100, math.ceil(ratio * 100.0 - 1e-9))}\u00a0%"
