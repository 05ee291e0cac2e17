"""`dutylog ledger recount`: exactly what a fresh count with the right calibration gives, or nothing at all."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys

import pytest

from daemon.counted import (
    FULL,
    RIGHT_MM,
    WRONG_MM,
    CountsSource,
)
from daemon.recounting import (
    CHILD,
    MINUTE_UTC,
    S_NS,
    contents,
    differing,
    rows_of,
    run,
    share_of,
    truck,
)
from dutylog.cli.main import main
from dutylog.clock import SystemClock
from dutylog.daemon import core as core_module
from dutylog.engine.engine import is_named
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.reader import LogReader

__all__ = ["truck"]

# -- what comes out ---------------------------------------------------------------------------------


def test_a_tenth_more_travel_is_a_fifth_more_energy(truck):
    """Closed form: heat of a linear damper is c v² dt, so 1.1 times the speed is 1.21 times the heat."""
    truck.drive(130, 1000)
    truck.calibrate("front_left", "--corrects")
    before, unit = truck.totals(), truck.unit("front_left")
    assert run(truck) == 0
    was, now = before[unit], truck.totals()[unit]
    # Each sample's heat is rounded to 1 uJ, of some 70 uJ in the mean: far below 1e-5 of the sum.
    assert now.energy_uj / was.energy_uj == pytest.approx(1.21, rel=1e-5)
    assert now.energy_compression_uj / was.energy_compression_uj == pytest.approx(1.21, rel=1e-5)
    assert now.shaft_travel_um / was.shaft_travel_um == pytest.approx(1.1, rel=1e-4)
    assert now.peak_compression_umps / was.peak_compression_umps == pytest.approx(1.1, rel=1e-5)
    assert (now.strokes_count, now.measured_us) == (was.strokes_count, was.measured_us)


def test_all_is_what_a_fresh_count_gives_and_nothing_else_changes(truck):
    """Totals, accumulators, minutes and shares of the damper; the others' rows stay as they were, byte for byte."""
    truck.drive(200, 1000, rest=range(70, 90))
    truck.drive(100, 3000)
    truck.calibrate("rear_left", "--corrects")
    unit, revisions = truck.unit("rear_left"), truck.revisions()
    others = {name: rows_of(truck, name, unit, others=True) for name in ("hot", "cold", "minute", "trip_damper")}
    trips, shares = truck.table("trip"), rows_of(truck, "trip_damper", unit)
    assert run(truck) == 0
    engine = truck.fresh(truck.corrected(rear_left=RIGHT_MM))
    assert truck.totals()[unit] == engine.totals()[unit]
    assert truck.duties()[unit] == engine.duties()[unit].to_dict()
    assert {name: rows_of(truck, name, unit, others=True) for name in others} == others
    assert truck.table("trip") == trips
    assert truck.revisions() == {**revisions, unit: 2}
    with truck.ledger() as ledger:
        stored = [m.row for epoch in (1, 2) for m in ledger.minutes(unit, epoch)]
        assert stored == [row for row in truck.fresh_minutes if row.unit_id == unit]
        # Four of the first drive, one of the second; its last minute is still under way.
        assert len(stored) == 5
        rows = [trip.row for trip in reversed(ledger.trips())]
        assert len(rows) == 2
        for row, fresh in zip(rows, [*truck.fresh_trips, engine.open_trip()], strict=True):
            assert share_of(row, unit) == share_of(fresh, unit)
        assert rows_of(truck, "trip_damper", unit) != shares
        assert ledger.find_damage(whole=True) is None


def test_the_entry_tells_what_was_counted(truck):
    """Chained, with the numbers before and after: nobody needs to believe us."""
    truck.drive(30, 1000)
    truck.calibrate("front_left", "--corrects")
    before, unit = truck.totals(), truck.unit("front_left")
    assert run(truck) == 0
    with truck.ledger() as ledger:
        newest = ledger.entries(1)[0]
        assert ledger.verify_chain() is None
        last = ledger.cursor().hot_sequence
        correction = ledger.entries_of("calibrate")[0]
    assert (newest.kind, newest.unit_id, newest.sequence) == ("recounted", None, last)
    data = json.loads(newest.data)
    key = {"entry": correction.row, "sequence": correction.sequence, "position": "front_left", "quantity": "travel"}
    assert data["corrections"] == [key]
    assert (data["sequences"], data["engine"]) == ([1, last], "1")
    rows = {"before": list(before[unit].as_row()), "after": list(truck.totals()[unit].as_row())}
    assert data["units"] == {unit: {"revision": 2, **rows}}


def test_a_damper_that_changed_places_is_right_in_both(truck):
    """It sat at the wrong sensor, then at a right one; another came in its place."""
    truck.drive(40, 1000)
    first, other = truck.unit("front_left"), truck.unit("rear_right")
    for words in (["remove", "SN-1"], ["remove", "SN-4"], ["install", "SN-1", "rear_right"]):
        assert main(["damper", *words, "--data", str(truck.data)]) == 0
    with Ledger.open(truck.data / LEDGER_NAME) as ledger:
        new = ledger.add_unit("SN-9", "linear").unit_id
        ledger.install(new, "front_left")
    truck.drive(50, 2000)
    truck.calibrate("front_left", "--corrects")
    before = truck.totals()
    assert run(truck) == 0
    totals = truck.fresh(truck.corrected(front_left=RIGHT_MM)).totals()
    assert {unit: truck.totals()[unit] for unit in totals if is_named(unit)} == {
        unit: value for unit, value in totals.items() if is_named(unit)
    }
    assert truck.revisions() == {unit: 2 if unit in (first, new) else 1 for unit in truck.totals()}
    assert truck.totals()[other] == before[other]
    assert before[first].energy_uj < truck.totals()[first].energy_uj < 1.21 * before[first].energy_uj
    assert truck.totals()[new].energy_uj / before[new].energy_uj == pytest.approx(1.21, rel=1e-5)


def test_corrections_of_two_sensors_are_counted_in_one_go(truck):
    truck.drive(40, 1000)
    truck.calibrate("front_left", "--corrects")
    truck.calibrate("rear_right", "--corrects", full_mm=280.0)
    assert run(truck) == 0
    engine = truck.fresh(truck.corrected(front_left=RIGHT_MM, rear_right=280.0))
    assert {unit: value for unit, value in engine.totals().items() if is_named(unit)} == truck.totals()
    with truck.ledger() as ledger:
        assert len(ledger.entries_of("recounted")) == 1
    units = truck.unit("front_left"), truck.unit("rear_right")
    assert {unit: revision for unit, revision in truck.revisions().items() if revision == 2}.keys() == set(units)


def test_a_second_correction_takes_the_place_of_the_first(truck):
    """Measured wrong once more: the last word counts, for all of the past."""
    truck.drive(40, 1000)
    truck.calibrate("front_left", "--corrects", full_mm=340.0)
    assert run(truck) == 0
    truck.drive(40, 2000)
    truck.calibrate("front_left", "--corrects")
    unit = truck.unit("front_left")
    assert run(truck) == 0
    engine = truck.fresh(truck.corrected(front_left=RIGHT_MM))
    assert truck.duties()[unit] == engine.duties()[unit].to_dict()
    assert truck.revisions()[unit] == 3


def test_a_sensor_mounted_anew_keeps_what_it_measured_before(truck):
    """A correction reaches back to the mounting, no further."""
    truck.drive(40, 1000)
    truck.calibrate("front_left", "--remounted", full_mm=310.0)
    truck.drive(40, 2000)
    truck.calibrate("front_left", "--corrects")
    truck.drive(40, 3000)
    unit = truck.unit("front_left")
    assert run(truck) == 0
    engine, _ = truck.by_hand("front_left", RIGHT_MM, from_epoch=2)
    assert truck.duties()[unit] == engine.duties()[unit].to_dict()
    assert truck.totals()[unit] != truck.fresh(truck.corrected(front_left=RIGHT_MM)).totals()[unit]


def test_a_calibration_made_after_the_correction_stays(truck):
    """A bracket was bent a month later: that one is right from there on, and was never wrong."""
    truck.drive(40, 1000)
    truck.calibrate("front_left", "--corrects")
    truck.drive(40, 2000)
    truck.calibrate("front_left", full_mm=340.0)
    truck.drive(40, 3000)
    unit = truck.unit("front_left")
    assert run(truck) == 0
    engine, changes = truck.by_hand("front_left", RIGHT_MM, until_epoch=2)
    assert changes == 3
    assert truck.duties()[unit] == engine.duties()[unit].to_dict()
    assert differing(truck) == []


def test_calibrations_that_correct_nothing_leave_the_past_alone(truck, capsys):
    truck.drive(20, 1000)
    truck.calibrate("front_left")
    truck.calibrate("front_right", "--remounted")
    before = contents(truck)
    capsys.readouterr()
    assert run(truck) == 0
    assert "nothing to do" in capsys.readouterr().out
    assert contents(truck) == before


def test_a_correction_while_driving_leaves_the_others_as_they_were(truck):
    """The new configuration ends every damper's run in the middle of a stroke: so it must when counted again."""
    truck.drive(90, 1000, at={41: lambda: truck.calibrate_driving("front_left", corrects=True)})
    unit = truck.unit("front_left")
    others = {name: rows_of(truck, name, unit, others=True) for name in ("hot", "cold", "minute", "trip_damper")}
    assert run(truck) == 0
    assert {name: rows_of(truck, name, unit, others=True) for name in others} == others
    engine, changes = truck.by_hand("front_left", RIGHT_MM)
    assert changes == 2
    assert truck.duties()[unit] == engine.duties()[unit].to_dict()


def test_motion_that_only_the_right_calibration_shows_is_nobody_elses(truck):
    """Somebody gets in: 2.9 mm of one damper are no stroke, 3.2 mm are, and so the whole vehicle is in motion.

    Time in motion is the damper's own figure; the others keep theirs, and trips keep the borders they had.
    """
    sway_counts = 2.9 / WRONG_MM * FULL
    truck.drive(0, 0, source=CountsSource(70, 1000, rest=range(25, 60), sway_counts=sway_counts))
    truck.drive(0, 0, source=CountsSource(40, 1100, rest=range(10, 40), sway_counts=sway_counts))
    truck.calibrate("front_left", "--corrects")
    before, unit, trips = truck.totals(), truck.unit("front_left"), truck.table("trip")
    others = {name: rows_of(truck, name, unit, others=True) for name in ("hot", "cold", "minute", "trip_damper")}
    assert run(truck) == 0
    fresh = truck.fresh(truck.corrected(front_left=RIGHT_MM)).totals()
    assert truck.totals()[unit] == fresh[unit]
    assert fresh[unit].moving_us > before[unit].moving_us + 30e6
    assert {name: rows_of(truck, name, unit, others=True) for name in others} == others
    assert fresh[truck.unit("rear_left")].moving_us > truck.totals()[truck.unit("rear_left")].moving_us
    assert truck.table("trip") == trips
    truck.drive(30, 1200)
    assert "larger ones stand" not in "".join(truck.lines)
    others = rows_of(truck, "hot", unit, others=True)
    truck.calibrate("front_left", "--corrects", full_mm=320.0)
    assert run(truck) == 0
    assert rows_of(truck, "hot", unit, others=True) == others
    assert truck.totals()[unit] == truck.fresh(truck.corrected(front_left=320.0)).totals()[unit]
    with truck.ledger() as ledger:
        (trip,) = ledger.trips()
    assert trip.row.is_open
    assert {share.unit_id for share in trip.row.dampers} == set(truck.totals())
    assert share_of(trip.row, unit).totals.energy_uj == truck.totals()[unit].energy_uj


def test_body_thermocouples_are_corrected_too(truck):
    truck.drive(30, 1000)
    base = ["calibrate", "temperature", "front_left", "--by", "Bo", "--rested", "9", "--body", "11.5"]
    words = ["--ambient", "13.0", "--other", "12.8", "--other", "13.1", "--corrects"]
    assert main([*base, *words, "--data", str(truck.data)]) == 0
    unit = truck.unit("front_left")
    assert truck.totals()[unit].peak_body_mc == 60_000
    assert run(truck) == 0
    assert truck.totals()[unit].peak_body_mc == 61_500


# -- going on ---------------------------------------------------------------------------------------


def test_core_goes_on_exactly_from_there(truck):
    """A new epoch of a live source behind the recount; no row twice, none lost."""
    truck.drive(75, 1000)
    truck.calibrate("front_left", "--corrects")
    assert run(truck) == 0
    assert differing(truck) == []
    truck.drive(75, 1080)
    assert differing(truck) == []
    engine = truck.fresh(truck.corrected(front_left=RIGHT_MM))
    assert {unit: value for unit, value in engine.totals().items() if is_named(unit)} == truck.totals()
    assert "larger ones stand" not in "".join(truck.lines)
    with truck.ledger() as ledger:
        assert len(ledger.trips()) == 1
        fresh = {share.unit_id: share for share in engine.open_trip().dampers}
        assert {share.unit_id: share for share in ledger.trip(1).row.dampers} == fresh


class Resumable(CountsSource):
    """Hands out the same rows after a restart, from where it was interrupted."""

    kind, text, resumable = "recording", "test.parquet", True

    def start(self, epoch, next_index):
        self._epoch, self._second = epoch, next_index.get(1, 0) // 1000


def test_a_recording_interrupted_by_a_recount_goes_on_in_its_epoch(truck):
    """The engine's state holds samples of both sides of the recount, calibrated alike."""
    source = Resumable(80, 0, {41: lambda: truck.core.stop()})
    truck.drive(0, 0, source=source)
    truck.calibrate("front_left", "--corrects")
    assert run(truck) == 0
    truck.drive(0, 0, source=Resumable(80, 0))
    assert max(f.epoch for f in LogReader(truck.data / "log").frames()) == 1
    assert differing(truck) == []
    engine = truck.fresh(truck.corrected(front_left=RIGHT_MM))
    assert {unit: value for unit, value in engine.totals().items() if is_named(unit)} == truck.totals()


def test_a_later_recount_knows_how_the_log_was_counted_meanwhile(truck):
    """Interrupted, recounted, gone on, corrected again: still the others' every bit."""
    truck.drive(0, 0, source=Resumable(80, 0, {41: lambda: truck.core.stop()}))
    truck.calibrate("front_left", "--corrects", full_mm=310.0)
    assert run(truck) == 0
    truck.drive(0, 0, source=Resumable(80, 0))
    truck.calibrate("front_left", "--corrects")
    unit = truck.unit("front_left")
    others = rows_of(truck, "hot", unit, others=True)
    assert run(truck) == 0
    assert rows_of(truck, "hot", unit, others=True) == others
    assert differing(truck) == []
    assert truck.totals()[unit] == truck.fresh(truck.corrected(front_left=RIGHT_MM)).totals()[unit]


KILLED = """
import os, pathlib, signal, sys
import pytest
from daemon.core_child import store_now
from daemon.counted import Truck
from dutylog.daemon import bookkeeper
bookkeeper.COLD_NS = 10**15
truck = Truck(pathlib.Path(sys.argv[1]), pytest.MonkeyPatch())

def store():
    for _ in range(2):
        truck.core._writer.start_commit()
        store_now(truck.core)

def die():
    store()
    os.kill(os.getpid(), signal.SIGKILL)

truck.drive(200, 1000, at={60: store, 140: die})
"""


@pytest.mark.slow
def test_a_daemon_that_was_killed_leaves_enough_to_count_again(truck):
    """Killed between two commits of its states, with a log that goes on behind the totals."""
    environment = {**os.environ, "PYTHONPATH": str(CHILD.parents[1])}
    words = [sys.executable, "-c", KILLED, str(truck.data)]
    killed = subprocess.run(words, env=environment, timeout=120, check=False)
    assert killed.returncode == -signal.SIGKILL
    with truck.ledger() as ledger:
        cursor = ledger.cursor()
    assert 0 < cursor.cold_sequence < cursor.hot_sequence
    truck.calibrate("front_left", "--corrects")
    before, unit = truck.totals(), truck.unit("front_left")
    assert run(truck) == 0
    engine = truck.fresh(truck.corrected(front_left=RIGHT_MM), until=cursor.hot_sequence)
    assert truck.totals() == {u: t for u, t in engine.totals().items() if is_named(u)}
    assert {u: t for u, t in before.items() if u != unit} == {u: t for u, t in truck.totals().items() if u != unit}
    truck.drive(30, 2000)
    assert differing(truck) == []
    assert "larger ones stand" not in "".join(truck.lines)


class OtherBoot(SystemClock):
    """A machine started anew: another zero of monotonic time."""

    def __init__(self, later_s):
        self._later_ns = later_s * S_NS

    def mono_ns(self):
        return super().mono_ns() + self._later_ns


@pytest.mark.parametrize(("begin_s", "trips"), [(1150, 1), pytest.param(9000, 2, marks=pytest.mark.slow)])
def test_trips_over_a_restart_of_the_machine_are_found_again(truck, monkeypatch, begin_s, trips):
    """The row of such a trip is told on the second boot's clock, in which none of its first tiles lies."""
    monkeypatch.setattr(core_module, "is_utc_trusted", lambda: True)
    for number, (later_s, begin) in enumerate([(0, 1000), (-700, begin_s - 700), (-700, begin_s - 600)]):
        monkeypatch.setattr(core_module, "read_boot_id", lambda boot=f"boot-{later_s}": boot)
        monkeypatch.setattr("daemon.counted.SystemClock", lambda later=later_s: OtherBoot(later))
        truck.drive(60 + number, begin)
    truck.calibrate("front_left", "--corrects")
    unit = truck.unit("front_left")
    others = rows_of(truck, "trip_damper", unit, others=True)
    dates = [row[MINUTE_UTC] for row in truck.table("minute")]
    assert None not in dates
    assert run(truck) == 0
    assert rows_of(truck, "trip_damper", unit, others=True) == others
    assert [row[MINUTE_UTC] for row in truck.table("minute")] == dates
    engine = truck.fresh(truck.corrected(front_left=RIGHT_MM))
    closed = [*truck.fresh_trips, engine.open_trip()]
    with truck.ledger() as ledger:
        stored = [trip.row for trip in reversed(ledger.trips())]
    assert len(stored) == trips
    for trip, fresh in zip(stored, closed, strict=True):
        assert (trip.start_tile, trip.end_ns) == (fresh.start_tile, fresh.end_ns)
        assert share_of(trip, unit) == share_of(fresh, unit)
