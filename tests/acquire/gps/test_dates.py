"""Which dates are believed, and the pair of wall time and monotonic time that follows."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from dutylog.acquire.gps.dates import CONSISTENT_COUNT, DateWatch, guess_true_date, is_rollover
from dutylog.acquire.gps.fixes import Fix

FIX = Fix(100_000_000_000, 43_200.0, 45.0, 7.0, 0.0, date(2026, 7, 1), 0.9, 9)


def _fixes(count, start=FIX, step_s=1.0):
    """Return fixes that go on a second each, date and time over midnight too."""
    day = datetime(start.date.year, start.date.month, start.date.day, tzinfo=UTC)
    instants = [day + timedelta(seconds=start.tod_s + i * step_s) for i in range(count)]
    return [
        replace(
            start,
            mono_ns=start.mono_ns + round(i * step_s * 1e9),
            tod_s=(at - datetime(at.year, at.month, at.day, tzinfo=UTC)).total_seconds(),
            date=at.date(),
        )
        for i, at in enumerate(instants)
    ]


def test_a_sane_date_is_believed_after_ten_fixes():
    watch = DateWatch(2026)
    assert [watch.judge(fix) for fix in _fixes(12)] == [False] * 9 + [True] * 3
    expected_s = int(datetime(2026, 7, 1, 12, 0, 11, tzinfo=UTC).timestamp())
    assert watch.utc() == (expected_s * 10**9, 111_000_000_000)


def test_nothing_is_said_before():
    watch = DateWatch(2026)
    for fix in _fixes(CONSISTENT_COUNT - 1):
        watch.judge(fix)
        assert watch.utc() is None


def test_midnight_and_the_end_of_a_month_go_on():
    watch = DateWatch(2026)
    start = replace(FIX, tod_s=86_390.0, date=date(2026, 7, 31))
    assert [watch.judge(fix) for fix in _fixes(20, start)][9:] == [True] * 11
    expected_s = int(datetime(2026, 8, 1, 0, 0, 9, tzinfo=UTC).timestamp())
    assert watch.utc()[0] == expected_s * 10**9


def test_a_date_that_did_not_change_at_midnight_is_refused():
    watch = DateWatch(2026)
    fixes = [replace(fix, date=date(2026, 7, 1)) for fix in _fixes(20, replace(FIX, tod_s=86_385.0))]
    for fix in fixes:
        watch.judge(fix)
    assert watch.counts["jumped"] == 1
    assert watch.utc() is None


@pytest.mark.parametrize(
    ("day", "reason"),
    [
        (date(1999, 8, 22), "before_build"),
        (date(2025, 12, 31), "before_build"),
        (date(2046, 1, 1), "too_late"),
        (None, "missing"),
    ],
)
def test_a_date_that_cannot_be_is_refused(day, reason):
    watch = DateWatch(2026)
    for fix in _fixes(20):
        assert not watch.judge(replace(fix, date=day))
    assert watch.counts == {reason: 20}
    assert watch.utc() is None


def test_a_rollover_of_the_week_on_the_way_is_noticed():
    """2019-04-07 became 1999-08-22: 1024 weeks."""
    watch = DateWatch(2019)
    for fix in _fixes(20, replace(FIX, date=date(2019, 4, 6), tod_s=86_385.0)):
        rolled = fix.date - timedelta(weeks=1024) if fix.date == date(2019, 4, 7) else fix.date
        watch.judge(replace(fix, date=rolled))
    assert watch.counts == {"settling": 9, "rollover": 1, "before_build": 4}
    assert watch.utc() is None


def test_what_a_rolled_over_date_stands_for():
    assert guess_true_date(date(1999, 8, 22), 2019) == date(2019, 4, 7)
    assert guess_true_date(date(2026, 7, 1), 2026) is None
    assert is_rollover(date(2019, 4, 6), date(1999, 8, 22))
    assert not is_rollover(date(2019, 4, 6), date(2019, 4, 7))


def test_a_leap_second_step_of_the_receiver_takes_the_time_back():
    """A cold receiver that learns its leap seconds steps by some; the old pair was wrong then."""
    watch = DateWatch(2026)
    fixes = _fixes(40)
    stepped = fixes[:15] + [replace(fix, tod_s=fix.tod_s - 2.0) for fix in fixes[15:]]
    believed = [watch.judge(fix) for fix in stepped]
    assert believed == [False] * 9 + [True] * 6 + [False] * 9 + [True] * 16
    assert watch.counts == {"settling": 9 + 8, "jumped": 1}
