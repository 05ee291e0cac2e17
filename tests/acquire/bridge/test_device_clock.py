"""Rows get their instants from index and pings: within a millisecond, for hours, past every wrap."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.bridge.clock_simulation import Crystal, Line, simulate
from dutylog.acquire.bridge.device_clock import RENEW_AT_MOST_NS, WRAP, DeviceClock, widen
from dutylog.errors import InputError

P99_MS = 1.0
"""What is asked of rows after 5 s with round trips of 0.3 to 5 ms."""


@given(st.integers(0, 2**50), st.integers(-(2**31) + 1, 2**31 - 1))
def test_a_wrapped_count_is_widened_to_the_nearest_one(near: int, off: int) -> None:
    assert widen((near + off) % WRAP, near) == near + off


@settings(max_examples=12, deadline=None)
@given(st.floats(-100, 100), st.integers(0, 2**32))
def test_rows_are_timed_to_a_millisecond_from_five_seconds_on(drift_ppm: float, seed: int) -> None:
    """Any crystal, any split of the round trips between the two ways; five minutes, from the fifth second on."""
    outcome = simulate(Crystal(drift_ppm), Line(), 300.0, seed)
    assert outcome.p99_ms(5.0, 60.0) < P99_MS
    assert outcome.p99_ms() < P99_MS
    assert outcome.least_step_s > 0.0


@pytest.mark.parametrize("drift_ppm", [100.0, pytest.param(-100.0, marks=pytest.mark.slow)])
def test_two_hours_with_a_wrap_of_ticks_stay_within_a_millisecond(drift_ppm: float) -> None:
    """Ticks of 1 MHz wrap after 71.6 minutes: here twice, half a minute after the start and then."""
    outcome = simulate(Crystal(drift_ppm), Line(), 7200.0, seed=3)
    assert outcome.p99_ms() < P99_MS
    assert abs(outcome.clock.drift_ppm - drift_ppm) < 3.0  # the fit's own deviation is 0.5 ppm
    assert outcome.grids <= 12
    assert outcome.least_step_s > 0.0


def test_a_crystal_that_warms_up_is_followed() -> None:
    """40 ppm within half an hour, as in a box in the sun (judgement)."""
    outcome = simulate(Crystal(-20.0, warming_ppm=40.0), Line(), 3600.0, seed=4)
    assert outcome.p99_ms() < P99_MS
    assert outcome.grids <= 25


def test_a_line_that_is_slow_one_way_errs_by_half_its_round_trip_and_no_more() -> None:
    """Nothing on this side can tell it; the documents say the bound."""
    outcome = simulate(Crystal(30.0), Line((0.8e-3, 0.9e-3), forward_share=1.0), 60.0, seed=5)
    assert 0.3 < outcome.p99_ms() < 0.45 + 0.55  # half the round trip and a grid's tolerance


def test_pongs_of_nonsense_do_not_move_the_clock() -> None:
    """One in seven answers with any tick at all."""
    outcome = simulate(Crystal(60.0), Line(), 120.0, seed=6, stray_every=7)
    assert outcome.p99_ms() < P99_MS
    assert outcome.least_step_s > 0.0


def test_late_interrupts_do_not_move_the_clock() -> None:
    """A millisecond of lateness on average would move each row by one; the grid by its mean at most."""
    outcome = simulate(Crystal(60.0), Line(), 120.0, seed=7, late_s=200e-6)
    assert outcome.p99_ms() < P99_MS


@pytest.mark.parametrize("rate_hz", [50, 333, 2000])
def test_other_rates_are_timed_as_well_and_time_never_goes_back(rate_hz: int) -> None:
    """At 2 kHz a step back of half a millisecond is a whole row: it is taken in parts."""
    outcome = simulate(Crystal(-100.0), Line(), 120.0, seed=8, rate_hz=rate_hz)
    assert outcome.p99_ms() < P99_MS
    assert outcome.least_step_s > 0.0


def test_a_slow_line_makes_few_grids() -> None:
    """Round trips of 10 to 60 ms tell time to milliseconds; the grid must not follow their noise."""
    outcome = simulate(Crystal(20.0), Line((10e-3, 60e-3)), 600.0, seed=9)
    assert outcome.grids <= 20
    assert outcome.least_step_s > 0.0


@pytest.mark.parametrize(
    ("drift_ppm", "is_as_claimed"), [(150.0, True), (-190.0, True), (260.0, False), (-900.0, False)]
)
def test_a_crystal_of_over_200_ppm_is_not_what_it_claims(drift_ppm: float, is_as_claimed: bool) -> None:
    outcome = simulate(Crystal(drift_ppm), Line(), 60.0, seed=10)
    rate = outcome.clock.rate()
    assert rate.is_as_claimed is is_as_claimed
    assert abs(rate.error_ppm - drift_ppm) < 15.0
    assert outcome.p99_ms() < P99_MS  # its rows are timed right all the same


def test_grid_is_the_same_object_until_it_is_off() -> None:
    """Rows that go on must lie on the same grid to 2 ns; one that moved with each ping would end a frame a second."""
    outcome = simulate(Crystal(0.0), Line((0.3e-3, 0.4e-3), forward_share=0.5), 300.0, seed=11)
    assert outcome.grids == 1
    assert RENEW_AT_MOST_NS == 1_500_000


def test_a_pong_from_nowhere_is_left_out() -> None:
    """The board can't have held a ping for longer than it was away, nor was it away for a minute."""
    clock = DeviceClock(1_000_000, 1000)
    clock.add_ping(0, 1_000_000, 500, 9_000_500)
    clock.add_ping(0, 61_000_000_000, 500, 600)
    assert clock.best_round_trip_ns is None
    clock.add_ping(0, 1_000_000, 500, 600)
    assert clock.best_round_trip_ns == 900_000


def test_ticks_that_wrap_while_the_board_holds_a_ping_count_on() -> None:
    clock = DeviceClock(1_000_000, 1000)
    clock.add_ping(0, 1_000_000, WRAP - 50, 50)
    assert clock.best_round_trip_ns == 900_000
    assert clock.ns_at_tick(WRAP) == 500_000


def test_without_pings_or_rows_there_is_no_time() -> None:
    clock = DeviceClock(1_000_000, 1000)
    with pytest.raises(InputError, match="no rows came yet"):
        clock.grid_at(0)
    clock.add_rows(0, 5)
    with pytest.raises(InputError, match="no ping came back yet"):
        clock.grid_at(0)
