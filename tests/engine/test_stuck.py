"""A stuck sensor: no total is ever taken back, and every microsecond is told once."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.engine.stuck import QUIET_QUARTERS, StuckJudge
from engine.builders import Log, Run, make_vehicle, still_mm, strokes_mm, travel_stream

QUARTER_US = 250_000
QUARTER_NS = QUARTER_US * 1000


def judge(flags, believed_us=QUARTER_US):
    """Return the judge and what became certain with each quarter."""
    made = StuckJudge()
    return made, [made.update(quiet, believed_us, n * QUARTER_NS) for n, quiet in enumerate(flags)]


def test_motion_is_measured_at_once():
    assert judge([False, False])[1] == [(QUARTER_US, 0)] * 2


def test_quiet_time_waits_until_it_is_clear_what_it_was():
    made, sure = judge([False, True, True, True])
    assert sure[1:] == [(0, 0)] * 3
    assert not made.is_stuck
    assert made.update(False, QUARTER_US, 4 * QUARTER_NS) == (4 * QUARTER_US, 0)


def test_a_quiet_second_is_stuck_from_its_beginning():
    made, sure = judge([False, True, True, True, True])
    assert made.is_stuck
    assert made.start_ns == QUARTER_NS
    assert sure[-1] == (0, 4 * QUARTER_US)
    assert made.update(True, QUARTER_US, 5 * QUARTER_NS) == (0, QUARTER_US)
    assert made.update(False, QUARTER_US, 6 * QUARTER_NS) == (QUARTER_US, 0)
    assert not made.is_stuck


@pytest.mark.parametrize(("quiet", "expected"), [(3, (3 * QUARTER_US, 0)), (4, (0, 0))])
def test_at_the_end_of_a_run_what_still_waits_is_settled(quiet, expected):
    made, _ = judge([True] * quiet)
    assert made.settle() == expected
    assert made.settle() == (0, 0)
    assert not made.is_stuck


@given(st.lists(st.tuples(st.booleans(), st.integers(0, QUARTER_US)), max_size=60))
def test_all_believed_time_is_told_exactly_once(quarters):
    made = StuckJudge()
    told = [made.update(quiet, us, n) for n, (quiet, us) in enumerate(quarters)] + [made.settle()]
    assert sum(m + u for m, u in told) == sum(us for _, us in quarters)
    assert all(m >= 0 and u >= 0 for m, u in told)


@given(st.lists(st.booleans(), max_size=40), st.integers(0, 40))
def test_a_judge_survives_storage_anywhere(flags, place):
    made, sure = judge(flags)
    stopped, before = judge(flags[:place])
    again = StuckJudge(*stopped.to_list())
    after = [again.update(q, QUARTER_US, n * QUARTER_NS) for n, q in enumerate(flags[place:], len(flags[:place]))]
    assert before + after == sure
    assert again == made


def test_a_second_is_four_quarters():
    assert QUIET_QUARTERS == 4


# -- through the engine -----------------------------------------------------------------------------

NAMES = ("left", "right", "third", "fourth")


def drive(*signals_mm, noise_mm=0.05):
    rng = np.random.default_rng(2)
    names = NAMES[: len(signals_mm)]
    log, stream = Log(make_vehicle(*names)), travel_stream(*names)
    log.start(stream, kind="recording")
    log.write(stream, np.stack([s + rng.normal(0, noise_mm, len(s)) for s in signals_mm], axis=1))
    log.end()
    return Run(log.vehicle).feed(log.frames)


@pytest.mark.parametrize("noise_mm", [0.02, 0.073, 0.22])
def test_a_frozen_sensor_is_seen_through_its_noise(noise_mm):
    run = drive(still_mm(10, 90.0), strokes_mm(10, 1.3), strokes_mm(10), noise_mm=noise_mm)
    assert {(f.position, f.kind) for f in run.faults} == {("left", "travel_stuck")}
    assert run.totals_at("left").measured_us == 0
    assert run.totals_at("left").unmeasured_us == 10_000_000


def test_one_moving_damper_alone_accuses_nobody():
    """A jack under one of four corners: the vehicle isn't being shaken."""
    run = drive(still_mm(10), still_mm(10), still_mm(10), strokes_mm(10))
    assert run.faults == []


def test_a_slow_road_is_no_stuck_sensor():
    """0.5 mm at 2 Hz on every corner: little, and still motion."""
    run = drive(*(strokes_mm(10, f, 0.5) for f in (2.0, 2.3, 1.7)))
    assert run.faults == []


def test_totals_never_fall_while_a_sensor_sticks():
    """What waits to be judged isn't in any total, so none has to be taken back."""
    signal = np.concatenate([strokes_mm(3), still_mm(0.8), strokes_mm(3.2), still_mm(5), strokes_mm(2)])
    rng = np.random.default_rng(2)
    stream = travel_stream(*NAMES[:3])
    log = Log(make_vehicle(*NAMES[:3]))
    log.start(stream)
    whole = np.stack([signal, strokes_mm(14, 1.3), strokes_mm(14)], axis=1) + rng.normal(0, 0.05, (14_000, 3))
    log.write(stream, whole)
    run = Run(log.vehicle)
    before = None
    for frame in log.frames:
        run.feed([frame])
        now = run.totals_at("left")
        assert before is None or now.reaches(before)
        before = now.copy()
    run.finish()
    assert run.totals_at("left").reaches(before)
    assert run.totals_at("left").unmeasured_us > 4_500_000
