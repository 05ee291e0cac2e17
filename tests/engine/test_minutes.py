"""60-second rows: they add up to the life of each unit, whatever happens within the minute."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.minutes import MinuteTracker
from dutylog.engine.trips import TileSummary
from engine.builders import Log, Run, make_vehicle, slow_stream, still_mm, strokes_mm, travel_stream

S_NS = 10**9
TRAVEL = travel_stream("left", "right")


def tile(number, gains=(("u1", "left", 1),), epoch=1):
    made = tuple((unit, place, Totals(energy_rebound_uj=energy, measured_us=10**6)) for unit, place, energy in gains)
    return TileSummary(epoch, number, number * S_NS, (number + 1) * S_NS, True, None, made)


def gather(*tiles, body_c=None, ambient_c=None, speed_mps=None):
    tracker, rows = MinuteTracker(), []
    for one in tiles:
        rows += tracker.update(one, [[body_c]] * len(one.gains), [ambient_c], [speed_mps])
    return rows + tracker.flush()


def test_a_row_holds_sixty_tiles_of_the_epochs_own_grid():
    rows = gather(*(tile(n) for n in range(30, 200)))
    assert [(r.minute, r.start_ns // S_NS, r.duration_us // 10**6) for r in rows] == [
        (0, 30, 30),
        (1, 60, 60),
        (2, 120, 60),
        (3, 180, 20),
    ]
    assert [r.totals.energy_rebound_uj for r in rows] == [30, 60, 60, 20]


def test_a_new_epoch_begins_a_new_row_even_within_the_same_minute_number():
    rows = gather(tile(0), tile(1), tile(2, epoch=2))
    assert [(r.epoch, r.minute, r.totals.energy_rebound_uj) for r in rows] == [(1, 0, 2), (2, 0, 1)]


def test_a_unit_moved_within_a_minute_has_one_row_at_the_place_it_went_to():
    """The ledger keeps one row for a unit and minute; two would overwrite each other."""
    rows = gather(tile(0, [("u1", "left", 5), ("u2", "right", 7)]), tile(1, [("u2", "left", 11), ("u1", "right", 13)]))
    assert {(r.unit_id, r.position): r.totals.energy_rebound_uj for r in rows} == {
        ("u1", "right"): 18,
        ("u2", "left"): 18,
    }


def test_a_unit_that_came_back_within_the_minute_has_one_row_where_it_is():
    rows = gather(tile(0), tile(1, [("u1", "right", 2)]), tile(2, [("u1", "left", 4)]))
    assert [(r.unit_id, r.position, r.totals.energy_rebound_uj) for r in rows] == [("u1", "left", 7)]


def test_means_are_of_the_tiles_that_knew():
    tracker = MinuteTracker()
    tracker.update(tile(0), [[50.0]], [20.0], [None])
    tracker.update(tile(1), [[None]], [None], [8.0])
    tracker.update(tile(2), [[60.0]], [30.0], [10.0])
    row = tracker.flush()[0]
    assert (row.body_mean_c, row.ambient_mean_c, row.speed_mean_mps) == (55.0, 25.0, 9.0)


def test_what_nobody_knew_is_unknown_and_not_zero():
    row = gather(tile(0), tile(1))[0]
    assert (row.body_mean_c, row.ambient_mean_c, row.speed_mean_mps) == (None, None, None)


def test_gains_at_the_end_of_a_run_go_to_the_minute_that_is_open():
    tracker = MinuteTracker()
    tracker.update(tile(0), [[None]], [None], [None])
    tracker.add([("u1", "left", Totals(strokes_count=1)), ("u9", "left", Totals(strokes_count=9))])
    assert [(r.unit_id, r.totals.strokes_count) for r in tracker.flush()] == [("u1", 1)]
    assert tracker.flush() == []


@given(st.lists(st.tuples(st.integers(0, 90), st.floats(-40, 200)), max_size=20), st.integers(0, 20))
def test_a_tracker_survives_storage_anywhere(steps, at):
    steps = sorted(steps)

    def feed(tracker, part):
        return [row for number, body in part for row in tracker.update(tile(number), [[body]], [body / 3], [body / 7])]

    whole, stopped, again = MinuteTracker(), MinuteTracker(), MinuteTracker()
    rows = feed(whole, steps) + whole.flush()
    before = feed(stopped, steps[:at])
    again.restore(json.loads(json.dumps(stopped.to_dict())))
    assert before + feed(again, steps[at:]) + again.flush() == rows


# -- through the engine -----------------------------------------------------------------------------


def sums_of(rows, unit):
    total = Totals()
    for row in rows:
        if row.unit_id == unit:
            total.merge(row.totals)
    return total


@pytest.fixture(scope="module")
def drive():
    """150 s on two dampers with temperature and speed; stops in the middle of a stroke."""
    body = slow_stream(2, 10, ("left", "body_temperature"))
    speed = slow_stream(3, 5, ("", "speed"), ("", "ambient_temperature"))
    log = Log(make_vehicle())
    log.start(TRAVEL, body, speed)
    for second in range(150):
        log.write(TRAVEL, strokes_mm(1, 0.7, start_s=second))
        log.write(body, [40.0 + second // 60] * 10)
        log.write(speed, [[10.0 + second // 60, 25.0]] * 5)
    log.write(TRAVEL, strokes_mm(0.6, 0.7, start_s=150))
    log.end()
    return Run(log.vehicle).feed(log.frames)


def test_rows_add_up_to_the_life_of_the_unit(drive):
    """The raw log may be pruned: from then on the rows are all there is."""
    for unit, totals in drive.engine.totals().items():
        gathered = sums_of(drive.minutes, unit)
        assert {name: getattr(gathered, name) for name in SUMS} == {name: getattr(totals, name) for name in SUMS}
        # 105.42 waves from the middle on: 211 reversals, so 212 strokes with the first and the last.
        assert totals.strokes_count == 212
        assert totals.measured_us == 150_600_000


def test_peaks_of_a_row_are_its_own(drive):
    peaks = [r.totals.peak_body_mc for r in drive.minutes if r.position == "left"]
    assert peaks == [40_000, 41_000, 42_000]
    assert {r.totals.peak_body_mc for r in drive.minutes if r.position == "right"} == {None}
    fastest = max(r.totals.peak_compression_umps for r in drive.minutes)
    assert fastest == max(t.peak_compression_umps for t in drive.engine.totals().values())


def test_rows_carry_the_means_of_their_minute(drive):
    rows = [r for r in drive.minutes if r.position == "left"]
    assert [r.body_mean_c for r in rows] == pytest.approx([40.0, 41.0, 42.0])
    assert [r.speed_mean_mps for r in rows] == pytest.approx([10.0, 11.0, 12.0])
    assert [r.ambient_mean_c for r in rows] == pytest.approx([25.0] * 3)
    assert [r.duration_us for r in rows] == [60_000_000, 60_000_000, 30_600_000]


def test_a_standing_vehicle_has_rows_too():
    """Coverage and soak-back of a pause must be there for the review."""
    log = Log(make_vehicle())
    log.start(TRAVEL)
    log.write(TRAVEL, still_mm(61))
    log.end()
    run = Run(log.vehicle).feed(log.frames)
    assert [(r.minute, r.totals.measured_us, r.totals.moving_us) for r in run.minutes if r.position == "left"] == [
        (0, 60_000_000, 0),
        (1, 1_000_000, 0),
    ]
