"""Faults as intervals: joined, told once, and with no one's duty in them."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import Damper
from dutylog.engine.faults import SHORTEST_NS, FaultTracker
from dutylog.engine.output import Fault
from dutylog.errors import RecordingError
from dutylog.recording.block import Channel, Stream
from dutylog.units import FS_PER_S
from engine.builders import (
    RATE_HZ,
    S_NS,
    Log,
    Run,
    make_profile,
    make_vehicle,
    slow_stream,
    still_mm,
    strokes_mm,
    travel_stream,
)

MS_NS = 10**6
JOIN_NS = 60 * MS_NS


def spans(faults, kind=None, position=None):
    """Return (start, end) in seconds of the faults of a kind and position."""
    return [
        (f.start_ns / S_NS, f.end_ns / S_NS)
        for f in faults
        if kind in (None, f.kind) and position in (None, f.position)
    ]


# -- the tracker ---------------------------------------------------------------------------------


def note(tracker, *intervals, kind="travel_open"):
    return [f for start, end in intervals for f in tracker.note("left", kind, start * MS_NS, end * MS_NS)]


def test_intervals_that_follow_within_the_join_time_are_one_fault():
    tracker = FaultTracker(JOIN_NS)
    assert note(tracker, (0, 100), (160, 200), (200, 300)) == []
    assert spans(tracker.close_all()) == [(0.0, 0.3)]


def test_an_interval_after_the_join_time_ends_the_one_before():
    tracker = FaultTracker(JOIN_NS)
    assert spans(note(tracker, (0, 100), (161, 200))) == [(0.0, 0.1)]
    assert spans(tracker.close_all()) == [(0.161, 0.2)]


def test_a_fault_is_told_as_soon_as_nothing_can_join_it_and_only_once():
    tracker = FaultTracker(JOIN_NS)
    note(tracker, (0, 100))
    assert tracker.close_before(160 * MS_NS) == []
    assert spans(tracker.close_before(161 * MS_NS)) == [(0.0, 0.1)]
    assert tracker.close_before(S_NS) == []
    assert tracker.close_all() == []


def test_kinds_and_positions_are_faults_of_their_own():
    tracker = FaultTracker(JOIN_NS)
    for position in ("left", "right"):
        for kind in ("travel_open", "gap"):
            tracker.note(position, kind, 0, 100 * MS_NS)
    assert len(set(tracker.close_all())) == 4


@pytest.mark.parametrize(("kind", "shortest_ns"), SHORTEST_NS.items())
def test_what_is_too_short_to_tell_is_dropped(kind, shortest_ns):
    tracker = FaultTracker(JOIN_NS)
    tracker.note("left", kind, 0, shortest_ns - 1)
    assert tracker.close_all() == []
    tracker.note("left", kind, 0, shortest_ns)
    assert len(tracker.close_all()) == 1


def test_a_stuck_sensor_of_any_length_is_told():
    tracker = FaultTracker(JOIN_NS)
    tracker.note("left", "travel_stuck", 5, 5)
    assert tracker.close_all() == [Fault("left", "travel_stuck", 5, 5)]


def test_active_names_what_holds_at_an_instant():
    tracker = FaultTracker(JOIN_NS)
    note(tracker, (0, 100))
    note(tracker, (0, 50), kind="gap")
    assert tracker.active("left", 50 * MS_NS) == ("gap", "travel_open")
    assert tracker.active("left", 100 * MS_NS) == ("travel_open",)
    assert tracker.active("left", 101 * MS_NS) == ()
    assert tracker.active("right", 0) == ()


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(20, 90)), max_size=30))
def test_no_noted_time_is_lost_and_faults_never_overlap(steps):
    """Whatever comes in order: the faults told cover all that was noted, apart by more than the join time."""
    tracker, told, noted, at = FaultTracker(JOIN_NS), [], [], 0
    for pause, length in steps:
        at += pause
        told += tracker.close_before(at * MS_NS)
        told += note(tracker, (at, at + length))
        noted.append((at * MS_NS, (at + length) * MS_NS))
        again = FaultTracker(JOIN_NS)
        again.restore(json.loads(json.dumps(tracker.to_list())))
        tracker = again
        at += length
    told += tracker.close_all()
    assert all(any(f.start_ns <= a and b <= f.end_ns for f in told) for a, b in noted)
    assert all(late.start_ns > early.end_ns + JOIN_NS for early, late in itertools.pairwise(told))


# -- through the engine: travel ------------------------------------------------------------------------

TRAVEL = travel_stream("left", "right")
BODY = slow_stream(2, 10, ("left", "body_temperature"), ("right", "body_temperature"))


def drive(signal_mm, other_mm=None, vehicle=None):
    """Return the run of one recording: left as given, right with steady strokes."""
    other_mm = strokes_mm(len(signal_mm) / RATE_HZ, 1.3) if other_mm is None else other_mm
    log = Log(vehicle or make_vehicle())
    log.start(TRAVEL, kind="recording")
    log.write(TRAVEL, np.stack([signal_mm, other_mm], axis=1))
    log.end()
    return Run(log.vehicle).feed(log.frames)


def spoilt(seconds, start_s, stop_s, value):
    signal = strokes_mm(seconds)
    signal[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)] = value
    return signal


def test_an_open_sensor_is_told_once_and_its_time_is_not_measured():
    """Over a tile's edge: a fault is one line for people, however many tiles it covers."""
    run = drive(spoilt(12, 4.3, 7.1, 290.0))
    assert spans(run.faults, "travel_open", "left") == [(4.3, 7.1)]
    totals = run.totals_at("left")
    assert (totals.measured_us, totals.unmeasured_us) == (9_200_000, 2_800_000)
    assert {f.position for f in run.faults} == {"left"}


def test_a_sensor_that_chatters_at_the_rail_is_one_fault():
    signal = strokes_mm(6)
    for start in range(2000, 3000, 100):
        signal[start : start + 60] = -100.0
    assert spans(drive(signal).faults, "travel_open") == [(2.0, 2.96)]


def test_nothing_spans_a_hole():
    """Two half strokes with a hole between them are two, never one long one across it."""
    run = drive(spoilt(12, 4.0, 8.0, np.nan))
    whole = drive(strokes_mm(12))
    ours, all_there = run.totals_at("left"), whole.totals_at("left")
    # Energy of 8 of 12 equal seconds; the kinks at both edges of the hole cost 0.4 %.
    assert ours.energy_uj == pytest.approx(all_there.energy_uj * 8 / 12, rel=0.01)
    assert ours.stroke_travel_um == pytest.approx(all_there.stroke_travel_um * 8 / 12, rel=0.01)
    assert (all_there.strokes_count, ours.strokes_count) == (25, 18)
    assert spans(run.faults, "gap", "left") == [(4.0, 8.0)]


def test_short_holes_are_bridged_and_cost_nothing():
    signal = strokes_mm(10)
    signal[2000:2009] = np.nan
    run, whole = drive(signal), drive(strokes_mm(10))
    assert run.totals_at("left").unmeasured_us == 0
    assert run.faults == []
    assert run.totals_at("left").energy_uj == pytest.approx(whole.totals_at("left").energy_uj, rel=1e-3)


def test_spikes_are_told_one_by_one():
    signal = strokes_mm(6)
    signal[[1500, 1504, 3999, 4007]] += 60.0
    run = drive(signal)
    assert spans(run.faults, "spike") == [(1.5, 1.5), (1.504, 1.504), (3.999, 3.999), (4.007, 4.007)]
    assert run.totals_at("left").unmeasured_us == 0
    assert run.totals_at("left").energy_uj == pytest.approx(drive(strokes_mm(6)).totals_at("left").energy_uj, rel=1e-3)


def frozen(start_s, stop_s, seconds=12):
    """Return strokes whose sensor holds its value between two instants; it still shows its noise."""
    start = round(start_s * RATE_HZ)
    signal = spoilt(seconds, start_s, stop_s, strokes_mm(seconds)[start])
    return signal + np.random.default_rng(1).normal(0, 0.05, len(signal))


def test_a_stuck_sensor_is_told_and_its_time_is_not_measured():
    """The other damper shows that the vehicle is being shaken. The first quarter second is still taken for motion."""
    run = drive(frozen(4.0, 9.3))
    assert spans(run.faults, "travel_stuck") == [(4.25, 9.3)]
    totals = run.totals_at("left")
    # The jump by which it came loose doesn't count either: 20 ms.
    assert totals.unmeasured_us == 5_050_000 + 20_000
    assert totals.measured_us + totals.unmeasured_us == 12_000_000


LOOSE_MS = [(quarter, off) for quarter in (9000, 9250, 9500) for off in (-9, -3, -1, 0, 1, 3, 5, 8, 13)]


@pytest.mark.parametrize("start_s", [4.0, 4.1, 4.6])
def test_the_jump_of_a_sensor_that_comes_loose_is_no_stroke(start_s):
    """20 to 80 mm within a millisecond would be 80 m/s and kilojoules; it may fall anywhere in a tile's quarters."""
    whole = drive(strokes_mm(12)).totals_at("left")
    for quarter_ms, off_ms in LOOSE_MS:
        totals = drive(frozen(start_s, (quarter_ms + off_ms) / 1000)).totals_at("left")
        fair_uj = whole.energy_uj * totals.measured_us / 12_000_000
        # Worst measured: 4.8 % too much, 2 % too little, 0.95 m/s where the strokes themselves reach 0.34.
        assert 0.95 * fair_uj < totals.energy_uj < 1.06 * fair_uj, (quarter_ms, off_ms)
        assert max(totals.peak_compression_umps, totals.peak_rebound_umps) < 1_200_000, (quarter_ms, off_ms)
        assert totals.measured_us + totals.unmeasured_us == 12_000_000


def test_a_damper_at_rest_on_a_standing_vehicle_is_not_stuck():
    run = drive(still_mm(20), still_mm(20))
    assert run.faults == []
    assert run.totals_at("left").measured_us == 20_000_000


def test_a_rest_of_less_than_a_second_at_full_droop_is_not_stuck():
    signal = spoilt(12, 4.0, 4.8, 0.0)
    for start in (3960, 4800):  # 120 mm in 40 ms, there and back
        signal[start : start + 40] = np.linspace(signal[start - 1], signal[start + 40], 40)
    run = drive(signal)
    assert "travel_stuck" not in {f.kind for f in run.faults}
    assert run.totals_at("left").measured_us == 12_000_000


@pytest.mark.parametrize("rest_ms", [3, 17, 60, 260])
def test_the_rest_of_a_second_at_the_end_is_no_stuck_sensor(rest_ms):
    """17 ms at a reversal move by less than any noise; that is no second of rest."""
    signal = strokes_mm(8 + rest_ms / 1000, 0.5, start_s=0.5 - 8 - rest_ms / 2000)
    run = drive(signal, strokes_mm(len(signal) / RATE_HZ, 2.0, start_s=0.1))
    assert run.faults == []
    assert run.totals_at("left").unmeasured_us == 0


def test_a_fault_that_is_open_at_the_end_is_told_at_the_end():
    assert spans(drive(spoilt(8, 5.5, 8.0, 290.0)).faults) == [(5.5, 8.0)]


def test_live_shows_a_fault_while_it_lasts():
    log = Log(make_vehicle())
    log.start(TRAVEL)
    log.write(TRAVEL, np.stack([spoilt(12, 4.0, 8.0, 290.0), strokes_mm(12)], axis=1))
    run = Run(log.vehicle).feed(log.frames)
    shown = {live.tile: live.dampers[0].faults for live in run.lives}
    assert shown[2] == ()
    assert shown[5] == ("travel_open",)
    assert shown[10] == ()
    assert all(live.dampers[1].faults == () for live in run.lives)


# -- gaps of the log --------------------------------------------------------------------------------


def gap_log(gap_s, seconds=4):
    log = Log(make_vehicle())
    log.start(TRAVEL, kind="recording")
    log.write(TRAVEL, strokes_mm(seconds))
    at = round((seconds + gap_s) * RATE_HZ)
    log.write(TRAVEL, strokes_mm(seconds), at=at)
    log.end()
    return log


@pytest.mark.parametrize("gap_s", [0.05, 0.3, 1.0, 2.7, 30.0])
def test_a_gap_is_told_once_and_is_unmeasured_to_the_microsecond(gap_s):
    run = Run(make_vehicle()).feed(gap_log(gap_s).frames)
    for position in ("left", "right"):
        assert spans(run.faults, "gap", position) == [(4.0, pytest.approx(4.0 + gap_s))]
        totals = run.totals_at(position)
        assert (totals.measured_us, totals.unmeasured_us) == (8_000_000, round(gap_s * 1e6))


@pytest.mark.slow
def test_a_long_gap_is_one_frame_and_takes_no_memory():
    """A board that slept for minutes: hundreds of thousands of rows that never came."""
    import tracemalloc

    most = {}
    for gap_s in (100.0, 400.0):
        log, run = gap_log(gap_s), Run(make_vehicle())
        tracemalloc.start()
        run.feed(log.frames)
        most[gap_s] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        totals = run.totals_at("left")
        assert len(log.frames) < 20
        assert (totals.measured_us, totals.unmeasured_us) == (8_000_000, round(gap_s * 1e6))
        assert spans(run.faults, "gap", "left") == [(4.0, 4.0 + gap_s)]
    # The rows of 300 s more would take 4.8 MB; what grows here is the test's own list of what it was told.
    assert most[400.0] - most[100.0] < 1e6


def test_a_long_gap_ends_the_trip_before_it():
    run = Run(make_vehicle()).feed(gap_log(1200.0).frames)
    assert [(t.start_ns, t.is_open) for t in run.trips] == [(0, False), (1204 * S_NS, False)]
    assert run.trips[0].end_ns < 30 * S_NS


# -- temperature ------------------------------------------------------------------------------------


def with_temperature(values):
    """Return the run of 1 s of travel for each 10 temperatures of the left damper; the right one is fine."""
    log = Log(make_vehicle(profiles=(make_profile(fade_per_k=0.002),)))
    log.start(BODY, TRAVEL, kind="recording")
    for second in range(len(values) // 10):
        part = np.asarray(values[second * 10 : second * 10 + 10], dtype=float)
        log.write(BODY, np.stack([part, np.full(10, 90.0)], axis=1))
        log.write(TRAVEL, strokes_mm(1))
    log.end()
    return Run(log.vehicle).feed(log.frames)


@pytest.mark.parametrize("open_code", [float("nan"), 2047.0, -200.0], ids=["nan", "converter's code", "below"])
def test_an_open_thermocouple_is_told_and_never_believed(open_code):
    """2047 is what a converter says of an open junction: as a temperature it would end all damping force."""
    run = with_temperature([90.0] * 30 + [open_code] * 50 + [90.0] * 30)
    assert spans(run.faults, "thermocouple_open") == [(3.0, 7.9)]
    assert {f.position for f in run.faults} == {"left"}
    totals = run.totals_at("left")
    assert totals.peak_body_mc == 90_000
    # Fade goes on from the last believed value: the same heat as its neighbour's.
    assert totals.energy_uj == run.totals_at("right").energy_uj
    assert totals.unmeasured_us == 0
    last = run.lives[6].dampers[0]
    assert last.body_c is None
    assert "thermocouple_open" in last.faults


def test_one_bad_sample_of_temperature_is_passed_over():
    run = with_temperature([90.0] * 35 + [2047.0] + [90.0] * 34)
    assert run.faults == []
    assert run.totals_at("left").peak_body_mc == 90_000


def test_a_damper_without_any_temperature_doesnt_fade_and_has_no_peak():
    run = with_temperature([float("nan")] * 60)
    left, right = run.totals_at("left"), run.totals_at("right")
    assert left.peak_body_mc is None
    assert right.energy_uj == pytest.approx(left.energy_uj * 0.9, rel=1e-6)
    assert {row.body_mean_c for row in run.minutes if row.position == "left"} == {None}


# -- sensors that are shared or not there ----------------------------------------------------------------


def test_two_dampers_on_one_sensor_each_get_their_own_travel():
    """A bypass beside the coil-over moves 1.5 times as far: the same strokes, 1.5 times the speed, 2.25 the heat."""
    bypass = Damper("bypass", "left", "plain", travel_from="left", travel_map=((0.0, -40.0), (200.0, 260.0)))
    vehicle = make_vehicle(Damper("left", "left", "plain"), bypass, Damper("right", "right", "plain"))
    log = Log(vehicle)
    log.start(TRAVEL, kind="recording")
    log.write(TRAVEL, np.stack([strokes_mm(10), strokes_mm(10, 1.3)], axis=1))
    log.end()
    run = Run(vehicle).feed(log.frames)
    own, second = run.totals_at("left"), run.totals_at("bypass")
    assert own.strokes_count == second.strokes_count == 21
    assert second.stroke_travel_um == pytest.approx(1.5 * own.stroke_travel_um, rel=1e-5)
    assert second.energy_uj == pytest.approx(2.25 * own.energy_uj, rel=1e-5)
    assert run.faults == []


def test_a_shared_sensor_that_opens_is_a_fault_of_both():
    bypass = Damper("bypass", "left", "plain", travel_from="left", travel_map=((0.0, 0.0), (254.0, 254.0)))
    vehicle = make_vehicle(Damper("left", "left", "plain"), bypass, Damper("right", "right", "plain"))
    run = drive(spoilt(8, 3.0, 5.0, 290.0), vehicle=vehicle)
    for position in ("left", "bypass"):
        assert spans(run.faults, "travel_open", position) == [(3.0, 5.0)]
    assert spans(run.faults, position="right") == []


def test_a_damper_without_a_sensor_is_unmeasured_and_no_fault():
    """Nothing is broken there: it was never meant to be measured, and must not look like a damper that rested."""
    vehicle = make_vehicle("left", "right", "spare")
    log = Log(vehicle)
    log.start(TRAVEL)
    log.write(TRAVEL, np.stack([strokes_mm(8), strokes_mm(8, 1.3)], axis=1))
    run = Run(vehicle).feed(log.frames).finish()
    totals = run.totals_at("spare")
    assert (totals.measured_us, totals.unmeasured_us) == (0, 8_000_000)
    assert (totals.energy_uj, totals.strokes_count) == (0, 0)
    assert run.faults == []
    assert run.lives[-1].dampers[2].faults == ("no_travel_sensor",)
    assert run.lives[-1].dampers[2].travel_mm is None
    assert run.lives[-1].dampers[2].heat_w is None


def test_counts_without_a_calibration_are_unmeasured_time_and_say_why():
    """Whoever logs before the sensors are calibrated still has the counts; nothing is made up of them."""
    log = Log(make_vehicle("left"))
    stream = travel_stream("left", unit="count")
    log.start(stream)
    log.write(stream, still_mm(8))
    run = Run(log.vehicle).feed(log.frames).finish()
    totals = run.totals_at("left")
    assert (totals.measured_us, totals.unmeasured_us, totals.energy_uj) == (0, 8_000_000, 0)
    assert run.lives[-1].dampers[0].faults == ("not_calibrated",)


def test_two_travel_streams_in_one_epoch_are_refused():
    log = Log(make_vehicle())
    other = travel_stream("right")
    other = type(other)(9, "more", other.dtype, other.period_fs, other.channels)
    log.start(TRAVEL, other)
    log.write(TRAVEL, still_mm(1))
    log.write(other, still_mm(1))
    with pytest.raises(RecordingError, match="two travel streams"):
        Run(log.vehicle).feed(log.frames)


@pytest.mark.parametrize(
    ("rate_hz", "faults"), [(200, ("bandwidth_limited",)), (499, ("bandwidth_limited",)), (500, ())]
)
def test_travel_sampled_too_seldom_for_all_of_its_motion_says_so(rate_hz, faults):
    """Energy from a converter on the bus is a lower bound of what the shaft really did."""
    log = Log(make_vehicle("left"))
    stream = Stream(1, "travel", "f4", FS_PER_S // rate_hz, (Channel("left", "travel", "mm"),))
    log.start(stream)
    log.write(stream, 100 + 50 * np.sin(np.arange(rate_hz * 8) / rate_hz * 6)[:, None])
    run = Run(log.vehicle).feed(log.frames).finish()
    assert run.lives[-1].dampers[0].faults == faults
    assert run.totals_at("left").unmeasured_us == 0
