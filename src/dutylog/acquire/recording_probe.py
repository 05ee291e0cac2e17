"""Look at the first rows of a recording file: what it holds, on which grid, and whether it makes sense."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.columns import Columns, check_instant, pick_columns
from dutylog.acquire.grid import GridFit, GridTracker, fit_grid
from dutylog.acquire.ordering import RowOrder, Rows
from dutylog.acquire.slow import SlowPlan, plan_slow_streams
from dutylog.acquire.table import Table, open_table
from dutylog.config.columns import INSTANT, ColumnSource
from dutylog.errors import RecordingError
from dutylog.recording.block import STAMP, Channel, Stream

PROBE_ROWS = 65536
SLOWEST_HZ, FASTEST_HZ = 50.0, 20_000.0
_RATE_SLACK = 1e-3
_LARGEST_T_S = 9e9
"""Instants are kept as 64-bit nanoseconds: 9.22e9 s is their end."""
_LARGEST_TRAVEL_MM = 10_000.0
_MOST_SCATTER = 0.25
"""Of a period, between neighbours: 0.29 is no rhythm at all; 0.25 is a jitter of 180 us at 1 kHz (judgement)."""
_MOST_JITTER = 0.35
"""Of a period: stamps rounded to one period show 0.29 (1 / sqrt 12); beyond it indices would be guesses."""


@dataclass(frozen=True, slots=True)
class RecordingProbe:
    """What a file is, for messages and progress. rows of a CSV count blank lines; duration None: not told."""

    path: Path
    format: str
    rows: int
    columns: tuple[str, ...]
    duration_s: float | None
    rate_hz: float
    period_fs: int
    jitter_rms_s: float


@dataclass(frozen=True, slots=True)
class Layout:
    """How the columns of a file become streams."""

    columns: Columns
    fit: GridFit
    travel: Stream
    slow: tuple[SlowPlan, ...]
    notes: tuple[str, ...]


def probe(path: Path | str, sources: Sequence[ColumnSource] = ()) -> RecordingProbe:
    """Return what a recording file holds; reads its head, and of Parquet the instants.

    Raises:
        RecordingError: unreadable, no t_s, or t_s makes no grid between 50 Hz and 20 kHz.
    """
    table = open_table(Path(path), sources)
    check_instant(table)
    rows = _read_head(table, ())
    fit = _fit_checked(table, _settle(table, rows).instants_ns)
    last_ns = check_rest(table)
    duration_s = None if last_ns is None else (last_ns - int(rows.instants_ns[0])) * 1e-9
    return RecordingProbe(
        table.path,
        table.format,
        table.rows_total,
        table.columns,
        duration_s,
        fit.rate_hz,
        fit.period_fs,
        fit.rms_ns * 1e-9,
    )


def plan_layout(table: Table, positions: Sequence[str], body_positions: Sequence[str]) -> Layout:
    """Return how a file's columns become streams, all checks of its first rows done."""
    columns = pick_columns(table, positions, body_positions)
    rows = _settle(table, _read_head(table, columns.values))
    fit = _fit_checked(table, rows.instants_ns)
    notes = list(_check_travel(table, columns, rows))
    if columns.ignored:
        notes.append(f"columns not used: {', '.join(columns.ignored)}")
    is_single = [table.is_single(name) for name in columns.travel]
    channels = columns.travel_channels + ((Channel("", STAMP, "ns"),) if fit.needs_stamps else ())
    travel = Stream(1, "travel", "f4" if all(is_single) else "f8", fit.period_fs, channels)
    tracker = GridTracker(fit, travel.samples_per_second)
    runs = tracker.push(rows.instants_ns) + tracker.flush()
    indices = np.concatenate([np.arange(run.first_index, run.first_index + run.n) for run in runs])
    slow = plan_slow_streams(
        indices,
        rows.values[:, len(columns.travel) :],
        columns.slow_channels,
        fit.period_fs,
        "f4" if all(table.is_single(name) for name in columns.slow) else "f8",
    )
    return Layout(columns, fit, travel, slow, tuple(notes))


def read_rows(table: Table, names: Sequence[str]) -> Iterator[tuple[int, Rows]]:
    """Yield (number of the first row, rows) in file order, instants checked; infinities become NaN."""
    first_row = 0
    for chunk in table.read((INSTANT, *names)):
        instants_ns = _to_instants_ns(table, chunk[INSTANT], first_row)
        values = np.empty((len(instants_ns), len(names)))
        with np.errstate(invalid="ignore"):  # a garbled 32-bit float may be a signalling NaN
            for number, name in enumerate(names):
                values[:, number] = chunk[name]
        values[np.isinf(values)] = np.nan
        yield first_row, Rows(instants_ns, values)
        first_row += len(instants_ns)


def check_rest(table: Table) -> int | None:
    """Check all instants of a file that can be scanned cheaply; return the latest [ns], None if not scanned."""
    if not table.scans_cheaply:
        return None
    return max(int(rows.instants_ns.max()) for _, rows in read_rows(table, ()))


def _to_instants_ns(table: Table, t_s: NDArray[Any], first_row: int) -> NDArray[np.int64]:
    t_s = np.asarray(t_s, dtype=np.float64)
    is_bad = ~(np.abs(t_s) <= _LARGEST_T_S)
    if is_bad.any():
        row = int(np.argmax(is_bad))
        place, value = table.place_of(first_row + row), float(t_s[row])
        if is_bad.all() and not np.isfinite(t_s).any():
            raise RecordingError(f"{table.path}: {INSTANT} has no value from {place} on; write the seconds of each row")
        if np.isfinite(value):
            raise RecordingError(
                f"{table.path}: {place}, {INSTANT} is {value:g}; "
                "expected seconds, these look like milli- or nanoseconds; say so under [import.columns]"
            )
        raise RecordingError(f"{table.path}: {place}, {INSTANT} is {value:g}; every row needs its instant in seconds")
    return np.rint(t_s * 1e9).astype(np.int64)


def _read_head(table: Table, names: Sequence[str]) -> Rows:
    head = Rows(np.zeros(0, dtype=np.int64), np.zeros((0, len(names))))
    for _, rows in read_rows(table, names):
        head = head.then(rows)
        if len(head) >= PROBE_ROWS:
            break
    head = head.part(0, PROBE_ROWS)
    if not len(head):
        raise RecordingError(f"{table.path}: holds no rows, only column names; record or export it again")
    _check_direction(table, head.instants_ns)
    return head


def _check_direction(table: Table, instants_ns: NDArray[np.int64]) -> None:
    first_s, last_s = instants_ns[0] * 1e-9, instants_ns[-1] * 1e-9
    if len(instants_ns) == 1:
        raise RecordingError(
            f"{table.path}: holds one row only ({INSTANT} {first_s:g}); two make the shortest recording"
        )
    steps = np.diff(instants_ns)
    if not steps.any():
        raise RecordingError(
            f"{table.path}: {INSTANT} is {first_s:g} in each of the first {len(instants_ns)} rows; "
            "it must rise from row to row"
        )
    if np.count_nonzero(steps < 0) > len(steps) / 2:
        raise RecordingError(
            f"{table.path}: {INSTANT} falls (from {first_s:g} to {last_s:g}); sort the rows by {INSTANT}"
        )


def _settle(table: Table, rows: Rows) -> Rows:
    """Return rows in order of time, as the reader proper will see them."""
    order = RowOrder(lambda row: f"{table.path}: {table.place_of(row)}")
    settled, _ = order.push(rows)
    settled = settled.then(order.flush()[0])
    if len(settled) < 2:
        raise RecordingError(f"{table.path}: {INSTANT} tells only one instant; it must rise from row to row")
    return settled


def _fit_checked(table: Table, instants_ns: NDArray[np.int64]) -> GridFit:
    fit = fit_grid(instants_ns)
    if not SLOWEST_HZ * (1 - _RATE_SLACK) <= fit.rate_hz <= FASTEST_HZ * (1 + _RATE_SLACK):
        raise RecordingError(
            f"{table.path}: {INSTANT} rises by {fit.period_fs * 1e-15:.6g} a row, that is {fit.rate_hz:.6g} Hz; "
            f"expected {SLOWEST_HZ:g} to {FASTEST_HZ:g} Hz{_guess_unit(fit.rate_hz)}"
        )
    period_ns = fit.period_fs * 1e-6
    if fit.rms_ns > _MOST_JITTER * period_ns or (fit.scatter_ratio > _MOST_SCATTER and not fit.is_coarse):
        raise RecordingError(
            f"{table.path}: {INSTANT} rises without an even spacing (steps of about {period_ns * 1e-6:.3g} ms, "
            f"off by {max(fit.scatter_ratio, fit.rms_ns / period_ns):.0%}); write instants of sampling, not of arrival"
        )
    return fit


def _guess_unit(rate_hz: float) -> str:
    for factor, unit in ((1e3, "milliseconds"), (1e6, "microseconds"), (1e9, "nanoseconds")):
        if SLOWEST_HZ <= rate_hz * factor <= FASTEST_HZ and rate_hz < SLOWEST_HZ:
            return f"; if it is in {unit}, write seconds or say so under [import.columns]"
    return "; stamps of arrival in bursts look like this too" if rate_hz > FASTEST_HZ else ""


def _check_travel(table: Table, columns: Columns, rows: Rows) -> Iterator[str]:
    """Refuse travel that can't be millimetres; yield notes on what is merely odd."""
    travel = rows.values[:, : len(columns.travel)]
    is_there = np.isfinite(travel)
    if not is_there.any() and not _has_travel_later(table, columns):
        raise RecordingError(
            f"{table.path}: no travel at all, {', '.join(columns.travel)} hold no number; check sensor and export"
        )
    for number, name in enumerate(columns.travel):
        own = travel[is_there[:, number], number]
        if not len(own):
            yield f"column {name} holds no number in the first {len(travel)} rows"
            continue
        share = np.count_nonzero(np.abs(own) > _LARGEST_TRAVEL_MM) / len(own)
        if share > 0.5:
            raise RecordingError(
                f"{table.path}: column {name} is beyond 10 m in {share:.0%} of the rows "
                f"(median {float(np.median(own)):.6g}); expected millimetres, these are probably counts or "
                "micrometres; a unit or scale can be given under [import.columns]"
            )
        if 0.0 < float(np.max(np.abs(own))) < 1.0:
            yield f"column {name} stays within 1 mm of full extension; in metres? say so under [import.columns]"


def _has_travel_later(table: Table, columns: Columns) -> bool:
    return any(np.isfinite(rows.values).any() for _, rows in read_rows(table, columns.travel))
