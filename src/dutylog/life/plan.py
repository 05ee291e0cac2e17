"""Will a part make it through a plan? How often its budget outlasts planned trips and the driving until they are over.

Pure functions; the coming days are drawn as in forecast.py.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dutylog.errors import InputError
from dutylog.life.budget import Budget
from dutylog.life.forecast import (
    Floats,
    History,
    PlanDays,
    Planned,
    Weeks,
    draw_need,
    draw_quarters,
    gather_weeks,
    standing_still,
)


@dataclass(frozen=True, slots=True)
class Made:
    """How often (0..1) a part outlasts a plan, and a line for people.

    takes: what the plan alone takes, left: what is left after it (below 0: overdrawn), both as parts of the budget;
    8 of 10 cases lie between 10 and 90.
    """

    ratio: float
    text: str
    takes_10: float
    takes_90: float
    left_10: float
    left_90: float


def planned_trip(miles: float, days: Sequence[int], share_per_mile: float, log_sd: float) -> tuple[Planned, ...]:
    """Return a trip spread evenly over its days (ordinals).

    Args:
        miles: of the whole trip, >= 0.
        share_per_mile: used share of a mile of it, median. log_sd: its doubt.
    Raises:
        InputError: no day, the same day twice, or a number below 0 or not finite.
    """
    if not days or len(set(days)) != len(days):
        raise InputError(f"a trip on {len(days)} days of which {len(set(days))} differ; give each of its days once")
    if not all(math.isfinite(value) and value >= 0.0 for value in (miles, share_per_mile)):
        raise InputError(f"a trip of {miles} miles at {share_per_mile} shares a mile, expected finite and >= 0")
    a_day = miles / len(days)
    return tuple(Planned(day, a_day * share_per_mile, a_day, log_sd) for day in days)


def will_make_it(
    history: History,
    used: float,
    used_sd: float,
    budget: Budget,
    planned: Sequence[Planned],
    today: int,
    seed: int = 0,
) -> Made:
    """Return how often a part outlasts a plan: its own driving between counts, until and with the last planned day.

    Args: as those of forecast.forecast; planned has one day at least.
    Raises:
        InputError: nothing is planned, or as forecast.forecast.
    """
    if not planned:
        raise InputError("nothing is planned; give one day at least")
    rng = np.random.default_rng(seed)
    budgets, already = draw_need(used, used_sd, budget, rng)
    weeks, plan = gather_weeks(history, today), PlanDays.of(planned, today)
    by_plan, between = _draw_takes(standing_still() if weeks is None else weeks, plan, seed)
    left = budgets - already - by_plan - between
    ratio = float((left > 0.0).mean())
    takes_10, takes_90 = _range(by_plan / budget.median)
    left_10, left_90 = _range(left / budget.median)
    lines = [f"{sum(one.miles for one in planned):,.0f} miles planned take {_span(takes_10, takes_90)} of its budget"]
    if weeks is None:
        lines.append("driving until then isn't counted, there is not enough of it to tell")
    elif between.any():
        lines.append(f"driving until then takes {_span(*_range(between / budget.median))} more")
    lines.append(f"with {used / budget.median:.2f} used it makes it in {_cases(ratio)}")
    lines.append(f"{_span(left_10, left_90)} is left after it{' (below 0: overdrawn)' if left_10 < 0.0 else ''}")
    lines.append("have it serviced first when that is too few")
    return Made(ratio, "; ".join(lines), takes_10, takes_90, left_10, left_90)


def _draw_takes(weeks: Weeks, plan: PlanDays, seed: int) -> tuple[Floats, Floats]:
    """Return the shares that the plan and the driving between take until its last day, (runs,) each."""
    last = int(plan.offsets[-1])
    by_plan, between = 0.0, 0.0
    for quarter in draw_quarters(weeks, plan, seed):
        if quarter.start > last:
            break
        shares, _, of_plan = quarter.days(np.arange(len(quarter.pace)))
        until = last - quarter.start + 1
        by_plan = by_plan + of_plan[:, :until].sum(1)
        between = between + (shares - of_plan)[:, :until].sum(1)
    return np.asarray(by_plan, np.float64), np.asarray(between, np.float64)


def _range(values: Floats) -> tuple[float, float]:
    """Return the values that 10 % and 90 % lie at or below."""
    low, high = np.quantile(values, (0.1, 0.9), method="inverted_cdf")
    return float(low), float(high)


def _span(low: float, high: float) -> str:
    """Return a range in words, one number where both read alike."""
    first, second = f"{low:.2f}", f"{high:.2f}"
    return first if first == second else f"{first} to {second}"


def _cases(ratio: float) -> str:
    """Return a ratio in words; draws can't prove that it always or never holds."""
    if ratio >= 0.995:
        return "more than 99 of 100 cases"
    return "fewer than 1 of 100 cases" if ratio < 0.005 else f"{round(100.0 * ratio)} of 100 cases"
