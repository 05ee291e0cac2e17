"""Will a part make it through a plan: closed forms, and the same answer as the forecast gives."""

from __future__ import annotations

import math
from datetime import date
from statistics import NormalDist

import numpy as np
import pytest

from dutylog.errors import InputError
from dutylog.life.budget import Budget
from dutylog.life.forecast import RUNS, History, Planned, forecast
from dutylog.life.plan import planned_trip, will_make_it

TODAY = date(2026, 5, 6).toordinal()
UNKNOWN = History(TODAY, np.zeros(0), np.zeros(0))
Z_90 = NormalDist().inv_cdf(0.9)


def history(rate=0.001, days=364, seed=None):
    shares = np.full(days, rate)
    if seed is not None:
        rng = np.random.default_rng(seed)
        shares = np.where(rng.random(days) < 0.4, rng.gamma(0.8, 3.0 * rate, days), 0.0)
    return History(TODAY - days, shares, 2e4 * shares)


def within(ratio):
    """Return three standard deviations of a ratio counted in as many draws as there are."""
    return 3.0 * math.sqrt(ratio * (1.0 - ratio) / RUNS)


@pytest.mark.parametrize("shares", [0.1, 0.25, 0.35])
def test_a_doubtful_budget_makes_it_as_often_as_the_closed_form(shares):
    """No driving between, a sure trip: P(budget > used + trip) of a log-normal."""
    said = will_make_it(UNKNOWN, 0.6, 0.0, Budget(1.0, 0.2), [Planned(TODAY + 5, shares, 100.0, 0.0)], TODAY)
    really = NormalDist().cdf(-math.log(0.6 + shares) / 0.2)
    assert said.ratio == pytest.approx(really, abs=within(really))


def test_a_doubtful_trip_makes_it_as_often_as_the_closed_form():
    """A sure budget: P(trip < what is left), and what it takes is the trip's own range. Days of it are alike."""
    trip = planned_trip(400.0, range(TODAY + 3, TODAY + 7), 0.25 / 400.0, 0.3)
    said = will_make_it(UNKNOWN, 0.7, 0.0, Budget(1.0, 0.0), trip, TODAY)
    really = NormalDist().cdf(math.log(0.3 / 0.25) / 0.3)
    assert said.ratio == pytest.approx(really, abs=within(really))
    # 3 sd of a quantile of 2000 draws are 0.11 of a deviation, 0.3 here.
    assert said.takes_10 == pytest.approx(0.25 * math.exp(-0.3 * Z_90), rel=0.035)
    assert said.takes_90 == pytest.approx(0.25 * math.exp(0.3 * Z_90), rel=0.035)
    # The neighbouring draw, as a quantile counted from above.
    assert said.left_90 == pytest.approx(0.3 - said.takes_10, abs=0.001)
    assert said.left_10 == pytest.approx(0.3 - said.takes_90, abs=0.001)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("last", [0, 40, 200])
def test_the_plan_agrees_with_the_forecast(seed, last):
    """One truth, asked twice: it makes it just as often as the forecast isn't due by the last planned day."""
    trip = [Planned(TODAY + last // 2, 0.03, 100.0, 0.3), Planned(TODAY + last, 0.08, 150.0, 0.3)]
    known = history(seed=seed)
    made = will_make_it(known, 0.7, 0.05, Budget(1.0, 0.2), trip, TODAY, seed)
    due = forecast(known, 0.7, 0.05, Budget(1.0, 0.2), TODAY + last, TODAY, trip, seed)
    assert 0.0 < made.ratio < 1.0
    assert made.ratio == pytest.approx(1.0 - due.wear_first_ratio, abs=1.5 / RUNS)


def test_driving_until_the_trip_counts_and_on_its_days_does_not():
    """A trip in 100 days leaves less than the same one tomorrow; its own day isn't counted twice."""
    trips = [[Planned(TODAY + day, 0.1, 100.0, 0.0)] for day in (0, 100)]
    now, later = (will_make_it(history(), 0.5, 0.0, Budget(1.0, 0.0), trip, TODAY) for trip in trips)
    assert now.left_10 == now.left_90 == pytest.approx(0.4)
    assert later.left_10 < 0.3 < later.left_90
    assert "driving until then takes" in later.text
    assert "driving until then" not in now.text


def test_where_driving_cant_be_told_the_text_says_so():
    """Left out in silence, the answer would look better than it is."""
    said = will_make_it(UNKNOWN, 0.5, 0.0, Budget(1.0, 0.2), [Planned(TODAY + 9, 0.1, 100.0, 0.0)], TODAY)
    assert "driving until then isn't counted" in said.text


def test_shares_are_told_as_parts_of_the_budget():
    """A part known to last twice as long takes half the share of its budget: the text is read without knowing that."""
    trip = [Planned(TODAY, 0.2, 400.0, 0.0)]
    said = will_make_it(UNKNOWN, 1.0, 0.0, Budget(2.0, 0.0), trip, TODAY)
    assert said.takes_10 == said.takes_90 == pytest.approx(0.1)
    assert said.left_10 == pytest.approx(0.4)
    assert said.text.startswith("400 miles planned take 0.10 of its budget")
    assert "with 0.50 used it makes it in more than 99 of 100 cases; 0.40 is left after it" in said.text


@pytest.mark.parametrize(("used", "words"), [(0.3, "more than 99"), (1.3, "fewer than 1 of"), (0.8, " of 100 cases")])
def test_draws_never_promise(used, words):
    """2000 draws can't prove always or never."""
    trip = [Planned(TODAY + 5, 0.2, 400.0, 0.2)]
    said = will_make_it(UNKNOWN, used, 0.0, Budget(1.0, 0.05), trip, TODAY)
    assert words in said.text
    assert "have it serviced first when that is too few" in said.text
    assert ("overdrawn" in said.text) == (said.left_10 < 0.0)


def test_a_trip_is_spread_over_its_days():
    """Miles and shares add up to the trip's, the same each day."""
    trip = planned_trip(400.0, [TODAY + 3, TODAY + 5, TODAY + 9], 5e-4, 0.25)
    assert [one.day - TODAY for one in trip] == [3, 5, 9]
    assert sum(one.miles for one in trip) == pytest.approx(400.0)
    assert sum(one.shares for one in trip) == pytest.approx(0.2)
    assert {one.log_sd for one in trip} == {0.25}
    assert len({one.shares for one in trip}) == 1


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: planned_trip(400.0, [], 5e-4, 0.2), "each of its days"),
        (lambda: planned_trip(400.0, [TODAY, TODAY], 5e-4, 0.2), "each of its days"),
        (lambda: planned_trip(-1.0, [TODAY], 5e-4, 0.2), "finite"),
        (lambda: planned_trip(400.0, [TODAY], math.nan, 0.2), "finite"),
        (lambda: will_make_it(UNKNOWN, 0.5, 0.0, Budget(1.0, 0.1), [], TODAY), "nothing is planned"),
    ],
)
def test_what_cant_be_meant_is_refused(make, match):
    """A plan of nothing would always be made; a NaN would compare as made or not by chance."""
    with pytest.raises(InputError, match=match):
        make()
