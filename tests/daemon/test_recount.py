"""`dutylog ledger recount`: exactly what a fresh count with the right calibration gives, or nothing at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import zlib
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.counted import (
    FULL,
    POSITIONS,
    RIGHT_MM,
    WRONG_MM,
    CountsSource,
    Truck,
    make_vehicle,
    unpack,
)
from daemon.oracle import integrate_log
from dutylog.cli.main import main
from dutylog.cli.recount import ProgressLine
from dutylog.clock import ManualClock, SystemClock
from dutylog.daemon import core as core_module
from dutylog.engine.engine import Engine, is_named
from dutylog.ledger.corrections import Calibrated, CorrectedLog, Correction, find_corrections
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.lock import DataLock
from dutylog.ledger.recount import recount
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.reader import LogReader

CHILD = Path(__file__).with_name("recount_child.py")
TABLES = ("meta", "unit", "install", "hot", "cold", "cursor", "checkpoint", "minute", "trip", "trip_damper", "entry")
S_NS = 10**9
MINUTE_UTC = 7
"""Column of `minute` with the wall time it was given when the clock was trusted."""


@pytest.fixture
def truck(tmp_path, monkeypatch):
    """Four linear dampers whose sensors give counts."""
    return Truck(tmp_path / "data", monkeypatch)


def run(truck, *options):
    return main(["ledger", "recount", *options, "--data", str(truck.data)])


def refuse(truck, capsys, *options):
    """Return the one line of a command that ends with 2 and changes nothing."""
    before = contents(truck)
    capsys.readouterr()
    assert run(truck, *options) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert contents(truck) == before
    return err


def contents(truck):
    return {name: truck.table(name) for name in TABLES}


def rows_of(truck, table, unit_id, *, others=False):
    """The rows of a damper, or of all others, in a table that has unit_key."""
    connection = sqlite3.connect(truck.data / LEDGER_NAME)
    sign = "<>" if others else "="
    sql = f"SELECT * FROM {table} WHERE unit_key {sign} (SELECT unit_key FROM unit WHERE unit_id = ?) ORDER BY 1"
    rows = connection.execute(sql, (unit_id,)).fetchall()
    connection.close()
    return rows


def share_of(trip, unit_id):
    (share,) = (share for share in trip.dampers if share.unit_id == unit_id)
    return share


def differing(truck):
    """Return the units whose totals or accumulators aren't those of a count of the log with what was corrected."""
    with truck.ledger() as ledger:
        log = CorrectedLog.of_ledger(ledger)
    engine = None
    for frame in LogReader(truck.data / "log").frames():
        for one in log.take(frame):
            engine = engine or Engine(make_vehicle())
            engine.feed(one, more=True)
    engine.work_off()
    totals, duties = truck.totals(), truck.duties()
    assert totals.keys() == {unit for unit in engine.totals() if is_named(unit)}
    return [
        unit
        for unit, duty in engine.duties().items()
        if is_named(unit) and (totals[unit] != duty.totals() or duties[unit] != duty.to_dict())
    ]


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
from daemon.counted import Truck
from dutylog.daemon import bookkeeper
bookkeeper.COLD_NS = 10**15
truck = Truck(pathlib.Path(sys.argv[1]), pytest.MonkeyPatch())

def store():
    for _ in range(2):
        truck.core._writer.start_commit()
        truck.core._writer.wait(60)
        truck.core._finish_log()
        truck.core._books.store(truck.core._engine)
        truck.core._books._errand.wait(60)
        truck.core._books.finish()

def die():
    store()
    os.kill(os.getpid(), signal.SIGKILL)

truck.drive(200, 1000, at={60: store, 140: die})
"""


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


@pytest.mark.parametrize(("begin_s", "trips"), [(1150, 1), (9000, 2)])
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


# -- what stops it ----------------------------------------------------------------------------------


def three_drives(truck):
    truck.drive(30, 1000)
    truck.drive(30, 2000)
    truck.drive(30, 3000)
    truck.calibrate("front_left", "--corrects")
    return sorted((truck.data / "log").glob("*.dlg"))


def test_a_log_whose_begin_was_removed_is_refused(truck, capsys):
    files = three_drives(truck)
    files[0].unlink()
    line = refuse(truck, capsys)
    assert "is whole from frame " in line
    assert "were removed or lost" in line
    assert "SN-1 has been in use since frame 1; its earlier duty can't be counted again" in line


def test_a_log_with_a_hole_is_refused(truck, capsys):
    three_drives(truck)[1].unlink()
    assert "are missing" in refuse(truck, capsys)
    assert "are missing" in refuse(truck, capsys, "--dry-run")


def test_a_log_with_a_flipped_bit_is_refused(truck, capsys):
    file = three_drives(truck)[1]
    octets = bytearray(file.read_bytes())
    octets[len(octets) // 2] ^= 0x10
    file.write_bytes(octets)
    line = refuse(truck, capsys)
    assert file.name in line or "are missing" in line


def test_a_log_that_ends_too_early_is_refused(truck, capsys):
    file = three_drives(truck)[-1]
    with file.open("r+b") as stream:
        stream.truncate(file.stat().st_size // 2)
    assert "the ledger has counted to" in refuse(truck, capsys)


def test_no_log_at_all_is_refused(truck, capsys):
    three_drives(truck)
    shutil.rmtree(truck.data / "log")
    assert "there is no raw log" in refuse(truck, capsys)


def test_a_torn_tail_that_nobody_counted_is_no_damage(truck):
    """What a power cut leaves; frames that never were durable were never counted."""
    truck.drive(30, 1000)
    file = max((truck.data / "log").glob("*.dlg"))
    with file.open("ab") as stream:
        stream.write(b"DUTY torn")
    truck.drive(30, 2000)
    truck.calibrate("front_left", "--corrects")
    assert run(truck) == 0
    unit = truck.unit("front_left")
    assert truck.totals()[unit] == truck.fresh(truck.corrected(front_left=RIGHT_MM)).totals()[unit]


def test_a_removed_begin_is_no_matter_for_a_damper_that_came_later(truck):
    """Its totals rest on what is there; dampers that were there before keep theirs."""
    truck.drive(30, 1000)
    truck.drive(30, 2000)
    assert main(["damper", "remove", "SN-1", "--data", str(truck.data)]) == 0
    with Ledger.open(truck.data / LEDGER_NAME) as ledger:
        new = ledger.add_unit("SN-9", "linear").unit_id
        ledger.install(new, "front_left")
    truck.drive(40, 3000)
    # The sensor came with the damper.
    truck.calibrate("front_left", "--remounted", full_mm=310.0)
    truck.drive(40, 4000)
    truck.calibrate("front_left", "--corrects")
    files = sorted((truck.data / "log").glob("*.dlg"))
    full = truck.fresh(make_vehicle())
    assert full.totals()[new].measured_us > 70e6
    before, minutes = truck.totals(), truck.table("minute")
    files[0].unlink()
    assert run(truck) == 0
    assert {u: t for u, t in truck.totals().items() if u != new} == {u: t for u, t in before.items() if u != new}
    assert truck.totals()[new] != before[new]
    assert len(truck.table("minute")) == len(minutes)
    truck.drive(20, 5000)
    assert truck.totals()[new].energy_uj > before[new].energy_uj


def test_another_damper_that_comes_out_differently_stops_it(truck, capsys):
    """Counted by another version, say: then the log isn't what the ledger rests on."""
    three_drives(truck)
    unit = truck.unit("rear_left")
    with Ledger.open(truck.data / LEDGER_NAME) as ledger:
        state = unpack(ledger.cold_state(unit))
        state["sums"] = [state["sums"][0] + 1, *state["sums"][1:]]
        packed = zlib.compress(json.dumps(state).encode())
        with ledger._database.write() as connection:
            key = "(SELECT unit_key FROM unit WHERE unit_id = ?)"
            connection.execute(f"UPDATE cold SET state = ? WHERE unit_key = {key}", (packed, unit))
            sql = "UPDATE hot SET energy_compression_uj = energy_compression_uj + 1 WHERE unit_key = "
            connection.execute(sql + key, (unit,))
    line = refuse(truck, capsys)
    assert "damper SN-3 has nothing to do with the correction" in line
    assert not list(truck.data.glob("*.part"))


def test_state_and_totals_that_differ_stop_it(truck, capsys):
    three_drives(truck)
    with Ledger.open(truck.data / LEDGER_NAME) as ledger, ledger._database.write() as connection:
        connection.execute("UPDATE hot SET strokes_count = strokes_count + 1")
    assert "differ; start dutylog once" in refuse(truck, capsys)


def test_a_running_daemon_is_in_the_way(truck, capsys):
    truck.drive(10, 1000)
    truck.calibrate("front_left", "--corrects")
    with DataLock(truck.data):
        assert "systemctl stop dutylog" in refuse(truck, capsys)
        assert "systemctl stop dutylog" in refuse(truck, capsys, "--dry-run")


@pytest.mark.parametrize("options", [(), ("--dry-run",)])
def test_a_folder_without_a_ledger_is_refused(tmp_path, capsys, options):
    assert main(["ledger", "recount", *options, "--data", str(tmp_path)]) == 2
    assert "there is no ledger" in capsys.readouterr().err
    assert not (tmp_path / LEDGER_NAME).exists()
    assert main(["ledger", "recount", *options, "--data", str(tmp_path / "none")]) == 2


# -- dry, twice, killed -----------------------------------------------------------------------------


def hashes(folder):
    """Of every file but what any reading command leaves: the lock's number, SQLite's index and its empty log."""
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and path.name != "lock"]
    assert not [path for path in files if path.suffix.endswith("-wal") and path.stat().st_size]
    files = (path for path in files if not path.name.endswith(("-wal", "-shm")))
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_a_dry_run_shows_all_and_writes_nothing(truck, capsys):
    truck.drive(70, 1000)
    truck.calibrate("front_left", "--corrects")
    before = hashes(truck.data)
    capsys.readouterr()
    assert run(truck, "--dry-run") == 0
    text = capsys.readouterr().out
    assert hashes(truck.data) == before
    assert "corrects the travel sensor at front_left since the log began" in text
    (energy,) = (line.split() for line in text.splitlines() if "energy MJ" in line)
    assert (energy[0], energy[-2:]) == ("SN-1", ["+21.00", "%"])
    assert "SN-2" not in text
    assert "nothing was written (--dry-run)" in text
    assert run(truck) == 0
    table = capsys.readouterr().out.split("frames 1 to")[0]
    assert table == text.split("frames 1 to")[0]


def test_twice_is_once(truck, capsys):
    truck.drive(40, 1000)
    truck.calibrate("front_left", "--corrects")
    assert run(truck) == 0
    before = hashes(truck.data)
    capsys.readouterr()
    assert run(truck) == 0
    assert "nothing to do" in capsys.readouterr().out
    assert hashes(truck.data) == before


def test_a_backup_of_the_ledger_as_it_was_is_made_before(truck):
    truck.drive(40, 1000)
    truck.calibrate("front_left", "--corrects")
    before = truck.totals()
    outcome = recount(truck.data)
    with Ledger.open(outcome.backup, read_only=True) as ledger:
        assert ledger.all_totals() == before
        assert ledger.entries_of("recounted") == []
        assert len(ledger.entries_of("calibrate")) == 1
    assert truck.totals() != before


@pytest.mark.parametrize("stage", ["minute 1", "minute 3", "share 1", "backup 1", "finish 1", "commit 1", "done 1"])
def test_killed_anywhere_there_is_the_old_ledger_or_the_new_one(truck, stage):
    """kill -9, then once more: as if nothing had happened."""
    truck.drive(130, 1000)
    truck.calibrate("front_left", "--corrects")
    before, unit = contents(truck), truck.unit("front_left")
    killed = subprocess.run([sys.executable, str(CHILD), str(truck.data), *stage.split()], timeout=120, check=False)
    assert killed.returncode == -signal.SIGKILL
    with truck.ledger() as ledger:
        assert ledger.find_damage(whole=True) is None
    is_new = stage.startswith("done")
    expected = truck.fresh(truck.corrected(front_left=RIGHT_MM)).duties()[unit].to_dict()
    if is_new:
        assert truck.duties()[unit] == expected
    else:
        assert contents(truck) == before
    assert run(truck) == 0
    assert truck.duties()[unit] == expected
    assert truck.revisions()[unit] == 2
    truck.drive(20, 2000)
    assert differing(truck) == []


# -- a ledger put right -----------------------------------------------------------------------------


def lose_ledger(truck, *, backups):
    for file in truck.data.glob("ledger*"):
        if file.name.startswith(LEDGER_NAME) or backups:
            file.unlink()


def test_a_ledger_begun_anew_is_corrected_by_what_the_log_tells(truck):
    """All entries are gone; the event in the log still says what was wrong. It is said, and counted on demand."""
    truck.drive(60, 1000, at={21: lambda: truck.calibrate_driving("front_left", corrects=True)})
    unit = truck.unit("front_left")
    assert run(truck) == 0
    expected = truck.duties()[unit]
    lose_ledger(truck, backups=True)
    truck.lines.clear()
    truck.vehicle = truck.corrected(front_left=RIGHT_MM)
    truck.drive(1, 5000, rest=range(1))
    said = [line for line in truck.lines if "dutylog ledger recount" in line]
    assert len(said) == 1
    assert "front_left" in said[0]
    assert truck.duties()[unit]["sums"][0] < expected["sums"][0]
    assert run(truck) == 0
    engine, _ = truck.by_hand("front_left", RIGHT_MM)
    assert truck.duties()[unit] == engine.duties()[unit].to_dict()
    before = contents(truck)
    assert run(truck) == 0
    assert contents(truck) == before


def test_a_backup_from_before_the_recount_says_that_it_is_one(truck):
    truck.drive(60, 1000)
    truck.calibrate("front_left", "--corrects")
    assert run(truck) == 0
    expected, unit = truck.totals(), truck.unit("front_left")
    lose_ledger(truck, backups=False)
    truck.lines.clear()
    truck.drive(0, 5000)
    assert [line for line in truck.lines if "dutylog ledger recount" in line and "front_left" in line]
    assert truck.totals()[unit].energy_uj < expected[unit].energy_uj
    assert run(truck) == 0
    assert truck.totals()[unit] == truck.fresh(truck.corrected(front_left=RIGHT_MM)).totals()[unit]


def test_the_plain_log_is_still_what_was_logged(truck):
    """The log is never changed: whoever integrates it alone gets what was counted then."""
    truck.drive(40, 1000)
    before, unit = truck.totals(), truck.unit("front_left")
    truck.calibrate("front_left", "--corrects")
    log = hashes(truck.data / "log")
    assert run(truck) == 0
    assert hashes(truck.data / "log") == log
    assert integrate_log(truck.data / "log", make_vehicle()).totals()[unit] == before[unit]
    assert POSITIONS[0] == "front_left"
    assert WRONG_MM < RIGHT_MM


# -- which configurations a correction is of --------------------------------------------------------

W, M, R, N = (((0.0, 0.0), (float(FULL), mm)) for mm in (300.0, 310.0, 330.0, 340.0))
"""Wrong, mounted anew, right, and a new one from later on."""


def calibrated(entry, sequence, value, *, is_remounted=False, corrects=False):
    return Calibrated(entry, sequence, "front_left", "travel", value, is_remounted, corrects)


@pytest.mark.parametrize(
    ("made", "configs", "expected"),
    [
        # The plain case: all before its place, nothing behind it.
        ([(20, R, "corrects")], [(2, W), (12, W), (21, R), (30, N)], [R, R, R, N]),
        # Done without a daemon that had been killed: the log goes on with the old one behind the place.
        ([(20, R, "corrects")], [(2, W), (25, W), (30, R), (40, N)], [R, R, R, N]),
        # Back to the old one later is a decision of its own.
        ([(20, R, "corrects")], [(2, W), (21, R), (30, W)], [R, R, W]),
        # From the mounting on, and that one may show late in the log, too.
        ([(10, M, "remounted"), (30, R, "corrects")], [(2, W), (11, M), (31, R)], [W, R, R]),
        ([(10, M, "remounted"), (30, R, "corrects")], [(2, W), (15, W), (18, M), (31, R)], [W, W, R, R]),
        # The old map fitted the new mounting.
        ([(10, W, "remounted"), (30, R, "corrects")], [(2, W), (11, W), (31, R)], [W, R, R]),
        # A plain one between is corrected with the rest; a later correction takes the place of an earlier one.
        ([(10, N, ""), (30, R, "corrects")], [(2, W), (11, N), (31, R)], [R, R, R]),
        ([(10, N, "corrects"), (30, R, "corrects")], [(2, W), (11, N), (31, R)], [R, R, R]),
        ([(10, N, "corrects"), (20, M, "remounted"), (30, R, "corrects")],
         [(2, W), (11, N), (21, M), (31, R)], [N, N, R, R]),
        # The log begins behind it.
        ([(10, R, "corrects")], [(12, N)], [N]),
    ],
)  # fmt: skip
def test_a_correction_is_of_all_from_the_mounting_to_its_own_place(made, configs, expected):
    entries = [
        calibrated(row, sequence, value, is_remounted=kind == "remounted", corrects=kind == "corrects")
        for row, (sequence, value, kind) in enumerate(made, start=1)
    ]
    log, found = CorrectedLog(find_corrections(entries)), []
    for sequence, value in configs:
        vehicle = make_vehicle()
        vehicle = replace(vehicle, dampers=(replace(vehicle.dampers[0], calibration=value), *vehicle.dampers[1:]))
        log.take(Frame(FrameType.CONFIG, sequence, 1, 0, data=vehicle.to_dict()))
        found.append(log.vehicle.dampers[0].calibration)
        assert log.vehicle.dampers[1:] == vehicle.dampers[1:]
    assert found == expected


def test_a_shared_sensor_is_left_to_the_one_it_is_of():
    vehicle = make_vehicle()
    shared = replace(vehicle.dampers[0], travel_from="front_right")
    log = CorrectedLog([Correction(calibrated(1, 20, R, corrects=True), None)])
    frame = Frame(FrameType.CONFIG, 2, 1, 0, data=replace(vehicle, dampers=(shared, *vehicle.dampers[1:])).to_dict())
    assert log.take(frame) == (frame,)
    assert log.corrected_positions == set()


def test_progress_is_shown_of_long_work_only(capsys):
    clock = ManualClock()
    line = ProgressLine(clock)
    line.show(0.1)
    line.clear()
    assert capsys.readouterr().err == ""
    clock.advance(1.1)
    line.show(0.42)
    line.show(0.43)
    assert capsys.readouterr().err == "\rcounting again:  42%"
    line.clear()
    assert capsys.readouterr().err.strip() == ""
