"""Stopped after any frame, restored and warmed, the engine goes on as if it had never stopped, to the bit."""

from __future__ import annotations

import copy
import functools
import json
import zlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog import ENGINE
from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.engine import Engine
from dutylog.errors import InputError
from engine.builders import (
    S_NS,
    Log,
    Run,
    frames_of,
    load_vehicle,
    make_profile,
    make_vehicle,
    slow_stream,
    still_mm,
    strokes_mm,
    travel_stream,
)

CUTS = {"C_desert": (20.0, 40.0), "F_faults": (50.0, 80.0)}
"""The desert with bottom-outs; a stuck sensor, spikes, gaps and the beginning of an open thermocouple."""
PARTS = 4


class Stop:
    """What a ledger would hold after a frame: the checkpoint and the last state of every unit."""

    def __init__(self, run, cold):
        self.checkpoint = run.engine.checkpoint()
        self.cold = cold
        self.done = [len(rows) for rows in (run.minutes, run.trips, run.faults)]

    def restore(self, frames, way):
        """Return a new engine in a new run, as a restarted program would make it."""
        run = Run.__new__(Run)
        run.tiles = 0
        run.minutes, run.trips, run.faults, run.lives, run.stores = [], [], [], [], []
        run.engine, needed_from = Engine.restore(self.checkpoint, load_duty=self.load_duty)
        for frame in frames:
            if needed_from <= frame.sequence <= json.loads(zlib.decompress(self.checkpoint))["sequence"]:
                if way == "warmed":
                    run.engine.warm(frame)
                elif way == "fed again":
                    run.engine.feed(frame)
        return run

    def load_duty(self, unit_id):
        return DamperDuty.from_dict(json.loads(self.cold[unit_id])) if unit_id in self.cold else None


def store(run, cold):
    """Return the states a commit would leave behind."""
    return cold | {unit: json.dumps(duty.to_dict()) for unit, duty in run.engine.duties().items()}


class Unbroken:
    """One run over all frames, with everything a stop after any of them would have stored."""

    def __init__(self, frames, vehicle):
        self.frames = frames
        self.run = Run(vehicle)
        self.stops = []
        cold = {}
        for frame in frames:
            self.run.feed([frame])
            cold = store(self.run, cold)
            self.stops.append(Stop(self.run, cold))
        self.final = final_of(self.run)

    def check_stop(self, at, way="warmed", duties_of=None):
        """Go on after frame `at` in a restored engine and compare all there is.

        duties_of: frame whose accumulators are taken, the checkpoint's own by default.
        """
        stop = self.stops[at]
        if duties_of is not None:
            stop = copy.copy(stop)
            stop.cold = self.stops[duties_of].cold
        run = stop.restore(self.frames, way).feed(self.frames[at + 1 :])
        minutes, trips, faults = stop.done
        assert run.faults == self.run.faults[faults:]
        assert run.minutes == self.run.minutes[minutes:]
        assert run.trips == self.run.trips[trips:]
        assert_final(final_of(run), self.final)


def final_of(run):
    return run.engine.totals(), store(run, {}), run.engine.checkpoint(), run.engine.open_trip()


def assert_final(ours, wanted):
    """Units that left before the stop are the ledger's, not the engine's: compare those the engine holds."""
    for unit, totals in ours[0].items():
        assert totals == wanted[0][unit]
        assert ours[1][unit] == wanted[1][unit]
    assert ours[2] == wanted[2]
    assert ours[3] == wanted[3]


@functools.cache
def unbroken(case, folder):
    frames = frames_of(case, *CUTS[case], folder)
    return Unbroken(frames, load_vehicle(case))


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    return str(tmp_path_factory.mktemp("cuts"))


@pytest.mark.parametrize("part", [0, *(pytest.param(part, marks=pytest.mark.slow) for part in range(1, PARTS))])
@pytest.mark.parametrize("case", CUTS)
def test_a_stop_after_any_frame_changes_no_bit(case, part, folder):
    """Totals, minutes, trips, faults and the last checkpoint's bytes, after each of 67 and about 100 frames."""
    whole = unbroken(case, folder)
    assert len(whole.stops) > 60
    assert sum(t.energy_uj for t in whole.final[0].values()) > 1e10
    for at in range(part, len(whole.stops), PARTS):
        whole.check_stop(at)


def test_the_cut_with_faults_holds_some_on_both_sides_of_stops(folder):
    kinds = {fault.kind for fault in unbroken("F_faults", folder).run.faults}
    assert kinds >= {"travel_stuck", "gap", "spike"}


STOPS = range(20, 50, 3)


@pytest.mark.parametrize("case", CUTS)
def test_the_comparison_sees_a_missing_warm_up(case, folder):
    """Without it the tiles around the stop know nothing of what came before."""
    for at in STOPS:
        with pytest.raises(AssertionError):
            unbroken(case, folder).check_stop(at, "not warmed")


@pytest.mark.parametrize("case", CUTS)
@pytest.mark.parametrize("seconds", [2, -2])
def test_the_comparison_sees_tiles_counted_twice_or_never(case, seconds, folder):
    """Accumulators from after the checkpoint count its tiles twice, from before it never: one transaction for both."""
    for at in STOPS:
        # About four frames make a second; two seconds always hold a tile.
        with pytest.raises(AssertionError):
            unbroken(case, folder).check_stop(at, duties_of=at + 4 * seconds)


@pytest.mark.parametrize("case", CUTS)
def test_frames_that_are_fed_again_count_once(case, folder):
    """A replay that begins too early must do no harm: rows the engine knows are skipped by their index."""
    for at in STOPS:
        unbroken(case, folder).check_stop(at, "fed again")


@settings(max_examples=15, deadline=None)
@given(st.sets(st.integers(0, 66), min_size=2, max_size=12))
def test_any_number_of_stops_changes_no_bit(folder, places):
    """A board on a loose plug restarts again and again, also before the warm-up has done any good."""
    whole = unbroken("C_desert", folder)
    frames, cold = whole.frames, {}
    run, minutes, faults = Run(load_vehicle("C_desert")), [], []
    for at, frame in enumerate(frames):
        run.feed([frame])
        cold = store(run, cold)
        if at in places:
            minutes, faults = minutes + run.minutes, faults + run.faults
            run = Stop(run, cold).restore(frames[: at + 1], "warmed")
    assert minutes + run.minutes == whole.run.minutes
    assert faults + run.faults == whole.run.faults
    assert_final(final_of(run), whole.final)


def eventful_log():
    """Return a log in which much happens: swaps, moves, a gap, a stop and restart, two boots, a new curve."""
    vehicle = make_vehicle()
    travel = travel_stream("left", "right")
    body = slow_stream(2, 10, ("left", "body_temperature"), ("right", "body_temperature"))
    speed = slow_stream(3, 5, ("", "speed"))
    rng = np.random.default_rng(8)

    def drive(seconds, freq_hz):
        for _ in range(seconds):
            at_s = log.next.get(1, 0) / 1000
            both = [strokes_mm(1, freq_hz, a, start_s=at_s) + rng.normal(0, 0.05, 1000) for a in (40.0, 25.0)]
            log.write(travel, np.stack(both, axis=1))
            log.write(body, rng.normal(60.0, 1.0, (10, 2)))
            log.write(speed, rng.normal(9.0, 0.5, 5))

    log = Log(vehicle)
    log.start(travel, body, speed, t0_ns=50 * S_NS)
    log.clock(50 * S_NS, 1_700_000_000 * S_NS, True)
    log.event("install", position="left", unit_id="u1", serial="S1")
    log.event("install", position="right", unit_id="u2", serial=None)
    drive(5, 1.5)
    log.event("remove", position="left", unit_id="u1")
    log.event("install", position="left", unit_id="u3", serial=None)
    drive(4, 2.0)
    for stream in (travel, body, speed):
        log.next[stream.stream_id] += 3 * stream.samples_per_second
    drive(3, 1.0)
    log.event("remove", position="right", unit_id="u2")
    log.event("install", position="right", unit_id="u1", serial="S1")
    drive(3, 1.5)
    log.end()
    log.start(travel, body, speed, t0_ns=90 * S_NS)
    drive(3, 2.0)
    log.frames += log.book.flush()
    harder = make_vehicle(profiles=(make_profile(stroke_m=0.170),))
    log.frames += log.book.config(harder, log.book.state.time_ns)
    drive(3, 1.5)
    log.close()
    log.reboot("boot-b")
    log.start(travel, body, speed, t0_ns=7 * S_NS)
    log.clock(7 * S_NS, 1_700_000_060 * S_NS, True)
    drive(3, 1.5)
    log.write(travel, still_mm(2))
    log.end()
    return vehicle, tuple(log.frames)


@functools.cache
def eventful():
    vehicle, frames = eventful_log()
    return Unbroken(frames, vehicle)


@pytest.mark.slow
def test_a_stop_after_any_frame_of_an_eventful_log_changes_no_bit():
    """Installs, removals, a gap, epochs, another boot and another configuration: each is a place to stop at."""
    whole = eventful()
    assert {f.epoch for f in whole.frames} == {1, 2, 3}
    for at in range(len(whole.stops)):
        whole.check_stop(at)


def test_every_unit_of_the_eventful_log_has_done_something():
    totals = eventful().final[0]
    assert {u for u in totals if totals[u].strokes_count > 0} == {"u1", "u2", "u3"}
    assert eventful().run.engine.open_trip().start_ns < 60 * S_NS


def test_slow_samples_taken_late_in_their_grid_survive_a_stop():
    """A converter that reads its channels one after the other: the last comes most of a period behind the first."""
    travel = travel_stream("left", "right")
    body = slow_stream(2, 1, ("left", "body_temperature"), ("right", "body_temperature"))
    late = tuple(replace(c, offset_ns=900_000_000) for c in body.channels)
    body = replace(body, period_fs=2 * 10**15, channels=late)
    vehicle = make_vehicle(profiles=(make_profile(fade_per_k=0.003),))
    log = Log(vehicle)
    log.start(travel, body)
    for second in range(12):
        log.write(travel, strokes_mm(1, 1.5, start_s=second))
        if second % 2 == 0:
            log.write(body, [50.0 + 7 * (second % 3)], behind_ns=300_000_000)
    log.end()
    whole = Unbroken(tuple(log.frames), vehicle)
    for at in range(len(whole.stops)):
        whole.check_stop(at)


def test_a_checkpoint_of_another_engine_version_is_refused():
    state = json.loads(zlib.decompress(eventful().stops[5].checkpoint))
    state["engine"] = "0"
    with pytest.raises(InputError, match=f"checkpoint of engine 0, this is {ENGINE}"):
        Engine.restore(zlib.compress(json.dumps(state).encode()), load_duty=lambda _: None)


def test_a_checkpoint_is_small_enough_to_write_every_half_minute():
    """What doesn't fit the ledger's page twice a minute would wear the card; measured 1.0 kB."""
    assert max(len(stop.checkpoint) for stop in eventful().stops) < 4096
