"""A ledger put right by real processes: what its backup doesn't know, what the log no longer holds, kills meanwhile."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from contextlib import closing

import pytest

from daemon.oracle import fallen_totals
from daemon.processes import wait_until
from dutylog.daemon.core import EXIT_AGAIN
from dutylog.daemon.heal import SUSPECT_NAME
from dutylog.ledger.backup import find_backups
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import Ledger
from dutylog.recording.bounds import first_sequence
from dutylog.recording.scan import find_segments
from faults.conftest import FAST
from faults.test_damage import (
    assert_equal_to_the_log,
    assert_put_right,
    checkpointed,
    drop_backups,
    whole,
    worn,
    write_text,
)

__all__ = ["whole", "worn"]


def installed(worn):
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        return {position: unit.unit_id for position, unit in ledger.installed().items()}


def test_dampers_moved_since_the_backup_sit_where_the_log_says(worn):
    """The backup has the old damper at that place; counting for it would falsify both."""
    backups = {file: file.read_bytes() for file in find_backups(worn.ledger_file)}
    before = installed(worn)
    with Ledger.open(worn.ledger_file) as ledger:
        profile = ledger.unit(before["front_left"]).profile
    run_command(worn.folder, {"command": "add", "serial": "NEW-1", "profile": profile})
    for request in (
        {"command": "remove", "unit": before["front_left"]},
        {"command": "install", "unit": "NEW-1", "position": "front_left"},
        {"command": "remove", "unit": before["rear_right"]},
    ):
        run_command(worn.folder, request)
    assert worn.drive(commits=4)[0] == 0
    wanted, totals = installed(worn), worn.totals()
    assert wanted["front_left"] not in before.values()
    assert "rear_right" not in wanted
    for file, octets in backups.items():
        file.write_bytes(octets)
    write_text(worn.ledger_file)
    assert_put_right(worn, totals, "ledger.backup-1.sqlite", commits=4)
    assert installed(worn) == wanted
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        assert ledger.find_unit("NEW-1").unit_id == wanted["front_left"]
        assert not ledger.is_recovering()


def test_log_that_no_longer_reaches_back_to_the_backup_is_said(worn):
    """What lies between is lost; what the backup and the rest of the log have isn't."""
    backup = find_backups(worn.ledger_file)[0]
    octets = backup.read_bytes()
    with Ledger.open(backup, read_only=True) as ledger:
        had, counted_to = ledger.all_totals(), ledger.cursor().hot_sequence
    assert worn.drive(commits=4)[0] == 0
    assert worn.drive(commits=4)[0] == 0
    for file in find_segments(worn.folder / "log")[:-1]:
        file.unlink()
    for file in find_backups(worn.ledger_file):
        file.write_bytes(octets)
    write_text(worn.ledger_file)
    status, lines, errors = worn.drive(commits=4)
    assert (status, errors) == (0, ""), lines
    first = first_sequence(find_segments(worn.folder / "log")[0])
    assert first > counted_to + 1
    assert worn.entries("recovered")[-1]["lost_sequences"] == [counted_to + 1, first - 1]
    assert any(f"duty of frames {counted_to + 1} to {first - 1} is lost" in line for line in lines), lines
    after = worn.totals()
    assert fallen_totals([had], after) == []
    assert all(after[unit].strokes_count > value.strokes_count for unit, value in had.items())


def wipe_page_of(file, table):
    """Overwrite the first page of a table."""
    checkpointed(file)
    with closing(sqlite3.connect(file)) as connection:
        row = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    with file.open("r+b") as stream:
        stream.seek((row[0] - 1) * 512)
        stream.write(b"\xa5" * 512)


def test_without_backup_and_with_a_pruned_log_totals_come_from_what_is_sealed(worn):
    """The damaged file is the only place left that knows them."""
    before, seats = worn.totals(), installed(worn)
    find_segments(worn.folder / "log")[0].unlink()
    drop_backups(worn)
    wipe_page_of(worn.ledger_file, "minute")
    octets = worn.ledger_file.read_bytes()
    status, lines, errors = worn.drive(commits=4)
    assert (status, errors) == (0, ""), lines
    assert any("dampers and their totals" in line for line in lines), lines
    after = worn.totals()
    assert fallen_totals([before], after) == []
    assert all(after[unit].strokes_count > value.strokes_count for unit, value in before.items())
    assert installed(worn) == seats
    name = worn.entries("recovered")[-1]["damaged_file"]
    assert (worn.folder / name).read_bytes() == octets


def test_without_backup_a_checkpoint_that_cannot_be_read_costs_no_total(worn):
    before = worn.totals()
    find_segments(worn.folder / "log")[0].unlink()
    drop_backups(worn)
    with closing(sqlite3.connect(worn.ledger_file, isolation_level=None)) as connection:
        connection.execute("UPDATE checkpoint SET state = zeroblob(300)")
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        trips = [trip.number for trip in ledger.trips()]
    status, lines, errors = worn.drive(commits=4)
    assert (status, errors) == (0, ""), lines
    assert any("all but what the engine stored of itself" in line for line in lines), lines
    assert any("it can't be read" in line and "all totals stay" in line for line in lines), lines
    after = worn.totals()
    assert fallen_totals([before], after) == []
    assert all(after[unit].strokes_count > value.strokes_count for unit, value in before.items())
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        assert set(trips) <= {trip.number for trip in ledger.trips()}
        assert len([trip for trip in ledger.trips() if trip.row.is_open]) <= 1


def test_another_engine_goes_on_behind_the_stored_totals(worn):
    """An upgrade must not stop the vehicle from being logged."""
    before = worn.totals()
    with Ledger.open(worn.ledger_file) as ledger, ledger._database.write() as connection:
        connection.execute("UPDATE cursor SET engine = 'older'")
    status, lines, errors = worn.drive(commits=4)
    assert (status, errors) == (0, ""), lines
    assert any("it is of engine older" in line and "all totals stay" in line for line in lines), lines
    assert worn.entries("engine_fresh")[-1]["engine_was"] == "older"
    after = worn.totals()
    assert fallen_totals([before], after) == []
    assert all(after[unit].strokes_count > value.strokes_count for unit, value in before.items())
    status, lines, errors = worn.drive(commits=2)
    assert (status, errors) == (0, "")
    assert not any("engine" in line for line in lines), lines


def test_kills_while_it_is_put_right_end_in_the_totals_of_the_log(worn):
    rng = random.Random(3)
    before = worn.totals()
    checkpointed(worn.ledger_file)
    wipe_page_of(worn.ledger_file, "hot")
    for _ in range(6):
        child = worn._start(worn.settings, worn.side, **FAST)
        time.sleep(rng.uniform(0.25, 1.0))
        child.process.kill()
        child.finish()
    status, lines, errors = worn.drive(commits=4)
    assert (status, errors) == (0, ""), lines
    assert fallen_totals([before], worn.totals()) == []
    assert_equal_to_the_log(worn)
    assert len(worn.entries("recovered")) == 1


@pytest.mark.slow
def test_damage_met_while_running_ends_core_and_the_next_start_heals(worn):
    """The supervisor starts core again for any status but 0 and 2."""
    child = subprocess.Popen(
        [sys.executable, "-m", "dutylog.daemon.core"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        child.stdin.write(worn.settings.to_json() + "\n")
        child.stdin.close()
        size = worn.ledger_file.stat().st_size
        wait_until(lambda: (worn.folder / "core.sock").exists(), "a start")
        before = worn.totals()
        counted = [before]
        wait_until(lambda: counted.append(worn.totals()) or counted[-1] != before, "commits")
        for name in ("ledger.sqlite", "ledger.sqlite-wal"):
            with (worn.folder / name).open("r+b") as stream:
                stream.write(b"\xa5" * size)
        # Met when what is written each half minute is read: by the second time at the latest.
        assert child.wait(120) == EXIT_AGAIN
        said = child.stderr.read()
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
        child.stderr.close()
    assert "is damaged" in said
    assert "Traceback" not in said
    assert (worn.folder / SUSPECT_NAME).exists()
    assert_put_right(worn, counted[-1], "ledger.backup-1.sqlite")
    assert not (worn.folder / SUSPECT_NAME).exists()
