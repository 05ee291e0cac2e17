"""One rule of what wants a look first, for command and pages."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from dutylog.life.marks import NEXT_SERVICE, RULES, SOON, STOP, WATCH
from dutylog.life.urgency import DUE, FINE, MARK_RANKS, OVER, PLAN, STATES, Urgency, judge_part, order_damper

TODAY = date(2026, 11, 30)


def day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


@pytest.mark.parametrize(
    ("used", "early", "likely", "calendar", "state"),
    [
        (0.69, "2027-03-01", "2027-06-01", "2030-01-01", FINE),
        (0.70, "2027-03-01", "2027-06-01", "2030-01-01", PLAN),
        (0.1, "2027-02-28", "2027-06-01", None, PLAN),
        (0.1, "2026-12-01", "2026-12-31", None, PLAN),
        (0.1, "2026-12-01", "2026-12-30", None, DUE),
        (0.1, "2026-11-30", "2027-06-01", None, DUE),
        (0.999, "2026-11-30", "2026-11-30", None, DUE),
        (1.0, None, None, None, OVER),
        (0.0, "2026-11-30", "2026-11-30", "2026-11-30", OVER),
        (None, "2026-12-01", "2026-12-01", "2026-12-01", DUE),
        (None, None, None, "2020-01-01", OVER),
        (0.0, None, None, None, FINE),
    ],
)
def test_states_follow_the_rules_on_the_page(
    used: float | None, early: str | None, likely: str | None, calendar: str | None, state: str
) -> None:
    """At each limit and on either side: a wrong word sends somebody into the desert, or takes his money."""
    assert judge_part(used, day(early), day(likely), day(calendar), TODAY).state == state


def test_a_worn_part_comes_before_one_that_is_due_sooner() -> None:
    """By days alone a charge due in a month would hide oil that is used up."""
    oil = judge_part(1.4, None, None, None, TODAY)
    charge = judge_part(None, TODAY + timedelta(40), TODAY + timedelta(40), TODAY + timedelta(40), TODAY)
    assert sorted([charge, oil], key=lambda one: one.order) == [oil, charge]
    sooner = Urgency(PLAN, TODAY + timedelta(40), 0.2)
    assert sorted([Urgency(PLAN, None, 0.9), Urgency(PLAN, None, 0.8), sooner], key=lambda one: one.order) == [
        sooner, Urgency(PLAN, None, 0.9), Urgency(PLAN, None, 0.8)
    ]  # fmt: skip


def test_marks_lift_their_damper() -> None:
    """A nick that says stop comes before everything that is worn; soon counts as due; the milder words as nothing."""
    parts = {state: [Urgency(FINE, None, 0.1), Urgency(state, None, 0.1)] for state in STATES}
    stop, soon = order_damper(parts[FINE], [WATCH, STOP]), order_damper(parts[FINE], [SOON])
    assert stop < order_damper(parts[OVER], []) < order_damper(parts[DUE], []) == soon
    assert soon < order_damper(parts[PLAN], [])
    for level in (WATCH, NEXT_SERVICE, "unheard of"):
        assert order_damper(parts[PLAN], [level]) == order_damper(parts[PLAN], [])
    assert order_damper([], [STOP]) < order_damper([], [])
    assert set(MARK_RANKS) <= {rule.level for rule in RULES}
