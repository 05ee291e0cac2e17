"""The period of a file's clock, and the index of each row on it."""

from __future__ import annotations

import numpy as np
import pytest

from dutylog.acquire.grid import GridFit, GridTracker, Run, fit_grid
from dutylog.errors import RecordingError


def _ns(seconds: np.ndarray) -> np.ndarray:
    return np.rint(seconds * 1e9).astype(np.int64)


def _indices(runs: list[Run]) -> np.ndarray:
    return np.concatenate([np.arange(r.first_index, r.first_index + r.n) for r in runs])


def _times_ns(runs: list[Run], period_fs: int) -> np.ndarray:
    return np.concatenate([r.t0_ns + np.arange(r.n, dtype=np.int64) * period_fs // 1_000_000 for r in runs])


def _track(instants_ns: np.ndarray, fit: GridFit) -> list[Run]:
    tracker = GridTracker(fit, max(1, round(fit.rate_hz)))
    return tracker.push(instants_ns) + tracker.flush()


@pytest.mark.parametrize(
    ("rate_hz", "period_fs"),
    [
        (1000, 10**12),
        (50, 2 * 10**13),
        (800, 1_250_000_000_000),
        (1024, 976_562_500_000),
        (3000, 333_333_333_333),
        (20_000, 50_000_000_000),
    ],
)
@pytest.mark.parametrize("start_s", [0.0, -12.5, 1.7e9])
def test_exact_rate_gives_its_exact_period(rate_hz: int, period_fs: int, start_s: float) -> None:
    """A grid off by 1e-9 would drift by a sample a week; unix time in floats steps by 238 ns and must not matter."""
    assert fit_grid(_ns(start_s + np.arange(20_000) / rate_hz)).period_fs == period_fs


@pytest.mark.parametrize("seed", range(5))
def test_period_of_jittered_rows_is_found(seed: int) -> None:
    """Jitter of 80 us at 997.3 Hz: the slope's standard error over a minute is 0.02 ppm, so 0.1 ppm is 5 sigma."""
    rng = np.random.default_rng(seed)
    instants = np.round(np.arange(65_000) / 997.37 + rng.normal(0, 80e-6, 65_000), 6)
    fit = fit_grid(np.unique(_ns(instants)))
    assert fit.rate_hz == pytest.approx(997.37, rel=1e-7)
    assert fit.rms_ns == pytest.approx(80e3, rel=0.02)
    assert fit.needs_stamps


def test_clock_20_ppm_off_a_round_rate_is_not_taken_for_it() -> None:
    """Rounding is allowed only within what the data can tell: 20 ppm are 72 ms an hour."""
    fit = fit_grid(_ns(np.round(np.arange(60_000) / 1000.02, 7)))
    assert fit.rate_hz == pytest.approx(1000.02, rel=1e-9)


def test_missing_rows_do_not_move_the_period() -> None:
    """A tenth of all rows lost, and two long gaps: the period stays exact."""
    rng = np.random.default_rng(1)
    k = np.arange(30_000)
    k = k[rng.random(len(k)) > 0.1]
    k = k[~((k > 5_000) & (k < 8_000)) & ~((k > 20_000) & (k < 20_900))]
    fit = fit_grid(_ns(k * 1e-3))
    assert fit.period_fs == 10**12
    assert np.array_equal(_indices(_track(_ns(k * 1e-3), fit)), k - k[0])


@pytest.mark.parametrize("rate_hz", [997.3, 1003.1, 402.6, 999.4])
def test_stamps_in_whole_milliseconds_are_rounding_not_gaps(rate_hz: float) -> None:
    """At 997.3 Hz a step of 2 ms every 370 rows would cut the run to pieces if it were taken for a lost row."""
    stamps = np.floor(np.arange(60_000) / rate_hz * 1e3 + 1e-6) * 1e-3
    instants = np.unique(_ns(stamps))
    fit = fit_grid(instants)
    if rate_hz < 1000:
        assert fit.rate_hz == pytest.approx(rate_hz, rel=1e-5)
        assert len(_track(instants, fit)) == -(-len(instants) // round(rate_hz))
        assert not fit.needs_stamps
    else:
        assert len(instants) < 60_000  # two rows share a stamp: their order is lost, one is dropped as doubled


def test_drifting_clock_keeps_its_indices_for_an_hour() -> None:
    """A clock that wanders by 100 ppm slips 360 rows an hour against a fixed grid; followed, it slips none."""
    n = 1_000_000
    rate_error = 1e-4 * np.sin(np.arange(n) / n * 2 * np.pi) + 5e-5
    instants = _ns(np.cumsum(1e-3 * (1.0 + rate_error)))
    fit = fit_grid(instants[:65_536])
    runs = _track(instants, fit)
    assert np.array_equal(_indices(runs), np.arange(n))
    # Within a second: 100 ppm wander off the fitted period by at most 0.2 ms.
    assert np.max(np.abs(_times_ns(runs, fit.period_fs) - instants)) < 200_000


@pytest.mark.parametrize("missing", [1, 2, 5, 999, 1000, 1001, 3_000, 86_000_000])
def test_gap_is_as_long_as_the_rows_it_lacks(missing: int) -> None:
    """A gap is a jump of the index, from one row to a day."""
    k = np.concatenate((np.arange(1_500), 1_500 + missing + np.arange(1_500)))
    runs = _track(_ns(k * 1e-3), fit_grid(_ns(k * 1e-3)))
    assert np.array_equal(_indices(runs), k)
    assert np.array_equal(_times_ns(runs, 10**12), k * 1_000_000)


@pytest.mark.parametrize(
    ("row", "late_ns"),
    [*((row, late) for row in (1_234, 999, 1_000) for late in (600_000, 990_000, -990_000)), (2_999, 600_000)],
)
def test_single_row_off_its_place_makes_no_gap(row: int, late_ns: int) -> None:
    """One stamp nearly a period off is a slow interrupt, not a lost row."""
    instants = np.arange(3_000) * 1_000_000
    instants[row] += late_ns
    assert np.array_equal(_indices(_track(instants, GridFit(10**12, 0.0, 1))), np.arange(3_000))


@pytest.mark.parametrize("seed", range(3))
def test_jitter_of_a_sixth_of_a_period_makes_no_false_gap(seed: int) -> None:
    """170 us at 997.3 Hz puts hundreds of rows over half a period off; true gaps of one row are still found."""
    rng = np.random.default_rng(seed)
    k = np.delete(np.arange(200_000), [50_000, 120_000, 120_001])
    instants = k / 997.3 + rng.normal(0, 170e-6, len(k))
    instants = np.unique(_ns(instants))
    fit = fit_grid(instants[:65_536])
    indices = _indices(_track(instants, fit))
    assert len(indices) == len(k)
    # A one-row gap may be put a few rows beside its place by the jitter around it.
    assert np.count_nonzero(indices != k) <= 6
    assert indices[-1] == k[-1]


def test_runs_do_not_depend_on_how_the_instants_arrive() -> None:
    """The raw log must come out the same for every read size."""
    rng = np.random.default_rng(3)
    k = np.arange(9_000)
    k = k[(rng.random(len(k)) > 0.01) & ~((k > 4_000) & (k < 6_500))]
    instants = np.unique(_ns(k / 997.3 + rng.normal(0, 80e-6, len(k))))
    fit = fit_grid(instants)
    whole = _track(instants, fit)
    for size in (1, 63, 64, 65, 1000, 4096):
        tracker = GridTracker(fit, 997)
        runs = [run for i in range(0, len(instants), size) for run in tracker.push(instants[i : i + size])]
        assert runs + tracker.flush() == whole


def test_rate_that_rises_midway_is_refused() -> None:
    """Twice the rows in the same time would run ahead of the clock for ever."""
    instants = _ns(np.concatenate((np.arange(5_000) * 1e-3, 5.0 + np.arange(5_000) * 5e-4)))
    with pytest.raises(RecordingError, match=r"do not keep their rate of 1000 Hz near t_s 5; split"):
        _track(instants, fit_grid(instants[:5_000]))
