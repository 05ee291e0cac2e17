"""Simulated fleets with known truth, for forecasts of when a wear part is due.

Made day by day, with nothing of the forecast's own assumptions: habits by weekday, a yearly wave, heavy trips that
come at random and last some days, gamma-distributed day doses (so the used share is a compound process), and a pace
that jumps to another level at random times. All numbers of it are judgement. What was used up really, the true budget
and how it is believed are drawn by what the forecast is told.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np

from dutylog.life.budget import Budget
from dutylog.life.forecast import HORIZON_DAYS, Forecast, History, forecast

TODAY = date(2026, 3, 1).toordinal()
HISTORY_DAYS = (30, 90, 365)
FUTURE_DAYS = HORIZON_DAYS + 1
TO_GO_DAYS = (4.0, 20_000.0)
"""At the usual pace of its habit, log-uniform. Wide, for a narrow range would tell of a vehicle's pace what a forecast
from its own history can't know: with 20 to 1800 days, dates behind the calendar are missed early in 27 %, not 10 %."""
HABITS = {
    # chance to drive by weekday from Monday, miles of such a day, heavy trips a year, wear of their days over others'
    "commuter": ((0.85,) * 5 + (0.5, 0.4), 30.0, 4.0, 8.0),
    "weekender": ((0.04,) * 5 + (0.55, 0.45), 60.0, 8.0, 6.0),
    "work": ((0.95,) * 5 + (0.6, 0.05), 70.0, 2.0, 5.0),
    "seldom": ((0.12,) * 7, 45.0, 5.0, 8.0),
}


@dataclass(frozen=True)
class Case:
    """One forecast and what really happened. really_day: inf where not within the simulated time; by wear alone."""

    habit: str
    history_days: int
    budget_log_sd: float
    calendar_day: int | None
    said: Forecast
    really_day: float
    really_miles: float

    @property
    def due_day(self):
        """Return the true due day, the calendar counted."""
        return min(self.really_day, math.inf if self.calendar_day is None else self.calendar_day)


@dataclass(frozen=True)
class Fleet:
    """Use of (vehicles, days), days counted from the longest history's begin; rate: long-run wear a day as drawn."""

    habits: tuple[str, ...]
    shares: np.ndarray
    miles: np.ndarray
    rates: np.ndarray


def paces(rng, count, days, jump_days, jump_log_sd):
    """Return factors (count, days) that hold for a random while and then jump to a level that knows nothing of it."""
    jumps = rng.random((count, days)) < 1.0 / jump_days
    which = np.cumsum(jumps, 1)
    levels = np.exp(jump_log_sd * rng.standard_normal((count, int(which.max()) + 1)))
    return np.take_along_axis(levels, which, 1)


def make_fleet(rng, count, days, jump_days=600.0, jump_log_sd=0.4):
    """Draw vehicles and drive them."""
    habits = tuple(rng.choice(sorted(HABITS), count))
    chances, day_miles, trips, heavier = (np.array([HABITS[habit][i] for habit in habits]) for i in range(4))
    weekday = (np.arange(days) + TODAY) % 7
    wave = rng.uniform(0.0, 0.7, (count, 1)) * np.cos(
        2.0 * math.pi * (np.arange(days) / 365.25 + rng.uniform(0.0, 1.0, (count, 1)))
    )
    pace = (1.0 + wave) * paces(rng, count, days, jump_days, jump_log_sd)
    # Drives are sparser when the pace is low, and longer when it is high.
    drives = rng.random((count, days)) < chances[np.arange(count)[:, None], weekday] * np.minimum(pace, 1.0)
    miles = drives * np.maximum(pace, 1.0) * day_miles[:, None] * rng.gamma(2.0, 0.5, (count, days))
    shares = miles * rng.gamma(3.0, 1.0 / 3.0, (count, days))
    starts = rng.random((count, days)) < trips[:, None] * rng.uniform(0.5, 1.5, (count, 1)) * pace / 365.25
    lasts = rng.geometric(0.4, (count, days))
    heavy = np.zeros((count, days), bool)
    for later in range(7):
        heavy[:, later:] |= (starts & (lasts > later))[:, : days - later]
    rough = heavier[:, None] * day_miles[:, None] * rng.gamma(1.2, 1.0 / 1.2, (count, days))
    shares = np.where(heavy, rough, shares)
    miles = np.where(heavy, 80.0 * rng.gamma(2.0, 0.5, (count, days)), miles)
    mean_day = day_miles * (chances.mean(1) + trips * 2.4 / 365.25 * heavier)
    return Fleet(habits, shares, miles, mean_day)


def simulate(count, seed, **kwargs):
    """Return one case for each of some vehicles that have driven enough to be forecast, and how many had not."""
    rng = np.random.default_rng(seed)
    past = max(HISTORY_DAYS)
    fleet = make_fleet(rng, count, past + FUTURE_DAYS, **kwargs)
    cases, untold = [], 0
    for row in range(count):
        history_days = HISTORY_DAYS[row % len(HISTORY_DAYS)]
        log_sd = float(rng.choice([0.02, 0.15, math.log(1.5)]))
        used = float(rng.uniform(0.05, 0.6 if log_sd > 0.3 else 0.9))
        used_sd = 0.05 * used
        to_go = math.exp(rng.uniform(*np.log(TO_GO_DAYS)))
        shares = fleet.shares[row] * ((1.0 - used) / (to_go * fleet.rates[row]))
        calendar_day = TODAY + int(rng.integers(300, 1800)) if rng.random() < 0.4 else None
        history = History(
            TODAY - history_days, *(all_[past - history_days : past] for all_ in (shares, fleet.miles[row]))
        )
        if np.count_nonzero(history.shares) < 3:
            untold += 1
            continue
        budget = Budget(1.0, log_sd)
        said = forecast(history, used, used_sd, budget, calendar_day, TODAY, seed=seed + row)
        true_need = math.exp(log_sd * rng.standard_normal()) - max(0.0, used + used_sd * rng.standard_normal())
        passed = int((np.cumsum(shares[past:]) < true_need).sum())
        really_day = math.inf if passed == FUTURE_DAYS else TODAY + passed
        due_day = min(really_day, math.inf if calendar_day is None else calendar_day)
        driven = np.cumsum(fleet.miles[row, past:])
        miles = math.inf if math.isinf(due_day) else float(driven[int(due_day) - TODAY]) if true_need > 0.0 else 0.0
        cases.append(Case(fleet.habits[row], history_days, log_sd, calendar_day, said, really_day, miles))
    return cases, untold


def has_free_ends(case):
    """Return whether both ends of the range are days of wear: none is today, the calendar or beyond the horizon.

    Known when the forecast is made, so leaving out the rest favours nobody. Where an end is capped, days beyond it
    can't be told apart, and a range that ends there can't be missed on that side. What really was later than the
    horizon, or never, counts as later than any day.
    """
    said = case.said
    if said.day_10 is None or said.day_90 is None:
        return False
    return said.day_10 > TODAY and said.day_90 != case.calendar_day


def has_early_end(case):
    """Return whether only the early end of the range is a day of wear: the late one is the calendar or the horizon."""
    said = case.said
    is_day = said.day_10 is not None and said.day_10 > TODAY and said.day_10 != case.calendar_day
    return is_day and not has_free_ends(case)


def early_late(cases):
    """Return the ratios of due days before day_10 and after day_90, of cases with free ends, and how many these are."""
    free = [case for case in cases if has_free_ends(case)]
    early = np.mean([case.due_day < case.said.day_10 for case in free])
    late = np.mean([case.due_day > case.said.day_90 for case in free])
    return float(early), float(late), len(free)
