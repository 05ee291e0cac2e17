"""Trips: from the first motion to the last, over stops of the engine, epochs and boots; and whose duty it was."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.engine.trips import TileSummary, TripTracker
from engine.builders import S_NS, Log, Run, make_vehicle, slow_stream, still_mm, strokes_mm, travel_stream

GRACE_NS = 600 * S_NS
TRAVEL = travel_stream("left", "right")
SPEED = slow_stream(3, 5, ("", "speed"))
UTC_NS = 1_700_000_000 * S_NS


def tile(number, moving, *, start_s=None, epoch=1, distance_m=None, strokes=1, unit="u1"):
    start_ns = (number if start_s is None else start_s) * S_NS
    gains = ((unit, "left", Totals(strokes_count=strokes, measured_us=1_000_000)),)
    return TileSummary(epoch, number, start_ns, start_ns + S_NS, moving, distance_m, gains)


def feed(tracker, *tiles):
    return [row for one in tiles for row in tracker.update(one)]


# -- the tracker ---------------------------------------------------------------------------------


def test_a_trip_starts_with_motion_and_ends_with_the_last_motion():
    tracker = TripTracker(GRACE_NS)
    feed(tracker, tile(0, False), tile(1, True), tile(2, True), tile(3, False), tile(4, False))
    row = tracker.row()
    assert (row.epoch, row.start_tile, row.is_open) == (1, 1, True)
    assert (row.start_ns, row.end_ns, row.moving_us) == (1 * S_NS, 3 * S_NS, 2_000_000)
    assert row.dampers[0].totals.strokes_count == 2


def test_a_pause_within_the_grace_time_belongs_to_the_trip_once_motion_resumes():
    tracker = TripTracker(GRACE_NS)
    feed(tracker, tile(0, True), *(tile(n, False) for n in range(1, 600)), tile(600, True))
    row = tracker.row()
    assert (row.start_tile, row.moving_us) == (0, 2_000_000)
    assert row.dampers[0].totals.strokes_count == 601


@pytest.mark.parametrize(("still", "ended"), [(600, 0), (601, 1)])
def test_the_trip_ends_when_nothing_moved_for_longer_than_the_grace_time(still, ended):
    tracker = TripTracker(GRACE_NS)
    rows = feed(tracker, tile(0, True), *(tile(n, False) for n in range(1, 1 + still)))
    assert len(rows) == ended
    assert tracker.is_open == (not ended)
    assert all((row.is_open, row.end_ns) == (False, S_NS) for row in rows)


def test_motion_after_the_grace_time_is_another_trip():
    tracker = TripTracker(GRACE_NS)
    rows = feed(tracker, tile(0, True), tile(700, True))
    assert [row.start_tile for row in rows] == [0]
    assert tracker.row().start_tile == 700
    assert tracker.row().dampers[0].totals.strokes_count == 1


def test_unknown_speed_is_no_distance_and_not_zero_metres():
    tracker = TripTracker(GRACE_NS)
    feed(tracker, tile(0, True), tile(1, True))
    assert tracker.row().distance_m is None
    feed(tracker, tile(2, True, distance_m=0.0))
    assert tracker.row().distance_m == 0.0
    feed(tracker, tile(3, True, distance_m=12.5), tile(4, True), tile(5, False, distance_m=99.0))
    assert tracker.row().distance_m == 12.5


def test_what_becomes_certain_at_the_end_of_a_run_still_counts():
    """The last stroke ends with the run; it belongs to the trip although nothing moves after it."""
    tracker = TripTracker(GRACE_NS)
    feed(tracker, tile(0, True), tile(1, False))
    tracker.add([("u1", "left", Totals(strokes_count=1)), ("stranger", "right", Totals(strokes_count=5))])
    assert [(d.unit_id, d.totals.strokes_count) for d in tracker.row().dampers] == [("u1", 2)]


def test_a_closed_trip_leaves_nothing_behind():
    tracker = TripTracker(GRACE_NS)
    feed(tracker, tile(0, True, distance_m=5.0))
    assert len(tracker.close()) == 1
    assert tracker.close() == []
    assert tracker.row() is None
    feed(tracker, tile(1, True))
    assert tracker.row().distance_m is None
    assert tracker.row().dampers[0].totals.strokes_count == 1


def test_a_tracker_survives_storage():
    tracker, again = TripTracker(GRACE_NS), TripTracker(GRACE_NS)
    feed(tracker, tile(0, True, distance_m=0.1), tile(1, True, distance_m=0.2), tile(2, False))
    again.restore(tracker.to_dict())
    assert again.row() == tracker.row()
    assert feed(again, tile(3, True), tile(900, False)) == feed(tracker, tile(3, True), tile(900, False))


def test_a_correction_raises_the_open_trip_and_only_that_one():
    tracker = TripTracker(GRACE_NS)
    feed(tracker, tile(0, True, distance_m=5.0))
    stored = TripRow(1, 0, 0, 9 * S_NS, True, 8_000_000, 70.0, (TripDamper("u1", "left", Totals(strokes_count=9)),))
    tracker.correct(replace(stored, start_tile=5))
    assert tracker.row().end_ns == S_NS
    tracker.correct(stored)
    row = tracker.row()
    assert (row.end_ns, row.moving_us, row.distance_m) == (9 * S_NS, 8_000_000, 70.0)
    assert row.dampers[0].totals.strokes_count == 9


# -- through the engine: epochs, boots, clocks --------------------------------------------------------


def drive(log, seconds=5, still=2):
    """Write strokes and then rest, so that the last stroke is over before the engine stops."""
    at_s = log.next.get(1, 0) / 1000
    log.write(TRAVEL, strokes_mm(seconds, 1.0, start_s=at_s))
    log.write(TRAVEL, still_mm(still))


def two_runs(*, pause_s=60, reboot=None, old_clock=None, new_clock=None, first_t0_s=1000, second_t0_s=None):
    """Return the run of an engine over two epochs of 7 s each."""
    log = Log(make_vehicle())
    log.start(TRAVEL, t0_ns=first_t0_s * S_NS)
    if old_clock is not None:
        log.clock(first_t0_s * S_NS, UTC_NS, old_clock)
    drive(log)
    log.end()
    second_s = first_t0_s + 7 + pause_s if second_t0_s is None else second_t0_s
    if reboot:
        log.close()
        log.reboot(reboot)
    log.start(TRAVEL, t0_ns=second_s * S_NS)
    if new_clock is not None:
        log.clock(second_s * S_NS, UTC_NS + (7 + pause_s) * S_NS, new_clock)
    drive(log)
    log.end()
    return Run(log.vehicle).feed(log.frames)


def test_a_new_epoch_of_the_same_boot_within_the_grace_time_continues_the_trip():
    """The fuel stop: the engine is off for some minutes, the board is powered by the battery."""
    run = two_runs(pause_s=300)
    assert run.trips == []
    row = run.engine.open_trip()
    assert (row.epoch, row.start_tile) == (1, 0)
    assert row.start_ns == 1000 * S_NS
    assert row.end_ns > 1307 * S_NS
    strokes = {d.position: d.totals.strokes_count for d in row.dampers}
    assert strokes["left"] == run.totals_at("left").strokes_count == 20 + 1 + 1


def test_a_new_epoch_after_the_grace_time_is_a_new_trip():
    run = two_runs(pause_s=700)
    assert [(t.epoch, t.is_open) for t in run.trips] == [(1, False)]
    assert run.engine.open_trip().epoch == 2


def test_a_source_whose_clock_went_back_starts_a_new_trip():
    """The same boot can't go back in time: such a run isn't the trip's."""
    run = two_runs(second_t0_s=900)
    assert len(run.trips) == 1
    assert run.engine.open_trip().epoch == 2


def test_another_boot_continues_the_trip_when_wall_time_is_trusted_on_both_sides():
    """The board lost power with the ignition; GPS or network time tells that only minutes went by."""
    run = two_runs(reboot="boot-b", old_clock=True, new_clock=True, pause_s=300, second_t0_s=40)
    assert run.trips == []
    row = run.engine.open_trip()
    assert (row.epoch, row.start_tile) == (1, 0)
    # On the new boot's clock: it read 40 s when the pause was over, so the trip began 307 s before.
    assert row.start_ns == (40 - 307) * S_NS
    assert row.end_ns > 40 * S_NS
    assert row.dampers[0].totals.strokes_count == run.totals_at("left").strokes_count


def test_another_boot_after_the_grace_time_is_a_new_trip_by_trusted_time():
    run = two_runs(reboot="boot-b", old_clock=True, new_clock=True, pause_s=700, second_t0_s=40)
    assert len(run.trips) == 1


@pytest.mark.parametrize(("old_clock", "new_clock"), [(True, False), (False, True), (False, False), (None, None)])
def test_another_boot_without_trusted_time_on_both_sides_ends_the_trip(old_clock, new_clock):
    """Monotonic clocks of two boots have nothing to do with each other, however well they seem to fit."""
    run = two_runs(reboot="boot-b", old_clock=old_clock, new_clock=new_clock, pause_s=60)
    assert [(t.epoch, t.is_open) for t in run.trips] == [(1, False)]
    assert run.trips[0].end_ns < 1008 * S_NS
    assert run.engine.open_trip().epoch == 2


def test_a_clock_frame_of_another_boot_is_not_believed():
    log = Log(make_vehicle())
    log.start(TRAVEL, t0_ns=1000 * S_NS)
    log.clock(1000 * S_NS, UTC_NS, True)
    drive(log)
    log.end()
    log.close()
    log.reboot("boot-b")
    log.start(TRAVEL, t0_ns=40 * S_NS)
    log.clock(40 * S_NS, UTC_NS + 67 * S_NS, True)
    log.frames = [
        replace(f, data=f.data | {"boot_id": "boot-x"}) if f.type.name == "CLOCK" and f.epoch == 2 else f
        for f in log.frames
    ]
    drive(log)
    assert len(Run(log.vehicle).feed(log.frames).trips) == 1


def test_a_recording_ends_its_trip_at_its_own_end():
    log = Log(make_vehicle())
    log.start(TRAVEL, kind="recording")
    drive(log)
    log.end()
    run = Run(log.vehicle).feed(log.frames)
    assert [t.is_open for t in run.trips] == [False]
    assert run.engine.open_trip() is None


def test_trip_and_life_agree_when_all_of_life_was_one_trip():
    run = two_runs(pause_s=60)
    for damper in run.engine.open_trip().dampers:
        life = run.totals_at(damper.position)
        trip = damper.totals
        assert trip.energy_uj == life.energy_uj > 0
        assert trip.strokes_count == life.strokes_count
        assert trip.peak_compression_umps == life.peak_compression_umps


# -- motion -----------------------------------------------------------------------------------------


def test_without_a_speed_sensor_speed_is_unknown_and_never_zero():
    log = Log(make_vehicle())
    log.start(TRAVEL, kind="recording")
    drive(log)
    log.end()
    run = Run(log.vehicle).feed(log.frames)
    assert {live.speed_mps for live in run.lives} == {None}
    assert {row.speed_mean_mps for row in run.minutes} == {None}
    assert run.trips[0].distance_m is None


def test_speed_alone_is_motion_and_makes_distance():
    """A smooth road at 10 m/s: no stroke comes back by 3 mm, and still the vehicle moves."""
    log = Log(make_vehicle())
    log.start(TRAVEL, SPEED, kind="recording")
    for _ in range(20):
        log.write(SPEED, [10.0] * 5)
        log.write(TRAVEL, still_mm(1))
    log.end()
    run = Run(log.vehicle).feed(log.frames)
    assert run.trips[0].distance_m == pytest.approx(200.0)
    assert run.totals_at("left").strokes_count == 0
    assert run.totals_at("left").moving_us == 20_000_000


@pytest.mark.parametrize("speed_mps", [0.0, 1.0])
def test_standing_or_walking_pace_is_no_motion(speed_mps):
    log = Log(make_vehicle())
    log.start(TRAVEL, SPEED)
    for _ in range(5):
        log.write(SPEED, [speed_mps] * 5)
        log.write(TRAVEL, still_mm(1))
    run = Run(log.vehicle).feed(log.frames).finish()
    assert run.engine.open_trip() is None
    assert run.totals_at("left").moving_us == 0


def test_motion_goes_on_for_ten_seconds_after_a_stroke():
    log = Log(make_vehicle())
    log.start(TRAVEL)
    log.write(TRAVEL, still_mm(5))
    log.write(TRAVEL, strokes_mm(5))
    log.write(TRAVEL, still_mm(30))
    run = Run(log.vehicle).feed(log.frames).finish()
    # The stroke that ends with the last wave comes back by 3 mm within its own second, the fifth.
    assert run.totals_at("left").moving_us == (5 + 9) * 1_000_000


# -- whose duty it was ------------------------------------------------------------------------------


def swap_log(*events_between):
    """Return a log: u1 left, u2 right; 10 s of strokes; the events; 10 s of slower strokes."""
    log = Log(make_vehicle())
    log.start(TRAVEL)
    log.event("install", position="left", unit_id="u1", serial="S1")
    log.event("install", position="right", unit_id="u2", serial=None)
    log.write(TRAVEL, strokes_mm(10, 2.0))
    # Two still seconds: events count from the tile that is worked off next, about 2 s behind the log.
    log.write(TRAVEL, still_mm(3))
    for kind, fields in events_between:
        log.event(kind, 13.0, **fields)
    log.write(TRAVEL, still_mm(2))
    log.write(TRAVEL, strokes_mm(10, 1.0, start_s=0.0))
    log.end()
    return log


def place(unit, position):
    return ("install", {"position": position, "unit_id": unit, "serial": None})


def away(unit, position):
    return ("remove", {"position": position, "unit_id": unit})


def sums_over(rows, unit):
    total = Totals()
    for row in rows:
        if row.unit_id == unit:
            total.merge(row.totals)
    return {name: getattr(total, name) for name in SUMS}


def test_a_new_damper_starts_from_nothing_and_the_old_one_keeps_what_it_did():
    whole = Run(make_vehicle()).feed(swap_log().frames)
    run = Run(make_vehicle()).feed(swap_log(away("u1", "left"), place("u3", "left")).frames)
    totals, before = run.engine.totals(), whole.engine.totals()
    assert set(totals) == {"u1", "u2", "u3"}
    assert totals["u2"] == before["u2"]
    assert totals["u1"].strokes_count in range(39, 43)
    assert totals["u3"].strokes_count in range(19, 23)
    for name in SUMS:
        if "strokes" not in name and "travel" not in name:
            assert getattr(totals["u1"], name) + getattr(totals["u3"], name) == getattr(before["u1"], name), name


def test_a_removed_damper_is_handed_over_for_storing_with_its_last_strokes():
    """The commit after a removal must hold the unit's final state, or its next install starts from an old one."""
    log = swap_log(away("u1", "left"))
    run = Run(make_vehicle())
    for frame in log.frames:
        run.feed([frame])
        if frame.data and frame.data.get("kind") == "remove":
            assert run.stores[-1] == frame.sequence
            final = run.engine.totals()["u1"]
            assert run.engine.duties()["u1"].totals() == final
            assert final.strokes_count > 30
    assert run.engine.totals()["u1"] == final
    assert run.engine.units()["left"] != "u1"


def test_dampers_that_change_sides_take_their_duty_along():
    events = [away("u1", "left"), away("u2", "right"), place("u2", "left"), place("u1", "right")]
    run = Run(make_vehicle()).feed(swap_log(*events).frames)
    whole = Run(make_vehicle()).feed(swap_log().frames).engine.totals()
    assert run.engine.units() == {"left": "u2", "right": "u1"}
    # Both sides saw the same travel, so each unit ends as if it had stayed; the stroke open at the swap ended.
    for unit in ("u1", "u2"):
        for name in SUMS:
            if "strokes" not in name and "travel" not in name:
                assert getattr(run.engine.totals()[unit], name) == getattr(whole[unit], name), name
        assert abs(run.engine.totals()[unit].strokes_count - whole[unit].strokes_count) <= 1


def test_an_install_without_a_remove_takes_the_unit_from_its_old_place():
    run = Run(make_vehicle()).feed(swap_log(place("u1", "right")).frames)
    assert run.engine.units() == {"left": "unnamed:left", "right": "u1"}
    assert run.engine.totals()["u1"].strokes_count > 55
    assert run.engine.totals()["u2"].strokes_count < 45


def test_a_damper_that_comes_back_goes_on_where_it_was():
    """Off for a bushing and on again: whatever the ledger held of it is older than what the engine knows."""
    log = swap_log(away("u1", "left"), place("u3", "left"), away("u3", "left"), place("u1", "left"))
    run = Run(make_vehicle(), load_duty=lambda unit_id: None).feed(log.frames)
    assert run.engine.totals()["u1"].strokes_count > 55
    assert run.engine.totals()["u3"].strokes_count == 0


def test_the_same_install_again_changes_nothing():
    """Every segment repeats the installs in force."""
    again = Run(make_vehicle()).feed(swap_log(place("u1", "left"), place("u2", "right")).frames)
    assert again.engine.totals() == Run(make_vehicle()).feed(swap_log().frames).engine.totals()


@pytest.mark.parametrize(
    "events",
    [
        (),
        (away("u1", "left"), place("u3", "left")),
        (away("u1", "left"), away("u2", "right"), place("u2", "left"), place("u1", "right")),
        (place("u1", "right"),),
    ],
    ids=["none", "new", "sides", "taken along"],
)
def test_minutes_add_up_to_each_units_life_whatever_is_installed(events):
    run = Run(make_vehicle()).feed(swap_log(*events).frames)
    for unit, totals in run.engine.totals().items():
        if not unit.startswith("unnamed:"):
            assert sums_over(run.minutes, unit) == {name: getattr(totals, name) for name in SUMS}, unit


def test_a_trip_lists_each_unit_with_what_it_did_in_it():
    run = Run(make_vehicle()).feed(swap_log(away("u1", "left"), place("u3", "left")).frames)
    dampers = run.engine.open_trip().dampers
    totals = run.engine.totals()
    for unit in ("u1", "u3"):
        assert sums_over(dampers, unit)["strokes_count"] == totals[unit].strokes_count
        assert sums_over(dampers, unit)["energy_compression_uj"] == totals[unit].energy_compression_uj
