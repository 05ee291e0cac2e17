"""Standing height of one trip against another's, at the stops of both (review/height_trend.py has the doubt)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dutylog.domain.quantity import position_text
from dutylog.review.height_trend import judge_trends
from dutylog.review.heights_book import TripHeights
from dutylog.review.review import Difference, Figure, StandingHeight, Words


def compare_heights(
    first: Sequence[StandingHeight], second: Sequence[StandingHeight], names: tuple[str, str]
) -> tuple[Difference, ...]:
    """Return how each damper stands on the second trip against the first, where both had stops.

    Medians of travel; ratio and its range are None: a height is told by its change.
    """
    found = []
    for trend in judge_trends(second, [TripHeights("1", None, tuple(first))]):
        if trend.change_m is None or trend.doubt_m is None:
            continue
        sides = [[one for one in stops if one.position == trend.position] for stops in (first, second)]
        before_m, after_m = (float(np.median([one.travel_m for one in stops])) for stops in sides)
        loads = " and ".join(stops[0].load_note or "no load note" for stops in sides)
        found.append(
            Difference(
                f"{position_text(trend.position)}: standing height",
                *names,
                "travel_m",
                before_m,
                after_m,
                None,
                None,
                None,
                abs(trend.change_m) > trend.doubt_m,
                _say(trend.change_m, trend.doubt_m),
                f"{len(sides[0])} and {len(sides[1])} stops, {loads}; a slope or a load looks the same",
            )
        )
    return tuple(found)


def _say(change_m: float, doubt_m: float) -> Words:
    doubt = Figure("travel_m", doubt_m)
    if abs(change_m) <= doubt_m:
        return ("within its doubt of ", doubt)
    way = "lower" if change_m > 0.0 else "higher"
    return (Figure("travel_m", abs(change_m)), f" {way}; more than its doubt of ", doubt)
