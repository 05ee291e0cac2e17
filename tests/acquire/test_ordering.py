"""Rows out of order, doubled or astray, in memory."""

from __future__ import annotations

import numpy as np
import pytest

from dutylog.acquire.ordering import RowOrder, Rows
from dutylog.errors import RecordingError
from dutylog.recording.source import SourceEvent

MS = 1_000_000


def _rows(instants_ms: list[float] | np.ndarray) -> Rows:
    instants = np.asarray(instants_ms).astype(np.int64) * MS
    return Rows(instants, np.arange(len(instants), dtype=float)[:, None])


def _order(instants_ms: list[float] | np.ndarray, size: int = 10**9) -> tuple[Rows, list[SourceEvent], list[str]]:
    order = RowOrder(lambda row: f"row {row + 1}")
    rows, events, out = _rows(instants_ms), [], Rows(np.zeros(0, dtype=np.int64), np.zeros((0, 1)))
    for i in range(0, len(rows), size):
        settled, said = order.push(rows.part(i, i + size))
        out, events = out.then(settled), events + said
    settled, said = order.flush()
    return out.then(settled), events + said, order.notes


def test_swapped_rows_go_back_in_place() -> None:
    """Nothing is lost: both rows keep their own values."""
    rows, events, _ = _order([0, 1, 3, 2, 4])
    assert rows.instants_ns.tolist() == [0, MS, 2 * MS, 3 * MS, 4 * MS]
    assert rows.values[:, 0].tolist() == [0, 1, 3, 2, 4]
    assert [(e.kind, e.t0_ns, e.data) for e in events] == [
        ("time_order", 2 * MS, {"start_ns": 2 * MS, "end_ns": 3 * MS, "rows": 1})
    ]


def test_first_of_two_equal_instants_stays() -> None:
    """A doubled row adds no sample and says so."""
    rows, events, _ = _order([0, 1, 1, 2])
    assert rows.values[:, 0].tolist() == [0, 1, 3]
    assert [e.data for e in events] == [{"start_ns": MS, "end_ns": MS, "rows": 1}]


def test_block_of_late_rows_is_one_event() -> None:
    """Three packets late together are one disturbance, from the earliest late row to the row before them."""
    rows, events, _ = _order([0, 1, 5, 6, 2, 3, 4, 7])
    assert rows.values[:, 0].tolist() == [0, 1, 4, 5, 6, 2, 3, 7]
    assert [e.data for e in events] == [{"start_ns": 2 * MS, "end_ns": 6 * MS, "rows": 3}]


@pytest.mark.parametrize("size", [1, 2, 3, 7, 10**9])
def test_order_does_not_depend_on_the_chunks(size: int) -> None:
    """A swap across the border of two chunks is mended like any other."""
    instants = np.arange(6_000)
    instants[[100, 101]] = instants[[101, 100]]
    instants[[3_000, 3_500]] = instants[[3_500, 3_000]]
    instants[4_000] = 3_999
    rows, events, notes = _order(instants, size)
    expected = np.delete(np.arange(6_000), 4_000)
    assert np.array_equal(rows.instants_ns, expected * MS)
    assert sum(e.data["rows"] for e in events) == 1 + 500 + 1
    assert notes == []


def test_stray_instant_is_dropped_alone() -> None:
    """One garbled stamp must not drag the rest of the recording along."""
    instants = np.arange(100.0)
    instants[40], instants[70] = 9e9, -5e6
    rows, events, notes = _order(instants)
    assert np.array_equal(rows.instants_ns, np.delete(np.arange(100), [40, 70]) * MS)
    assert [e.data["rows"] for e in events] == [1, 1]
    assert notes == []


@pytest.mark.parametrize("second_start_ms", [0, 10**12])
def test_clock_that_jumps_is_bridged_and_said(second_start_ms: int) -> None:
    """A logger restarted (or its clock set) within one file: the rows count, the jump doesn't, people are told."""
    instants = np.concatenate((np.arange(5_000), second_start_ms + np.arange(3_000)))
    rows, events, notes = _order(instants)
    expected = np.concatenate((np.arange(5_000), 4_999 + 2_000 + np.arange(3_000)))
    assert np.array_equal(rows.instants_ns, expected * MS)
    assert [e.kind for e in events] == ["mark"]
    assert len(notes) == 1
    assert notes[0].startswith("row 5001: t_s ")
    assert "carried on as if 2 s had passed" in notes[0]


def test_file_without_any_order_is_refused() -> None:
    """Shuffled instants say nothing about when a row was sampled."""
    instants = np.arange(1_000)
    np.random.default_rng(0).shuffle(instants)
    with pytest.raises(RecordingError, match="repeats or falls back"):
        _order(instants)
