"""Which part and which damper wants a look first: one rule for command and pages, its thresholds here to see.

Source: judgement throughout; a service is planned some months ahead, and parts take weeks to come.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from dutylog.life.marks import SOON, STOP

FINE, PLAN, DUE, OVER = "fine", "plan it", "due", "over"
STATES = (FINE, PLAN, DUE, OVER)
"""Of a part, the least urgent first."""
PLAN_RATIO, PLAN_DAYS, DUE_DAYS = 0.7, 90, 30
MARK_RANKS = {STOP: len(STATES), SOON: STATES.index(DUE)}
"""A mark of these levels is told wherever its damper is, and counts like a state: `stop` before all, `soon` as DUE."""
Order = tuple[int, date, float]


@dataclass(frozen=True, slots=True)
class Urgency:
    """How soon a part wants a look. state: one of STATES. early: in 1 of 10 cases it is due by then, None unknown.

    used_ratio: of the budget that is believed, 0 where only the calendar ends it.
    """

    state: str
    early: date | None
    used_ratio: float

    @property
    def order(self) -> Order:
        """Return what sorts the most urgent first: by state, then by the early end of its range, then by use."""
        return -STATES.index(self.state), self.early or date.max, -self.used_ratio


def judge_part(
    used_ratio: float | None, early: date | None, likely: date | None, calendar: date | None, today: date
) -> Urgency:
    """Return how soon a part wants a look.

    Args:
        used_ratio: of the budget that is believed, None where only the calendar ends it.
        early, likely: due by then in 1 and in 5 of 10 cases, None: not foreseen.
        calendar: its limit by the calendar, None without one.
    """

    def comes_within(day: date | None, days: int) -> bool:
        return day is not None and day <= today + timedelta(days=days)

    used = used_ratio or 0.0
    state = FINE
    if used >= 1.0 or comes_within(calendar, 0):
        state = OVER
    elif comes_within(early, 0) or comes_within(likely, DUE_DAYS):
        state = DUE
    elif used >= PLAN_RATIO or comes_within(early, PLAN_DAYS):
        state = PLAN
    return Urgency(state, early, used)


def order_damper(parts: Iterable[Urgency], levels: Iterable[str]) -> Order:
    """Return what sorts the most urgent damper first: by its most urgent part, or the level of a mark on its shaft."""
    rank, early, used = min((part.order for part in parts), default=(0, date.max, 0.0))
    return min([rank, *(-MARK_RANKS.get(level, 0) for level in levels)]), early, used
