"""What stops a recount, a recount that is killed or repeated, and a ledger put right."""

from __future__ import annotations

import hashlib
import json
import shutil
import signal
import subprocess
import sys
import zlib
from dataclasses import replace

import pytest

from daemon.counted import (
    FULL,
    POSITIONS,
    RIGHT_MM,
    WRONG_MM,
    make_vehicle,
    unpack,
)
from daemon.oracle import integrate_log
from daemon.recounting import (
    CHILD,
    calibrated,
    contents,
    differing,
    refuse,
    run,
    truck,
)
from dutylog.cli.main import main
from dutylog.cli.progress import ProgressLine
from dutylog.clock import ManualClock
from dutylog.ledger.corrections import CorrectedLog, Correction, find_corrections
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.lock import DataLock
from dutylog.ledger.recount import recount
from dutylog.recording.frame import Frame, FrameType

__all__ = ["truck"]

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


@pytest.mark.parametrize(
    "stage",
    [
        "commit 1",
        *(
            pytest.param(stage, marks=pytest.mark.slow)
            for stage in ("share 1", "minute 1", "minute 3", "backup 1", "finish 1", "done 1")
        ),
    ],
)
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


@pytest.mark.slow
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
    line = ProgressLine(clock, "counting again")
    line.show(0.1)
    line.clear()
    assert capsys.readouterr().err == ""
    clock.advance(1.1)
    line.show(0.42)
    line.show(0.43)
    assert capsys.readouterr().err == "\rcounting again:  42%"
    line.clear()
    assert capsys.readouterr().err.strip() == ""
