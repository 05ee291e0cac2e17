"""When the rows of the bridge were sampled, by the host's monotonic clock.

Two lines are fitted. Ticks to host time, from pings: the board took the ping at some instant between its leaving
and the pong's coming back, so the middle of the two is off by half the round trip at most, and a ping weighs in by
the inverse square of its round trip. The quickest pings of the last minutes decide, slow ones are next to nothing.
Index to ticks, from the tick that each frame of samples states for its first row. What can't be seen from here is a
line that is always slower one way than the other: the error it makes is below half the smallest round trip.

The log wants rows on a grid that stays: index, instant and spacing, latched. The error of a latched grid grows with
the error of its spacing; at the start only the crystal's claim is known, and 100 ppm are 0.1 ms a second. Were a new
grid begun only where the old one is off by 1.5 ms, rows would be off by more than 1 ms for a third of the time
while the fit is still short. So a new one begins where the latched one is off by more than RENEW_NS, or by three
standard deviations of the fit where the line is too slow to know it that well, and at 1.5 ms in any case. As the
fit grows longer its spacing becomes right to parts per million and grids last for minutes to hours. A step is
below a row's spacing at 1 kHz; at higher rates it is taken in parts, time never goes backwards.
Source: derivation above; measured in tests/acquire/bridge/test_device_clock.py.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from dutylog.acquire.bridge.robust_line import Line, RobustLine
from dutylog.errors import InputError
from dutylog.recording.framer import Grid
from dutylog.units import FS_PER_NS, FS_PER_S, NS_PER_S

WRAP = 1 << 32
RENEW_NS = 500_000
RENEW_AT_MOST_NS = 1_500_000
RENEW_SIGMAS = 3.0
CRYSTAL_PPM = 200.0
"""Quartz crystals of microcontroller boards are sold with 10 to 50 ppm, ceramic resonators with up to 0.5 %
(common practice, no published source); four times the worst crystal is accepted without a word."""
_PRIOR_RATIO = 200e-6
_PING_FLOOR_NS = 20_000.0
"""Reading either clock around a system call takes some microseconds (judgement)."""
_PING_SLACK_NS = 1_000_000
_LONGEST_PING_NS = NS_PER_S
_ROUND_TRIPS = 64
_ROW_SIGMA_S = 100e-6
"""An interrupt is late by some 10 us; more are outliers (judgement)."""
_PING_ROOM, _PING_SPAN_S = 512, 240
_ROW_ROOM, _ROW_SPAN_S = 1024, 40
_REFIT_FRAMES = 25
_LEAST_STEP_RATIO = 0.25
_RATE_AFTER_S = 1.5


def widen(value: int, near: int, wrap: int = WRAP) -> int:
    """Return the integer congruent to `value` modulo `wrap` that lies nearest to `near`."""
    return near + (value - near + wrap // 2) % wrap - wrap // 2


@dataclass(frozen=True, slots=True)
class RateView:
    """The rate of rows as the host sees it against the claimed one, and how sure that is."""

    rate_hz: float
    error_ppm: float
    error_std_ppm: float
    is_known: bool

    @property
    def is_as_claimed(self) -> bool:
        """Return whether the error may still be that of a crystal."""
        return not self.is_known or abs(self.error_ppm) <= CRYSTAL_PPM + 3.0 * self.error_std_ppm


class DeviceClock:
    """Maps row indices and ticks of one run of the board to host monotonic time [ns].

    tick_hz, rate_hz: what the board claims. Instants are int [ns], ticks and indices int, already widened where the
    name doesn't end in 32. `grid_at` and `ns_at_row` need at least one ping and one frame of rows before.
    renewals: grids begun after the first.
    """

    def __init__(self, tick_hz: int, rate_hz: int) -> None:
        self._tick_hz, self._rate_hz = tick_hz, rate_hz
        # The board's timer counts whole ticks (shared/PROTOCOL.md).
        self._ticks_per_row = tick_hz // rate_hz
        # Half ticks, so that the middle of two ticks is an integer.
        self._pings = RobustLine(NS_PER_S / (2 * tick_hz), _PRIOR_RATIO, _PING_ROOM, 2 * _PING_SPAN_S * tick_hz)
        self._rows = RobustLine(float(self._ticks_per_row), _PRIOR_RATIO, _ROW_ROOM, _ROW_SPAN_S * rate_hz)
        self._ns_of_half_tick: Line | None = None
        self._tick_of_row: Line | None = None
        self._anchor: tuple[int, int] | None = None
        self._since_fit = 0
        self._first_row: int | None = None
        self._end_row = 0
        self._grid: Grid | None = None
        self._is_fit_new = False
        self._round_trips_ns: deque[int] = deque(maxlen=_ROUND_TRIPS)

    def add_ping(self, sent_ns: int, received_ns: int, received_tick32: int, sent_tick32: int) -> None:
        """Take a ping's four instants: leaving and coming back by the host, coming and leaving by the board."""
        middle_ns = (sent_ns + received_ns) // 2
        tick = widen(received_tick32, self.tick_near(middle_ns, received_tick32))
        held_ticks = (sent_tick32 - received_tick32) % WRAP
        round_trip_ns = received_ns - sent_ns - held_ticks * NS_PER_S // self._tick_hz
        if not -_PING_SLACK_NS <= round_trip_ns <= _LONGEST_PING_NS:
            return  # held for longer than it was away, or away for so long that it tells nothing
        round_trip_ns = max(round_trip_ns, 0)
        # Even spread of the one way's share over the round trip has this deviation.
        self._pings.add(2 * tick + held_ticks, middle_ns, round_trip_ns / math.sqrt(12.0) + _PING_FLOOR_NS)
        self._round_trips_ns.append(round_trip_ns)
        self._ns_of_half_tick = self._pings.fit()
        self._is_fit_new = True
        self._anchor = (tick, middle_ns)

    def tick_near(self, mono_ns: int, first: int = 0) -> int:
        """Return about which tick it is at a host instant, good enough to widen others; `first` before any ping."""
        if self._anchor is None:
            return first
        return self._anchor[0] + (mono_ns - self._anchor[1]) * self._tick_hz // NS_PER_S

    def add_rows(self, index: int, tick: int) -> None:
        """Take a frame's first row, sampled at `tick`."""
        if self._first_row is None:
            self._first_row = index
        self._rows.add(index, tick, _ROW_SIGMA_S * self._tick_hz)
        self._since_fit += 1
        if self._since_fit > min(_REFIT_FRAMES, len(self._rows) // 8):
            self._tick_of_row = self._rows.fit()
            self._since_fit, self._is_fit_new = 0, True

    def row_off_s(self, index: int, tick: int) -> float:
        """Return how far [s] a frame's tick is behind that expected of its index; 0 before any frame."""
        if self._tick_of_row is None:
            return 0.0
        return (tick - self._tick_of_row.y_at(index)) / self._tick_hz

    def ns_at_tick(self, tick: int) -> int:
        """Return the host instant of a tick by the fit as it is now."""
        if self._ns_of_half_tick is None:
            raise InputError("no ping came back yet, so ticks have no host time")
        return self._ns_of_half_tick.y_at(2 * tick)

    def ns_at_row(self, index: int) -> int:
        """Return the host instant of a row by the fit as it is now; it moves a little with each ping."""
        if self._tick_of_row is None:
            raise InputError("no rows came yet, so indices have no ticks")
        return self.ns_at_tick(self._tick_of_row.y_at(index))

    def grid_at(self, index: int) -> Grid:
        """Return the grid for rows from `index` on: the latched one, or a new one where that is off."""
        if self._grid is None or self._is_fit_new:
            self._is_fit_new = False
            self._grid = self._choose_grid(index)
        return self._grid

    def end_rows(self, index: int) -> None:
        """Note that rows before `index` have their place in time; what comes later lies behind them."""
        self._end_row = index

    def _choose_grid(self, index: int) -> Grid:
        fitted_ns = self.ns_at_row(index)
        period_fs = self._period_fs()
        old = self._grid
        if old is None:
            return Grid(index, fitted_ns, period_fs)
        std_ns = self._std_ns(index)
        tolerance_ns = min(max(RENEW_NS, RENEW_SIGMAS * std_ns), RENEW_AT_MOST_NS)
        if abs(old.time_ns(index) - fitted_ns) <= tolerance_ns:
            return old
        earliest_ns = old.time_ns(self._end_row - 1) + max(1, round(_LEAST_STEP_RATIO * period_fs / FS_PER_NS))
        return Grid(index, max(fitted_ns, earliest_ns), period_fs)

    def _period_fs(self) -> int:
        """Return the fitted spacing of rows [fs]."""
        if self._ns_of_half_tick is None or self._tick_of_row is None:
            raise InputError("no ping or no rows came yet, so the rate isn't known")
        return round(self._tick_of_row.slope * 2.0 * self._ns_of_half_tick.slope * FS_PER_NS)

    def _std_ns(self, index: int) -> float:
        """Return the standard deviation [ns] of a row's fitted instant."""
        if self._ns_of_half_tick is None or self._tick_of_row is None:
            return math.inf
        tick = self._tick_of_row.y_at(index)
        rows_ns = self._tick_of_row.std_at(index) * NS_PER_S / self._tick_hz
        return math.hypot(self._ns_of_half_tick.std_at(2 * tick), rows_ns)

    @property
    def best_round_trip_ns(self) -> int | None:
        """Return the smallest round trip [ns] among the last pings, None before any."""
        return min(self._round_trips_ns, default=None)

    @property
    def drift_ppm(self) -> float:
        """Return by how much the board's ticks are faster than the host's clock [ppm]; 0 before any ping."""
        line = self._ns_of_half_tick
        return 0.0 if line is None else (line.nominal / line.slope - 1.0) * 1e6

    def rate(self) -> RateView:
        """Return the rate of rows by the host's clock; the claimed one before anything came."""
        ping, row = self._ns_of_half_tick, self._tick_of_row
        claimed_hz = self._tick_hz / self._ticks_per_row
        if ping is None or row is None or self._first_row is None:
            return RateView(claimed_hz, 0.0, math.inf, False)
        rate_hz = FS_PER_S / self._period_fs()
        std_ppm = 1e6 * math.hypot(ping.bend_std / ping.slope, row.bend_std / row.slope)
        is_known = self._end_row - self._first_row >= _RATE_AFTER_S * self._rate_hz
        return RateView(rate_hz, (rate_hz / claimed_hz - 1.0) * 1e6, std_ppm, is_known)
