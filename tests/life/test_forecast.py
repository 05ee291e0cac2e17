"""When a wear part is due: closed forms, properties, and ranges against simulated fleets."""

from __future__ import annotations

import math
from datetime import date
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.errors import InputError
from dutylog.life import forecast as module
from dutylog.life.budget import Budget
from dutylog.life.forecast import (
    HORIZON_DAYS,
    RUNS,
    History,
    Planned,
    forecast,
    forecast_by_calendar,
    gather_weeks,
    order_by_day,
)
from life.fleet_truth import HABITS, HISTORY_DAYS, early_late, has_early_end, has_free_ends, simulate
from life.fleet_truth import TODAY as BEGIN

TODAY = date(2026, 5, 6).toordinal()
SURE = Budget(1.0, 0.0)
RATE = 0.001
Z_90 = NormalDist().inv_cdf(0.9)


def constant(days=364, rate=RATE, miles_a_day=20.0, today=TODAY):
    return History(today - days, np.full(days, rate), np.full(days, miles_a_day))


@pytest.fixture
def no_doubt(monkeypatch):
    """Take away what a forecast adds for things never seen, so that closed forms hold exactly."""
    for name in ("UNSEEN_LOG_SD", "PACE_LOG_SD", "SEASON_LOG_SD"):
        monkeypatch.setattr(module, name, 0.0)


# What can't be told


@pytest.mark.parametrize(
    "history",
    [
        constant(rate=0.0, miles_a_day=0.0),
        constant(days=13),
        History(TODAY - 30, np.repeat([0.0, 0.01], [28, 2]), np.zeros(30)),
        History(TODAY - 800, np.full(400, RATE), np.full(400, 20.0)),
        History(TODAY, np.zeros(0), np.zeros(0)),
    ],
    ids=["stands", "13 days", "2 driving days", "over a year ago", "nothing"],
)
def test_too_little_driving_leaves_the_calendar_only(history):
    """A rate made of nothing would send people shopping on a date nobody can know."""
    said = forecast(history, 0.3, 0.02, Budget(1.0, 0.4), TODAY + 500, TODAY)
    assert said.day_10 == said.day_50 == said.day_90 == TODAY + 500
    assert said.miles_50 is None
    assert said.wear_first_ratio == 0.0
    assert said.text == f"not enough driving to tell; calendar: {date.fromordinal(TODAY + 500)}"
    without = forecast(history, 0.3, 0.02, Budget(1.0, 0.4), None, TODAY)
    assert without.day_10 is without.day_50 is without.day_90 is None
    assert "not enough driving to tell" in without.text


def test_what_driving_never_ends_says_nothing_of_driving():
    """A charge of nitrogen: the calendar is all there is to it, however much anybody drives."""
    said = forecast_by_calendar(TODAY + 500, TODAY)
    assert said.day_10 == said.day_50 == said.day_90 == TODAY + 500
    assert (said.miles_50, said.wear_first_ratio) == (None, 0.0)
    assert said.text == f"by the calendar on {date.fromordinal(TODAY + 500)}"
    assert forecast_by_calendar(TODAY - 5, TODAY).day_50 == TODAY
    far = forecast_by_calendar(TODAY + HORIZON_DAYS + 1, TODAY)
    assert far.day_10 is None
    assert far.text == f"by the calendar on {date.fromordinal(TODAY + HORIZON_DAYS + 1)}"
    assert forecast_by_calendar(None, TODAY).text == "no calendar limit"


@pytest.mark.parametrize("days", [5, 364])
def test_what_is_used_up_is_due_today_and_says_by_how_much(days):
    """Whether or not there is driving to tell from: what is over stays over."""
    said = forecast(constant(days=days), 1.2, 0.0, SURE, TODAY + 500, TODAY)
    assert (said.day_10, said.day_50, said.day_90, said.wear_first_ratio) == (TODAY, TODAY, TODAY, 1.0)
    assert said.text == "due today: 20 % over its budget"


# Closed forms


@pytest.mark.parametrize("used", [0.0, 0.2505, 0.5005, 0.9995])
def test_constant_use_is_due_on_the_day_of_the_closed_form(no_doubt, used):
    """Day by day the same wear: due on day ceil(what is left / wear a day), today being the first."""
    said = forecast(constant(), used, 0.0, SURE, None, TODAY)
    days = math.ceil((1.0 - used) / RATE - 1e-9)
    assert said.day_10 == said.day_50 == said.day_90 == TODAY + days - 1
    assert said.miles_10 == said.miles_90 == pytest.approx(20.0 * days, rel=1e-9)
    assert said.wear_first_ratio == 1.0


def test_constant_use_with_all_doubts_is_due_about_then():
    """Doubts widen the range about the closed form; the middle stays within 5 % (median of 2000 runs: sd 1 to 2 %)."""
    said = forecast(constant(), 0.5, 0.0, SURE, None, TODAY)
    assert said.day_50 - TODAY == pytest.approx(500.0, rel=0.05)
    assert said.day_10 < TODAY + 450
    assert said.day_90 > TODAY + 550


def test_a_doubtful_budget_gives_the_range_of_its_quantiles(no_doubt):
    """Only the budget is doubtful, so the days are its quantiles: within 3 % (3 sd of a quantile of 2000 draws)."""
    said = forecast(constant(), 0.0, 0.0, Budget(1.0, 0.2), None, TODAY)
    for day, z in ((said.day_10, -Z_90), (said.day_50, 0.0), (said.day_90, Z_90)):
        assert day - TODAY == pytest.approx(1000.0 * math.exp(0.2 * z), rel=0.03)


def test_wear_comes_before_the_calendar_as_often_as_the_budget_says(no_doubt):
    """P(budget <= 800 days of wear) in closed form; 2000 draws: 3 sd of the binomial. The rest is due by calendar."""
    said = forecast(constant(), 0.0, 0.0, Budget(1.0, 0.4), TODAY + 799, TODAY)
    part = NormalDist().cdf(math.log(0.8) / 0.4)
    assert said.wear_first_ratio == pytest.approx(part, abs=3.0 * math.sqrt(part * (1.0 - part) / RUNS))
    assert said.day_50 == said.day_90 == TODAY + 799
    assert said.miles_90 == pytest.approx(20.0 * 800)
    assert said.day_10 < TODAY + 799


def test_a_calendar_limit_that_is_past_is_due_today():
    said = forecast(constant(), 0.1, 0.0, SURE, TODAY - 40, TODAY)
    assert (said.day_10, said.day_50, said.day_90, said.wear_first_ratio) == (TODAY, TODAY, TODAY, 0.0)


def test_beyond_ten_years_no_date_is_said(no_doubt):
    """5000 days of wear left: no date, no miles, and the text tells; one beyond the horizon by calendar neither."""
    for calendar_day in (None, TODAY + HORIZON_DAYS + 1):
        said = forecast(constant(rate=1.0 / 5000.0), 0.0, 0.0, SURE, calendar_day, TODAY)
        assert said.day_10 is said.day_50 is said.day_90 is said.miles_10 is None
        assert said.wear_first_ratio == 0.0
        assert "not due within ten years" in said.text
    within = forecast(constant(rate=1.0 / 3650.0), 0.0, 0.0, SURE, None, TODAY)
    assert within.day_90 == TODAY + 3649


@pytest.mark.parametrize("gap", range(7))
@pytest.mark.parametrize("weekday", [0, 3, 6])
def test_the_weekly_rhythm_stays(no_doubt, gap, weekday):
    """Use on one weekday only: due on that weekday, whatever day it is today and whatever day the history ends on."""
    first = TODAY - gap - 363
    shares = np.array([0.01 if (first + day) % 7 == weekday else 0.0 for day in range(364)])
    said = forecast(History(first, shares, 1000.0 * shares), 0.905, 0.0, SURE, None, TODAY)
    nth = [day for day in range(TODAY, TODAY + 100) if day % 7 == weekday][9]
    assert said.day_10 == said.day_90 == nth
    assert said.miles_50 == pytest.approx(100.0)


@pytest.mark.parametrize(("start", "length", "shares"), [(30, 1, 0.1), (100, 4, 0.05), (0, 2, 0.03)])
def test_a_planned_trip_brings_the_day_nearer_by_what_it_takes(no_doubt, start, length, shares):
    """On its days the trip stands instead of usual use: (trip - usual use of those days) / usual use a day nearer."""
    trip = [Planned(TODAY + start + day, shares, 150.0, 0.0) for day in range(length)]
    said = forecast(constant(), 0.5005, 0.0, SURE, None, TODAY, trip)
    days = math.ceil((0.4995 - length * (shares - RATE)) / RATE - 1e-9)
    assert said.day_10 == said.day_90 == TODAY + days - 1
    assert said.miles_50 == pytest.approx(20.0 * (days - length) + 150.0 * length, rel=1e-9)


def test_a_trip_too_hard_for_what_is_left_is_due_on_its_day(no_doubt):
    """Two plans on one day add up, and it is due then and not before."""
    trip = [Planned(TODAY + 40, 0.3, 100.0, 0.0), Planned(TODAY + 40, 0.3, 100.0, 0.0)]
    assert forecast(constant(), 0.5, 0.0, SURE, None, TODAY, trip).day_50 == TODAY + 40


def test_doubt_of_a_plan_widens_the_range(no_doubt):
    """Log-normal about its shares: its quantiles, within 3 sd of a quantile of 2000 draws (7 % of the trip)."""
    trip = [Planned(TODAY + 10, 0.2, 100.0, 0.5)]
    said = forecast(constant(), 0.0, 0.0, SURE, None, TODAY, trip)
    for day, z in ((said.day_90, -Z_90), (said.day_10, Z_90)):
        takes = 0.2 * math.exp(0.5 * z)
        assert day - TODAY == pytest.approx(1000.0 * (1.0 - takes), abs=1000.0 * 0.07 * takes + 1.0)


# How history counts


def test_few_driving_days_make_a_wide_range():
    """The same habit seen for 30 days, 90 and a year, mean of five vehicles: the less was seen, the wider."""
    wide = np.zeros(3)
    for seed in range(5):
        days = _random_history(seed, 364, 0.3, 0.004).shares
        for place, count in enumerate((30, 90, 364)):
            said = forecast(History(TODAY - count, days[-count:], days[-count:]), 0.6, 0.0, SURE, None, TODAY)
            wide[place] += math.log((said.day_90 - TODAY) / (said.day_10 - TODAY)) / 5
    assert wide[0] > 1.1 * wide[1] > 1.1 * 1.1 * wide[2]


def test_recent_weeks_weigh_more():
    """Twice the use in the last half year than in the one before: sooner than the mean of the year says."""
    history = History(TODAY - 364, np.repeat([RATE, 2 * RATE], 182), np.zeros(364))
    said = forecast(history, 0.0, 0.0, SURE, None, TODAY)
    assert 0.5 / RATE < said.day_50 - TODAY < 0.95 / (1.5 * RATE)


def test_what_is_older_than_a_year_and_today_itself_are_left_out(no_doubt):
    """A vehicle's former life says nothing, and today isn't over."""
    shares = np.concatenate([np.full(400, 0.5), np.full(365, RATE), [0.9]])
    said = forecast(History(TODAY - 765, shares, np.zeros(766)), 0.5005, 0.0, SURE, None, TODAY)
    assert said.day_10 == said.day_90 == TODAY + 499


def test_miles_are_said_only_where_known(no_doubt):
    """A few days without miles are filled by their wear; where most are unknown no miles are made up."""
    miles = np.full(364, 20.0)
    miles[::10] = np.nan
    said = forecast(History(TODAY - 364, np.full(364, RATE), miles), 0.5005, 0.0, SURE, None, TODAY)
    assert said.miles_50 == pytest.approx(10_000.0)
    miles[::3] = np.nan
    said = forecast(History(TODAY - 364, np.full(364, RATE), miles), 0.5005, 0.0, SURE, None, TODAY)
    assert said.miles_10 is said.miles_50 is said.miles_90 is None
    assert said.day_50 == TODAY + 499
    assert "miles" not in said.text


# Properties

HISTORIES = st.builds(
    lambda seed, days, chance, scale: _random_history(seed, days, chance, scale),
    st.integers(0, 10_000),
    st.integers(14, 500),
    st.floats(0.05, 1.0),
    st.floats(1e-5, 0.05),
)


def _random_history(seed, days, chance, scale):
    rng = np.random.default_rng(seed)
    shares = np.where(rng.random(days) < chance, rng.gamma(0.7, scale, days), 0.0)
    return History(TODAY - days + 1, shares, 1e4 * shares)


@settings(max_examples=10)
@given(HISTORIES, st.floats(0.0, 1.5), st.floats(0.0, 0.5), st.none() | st.integers(-500, 5000), st.integers(0, 9))
def test_days_are_in_order_never_past_and_never_behind_the_calendar(history, used, log_sd, calendar, seed):
    """Whatever the history: a due date in the past or a range turned round would be nonsense on a page."""
    calendar_day = None if calendar is None else TODAY + calendar
    said = forecast(history, used, 0.05, Budget(1.0, log_sd), calendar_day, TODAY, seed=seed)
    far = TODAY + HORIZON_DAYS + 1
    days = [far if day is None else day for day in (said.day_10, said.day_50, said.day_90)]
    assert TODAY <= days[0] <= days[1] <= days[2] <= far
    assert 0.0 <= said.wear_first_ratio <= 1.0
    if calendar is not None and calendar <= HORIZON_DAYS:
        assert days[2] <= max(TODAY, calendar_day)
    miles = [math.inf if value is None else value for value in (said.miles_10, said.miles_50, said.miles_90)]
    assert 0.0 <= miles[0] <= miles[1] <= miles[2]


@settings(max_examples=10)
@given(HISTORIES, st.floats(0.0, 0.8), st.floats(0.0, 0.3), st.integers(0, 9))
def test_more_used_is_never_due_later(history, used, more, seed):
    """The same draws, less left: each day the same or sooner."""
    first, second = (
        forecast(history, share, 0.05, Budget(1.0, 0.3), TODAY + 1500, TODAY, seed=seed)
        for share in (used, used + more)
    )
    assert second.day_10 <= first.day_10
    assert second.day_50 <= first.day_50
    assert second.day_90 <= first.day_90
    assert second.wear_first_ratio >= first.wear_first_ratio


@settings(max_examples=10)
@given(HISTORIES, st.floats(0.0, 0.9), st.integers(0, 9))
def test_twice_the_use_is_as_half_the_budget(history, used, seed):
    """Linear: only the ratio of use to what is left counts, to the day."""
    double = History(history.first_day, 2.0 * history.shares, history.miles)
    one = forecast(double, used, 0.05, Budget(1.0, 0.3), None, TODAY, seed=seed)
    other = forecast(history, used / 2.0, 0.025, Budget(0.5, 0.3), None, TODAY, seed=seed)
    assert (one.day_10, one.day_50, one.day_90) == (other.day_10, other.day_50, other.day_90)


@pytest.mark.parametrize("rate", [0.0006, 0.002, 0.01])
def test_twice_the_use_halves_the_time(rate):
    """With all doubts on; 4 % for draws that differ and for whole days."""
    once, twice = (forecast(constant(rate=r), 0.1, 0.0, SURE, None, TODAY).day_50 - TODAY for r in (rate, 2.0 * rate))
    assert twice == pytest.approx(once / 2.0, rel=0.04, abs=1.0)


def test_a_seed_repeats_and_another_differs():
    """A page that is loaded again must not show another date."""
    history = _random_history(3, 200, 0.4, 0.004)
    said = [forecast(history, 0.4, 0.02, Budget(1.0, 0.3), None, TODAY, seed=seed) for seed in (4, 4, 5)]
    assert said[0] == said[1]
    assert said[0] != said[2]


# Order, text, refusals


def test_order_by_day_leaves_the_lead_time_before_the_early_end():
    """What takes three weeks to come is ordered three weeks before it may be due; a negative lead is a caller's bug."""
    assert order_by_day(TODAY + 100, 21) == TODAY + 79
    assert order_by_day(None, 21) is None
    with pytest.raises(InputError, match="lead time"):
        order_by_day(TODAY, -1)


def test_text_has_day_range_miles_and_calendar():
    """One line must do for a crew: when, how sure, how far, and what ends it."""
    said = forecast(constant(), 0.2, 0.02, Budget(1.0, 0.4), TODAY + 900, TODAY)
    for day in (said.day_10, said.day_50, said.day_90, TODAY + 900):
        assert str(date.fromordinal(day)) in said.text
    assert "miles from today" in said.text
    assert f"by use in {round(100 * said.wear_first_ratio)} of 100 cases" in said.text


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: History(TODAY, np.array([math.nan]), np.zeros(1)), "used share"),
        (lambda: History(TODAY, np.array([-0.1]), np.zeros(1)), "used share"),
        (lambda: History(TODAY, np.zeros(2), np.zeros(1)), "expected \\(n,\\)"),
        (lambda: History(TODAY, np.zeros(1), np.array([-1.0])), "miles"),
        (lambda: Planned(TODAY, -0.1, 1.0, 0.1), "planned day"),
        (lambda: Planned(TODAY, 0.1, math.nan, 0.1), "planned day"),
        (lambda: forecast(constant(), -0.1, 0.0, SURE, None, TODAY), "used share"),
        (lambda: forecast(constant(), 0.1, math.nan, SURE, None, TODAY), "used share"),
        (lambda: forecast(constant(today=TODAY + 9), 0.1, 0.0, SURE, None, TODAY), "after today"),
        (lambda: forecast(constant(), 0.1, 0.0, SURE, None, TODAY, [Planned(TODAY - 1, 0.1, 9.0, 0.0)]), "past"),
        (
            lambda: forecast(constant(), 0.1, 0.0, SURE, None, TODAY, [Planned(TODAY + 3652, 0.1, 9.0, 0.0)]),
            "ten years",
        ),
    ],
)
def test_what_cant_be_meant_is_refused(make, match):
    """A wrong sign or a NaN would come out as a date that looks right."""
    with pytest.raises(InputError, match=match):
        make()


def test_a_pool_of_weeks_holds_every_day_of_the_history_once():
    """Turning weeks to today's weekday must not lose or double a day."""
    shares = np.arange(1.0, 71.0)
    weeks = gather_weeks(History(TODAY - 72, shares, shares), TODAY)
    assert sorted(weeks.shares[:-1].ravel()) == list(shares)
    assert weeks.miles == pytest.approx(weeks.shares)


# Ranges against simulated fleets


def check_coverage(cases, least):
    """Assert that 80 % of ranges hold, 10 % are missed on each side: 3 sd of the binomial, as many as there are."""
    early, late, count = early_late(cases)
    assert count >= least
    assert 1.0 - early - late == pytest.approx(0.8, abs=3.0 * math.sqrt(0.16 / count))
    assert early == pytest.approx(0.1, abs=3.0 * math.sqrt(0.09 / count))
    assert late == pytest.approx(0.1, abs=3.0 * math.sqrt(0.09 / count))


def rows_of(cases):
    """Return lines of the table of coverage: held, early, late, and the median of range's end over its begin."""
    groups = [("all", cases)]
    groups += [(f"{days} days of history", [c for c in cases if c.history_days == days]) for days in HISTORY_DAYS]
    groups += [(habit, [c for c in cases if c.habit == habit]) for habit in HABITS]
    sds = sorted({c.budget_log_sd for c in cases})
    groups += [(f"budget known to {sd:.2f}", [c for c in cases if c.budget_log_sd == sd]) for sd in sds]
    rows = []
    for label, group in groups:
        early, late, count = early_late(group)
        free = [c.said for c in group if has_free_ends(c)]
        wide = np.median([(said.day_90 - BEGIN + 1) / (said.day_10 - BEGIN + 1) for said in free])
        rows.append(f"| {label} | {count} | {1 - early - late:.1%} | {early:.1%} | {late:.1%} | {wide:.1f} |")
    return rows


def test_ranges_hold_what_they_state(monkeypatch):
    """150 vehicles, a fifth of the draws for speed: finds a method that is badly off; the long form measures it."""
    monkeypatch.setattr(module, "RUNS", 400)
    cases, _ = simulate(150, seed=11)
    check_coverage(cases, least=60)


@pytest.mark.slow
def test_ranges_hold_what_they_state_long_form():
    """1800 vehicles; prints the table (run with -s). Asked for: 74 to 86 % of 400 or more, also by amount of history.

    Known weakness: where the late end is the calendar or the horizon, more than 10 % come before the early one (found:
    10 to 17 % over four fleets; rare hard trips that were never seen). Wear comes first as often as is said.
    """
    cases, untold = simulate(1800, seed=2026)
    print(f"\n{untold} of 1800 had not driven enough\n" + "\n".join(rows_of(cases)))
    groups = [cases, *([case for case in cases if case.history_days == days] for days in HISTORY_DAYS)]
    for group in groups:
        early, late, count = early_late(group)
        assert count >= 250
        assert 0.74 <= 1.0 - early - late <= 0.86
        assert early < 0.15
        assert late < 0.15
    assert early_late(cases)[2] >= 400
    one_sided = [case for case in cases if has_early_end(case)]
    early = float(np.mean([case.due_day < case.said.day_10 for case in one_sided]))
    print(f"late end capped: early {early:.1%} of {len(one_sided)}")
    assert early < 0.2
    check_wear_first([case for case in cases if case.calendar_day is not None])


def check_wear_first(cases):
    """Assert that wear came before the calendar as often as said: 3 sd of a sum of as many unequal coins."""
    said = np.array([case.said.wear_first_ratio for case in cases])
    really = float(np.mean([case.really_day <= case.calendar_day for case in cases]))
    print(f"wear before the calendar: said {said.mean():.1%}, really {really:.1%} of {len(cases)}")
    assert said.mean() == pytest.approx(really, abs=3.0 * math.sqrt(float((said * (1.0 - said)).sum())) / len(cases))
