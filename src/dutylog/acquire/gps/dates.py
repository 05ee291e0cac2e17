"""Which dates of a receiver are believed, and the wall time that follows; rows don't depend on it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from dutylog.acquire.gps.fixes import Fix
from dutylog.units import NS_PER_S

BUILD_YEAR = 2026
"""The year this was written: no honest date lies before it. To be raised with a release; judgement."""
ROLLOVER = timedelta(weeks=1024)
"""Span of the week number that satellites send. Source: IS-GPS-200, 20.3.3.3.1.1 (ten bits; from memory)."""
CONSISTENT_COUNT = 10
"""Fixes in a row whose date and time advance like our own clock; judgement: a receiver that corrects its leap
seconds or its week after the start does so within seconds."""
MARGIN_S = 1.5
"""As `GateLimits.time_margin_s`: arrival jitters by up to a second's worth of sentences."""


@dataclass(slots=True)
class DateWatch:
    """Judges the dates of believed fixes. build_year: of this program.

    A date 1024 weeks late can't be told from a true one; but a receiver that is wrong shows a date about 20 years
    early, and that is seen.
    """

    build_year: int = BUILD_YEAR
    counts: Counter[str] = field(default_factory=Counter)
    last_reason: str = ""
    last_date: date | None = None
    _count: int = 0
    _newest: tuple[int, int] | None = None

    def judge(self, fix: Fix) -> bool:
        """Return whether the date of a believed fix is believed."""
        reason = self._find_reason(fix)
        self.last_reason = reason
        if reason:
            self.counts[reason] += 1
        return not reason

    def utc(self) -> tuple[int, int] | None:
        """Return the newest believed (UTC [ns since 1970], arrival [monotonic ns]), None where there is none."""
        return self._newest if self._count >= CONSISTENT_COUNT else None

    def _find_reason(self, fix: Fix) -> str:
        previous, self.last_date = self.last_date, fix.date or self.last_date
        if fix.date is None:
            self._count = 0
            return "missing"
        if previous is not None and is_rollover(previous, fix.date):
            self._count, self._newest = 0, None
            return "rollover"
        earliest = date(self.build_year, 1, 1)
        if not earliest <= fix.date < earliest + ROLLOVER:
            self._count, self._newest = 0, None
            return "before_build" if fix.date < earliest else "too_late"
        pair = (_to_utc_ns(fix), fix.mono_ns)
        known, self._newest = self._newest, pair
        if known is not None and abs(_drift_s(known, pair)) > MARGIN_S:
            self._count = 1
            return "jumped"
        self._count += 1
        return "" if self._count >= CONSISTENT_COUNT else "settling"


def is_rollover(earlier: date, later: date) -> bool:
    """Return whether one date follows the other by 1024 weeks, back or forth, to a day (it may pass midnight)."""
    return abs(abs((later - earlier).days) - ROLLOVER.days) <= 1


def guess_true_date(day: date, build_year: int = BUILD_YEAR) -> date | None:
    """Return the date that an early one stands for if its week number rolled over, None where it isn't early."""
    earliest = date(build_year, 1, 1)
    if day >= earliest:
        return None
    while day < earliest:
        day += ROLLOVER
    return day


def _to_utc_ns(fix: Fix) -> int:
    """Return the time a fix names [ns since 1970]; without leap seconds, as all of POSIX."""
    assert fix.date is not None  # noqa: S101  # its caller has just looked
    midnight = datetime(fix.date.year, fix.date.month, fix.date.day, tzinfo=UTC)
    return int(midnight.timestamp()) * NS_PER_S + round(fix.tod_s * NS_PER_S)


def _drift_s(earlier: tuple[int, int], later: tuple[int, int]) -> float:
    """Return how much further UTC went than the monotonic clock [s]."""
    return ((later[0] - earlier[0]) - (later[1] - earlier[1])) / NS_PER_S
