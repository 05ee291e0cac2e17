"""Scaling, and counts that wrap, on a run fed frame by frame."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bridge.fake_board import make_settings
from dutylog.acquire.bridge.messages import Identity, Samples
from dutylog.acquire.bridge.run import BridgeRun, scale_counts
from dutylog.errors import SourceLost

IDENTITY = Identity("00", 1, (1, 0, 0), 12, False, 1000, 1_000_000, 512, False, True, (0, 1, 2, 3))
WRAP = 2**32


def make_run() -> BridgeRun:
    """Return a run whose board's tick 0 is the host's time 0, without drift."""
    run = BridgeRun(IDENTITY, make_settings())
    ping(run, 0)
    return run


def ping(run: BridgeRun, mono_ns: int) -> None:
    tick = mono_ns // 1000 % WRAP
    run.clock.add_ping(mono_ns - 150_000, mono_ns + 150_000, tick, tick)


def take(run: BridgeRun, index: int, n: int = 40, lost: int = 0) -> list[tuple[int, int, int]]:
    """Feed the frame of an index, a row a millisecond from 0; return index, instant [ns] and quality of its rows."""
    raw = np.zeros((n, 4), np.uint16)
    samples = Samples(index % WRAP, index * 1000 % WRAP, lost % WRAP, 0, 0, raw)
    return [(rows.index, rows.t0_ns, rows.quality) for rows in run.take(samples, (index + n) * 1_000_000)]


@given(st.integers(0, 65535), st.integers(0, 65535))
def test_counts_are_those_of_the_protocol(raw: int, reference: int) -> None:
    """Against Python's own exact integers: round half to even of raw * 32767 / reference."""
    counts = scale_counts(np.array([[raw]], np.uint16), reference)
    assert counts.dtype == np.int16
    if reference == 0:
        assert counts[0, 0] == raw >> 1
    else:
        whole, rest = divmod(raw * 32767, reference)
        # At a tie the product in floats may fall to either side; both are half a count from the truth.
        nearest = {whole, whole + 1} if 2 * rest == reference else {whole + (2 * rest > reference)}
        assert counts[0, 0] in {min(count, 32767) for count in nearest}


def test_an_index_that_wraps_goes_on() -> None:
    """After 49.7 days at 1 kHz. The gaps are leaps of the test; ticks wrap a thousand times meanwhile."""
    run = make_run()
    assert take(run, 0) == [(0, 0, 0)]
    for index in (2**30, 2**31 - 1000, 3 * 2**30, WRAP - 80):
        ping(run, index * 1_000_000)
        ((got, t0_ns, quality),) = take(run, index)
        assert (got, quality) == (index, 2)
        assert abs(t0_ns - index * 1_000_000) < 1_000
    lost = run.lost_rows
    for index in (WRAP - 40, WRAP, WRAP + 40):
        ((got, t0_ns, quality),) = take(run, index)
        assert (got, quality) == (index, 0)
        assert abs(t0_ns - index * 1_000_000) < 1_000
    assert run.lost_rows == lost


def test_the_boards_count_of_lost_rows_wraps_too() -> None:
    run = make_run()
    take(run, 0)
    take(run, 50, lost=10)
    assert (run.lost_rows, run.overruns) == (10, 10)
    run._lost32 = WRAP - 5
    take(run, 100, lost=WRAP + 5)
    assert run.overruns == 20


def test_a_frame_that_comes_twice_is_a_board_that_began_anew() -> None:
    run = make_run()
    take(run, 0)
    take(run, 40)
    with pytest.raises(SourceLost, match=r"began anew \(watchdog or power\): row 40 came after row 79"):
        take(run, 40)


def test_frames_of_any_number_of_rows_are_taken() -> None:
    """The board sends fewer before a hole and at the end of a run."""
    run = make_run()
    assert [take(run, index, n)[0][0] for index, n in ((0, 40), (40, 1), (41, 7), (48, 255))] == [0, 40, 41, 48]
    assert run.lost_rows == 0


def test_a_used_input_that_the_board_lacks_is_refused() -> None:
    with pytest.raises(ValueError, match="not in tuple"):
        BridgeRun(IDENTITY, make_settings(inputs=("a", "b", "c", "d", "e")))
