"""When a wear part is due: by its own vehicle's use, with planned trips and a doubtful budget, capped by the calendar.

Pure functions. Coming days are drawn in weeks from the vehicle's last year (a block bootstrap, so the weekly rhythm
stays), 2000 times. What a short history can't know is added, never invented away:
- how often which week comes: Bayesian bootstrap, a week counts less the older it is;
- a week of a kind never seen: one more week in the pool, about as hard as those that took most, its wear drawn wide;
- seasons not seen yet, and habits that change: the pace of use drifts from quarter to quarter.
Source: block bootstrap (Kuensch 1989), Bayesian bootstrap (Rubin 1981), Dirichlet process prior (Ferguson 1973), all
from memory; constants are judgement, the ranges are tested against simulated fleets (tests/life/test_forecast.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.life.budget import Budget

RUNS = 2000
"""Futures drawn. Source: judgement; a stated 10 % is then right within 1.3 % (two deviations of the binomial)."""
HORIZON_DAYS = 3652
"""Ten years: no date is said beyond them. Source: judgement."""
HISTORY_DAYS = 365
"""One round of seasons. Source: judgement."""
LEAST_DAYS, LEAST_DRIVING_DAYS = 14, 3
"""Below these no date by use is said. Source: judgement; two weeks show a weekly rhythm at all."""
HALF_LIFE_DAYS = 180.0
"""After which a week of the past counts half. Source: judgement, between following changes and averaging seasons."""
WEEK_WORTH = 0.4
"""How many independent weeks a week counts for: hard weeks come in a row. Source: judgement."""
UNSEEN_WEEKS, UNSEEN_LOG_SD = 0.4, 1.3
"""How much a week of unseen kind weighs (one of the present: WEEK_WORTH), and doubt of its wear. Source: judgement."""
PACE_LOG_SD, PACE_DAYS = 0.3, 365.0
"""How far the pace of use wanders, and after how long it has forgotten itself. Source: judgement."""
SEASON_LOG_SD = 0.3
"""Doubt of the pace where no season but the present one was seen. Source: judgement."""
MILES_KNOWN_RATIO = 0.8
"""Part of the wear that needs known miles before miles are said. Source: judgement."""

WEEK_DAYS = 7
QUARTER_WEEKS = 13
QUARTER_DAYS = QUARTER_WEEKS * WEEK_DAYS
BEYOND = HORIZON_DAYS + 1
"""Days from today that stand for `not within the horizon`."""

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Planned:
    """One day of a planned trip. day: ordinal. shares: used share it takes (median). log_sd: doubt of the shares."""

    day: int
    shares: float
    miles: float
    log_sd: float

    def __post_init__(self) -> None:
        values = (self.shares, self.miles, self.log_sd)
        if not all(math.isfinite(value) and value >= 0.0 for value in values):
            raise InputError(f"planned day {self.day}: shares, miles and log_sd {values}, expected finite and >= 0")


@dataclass(frozen=True, slots=True)
class History:
    """Use by calendar day, (n,) each, zeros where it stood. first_day: ordinal of the first. miles: NaN unknown."""

    first_day: int
    shares: Floats
    miles: Floats

    def __post_init__(self) -> None:
        if self.shares.ndim != 1 or self.shares.shape != self.miles.shape:
            raise InputError(f"history of {self.shares.shape} shares and {self.miles.shape} miles, expected (n,) both")
        if not bool(np.all(np.isfinite(self.shares) & (self.shares >= 0.0))):
            raise InputError("history: a day's used share is below 0 or not finite; days without use are 0")
        if bool(np.any(self.miles < 0.0) or np.any(np.isinf(self.miles))):
            raise InputError("history: a day's miles are below 0 or infinite; unknown miles are NaN")


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a part is due. Days are ordinals, None beyond the horizon (or where nothing can be said; the text tells).

    miles: from today, None where unknown or beyond. wear_first_ratio: how often wear came before the calendar, 0 where
    no date by use can be said.
    """

    day_10: int | None
    day_50: int | None
    day_90: int | None
    miles_10: float | None
    miles_50: float | None
    miles_90: float | None
    wear_first_ratio: float
    text: str


@dataclass(frozen=True, slots=True)
class Weeks:
    """What weeks are drawn from: shares and miles (weeks + 1, 7), the weekday of today first, the unseen week last.

    weights: (weeks + 1,), how many independent weeks each counts for. season_log_sd: doubt for seasons not seen.
    """

    shares: Floats
    miles: Floats
    weights: Floats
    season_log_sd: float
    has_miles: bool


def gather_weeks(history: History, today: int) -> Weeks | None:
    """Return the whole weeks of the last year before today, None where they are too few to tell.

    Today's own entry is left out: the day isn't over.

    Raises:
        InputError: the history goes on after today.
    """
    if history.first_day + len(history.shares) - 1 > today:
        raise InputError(f"history ends {history.first_day + len(history.shares) - 1 - today} days after today")
    begin = max(0, today - HISTORY_DAYS - history.first_day)
    shares = history.shares[begin : max(0, today - history.first_day)]
    if len(shares) < LEAST_DAYS or np.count_nonzero(shares) < LEAST_DRIVING_DAYS:
        return None
    miles, has_miles = _fill_miles(shares, history.miles[begin : begin + len(shares)])
    count = len(shares) // WEEK_DAYS
    after = history.first_day + begin + len(shares)
    # A week ends with the history; it is turned, so that its first day is the weekday of today.
    turn = -((today - after) % WEEK_DAYS)
    blocks = [np.roll(days[-count * WEEK_DAYS :].reshape(count, WEEK_DAYS), turn, 1) for days in (shares, miles)]
    ages = today - after + WEEK_DAYS * (np.arange(count)[::-1] + 0.5)
    weights = np.append(WEEK_WORTH * 0.5 ** (ages / HALF_LIFE_DAYS), UNSEEN_WEEKS)
    # The unseen week is about as hard as the week in which the mean share was taken, so harder than the mean week.
    harder = weights[:-1] * blocks[0].sum(1)
    pools = [np.vstack((block, np.average(block, 0, harder))) for block in blocks]
    unseen = max(0.0, 1.0 - len(shares) / HISTORY_DAYS)
    return Weeks(pools[0], pools[1], weights, SEASON_LOG_SD * math.sqrt(unseen), has_miles)


def _fill_miles(shares: Floats, miles: Floats) -> tuple[Floats, bool]:
    """Return miles with those unknown filled by wear, and whether enough of them are known."""
    is_known = np.isfinite(miles)
    known_shares = float(shares[is_known].sum())
    if known_shares < MILES_KNOWN_RATIO * float(shares.sum()):
        return np.zeros_like(miles), False
    return np.where(is_known, miles, shares * (float(miles[is_known].sum()) / known_shares)), True


def standing_still() -> Weeks:
    """Return the weeks of a vehicle of which no use is known: none is drawn."""
    return Weeks(np.zeros((1, WEEK_DAYS)), np.zeros((1, WEEK_DAYS)), np.ones(1), 0.0, True)


@dataclass(frozen=True, slots=True)
class PlanDays:
    """Planned days, (n,) each: days from today, sorted, each once; shares (median), miles, log_sd."""

    offsets: Integers
    shares: Floats
    miles: Floats
    log_sd: Floats

    @staticmethod
    def of(planned: Sequence[Planned], today: int) -> PlanDays:
        """Return planned days by day; what is planned for one day adds up.

        Raises:
            InputError: a planned day is past, or beyond the horizon.
        """
        for one in planned:
            if not today <= one.day < today + HORIZON_DAYS:
                where = "past" if one.day < today else "more than ten years away"
                raise InputError(f"planned day {date.fromordinal(max(one.day, 1))} is {where}; plan coming days only")
        offsets, places = np.unique(np.array([one.day - today for one in planned], np.int64), return_inverse=True)
        shares, miles, doubts = (
            np.bincount(places, np.array(values, np.float64), len(offsets)).astype(np.float64)
            for values in (
                [one.shares for one in planned],
                [one.miles for one in planned],
                [one.shares * one.log_sd for one in planned],
            )
        )
        return PlanDays(offsets, shares, miles, np.divide(doubts, shares, np.zeros_like(doubts), where=shares > 0.0))


@dataclass(frozen=True, slots=True)
class Quarter:
    """Thirteen weeks of all runs. start: days from today. picks: (runs, 13) weeks drawn. pace, unseen: (runs,) factors.

    plan_z: (runs,) how much harder than thought what is planned turns out, in standard deviations; alike on all days,
    as it is the wear per mile that is doubted.
    """

    start: int
    picks: NDArray[np.int16]
    pace: Floats
    unseen: Floats
    plan_z: Floats
    weeks: Weeks
    plan: PlanDays

    def totals(self) -> tuple[Floats, Floats]:
        """Return shares and miles of the whole quarter, (runs,) each."""
        if self._planned().size:
            shares, miles, _ = self.days(np.arange(len(self.pace)))
            return shares.sum(1), miles.sum(1)
        last = len(self.weeks.shares) - 1
        week_shares, week_miles = self.weeks.shares.sum(1), self.weeks.miles.sum(1)
        shares = week_shares[self.picks]
        shares = np.where(self.picks == last, shares * self.unseen[:, None], shares)
        return shares.sum(1) * self.pace, week_miles[self.picks].sum(1) * self.pace

    def days(self, rows: Integers) -> tuple[Floats, Floats, Floats]:
        """Return shares and miles of each day of some runs, (rows, 91), and what of the shares is planned."""
        picks, pace = self.picks[rows], self.pace[rows, None]
        last = len(self.weeks.shares) - 1
        harder = np.where(picks == last, self.unseen[rows, None], 1.0)
        shares = (self.weeks.shares[picks] * harder[:, :, None]).reshape(len(rows), QUARTER_DAYS) * pace
        miles = self.weeks.miles[picks].reshape(len(rows), QUARTER_DAYS) * pace
        which = self._planned()
        columns = self.plan.offsets[which] - self.start
        planned = np.zeros_like(shares)
        planned[:, columns] = self.plan.shares[which] * np.exp(self.plan_z[rows, None] * self.plan.log_sd[which])
        shares[:, columns] = planned[:, columns]
        miles[:, columns] = self.plan.miles[which]
        return shares, miles, planned

    def _planned(self) -> Integers:
        is_in = (self.plan.offsets >= self.start) & (self.plan.offsets < self.start + QUARTER_DAYS)
        return np.flatnonzero(is_in)


@dataclass(frozen=True, slots=True)
class Draws:
    """Chance alone, alike for all parts of a damper. picks: (quarters, RUNS, weeks) which week comes.

    pace: (quarters + 1, RUNS), wandering from quarter to quarter; unseen, season, plan_z: (RUNS,); standard normal all.
    """

    picks: NDArray[np.int16]
    pace: Floats
    unseen: Floats
    season: Floats
    plan_z: Floats


@lru_cache(maxsize=2)
def _draw(weights: bytes, seed: int, count: int) -> Draws:
    """Return the draws for weeks of such weights: finding weeks is most of a forecast, and each part needs the same."""
    rng, each = np.random.default_rng((seed, 1)), np.frombuffer(weights)
    ends = np.cumsum(rng.standard_gamma(each, (count, len(each))), 1)
    ends /= ends[:, -1:]
    ends[:, -1] = 1.0
    # One sorted list for all runs: run 3 lives between 3 and 4.
    runs = np.arange(count)[:, None]
    ladder = (ends + runs).ravel()
    unseen, season, plan_z = rng.standard_normal((3, count))
    paces = [rng.standard_normal(count)]
    keep = math.exp(-QUARTER_DAYS / PACE_DAYS)
    picks = np.empty((HORIZON_DAYS // QUARTER_DAYS + 1, count, QUARTER_WEEKS), dtype=np.int16)
    for quarter in picks:
        places = np.searchsorted(ladder, (rng.random(quarter.shape) + runs).ravel(), "right").reshape(quarter.shape)
        quarter[:] = np.clip(places - len(each) * runs, 0, len(each) - 1)
        paces.append(keep * paces[-1] + math.sqrt(1.0 - keep * keep) * rng.standard_normal(count))
    return Draws(picks, np.array(paces), unseen, season, plan_z)


def draw_quarters(weeks: Weeks, plan: PlanDays, seed: int) -> Iterator[Quarter]:
    """Yield quarter after quarter from today until past the horizon; draws don't depend on what is done with them."""
    draws = _draw(weeks.weights.tobytes(), seed, RUNS)
    unseen, season = np.exp(UNSEEN_LOG_SD * draws.unseen), weeks.season_log_sd * draws.season
    for number, picks in enumerate(draws.picks):
        pace = np.exp(PACE_LOG_SD * draws.pace[number] + season)
        yield Quarter(number * QUARTER_DAYS, picks, pace, unseen, draws.plan_z, weeks, plan)


def draw_need(used: float, used_sd: float, budget: Budget, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return budget and used share of every run, (runs,) each.

    Raises:
        InputError: used or used_sd is below 0 or not finite.
    """
    if not all(math.isfinite(value) and value >= 0.0 for value in (used, used_sd)):
        raise InputError(f"used share {used} +- {used_sd}, expected finite and >= 0")
    budgets = budget.median * np.exp(budget.log_sd * rng.standard_normal(RUNS))
    return budgets, np.maximum(used + used_sd * rng.standard_normal(RUNS), 0.0)


@dataclass(frozen=True, slots=True)
class Passages:
    """By run: days from today until due (BEYOND: not within the horizon), miles until then (inf), and if by wear."""

    days: Integers
    miles: Floats
    is_worn: NDArray[np.bool_]


def find_passages(need: Floats, quarters: Iterator[Quarter], last: int, is_capped: bool) -> Passages:
    """Return the first day on which each run has used up what it needs, at most `last` days from today.

    Args:
        need: (runs,) used share left until due, <= 0: due today.
        last: days from today at which the search ends, >= 0.
        is_capped: then it is due by the calendar; otherwise beyond the horizon.
    """
    days, miles = np.full(len(need), BEYOND, np.int64), np.full(len(need), np.inf)
    is_worn = need <= 0.0
    days[is_worn], miles[is_worn] = 0, 0.0
    is_open, left, so_far = ~is_worn, need.copy(), np.zeros(len(need))
    for quarter in quarters:
        if quarter.start > last or not is_open.any():
            break
        shares, driven = quarter.totals()
        room = last - quarter.start
        rows = np.flatnonzero(is_open & ((shares >= left) | (room < QUARTER_DAYS)))
        by_day, miles_by_day, _ = quarter.days(rows)
        passed = (np.cumsum(by_day, 1) < left[rows, None]).sum(1)
        if room >= QUARTER_DAYS:
            passed = np.minimum(passed, QUARTER_DAYS - 1)  # the two sums may differ in their last digit
        stop = np.minimum(passed, room)
        is_worn[rows] = worn = passed <= room
        ends = worn | is_capped
        days[rows] = np.where(ends, quarter.start + stop, BEYOND)
        until = so_far[rows] + np.cumsum(miles_by_day, 1)[np.arange(len(rows)), np.minimum(stop, QUARTER_DAYS - 1)]
        miles[rows] = np.where(ends, until, np.inf)
        is_open[rows] = False
        left, so_far = left - shares, so_far + driven
    return Passages(days, miles, is_worn)


def forecast(
    history: History,
    used: float,
    used_sd: float,
    budget: Budget,
    calendar_day: int | None,
    today: int,
    planned: Sequence[Planned] = (),
    seed: int = 0,
) -> Forecast:
    """Return when a part is due, by use or by the calendar, whichever comes first.

    Args:
        history: of its vehicle's use; days after it are not known to be without use.
        used, used_sd: used share now, with one standard deviation, >= 0.
        budget: used share at which it is due.
        calendar_day: ordinal at which it is due whatever was driven; None: no such limit.
        today: ordinal; drawn use begins with it, so a day half driven counts again (at most one day early).
        planned: on their days they stand instead of drawn use.
        seed: the same seed gives the same answer.
    Raises:
        InputError: used is no used share, the history goes on after today, or a planned day is past.
    """
    rng = np.random.default_rng(seed)
    budgets, already = draw_need(used, used_sd, budget, rng)
    weeks, plan = gather_weeks(history, today), PlanDays.of(planned, today)
    if weeks is None:
        return _by_calendar(used, budget, calendar_day, today)
    is_capped = calendar_day is not None and calendar_day - today <= HORIZON_DAYS
    last = max(0, calendar_day - today) if calendar_day is not None and is_capped else HORIZON_DAYS
    found = find_passages(budgets - already, draw_quarters(weeks, plan, seed), last, is_capped)
    is_before = found.is_worn if calendar_day is None or calendar_day >= today else np.zeros_like(found.is_worn)
    places = [math.ceil(part * RUNS) - 1 for part in (0.1, 0.5, 0.9)]
    days = [None if day == BEYOND else today + int(day) for day in np.sort(found.days)[places]]
    miles = [
        float(value) if weeks.has_miles and math.isfinite(value) else None for value in np.sort(found.miles)[places]
    ]
    ratio = float(is_before.mean())
    text = _say_used_up(used, budget) or _say(days, miles, ratio, calendar_day)
    return Forecast(days[0], days[1], days[2], miles[0], miles[1], miles[2], ratio, text)


def order_by_day(day_10: int | None, lead_days: int) -> int | None:
    """Return the day (ordinal) by which to order a part that takes lead_days to come; None where no date is known.

    Nine times in ten it is there in time. A day that is past means: order now.
    """
    if lead_days < 0:
        raise InputError(f"lead time of {lead_days} days, expected >= 0")
    return None if day_10 is None else day_10 - lead_days


def forecast_by_calendar(calendar_day: int | None, today: int) -> Forecast:
    """Return when a part is due that driving doesn't end, such as a charge of nitrogen; arguments as of `forecast`."""
    if calendar_day is None:
        return Forecast(None, None, None, None, None, None, 0.0, "no calendar limit")
    day = None if calendar_day - today > HORIZON_DAYS else max(today, calendar_day)
    text = f"by the calendar on {date.fromordinal(calendar_day)}"
    return Forecast(day, day, day, None, None, None, 0.0, text)


def _by_calendar(used: float, budget: Budget, calendar_day: int | None, today: int) -> Forecast:
    """Return what can be said without knowing the use: used up already, or the calendar."""
    over = _say_used_up(used, budget)
    if over:
        return Forecast(today, today, today, None, None, None, 1.0, over)
    if calendar_day is None or calendar_day - today > HORIZON_DAYS:
        return Forecast(None, None, None, None, None, None, 0.0, "not enough driving to tell; no calendar limit")
    day = max(today, calendar_day)
    text = f"not enough driving to tell; calendar: {date.fromordinal(calendar_day)}"
    return Forecast(day, day, day, None, None, None, 0.0, text)


def _say_used_up(used: float, budget: Budget) -> str:
    """Return how much is over where the budget is used up, as likely as not; empty otherwise."""
    if used < budget.median:
        return ""
    over = round(100.0 * (used / budget.median - 1.0))
    return f"due today: {over} % over its budget" if over else "due today: its budget is used up"


def _say(days: list[int | None], miles: list[float | None], ratio: float, calendar_day: int | None) -> str:
    """Return one line for people."""
    low, middle, high = ("later than in ten years" if day is None else str(date.fromordinal(day)) for day in days)
    if days[0] is None:
        parts = ["not due within ten years in 9 of 10 cases"]
    elif low == high:
        parts = [f"due {middle}"]
    else:
        parts = [f"due {middle}, in 8 of 10 cases {low} to {high}"]
    if miles[1] is not None:
        far = ["more" if value is None else f"{float(f'{value:.2g}'):,.0f}" for value in miles]
        parts.append(f"about {far[1]} miles from today ({far[0]} to {far[2]})")
    if calendar_day is not None:
        parts.append(f"by use in {round(100 * ratio)} of 100 cases, otherwise by the calendar on ")
        parts[-1] += str(date.fromordinal(calendar_day))
    return "; ".join(parts)
