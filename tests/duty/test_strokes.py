"""Strokes: the definition itself, and that splitting and merging anywhere changes nothing."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.duty.strokes import GATE_UM, Strokes

BREAK = None
SERIES = st.lists(st.one_of(st.integers(-12_000, 12_000), st.just(BREAK)), min_size=1, max_size=60)
FINE = st.lists(st.integers(-4, 4).map(lambda k: k * 1_500), min_size=1, max_size=40)


def count(series, start=0):
    strokes = Strokes()
    for i, x in enumerate(series, start):
        if x is BREAK:
            strokes.break_off()
        else:
            strokes.update(np.array([x]), np.array([i * 1_000_000]))
    return strokes


def plain_reversals(series, gate=GATE_UM):
    """The definition in its plainest form: keep the path's extremes that are left by at least the gate."""
    if not series:
        return []
    low = high = series[0]
    pivots, direction, extreme = [], 0, series[0]
    for x in series:
        if direction == 0:
            low, high = min(low, x), max(high, x)
            if x - low >= gate:
                direction, extreme = 1, x
                pivots.append(low)
            elif high - x >= gate:
                direction, extreme = -1, x
                pivots.append(high)
        elif (x - extreme) * direction >= 0:
            extreme = x
        elif abs(x - extreme) >= gate:
            pivots.append(extreme)
            direction, extreme = -direction, x
    if direction:
        pivots.append(extreme)
    return pivots


@given(st.lists(st.integers(-12_000, 12_000), min_size=1, max_size=60))
def test_counts_follow_the_definition(series):
    pivots = plain_reversals(series)
    done = count(series).finished()
    assert done.strokes_count == max(0, len(pivots) - 1)
    assert done.travel_um == sum(abs(b - a) for a, b in itertools.pairwise(pivots))
    assert done.compression_count == sum(b > a for a, b in itertools.pairwise(pivots))
    assert sum(done.by_frequency.values()) == done.strokes_count


def same(first, second):
    return (
        first.finished() == second.finished()
        and first.confirmed() == second.confirmed()
        and first.rainflow().count_half_cycles() == second.rainflow().count_half_cycles()
    )


def split_and_merge(series, cuts):
    places = sorted({c % (len(series) + 1) for c in cuts})
    parts, start = [], 0
    for place in [*places, len(series)]:
        parts.append(count(series[start:place], start))
        start = place
    return parts


@settings(max_examples=400)
@given(SERIES, st.lists(st.integers(0, 1000), max_size=5))
def test_split_anywhere_and_merged_equals_whole(series, cuts):
    """A restart or a batch over many workers must not cost or add a single stroke."""
    parts = split_and_merge(series, cuts)
    merged = parts[0]
    for part in parts[1:]:
        merged.merge(part)
    assert same(merged, count(series))


@settings(max_examples=400)
@given(FINE, st.lists(st.integers(0, 1000), min_size=2, max_size=5))
def test_merging_in_any_grouping_equals_whole(series, cuts):
    """Steps of exactly half a gate: the edges of the definition; merged from the right."""
    parts = split_and_merge(series, cuts)
    merged = parts[-1]
    for part in reversed(parts[:-1]):
        part.merge(merged)
        merged = part
    assert same(merged, count(series))


@given(SERIES, st.lists(st.integers(-9_000, 9_000), max_size=20))
def test_state_survives_storage(series, more):
    strokes = count(series)
    restored = Strokes.from_dict(strokes.to_dict())
    for i, x in enumerate(more, len(series)):
        strokes.update(np.array([x]), np.array([i * 1_000_000]))
        restored.update(np.array([x]), np.array([i * 1_000_000]))
    assert restored == strokes or same(restored, strokes)


def test_gate_is_met_at_exactly_three_millimetres():
    assert count([0, 3_000, 0]).finished().strokes_count == 2
    assert count([0, 2_999, 0]).finished().strokes_count == 0


def test_a_break_ends_the_stroke_and_nothing_spans_it():
    done = count([0, 50_000, BREAK, 0, 50_000]).finished()
    assert (done.strokes_count, done.travel_um) == (2, 100_000)


def test_frequency_class_is_that_of_a_full_cycle_of_such_strokes():
    """A 50 ms stroke is half of a 10 Hz cycle: class 10..12 Hz."""
    strokes = Strokes()
    strokes.update(np.array([0, 20_000, 0]), np.array([0, 50_000_000, 100_000_000]))
    assert strokes.finished().by_frequency == {8: 2}
