"""Speed from counted pulses: true to its pulses, zero at rest, silent about what isn't known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from dutylog.acquire.bridge.wheel_speed import WheelSpeed
from dutylog.recording.framer import Grid

GRID = Grid(0, 1_000_000_000, 10**12)


def run(
    wheel: WheelSpeed, pulses: NDArray[np.int64], step: int = 40, first: int = 0
) -> tuple[list[int], list[float], list[int]]:
    """Feed counts at rows first + step - 1, ...; return indices, speeds [m/s] and instants [ns]."""
    indices: list[int] = []
    speeds: list[float] = []
    instants: list[int] = []
    for number, count in enumerate(pulses):
        got = wheel.add(first + (number + 1) * step - 1, int(count) % 2**32, GRID)
        if got is not None:
            indices += range(got.index, got.index + len(got.data))
            speeds += [float(value) for value in got.data[:, 0]]
            instants += [got.grid.time_ns(got.index + i) for i in range(len(got.data))]
    return indices, speeds, instants


def counts(speed_mps: float, pulses_per_m: float, frames: int, step_s: float = 0.04) -> NDArray[np.int64]:
    return np.floor(np.arange(1, frames + 1) * step_s * speed_mps * pulses_per_m).astype(np.int64)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5, 60), st.floats(1, 60))
def test_speed_is_right_to_a_pulse_in_its_window(speed_mps: float, pulses_per_m: float) -> None:
    """3 % where 32 pulses come within a second, else one pulse a second, either way."""
    wheel = WheelSpeed(pulses_per_m, 1000)
    _, speeds, _ = run(wheel, counts(speed_mps, pulses_per_m, 100))
    tolerance = max(speed_mps / 31, wheel.resolution_mps) + 1e-6
    assert np.max(np.abs(np.array(speeds[20:]) - speed_mps)) <= tolerance


def test_ten_rows_a_second_on_the_grid_of_travel() -> None:
    indices, _, instants = run(WheelSpeed(10.0, 1000), counts(20.0, 10.0, 50))
    assert indices == list(range(indices[0], 20))
    assert indices[0] <= 2
    assert instants == [1_000_000_000 + index * 100_000_000 for index in indices]


@pytest.mark.parametrize("rate_hz", [50, 333, 2000])
def test_rows_lie_on_the_grid_at_any_rate(rate_hz: int) -> None:
    """333 isn't a multiple of ten: row k lies between two rows of travel."""
    step = rate_hz // 25
    wheel = WheelSpeed(10.0, rate_hz)
    grid = Grid(0, 5, 10**15 // rate_hz)
    got = [wheel.add((n + 1) * step - 1, n * 8, grid) for n in range(60)]
    runs = [speed for speed in got if speed is not None]
    assert [speed.index for speed in runs[1:]] == [speed.index + len(speed.data) for speed in runs[:-1]]
    for speed in runs:
        assert abs(speed.grid.time_ns(speed.index) - (5 + speed.index * 100_000_000)) <= 2


def test_a_new_grid_of_travel_is_a_new_one_of_speed() -> None:
    """Else speed would drift away from travel with the first grid's spacing."""
    wheel = WheelSpeed(10.0, 1000)
    for number in range(25):
        wheel.add(number * 40 + 39, number * 8, GRID)
    late = Grid(1000, 2_000_500_000, 10**12 + 10**7)
    got = [wheel.add(number * 40 + 39, number * 8, late) for number in range(25, 50)]
    runs = [speed for speed in got if speed is not None]
    assert len(runs) >= 9
    assert all(speed.grid.period_fs == 100 * late.period_fs for speed in runs)
    assert all(abs(speed.grid.time_ns(speed.index) - late.time_ns(speed.index * 100)) <= 2 for speed in runs)


def test_no_pulse_for_a_second_is_standstill() -> None:
    moving = counts(10.0, 4.0, 50)
    _, speeds, _ = run(WheelSpeed(4.0, 1000), np.concatenate([moving, np.full(60, moving[-1])]))
    assert speeds[15] == pytest.approx(10.0, rel=0.05)
    assert speeds[-10:] == [0.0] * 10


def test_a_count_that_wraps_goes_on() -> None:
    _, speeds, _ = run(WheelSpeed(10.0, 1000), counts(20.0, 10.0, 100) + 2**32 - 300)
    assert np.max(np.abs(np.array(speeds[5:]) - 20.0)) < 1.0


def test_a_speed_beyond_any_vehicle_is_no_number() -> None:
    """A ringing line, or pulses a turn entered as pulses a metre."""
    _, speeds, _ = run(WheelSpeed(1.0, 1000), counts(500.0, 1.0, 50))
    assert np.all(np.isnan(speeds[2:]))


def test_a_long_hole_gives_no_rows_for_it() -> None:
    """Five seconds without frames: what the wheel did then isn't known."""
    wheel = WheelSpeed(10.0, 1000)
    before, _, _ = run(wheel, counts(20.0, 10.0, 50))
    after, speeds, _ = run(wheel, 5000 + counts(20.0, 10.0, 50), first=7000)
    assert before[-1] == 19
    assert 70 <= after[0] <= 72
    assert speeds[0] == pytest.approx(20.0, rel=0.05)


def test_a_short_hole_is_bridged_as_pulses_are_counted_on() -> None:
    wheel = WheelSpeed(10.0, 1000)
    every = counts(20.0, 10.0, 100)
    first, _, _ = run(wheel, every[:50])
    second, speeds, _ = run(wheel, every[60:], first=60 * 40)
    assert first + second == list(range(first[0], second[-1] + 1))
    assert np.max(np.abs(np.array(speeds) - 20.0)) < 1.0
