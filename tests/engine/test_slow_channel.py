"""Temperatures and speed as tiles need them: believed, held, let go, and the same after a restart."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.engine.slow_channel import SlowChannel

S_NS = 10**9


def channel(*samples):
    """Return a channel that believes -60..400, with samples of (second, value)."""
    made = SlowChannel(-60.0, 400.0)
    made.add([round(t * S_NS) for t, _ in samples], [v for _, v in samples])
    return made


def at(made, *seconds, until_s=1e6):
    return [made.at(round(s * S_NS), round(until_s * S_NS)) for s in seconds]


def test_between_samples_values_are_linear_and_beyond_them_held():
    assert at(channel((1, 10.0), (2, 20.0)), 0, 1, 1.25, 2, 99) == [10.0, 10.0, 12.5, 20.0, 20.0]


def test_before_the_first_sample_ever_nothing_is_known():
    assert at(channel(), 0, 1) == [None, None]
    assert at(channel((5, 10.0)), 0, 1, until_s=4) == [None, None]


def test_samples_after_the_limit_are_not_used_even_when_they_are_there():
    """What a tile sees must not depend on how much of the log was read before it was worked off."""
    assert at(channel((1, 10.0), (2, 20.0), (3, 90.0)), 2, 2.5, until_s=2) == [20.0, 20.0]


@pytest.mark.parametrize("value", [float("nan"), 2047.0, -60.1, 400.1, float("inf")])
def test_an_unbelievable_sample_is_said_and_left_out(value):
    made = SlowChannel(-60.0, 400.0)
    assert made.add([S_NS, 2 * S_NS, 3 * S_NS], [10.0, value, 30.0]) == [2 * S_NS]
    assert at(made, 2) == [20.0]


@pytest.mark.parametrize("value", [-60.0, 400.0])
def test_the_ends_of_the_range_are_believed(value):
    assert at(channel((1, value)), 1) == [value]


def test_samples_that_come_again_are_news_only_once():
    made = channel((1, 10.0), (2, float("nan")), (3, 30.0))
    assert made.add([n * S_NS for n in range(1, 5)], [10.0, float("nan"), 30.0, float("nan")]) == [4 * S_NS]
    assert made.add([n * S_NS for n in range(1, 6)], [10.0, float("nan"), 30.0, float("nan"), 40.0]) == []
    assert made.cut([(0, 9 * S_NS)])[0] == [10.0, 30.0, 40.0]


def test_within_takes_the_start_and_leaves_the_end():
    made = channel((1, 10.0), (1.5, 15.0), (2, 20.0))
    assert made.cut([(1 * S_NS, 2 * S_NS)])[0] == [10.0, 15.0]


def test_latest_is_unknown_when_it_is_too_old():
    made = channel((1, 10.0), (2, 20.0))
    assert made.latest(3 * S_NS, S_NS) == 20.0
    assert made.latest(3 * S_NS + 1, S_NS) is None
    assert made.latest(round(1.5 * S_NS), S_NS) == 10.0
    assert made.latest(0, S_NS) is None


def test_the_newest_sample_let_go_is_still_held_from():
    made = channel((1, 10.0), (2, 20.0), (3, 30.0))
    made.let_go_before(round(2.5 * S_NS))
    assert made.cut([(0, 9 * S_NS)])[0] == [30.0]
    assert at(made, 2.5) == [25.0]
    made.let_go_before(round(3.5 * S_NS))
    assert at(made, 3.2, 99) == [30.0, 30.0]


def test_letting_go_twice_changes_nothing():
    made = channel((1, 10.0), (2, 20.0))
    for _ in range(2):
        made.let_go_before(9 * S_NS)
    assert made.last == (2 * S_NS, 20.0)
    assert at(made, 5) == [20.0]


SAMPLES = st.lists(st.one_of(st.floats(-80, 420), st.just(float("nan"))), min_size=1, max_size=30)


@given(SAMPLES, st.integers(0, 30), st.integers(0, 30))
def test_restored_and_read_again_from_before_it_answers_alike(values, gone, read_again_from):
    """A checkpoint keeps one sample; the rest comes again from the log, from a frame that may begin too early."""
    samples = [(n, v) for n, v in enumerate(values)]
    made = channel(*samples)
    made.let_go_before(gone * S_NS)
    again = SlowChannel(-60.0, 400.0)
    again.restore(json.loads(json.dumps(made.to_dict())))
    start = min(gone, read_again_from)
    news = again.add([n * S_NS for n, _ in samples[start:]], [v for _, v in samples[start:]])
    assert news == []
    late = [gone + k / 4 for k in range(8)]
    assert at(again, *late) == at(made, *late)
    assert again.cut([(gone * S_NS, 99 * S_NS)])[0] == made.cut([(gone * S_NS, 99 * S_NS)])[0]
    more = ([40 * S_NS, 41 * S_NS], [7.0, float("nan")])
    assert again.add(*more) == made.add(*more)
    assert at(again, 39.5, 40.5) == at(made, 39.5, 40.5)
