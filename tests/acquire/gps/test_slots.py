"""Fixes on the grid of rows: none twice, none invented, order kept, jitter at a boundary costs nothing."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.acquire.gps.slots import SlotKeeper

SECOND_FS = 10**15
S = 10**9


def _run(instants_s, t0_s=0.0):
    """Return (index, which fix) of every row."""
    keeper = SlotKeeper(round(t0_s * S), SECOND_FS)
    rows = []
    for number, instant_s in enumerate(instants_s):
        rows += keeper.put(round(instant_s * S), (float(number),))
    rows += keeper.expire(10**18)
    return [(index, int(values[0])) for index, values in rows], keeper


@pytest.mark.parametrize("phase_s", [0.0, 0.2, 0.49, 0.5, 0.51, 0.8])
def test_a_receiver_at_one_hertz_fills_every_slot_at_any_phase(phase_s):
    """Jitter of 50 ms, the boundary between two slots in the middle of it too."""
    jitter_s = [0.05, -0.05, 0.03, -0.04, 0.0, 0.05, -0.05]
    rows, keeper = _run([10 + i + phase_s + jitter_s[i % 7] for i in range(50)])
    indices = [index for index, _ in rows]
    assert indices == list(range(indices[0], indices[0] + 50))
    assert [number for _, number in rows] == list(range(50))
    assert keeper.spare == 0


@pytest.mark.parametrize("rate_hz", [5, 10])
def test_a_faster_receiver_gives_the_fix_nearest_to_each_instant(rate_hz):
    instants_s = [20.03 + i / rate_hz for i in range(10 * rate_hz)]
    rows, _ = _run(instants_s)
    assert [index for index, _ in rows] == list(range(20, 31))[: len(rows)]
    for index, number in rows[1:-1]:
        assert abs(instants_s[number] - index) == pytest.approx(min(abs(x - index) for x in instants_s))


def test_a_row_at_one_hertz_is_final_at_once():
    """Speed is wanted live: nothing is kept back for a fix that won't come."""
    keeper = SlotKeeper(0, SECOND_FS)
    assert [len(keeper.put(round((5 + i - 0.3) * S), (0.0,))) for i in range(10)] == [1] * 10


def test_a_missing_fix_leaves_its_slot_out():
    rows, _ = _run([10.1, 11.1, 14.1, 15.1])
    assert rows == [(10, 0), (11, 1), (14, 2), (15, 3)]


def test_a_fix_before_the_grid_is_spare():
    rows, keeper = _run([9.0, 10.0], t0_s=10.0)
    assert rows == [(0, 1)]
    assert keeper.spare == 1


def test_a_row_kept_back_goes_out_after_a_while():
    """A fast receiver falls silent just before an instant: what it last said is still the row."""
    keeper = SlotKeeper(0, SECOND_FS)
    made = [keeper.put(round(at_s * S), (at_s,)) for at_s in (10.0, 10.2, 10.4, 10.6, 10.8)]
    assert made == [[(10, (10.0,))], [], [], [], []]
    assert keeper.expire(13 * S - 1) == []
    assert keeper.expire(13 * S) == [(11, (10.8,))]
    assert keeper.expire(99 * S) == []


RHYTHM = st.lists(st.sampled_from([0.1, 0.2, 0.2, 0.95, 1.0, 1.0, 1.05, 3.0, 40.0]), min_size=1, max_size=60)


@settings(deadline=None)
@given(st.floats(0, 1), RHYTHM)
def test_rows_rise_and_lie_near_their_fixes(start_s, steps_s):
    """Whatever the rhythm: no index twice or back, no fix twice, none further than 0.75 s from its row."""
    instants_s = [50.0 + start_s]
    for step_s in steps_s:
        instants_s.append(instants_s[-1] + step_s)
    rows, keeper = _run(instants_s)
    indices, numbers = [r[0] for r in rows], [r[1] for r in rows]
    assert indices == sorted(set(indices))
    assert numbers == sorted(set(numbers))
    assert len(rows) + keeper.spare == len(instants_s)
    for index, number in rows:
        assert abs(instants_s[number] - index) <= 0.75 + 1e-6


@settings(deadline=None)
@given(st.floats(0, 1), st.lists(st.floats(-0.1, 0.1), min_size=2, max_size=40))
def test_no_gap_comes_of_jitter_alone(phase_s, jitter_s):
    instants_s = [10 + phase_s + i + jitter for i, jitter in enumerate(jitter_s)]
    indices = [index for index, _ in _run(instants_s)[0]]
    assert indices == list(range(indices[0], indices[0] + len(instants_s)))
