"""What marks on a damper's shaft do to its seal, from what was told and what has been measured since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import ShaftMark, passes_of
from dutylog.life.account import Since, miles_since
from dutylog.life.history import UnitHistory
from dutylog.life.marks import ASSUMED_PASSES_PER_M, Mark, MarkJudged, judge_mark


@dataclass(frozen=True, slots=True)
class Marked:
    """A mark with what it means today. told: as somebody saw it."""

    told: ShaftMark
    judged: MarkJudged


def judge_marks(ledger: Ledger, history: UnitHistory, marks: Sequence[ShaftMark], shaft_since: Since) -> list[Marked]:
    """Return the marks of a unit that its present shaft has; shaft_since: from when that shaft counts."""
    found = []
    for told in marks:
        day = told.said.day or shaft_since.day
        if (told.running_s, day, told.said.row) < (shaft_since.running_s, shaft_since.day, shaft_since.row or 0):
            continue
        mark = _to_mark(told)
        since = Since(told.running_s, day, "", told.said.row)
        # Totals of a unit whose counting began anew may be lower than they were.
        now = max(told.passes_count, passes_of(ledger, told.unit_id, told.distance_mm, told.size_mm))
        judged = judge_mark(
            mark,
            history.profile.stroke_m * 1e3,
            now,
            told.passes_count,
            miles_since(history, since, ()),
            sliding_after(history, told.running_s),
        )
        found.append(Marked(told, judged))
    return found


def sliding_after(history: UnitHistory, running_s: float) -> float:
    """Return the measured sliding [m] of a unit's shaft after a running time."""
    return float(history.use.sliding_m @ history.part_after(running_s))


def extra_sliding_m(history: UnitHistory, marked: Sequence[Marked], seal_since: Since) -> float:
    """Return clean shaft [m] that would have worn the present seal as much as all marks have.

    What passed before the seal was replaced wore another one: shared out by sliding.
    """
    total = 0.0
    for one in marked:
        since_seen_m = sliding_after(history, one.told.running_s)
        if one.judged.extra_sliding_m and since_seen_m > 0.0:
            own_m = sliding_after(history, max(one.told.running_s, seal_since.running_s))
            total += one.judged.extra_sliding_m * own_m / since_seen_m
    return total


def wear_factor(marked: Sequence[Marked]) -> float:
    """Return how many times as fast the seal wears by sliding as over a clean shaft."""
    return 1.0 + sum(_factor(one) - 1.0 for one in marked)


def _factor(one: Marked) -> float:
    """Return the factor of one mark; where too little was measured, as if it passed as often as is assumed."""
    if one.judged.wear_factor is not None:
        return one.judged.wear_factor
    return 1.0 + _to_mark(one.told).pass_m * ASSUMED_PASSES_PER_M


def _to_mark(told: ShaftMark) -> Mark:
    return Mark(told.kind, told.distance_mm, told.size_mm, told.is_sharp)
