"""The even grid behind a file's instants: its period fitted, then its phase followed second by second.

A logger samples on its own clock; `t_s` shows that clock through jitter and rounding. The period is
fitted once, on the first rows; after that each section of round(rate) indices may move the phase a
little, so the drift of a real clock never adds up to a wrong index.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import RecordingError
from dutylog.units import FS_PER_NS, FS_PER_S

_JUMP = 0.65
"""Periods by which a row must come late before rows are taken as missing: 0.5 is reached by stamps rounded
to one period, 1.0 is one missing row; at 80 us of jitter and 1 kHz 0.65 is 8 sigma (judgement)."""

_FOLLOW = 0.3
"""Share of a phase error that is put down to the clock's rate: settles in about 10 sections (judgement)."""

_WITNESS_ROWS = 7
"""Rows that must confirm a jump by their median: three in a row may be off (judgement)."""

_MOST_OFF = 2.0
"""Periods by which a second's rows may lie off the grid: more is another rate, not drift (judgement)."""

_PHASE_ROWS = 8192
"""Rows that tell the phase at the start: one beat of coarse stamps that `_is_rounded_not_missing` accepts."""

_ANCHOR_ROWS = 64
_MEDIAN_SIGMA = 1.2533
"""Standard error of a median over that of a mean, sqrt(pi / 2), normal errors (asymptotic)."""

_ROUND_PERIODS_FS = tuple(k * FS_PER_NS for k in (1_000_000, 100_000, 10_000, 1_000))
_ROUND_RATES_MHZ = (100_000, 10_000, 1_000, 100)


@dataclass(frozen=True, slots=True)
class GridFit:
    """What the first rows tell about the grid.

    rms_ns: rows against the grid. resolution_ns: the step in which the file gives its instants.
    phase_ns: how far index 0 lies behind the first instant. scatter_ratio: rms of steps between rows
    against whole periods, as a share of the period (0.29 for steps without any rhythm).
    """

    period_fs: int
    rms_ns: float
    resolution_ns: int
    phase_ns: float = 0.0
    scatter_ratio: float = 0.0

    @property
    def rate_hz(self) -> float:
        """Return rows per second."""
        return FS_PER_S / self.period_fs

    @property
    def is_coarse(self) -> bool:
        """Return True when instants come in steps too coarse to tell rows from each other: a quarter of a period."""
        return self.resolution_ns > 0.25 * self.period_fs / FS_PER_NS

    @property
    def needs_stamps(self) -> bool:
        """Return True when the file knows a row's instant better than the grid does.

        A step of q alone gives q / sqrt(12) rms: deviations below q / 2 are rounding, not instants.
        """
        return self.rms_ns > max(1000.0, 0.5 * self.resolution_ns)


@dataclass(frozen=True, slots=True)
class Run:
    """Consecutive rows of one section: indices first_index .. first_index + n - 1 from t0_ns on."""

    first_index: int
    n: int
    t0_ns: int


def fit_grid(instants_ns: NDArray[np.int64]) -> GridFit:
    """Return the grid under strictly rising instants.

    Args:
        instants_ns: (n,) int64 [ns], n >= 2, rows may be missing.
    Returns:
        GridFit; a round period or rate is taken when it fits within the data's own resolution.
    Source:
        Least squares slope pooled over gap-free runs, each with its own intercept; standard error of
        a slope sigma / sqrt(sum (i - mean)^2). test_grid.py::test_period_of_jittered_rows_is_found.
    """
    relative = (instants_ns - instants_ns[0]).astype(np.float64)
    resolution_ns = _find_resolution_ns(instants_ns)
    steps_ns = np.diff(relative)
    short_ns = steps_ns[steps_ns <= 1.5 * np.quantile(steps_ns, 0.2)]
    period_ns = float(np.median(short_ns))
    run_of = _number_runs(steps_ns, 2.2 * period_ns)
    if not _is_rounded_not_missing(relative, run_of, period_ns, resolution_ns):
        run_of = _number_runs(steps_ns, (1.0 + _JUMP) * period_ns)
    slope_ns, residual_ns, spread = _fit_pooled(relative, run_of)
    robust_ns = 8.0 * 1.4826 * float(np.median(np.abs(residual_ns))) + resolution_ns
    kept = residual_ns[np.abs(residual_ns) <= robust_ns]
    rms_ns = float(np.sqrt(np.mean(kept**2)))
    longest = int(np.max(np.bincount(run_of)))
    tolerance_ns = max(4.0 * rms_ns / np.sqrt(spread), 2.0 * resolution_ns / longest)
    period_fs = _snap_fs(slope_ns, float(tolerance_ns))
    first = relative[: min(_PHASE_ROWS, int(np.count_nonzero(run_of == 0)))]
    phase_ns = float(np.mean(first - np.arange(len(first)) * (period_fs / FS_PER_NS)))
    is_chance = abs(phase_ns) <= 5.0 * rms_ns / np.sqrt(len(first)) + 1.0
    periods = steps_ns[steps_ns < 20 * slope_ns] / slope_ns
    scatter_ratio = float(np.sqrt(np.mean((periods - np.maximum(1.0, np.rint(periods))) ** 2)))
    return GridFit(period_fs, rms_ns, resolution_ns, 0.0 if is_chance else phase_ns, scatter_ratio)


def _find_resolution_ns(instants_ns: NDArray[np.int64]) -> int:
    """Return the largest power of ten [ns] that divides all instants, at least the spacing of floats there."""
    resolution_ns = 1
    while resolution_ns < 1_000_000_000 and not np.any(instants_ns % (resolution_ns * 10)):
        resolution_ns *= 10
    largest_s = float(np.max(np.abs(instants_ns))) * 1e-9
    return max(resolution_ns, int(np.ceil(np.spacing(largest_s) * 1e9)))


def _number_runs(steps_ns: NDArray[np.float64], longest_ns: float) -> NDArray[np.int64]:
    """Return for each row the number of its run; a longer step begins a new one."""
    return np.concatenate(([0], np.cumsum(steps_ns > longest_ns))).astype(np.int64)


def _is_rounded_not_missing(
    relative: NDArray[np.float64], run_of: NDArray[np.int64], period_ns: float, resolution_ns: int
) -> bool:
    """Return True when coarse stamps, not missing rows, explain the steps of about two periods.

    Example: 997.3 Hz stamped in whole milliseconds shows a step of 2 ms every 370 rows. Eight or more
    such steps, so even that a straight line through the row numbers leaves no row off by more
    than 0.75 of the resolution, are no chance losses (judgement).
    """
    longer = int(np.count_nonzero((np.diff(relative) > 1.4 * period_ns) & (np.diff(run_of) == 0)))
    if resolution_ns < 0.25 * period_ns or longer < 8:
        return False
    _, residual_ns, _ = _fit_pooled(relative, run_of)
    return bool(np.max(np.abs(residual_ns)) <= 0.75 * resolution_ns)


def _fit_pooled(relative: NDArray[np.float64], run_of: NDArray[np.int64]) -> tuple[float, NDArray[np.float64], float]:
    """Return the common slope over runs [ns a row], residuals [ns], and the sum of squared row distances."""
    counts = np.bincount(run_of)
    rows = np.arange(len(relative), dtype=np.float64)
    starts = np.concatenate(([0], np.cumsum(counts)[:-1]))
    i = rows - starts[run_of]
    i -= ((counts - 1) / 2.0)[run_of]
    own = relative - relative[starts][run_of]  # small numbers: sums stay exact enough
    own -= (np.bincount(run_of, own) / counts)[run_of]
    spread = float(np.sum(i * i))
    slope = float(np.sum(i * own)) / spread
    return slope, own - slope * i, spread


def _snap_fs(period_ns: float, tolerance_ns: float) -> int:
    """Return the period [fs], rounded to a plain period or rate when that can't be chance.

    A candidate counts when it lies within the tolerance and the tolerance is below 1/200 of the
    spacing of such candidates (chance below 1 %; judgement).
    """
    for step_fs in _ROUND_PERIODS_FS:
        candidate_fs = round(period_ns * FS_PER_NS / step_fs) * step_fs
        if tolerance_ns * FS_PER_NS < step_fs / 200 and abs(candidate_fs / FS_PER_NS - period_ns) <= tolerance_ns:
            return candidate_fs
    rate_mhz = 1e12 / period_ns
    tolerance_mhz = rate_mhz * tolerance_ns / period_ns
    for step_mhz in _ROUND_RATES_MHZ:
        candidate_mhz = round(rate_mhz / step_mhz) * step_mhz
        if candidate_mhz and tolerance_mhz < step_mhz / 200 and abs(candidate_mhz - rate_mhz) <= tolerance_mhz:
            return round(FS_PER_S * 1000 / candidate_mhz)
    return round(period_ns * FS_PER_NS)


class GridTracker:
    """Gives rising instants their indices, section by section, following the clock.

    The runs handed out don't depend on how the instants were cut on the way in.
    """

    def __init__(self, fit: GridFit, section_rows: int) -> None:
        """Begin at index 0; section_rows: indices in a section, as in a frame of the raw log."""
        self._fit = fit
        # What rounding of stamps alone makes is no jitter.
        self._jitter_ns = float(np.sqrt(max(0.0, fit.rms_ns**2 - fit.resolution_ns**2 / 12.0)))
        self._section_rows = section_rows
        self._published_ns = fit.period_fs / FS_PER_NS
        self._period_ns = self._published_ns
        self._waiting = np.zeros(0, dtype=np.int64)
        self._origin_ns: int | None = None
        self._next_index = 0
        self._section = 0
        self._section_t_ns = 0.0
        self.missing_short = 0
        """Rows missing in gaps of less than a section."""
        self._runs: list[tuple[int, int]] = []
        self._parts: list[NDArray[np.float64]] = []

    def push(self, instants_ns: NDArray[np.int64]) -> list[Run]:
        """Take more instants (strictly rising); return the runs of sections that are complete."""
        self._waiting = np.concatenate((self._waiting, instants_ns))
        return self._place(_ANCHOR_ROWS)

    def flush(self) -> list[Run]:
        """Return what is left, the last section included."""
        done = self._place(0)
        done += self._close_section()
        return done

    def _place(self, look_ahead: int) -> list[Run]:
        done: list[Run] = []
        position, end = 0, len(self._waiting) - look_ahead
        while position < end:
            if self._origin_ns is None:
                self._origin_ns = int(self._waiting[0])
                self._section_t_ns = self._fit.phase_ns
            if self._next_index // self._section_rows != self._section:
                done += self._close_section()
            room = (self._section + 1) * self._section_rows - self._next_index
            rows = self._relative(position, min(position + room, end))
            late = (rows - self._expect_ns(self._next_index, len(rows))) / self._period_ns
            n = self._find_jump(late, position)
            self._take(rows[:n])
            position += n
            if n < len(rows):
                done += self._leap(max(1, round(float(late[n]))), position)
        self._waiting = self._waiting[max(0, position) :]
        return done

    def _find_jump(self, late: NDArray[np.float64], position: int) -> int:
        """Return the first row from which on rows are late; a late row among punctual ones is only itself late."""
        for n in np.flatnonzero(late > _JUMP).tolist():
            rows = self._relative(position + n, position + n + _WITNESS_ROWS)
            ahead = (rows - self._expect_ns(self._next_index + n, len(rows))) / self._period_ns
            if np.median(ahead) > _JUMP:
                return int(n)
        return len(late)

    def _relative(self, start: int, stop: int) -> NDArray[np.float64]:
        """Return waiting instants as floats since the origin: exact to 0.01 ns over a day."""
        return np.asarray(self._waiting[start:stop] - np.int64(self._origin_ns or 0), dtype=np.float64)

    def _expect_ns(self, index: int, n: int) -> NDArray[np.float64]:
        """Return where the grid puts n rows from an index on [ns since the origin]."""
        first = index - self._section * self._section_rows
        return self._section_t_ns + np.arange(first, first + n, dtype=np.float64) * self._period_ns

    def _take(self, rows: NDArray[np.float64]) -> None:
        if not len(rows):
            return
        if self._runs and sum(self._runs[-1]) == self._next_index:
            first, n = self._runs[-1]
            self._runs[-1] = (first, n + len(rows))
        else:
            self._runs.append((self._next_index, len(rows)))
        self._parts.append(rows)
        self._next_index += len(rows)

    def _leap(self, missing: int, position: int) -> list[Run]:
        """Go over missing rows; after a second or more the phase is taken anew from the rows that follow."""
        self._next_index += missing
        if missing < self._section_rows:
            self.missing_short += missing
            return []
        done = self._close_section()
        expected = float(self._expect_ns(self._next_index, 1)[0])
        self._section_t_ns += self._anchor(position, expected) - expected
        return done

    def _anchor(self, position: int, expected_ns: float) -> float:
        """Return the instant of a row on the grid, from it and the rows that follow it closely."""
        rows = self._relative(position, position + _ANCHOR_ROWS)
        breaks = np.flatnonzero(np.diff(rows) > (1.0 + _JUMP) * self._period_ns)
        rows = rows[: int(breaks[0]) + 1] if len(breaks) else rows
        off = rows - expected_ns - np.arange(len(rows)) * self._period_ns
        return expected_ns + self._real_error_ns(float(np.median(off)), len(rows))

    def _real_error_ns(self, off_ns: float, n: int) -> float:
        """Return the part of a phase error that is neither rounding of stamps nor chance.

        Rounding hides up to half a step, for as long as it likes when the rate beats slowly with the
        steps; chance is 5 sigma of the median of n rows, at least 1 us.
        """
        excess_ns = abs(off_ns) - 0.5 * self._fit.resolution_ns
        chance_ns = max(1000.0, 5.0 * _MEDIAN_SIGMA * self._jitter_ns / float(np.sqrt(n)))
        return float(np.copysign(excess_ns, off_ns)) if excess_ns > chance_ns else 0.0

    def _close_section(self) -> list[Run]:
        """Settle the phase of the section from all its rows, and go on to the section of the next row."""
        runs: list[Run] = []
        if self._runs:
            self._settle_phase()
            # The published grid has one period for all: it meets the tracked one mid-section.
            middle = (self._period_ns - self._published_ns) * self._section_rows / 2.0
            t_ns = (self._origin_ns or 0) + round(self._section_t_ns + middle)
            base = self._section * self._section_rows
            runs = [Run(i, n, t_ns + (i - base) * self._fit.period_fs // FS_PER_NS) for i, n in self._runs]
        section = self._next_index // self._section_rows
        self._section_t_ns += (section - self._section) * self._section_rows * self._period_ns
        self._section = section
        self._runs, self._parts = [], []
        return runs

    def _settle_phase(self) -> None:
        expected = np.concatenate([self._expect_ns(i, n) for i, n in self._runs])
        rows = np.concatenate(self._parts)
        off_ns = float(np.median(rows - expected))
        if abs(off_ns) > _MOST_OFF * self._period_ns:
            raise RecordingError(
                f"rows do not keep their rate of {self._fit.rate_hz:.6g} Hz near "
                f"t_s {((self._origin_ns or 0) + rows[0]) * 1e-9:.6g}; split the file where its rate changes"
            )
        off_ns = self._real_error_ns(off_ns, len(rows))
        if off_ns == 0.0:
            return
        self._section_t_ns += off_ns
        if self._section:
            self._period_ns *= 1.0 + _FOLLOW * off_ns / (self._section_rows * self._period_ns)
