"""Slow columns: which rows carry values, and which stream they make."""

from __future__ import annotations

import numpy as np

from dutylog.acquire.slow import SlowSampler, plan_slow_streams
from dutylog.recording.block import AMBIENT_TEMPERATURE, BODY_TEMPERATURE, SPEED, Channel

CHANNELS = (
    Channel("a", BODY_TEMPERATURE, "c"),
    Channel("b", BODY_TEMPERATURE, "c"),
    Channel("", AMBIENT_TEMPERATURE, "c"),
    Channel("", SPEED, "mps"),
)
NAN = np.nan


def _every(rows: int, step: int, first: int = 0) -> np.ndarray:
    k = np.arange(rows)
    return np.where(k % step == first, k * 0.01, NAN)


def test_columns_of_one_spacing_share_a_stream() -> None:
    """Body temperatures and speed at 10 Hz are one stream, ambient at 1 Hz another."""
    values = np.column_stack([_every(5000, 100), _every(5000, 100), _every(5000, 1000), _every(5000, 100)])
    plans = plan_slow_streams(np.arange(5000), values, CHANNELS, 10**12, "f4")
    assert [(p.every, p.columns, p.stream.period_fs) for p in plans] == [
        (100, (0, 1, 3), 10**14),
        (1000, (2,), 10**15),
    ]
    assert [p.stream.stream_id for p in plans] == [2, 3]


def test_columns_sampled_in_different_rows_are_streams_of_their_own() -> None:
    """A multiplexed thermocouple read 50 rows later is not read at the same instant."""
    values = np.column_stack([_every(5000, 100), _every(5000, 100, 50), _every(5000, 1000), _every(5000, 1)])
    plans = plan_slow_streams(np.arange(5000), values, CHANNELS, 10**12, "f8")
    assert [(p.every, p.first, p.columns) for p in plans] == [
        (1, 0, (3,)),
        (100, 0, (0,)),
        (100, 50, (1,)),
        (1000, 0, (2,)),
    ]
    assert len({p.stream.name for p in plans}) == 4


def test_column_without_values_joins_its_like() -> None:
    """A thermocouple plugged in after the first minute still has a channel."""
    empty = np.full(5000, NAN)
    values = np.column_stack([_every(5000, 50), empty, empty, empty])
    plans = plan_slow_streams(np.arange(5000), values, CHANNELS, 10**12, "f4")
    assert [(p.every, p.columns) for p in plans] == [(50, (0, 1)), (100, (3,)), (1000, (2,))]


def test_missing_sample_is_a_gap_and_missing_channel_a_nan() -> None:
    """Row 200 lost for all, row 300 for one: index 2 is absent, index 3 holds a NaN."""
    a, b = _every(500, 100), _every(500, 100)
    a[200] = b[200] = NAN
    a[300] = NAN
    values = np.column_stack([a, b])
    (plan,) = plan_slow_streams(np.arange(500), values, CHANNELS[:2], 10**12, "f8")
    rows = SlowSampler(plan).take(np.arange(500), values)
    assert rows.indices.tolist() == [0, 1, 3, 4]
    assert np.array_equal(rows.data, [[0, 0], [1, 1], [NAN, 3], [4, 4]], equal_nan=True)


def test_values_closer_than_the_spacing_are_counted_out() -> None:
    """Two values for one instant of the stream: the first stays, the other is counted."""
    a, b = _every(500, 100), _every(500, 100)
    a[201], b[201], b[200] = 77.0, 88.0, NAN
    values = np.column_stack([a, b])
    (plan,) = plan_slow_streams(np.arange(500), values, CHANNELS[:2], 10**12, "f8")
    sampler = SlowSampler(plan)
    first, second = sampler.take(np.arange(300), values[:300]), sampler.take(np.arange(300, 500), values[300:])
    assert first.indices.tolist() + second.indices.tolist() == [0, 1, 2, 3, 4]
    assert first.data[2].tolist() == [2.0, 88.0]
    assert sampler.crowded_count == 1
