"""Temperatures and speed of an epoch: what is said of a tile doesn't depend on how blocks are cut or read."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.engine.epoch_run import EpochRun
from dutylog.engine.slow_signals import SlowSignals
from dutylog.recording.block import Block
from dutylog.recording.frame import Frame, FrameType
from engine.builders import S_NS, make_vehicle, slow_stream

BODIES = slow_stream(2, 10, ("left", "body_temperature"), ("right", "body_temperature"))
AIR = slow_stream(3, 1, ("", "ambient_temperature"), ("", "speed"))
OTHER_SPEED = slow_stream(4, 5, ("", "speed"))
TILES = [(second * S_NS, (second + 1) * S_NS) for second in range(12)]


def block(stream, first, rows, late_ns=0):
    data = np.array(rows, dtype=float).reshape(-1, len(stream.channels))
    return Block(stream, 1, first, first * stream.period_fs // 10**6 + late_ns, stream.period_fs, data)


def cut(stream, values, borders):
    """Return blocks of values (n, channels), cut at borders."""
    edges = [0, *sorted({b for b in borders if 0 < b < len(values)}), len(values)]
    return [block(stream, a, values[a:b]) for a, b in itertools.pairwise(edges)]


def told(signals):
    return [
        (tile.body_c.tolist(), tile.body_samples, tile.body_mean_c, tile.ambient_c, tile.vehicle_mps)
        for tile in signals.tiles(TILES)
    ]


def take(blocks, reads_at=()):
    """Return what is said of tiles, the samples that can't be believed and the state; reads_at: after which blocks."""
    signals, bad = SlowSignals(make_vehicle().dampers), []
    for number, one in enumerate(blocks):
        signals.add(one)
        if number in reads_at:
            bad += signals.read()
    bad += signals.read()
    return repr((told(signals), bad, signals.to_dict()))


VALUES = st.one_of(st.floats(-60, 400), st.sampled_from([20.0] * 6 + [float("nan"), 2047.0]))


@settings(max_examples=150)
@given(
    st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=120),
    st.lists(st.tuples(VALUES, VALUES), max_size=12),
    st.lists(st.integers(0, 120), max_size=20),
    st.sets(st.integers(0, 40)),
)
def test_blocks_that_wait_say_what_blocks_read_at_once_say(bodies, air, borders, reads_at):
    blocks = [*cut(BODIES, bodies, borders), *cut(AIR, air, borders)] if air else cut(BODIES, bodies, borders)
    blocks.sort(key=lambda one: one.t0_ns)
    assert take(blocks, reads_at) == take(blocks, range(len(blocks)))


@given(st.lists(st.integers(0, 60), min_size=2, max_size=20), st.sets(st.integers(0, 40)))
def test_blocks_that_come_again_or_late_say_the_same_however_they_are_read(firsts, reads_at):
    values = np.random.default_rng(1).normal(50.0, 20.0, (70, 2))
    values[::7] = np.nan
    blocks = [block(BODIES, first, values[first : first + 8]) for first in firsts]
    assert take(blocks, reads_at) == take(blocks, range(len(blocks)))


@given(st.permutations(range(16)), st.sets(st.integers(0, 16)))
def test_two_streams_of_one_quantity_count_in_the_order_in_which_they_came(order, reads_at):
    """What is older than the newest sample is left out, so the order decides."""
    blocks = [block(AIR, n, [20.0, 1.0 + n]) for n in range(8)] + [
        block(OTHER_SPEED, 5 * n, [9.0] * 5) for n in range(8)
    ]
    blocks = [blocks[n] for n in order]
    assert take(blocks, reads_at) == take(blocks, range(len(blocks)))


def test_an_empty_block_is_no_news():
    rows = [[20.0, 30.0]] * 10
    assert take([block(BODIES, 0, rows), block(BODIES, 10, []), block(BODIES, 10, rows)]) == take(
        [block(BODIES, 0, rows * 2)]
    )


def feed(run, *blocks):
    for sequence, one in enumerate(blocks, start=1):
        head = one.stream.stream_id, one.first_index, len(one.data), one.period_fs
        run.feed(Frame(FrameType.SAMPLES, sequence, 1, one.t0_ns, *head, block=one))


def test_an_open_thermocouple_is_told_where_no_travel_follows():
    """Both that which is over and that which is still open, once."""
    values = np.full((100, 2), 20.0)
    values[10:15, 0] = values[60:, 1] = values[80:, 0] = 2047.0
    run = EpochRun(1, make_vehicle())
    feed(run, *cut(BODIES, values, range(0, 100, 10)))
    faults = [(f.position, f.kind, f.start_ns / S_NS, f.end_ns / S_NS) for f in run.end_faults()]
    assert sorted(faults) == [
        ("left", "thermocouple_open", 1.0, 1.4),
        ("left", "thermocouple_open", 8.0, 9.9),
        ("right", "thermocouple_open", 6.0, 9.9),
    ]
    assert run.end_faults() == []


def test_blocks_wait_only_so_many():
    run = EpochRun(1, make_vehicle())
    feed(run, *(block(BODIES, n, [[2047.0, 20.0]]) for n in range(5000)))
    assert len(run.slow._waiting) < 1000
    assert run.slow_faults.active("left", 0) == ("thermocouple_open",)


@pytest.mark.parametrize("reads", [False, True])
def test_a_checkpoint_knows_of_blocks_that_wait(reads):
    values = np.full((40, 2), 20.0)
    values[30:, 0] = np.nan
    run = EpochRun(1, make_vehicle())
    feed(run, *cut(BODIES, values, range(0, 40, 5)))
    if reads:
        run._read_slow()
    kept = run.to_dict()
    assert kept["body"]["left"]["seen_ns"] == round(3.9 * S_NS)
    assert kept["slow_faults"] == [["left", "thermocouple_open", 3 * S_NS, round(3.9 * S_NS)]]
