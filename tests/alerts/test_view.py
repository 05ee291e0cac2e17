"""What the last minutes brought, out of totals that only rise."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from alerts.moments import S
from dutylog.alerts.view import BOTTOMED_NS, COVERAGE_NS, MOST_BOTTOM_OUTS, RecentMotion

US = 1_000_000


def drive(motion, seconds, start_s=0, *, covered=1.0, moving=True, unit="a", base=(0, 0)):
    """Let seconds pass; return totals of time in motion and measured."""
    moving_us, measured_us = base
    for n in range(start_s, start_s + seconds):
        moving_us += US * moving
        measured_us += round(US * covered) * moving
        motion.take(n * S, unit, moving_us, measured_us, 0)
    return moving_us, measured_us


def test_with_less_than_a_minute_of_motion_a_share_says_nothing():
    motion = RecentMotion()
    base = drive(motion, 60, covered=0.5)
    assert motion.measured_ratio() is None
    drive(motion, 2, 60, covered=0.5, base=base)
    assert abs(motion.measured_ratio() - 0.5) < 1e-9


def test_only_the_last_ten_minutes_count():
    motion = RecentMotion()
    base = drive(motion, 3000, covered=0.0)
    assert motion.measured_ratio() == 0.0
    drive(motion, 700, 3000, base=base)
    assert motion.measured_ratio() == 1.0


def test_half_of_ten_minutes_lost_is_half():
    motion = RecentMotion()
    base = drive(motion, 5000)
    drive(motion, 300, 5000, covered=0.0, base=base)
    assert abs(motion.measured_ratio() - 0.5) < 0.02


def test_a_vehicle_that_stands_says_nothing_of_coverage_but_knows_the_time():
    motion = RecentMotion()
    base = drive(motion, 100)
    assert not motion.lasts(COVERAGE_NS)
    drive(motion, 700, 100, moving=False, base=base)
    assert motion.measured_ratio() is None
    assert motion.lasts(COVERAGE_NS)


def test_bottom_outs_are_those_of_five_minutes():
    motion = RecentMotion()
    motion.take(0, "a", 0, 0, 7)
    assert motion.bottom_outs_count == 0
    motion.take(S, "a", 0, 0, 9)
    motion.take(100 * S, "a", 0, 0, 10)
    assert motion.bottom_outs_count == 3
    motion.take(BOTTOMED_NS + 2 * S, "a", 0, 0, 10)
    assert motion.bottom_outs_count == 1
    motion.take(BOTTOMED_NS + 101 * S, "a", 0, 0, 10)
    assert motion.bottom_outs_count == 0
    assert motion.lasts(BOTTOMED_NS)


def test_another_damper_or_a_recount_begins_anew():
    motion = RecentMotion()
    base = drive(motion, 700, covered=0.5)
    motion.take(700 * S, "b", base[0] + 5, base[1] + 5, 0)
    assert motion.measured_ratio() is None
    assert not motion.lasts(BOTTOMED_NS)
    motion.take(701 * S, "b", 3, 3, 0)
    assert not motion.lasts(S)


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 3 * US), st.integers(0, US), st.integers(0, 300))))
def test_shares_are_shares_and_counts_are_bounded(steps):
    motion, now_ns, moving, measured, bottoms = RecentMotion(), 0, 0, 0, 0
    for step_s, more_us, lost_us, hits in steps:
        now_ns += step_s * S
        moving, measured, bottoms = moving + more_us, measured + max(0, more_us - lost_us), bottoms + hits
        motion.take(now_ns, "a", moving, measured, bottoms)
        ratio = motion.measured_ratio()
        assert ratio is None or 0.0 <= ratio <= 1.0
        assert 0 <= motion.bottom_outs_count <= MOST_BOTTOM_OUTS
