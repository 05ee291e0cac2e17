"""A disk that fills up under a running core: it goes on, says so once, and loses nothing it had."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import psutil
import pytest

from daemon.oracle import differing_units, fallen_totals, lost_frames, read_side_log
from daemon.processes import wait_until
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from faults.conftest import FAST, Said, assert_one_line, needs, run_core
from faults.live_reader import LiveReader
from faults.small_disk import SmallDisk

pytestmark = needs("unshare", "nsenter", "mount")
PENDING = 100_000
"""Bytes that may wait in memory here, about 12 s of the demo vehicle: the tests want to see rows dropped."""
MANY_ROWS = 80_000


@pytest.fixture
def disk(tmp_path):
    try:
        small = SmallDisk(tmp_path / "disk", "3m")
    except OSError as err:
        pytest.skip(str(err))
    yield small
    small.close()


def judge(folder, vehicle, side):
    """Return what is wrong: (frames lost, units that differ, totals that fell)."""
    frames, acknowledged = read_side_log(side)
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.check_file() == []
        assert ledger.verify_chain() is None
        final = ledger.all_totals()
    assert len(acknowledged) > 5
    assert any(totals.strokes_count for totals in final.values())
    return lost_frames(folder / "log", frames), differing_units(folder, vehicle), fallen_totals(acknowledged, final)


def unstored_rows(folder):
    """Return (rows of gaps `not_stored`, stretches of the travel stream in order)."""
    frames = [f for f in LogReader(folder / "log").frames() if f.type in (FrameType.SAMPLES, FrameType.GAP)]
    dropped = sum(f.n for f in frames if f.data == {"reason": "not_stored"})
    return dropped, [(f.first_index, f.first_index + f.n) for f in frames if f.stream_id == 1]


@pytest.fixture
def full(demo_settings, disk, start_core, tmp_path):
    """A core that has run for a while and whose disk has just become full: (settings, side log, child, lines said)."""
    settings, side = replace(demo_settings, data_dir=disk.path, pace=40.0), tmp_path / "side.log"
    child = start_core(settings, side, prefix=disk.prefix, max_pending_bytes=PENDING, **FAST)
    said = Said(child)
    wait_until(lambda: side.exists() and len(read_side_log(side)[1]) > 10, "totals are counted")
    # A rest of half a second: some of a commit fits, the whole doesn't.
    disk.fill(leave_bytes=20_000)
    wait_until(lambda: said.with_word("trying again"), "the disk is full")
    return settings, side, child, said


def test_full_disk_is_said_once_shown_and_left_behind(full, disk, tmp_path):
    """Minutes without room, then room again: nothing is started by hand."""
    settings, side, child, said = full
    core = psutil.Process(child.process.pid)
    with LiveReader(disk.outside) as live:
        wait_until(lambda: (live.newest or {}).get("drops", {}).get("raw_rows"), "rows are dropped and counted")
        before_bytes, seen = core.memory_info().rss, len(live.snapshots)
        # The queue must be filled several times over before its bound means anything.
        wait_until(lambda: live.newest["drops"]["raw_rows"] > MANY_ROWS, "many more rows are dropped")
        assert core.memory_info().rss - before_bytes < 1_500_000
        assert all("stand still" in one["source"]["state_text"] for one in live.snapshots[seen:])
        standing_s = [one["standing_s"] for one in live.snapshots[seen:]]
        assert standing_s == sorted(standing_s)
        assert standing_s[-1] > 0
        assert len(said.with_word("trying again")) == 1, said.lines
        acknowledged = len(read_side_log(side)[1])
        disk.make_room()
        wait_until(lambda: said.with_word("takes data again"), "it goes on by itself")
        wait_until(lambda: live.newest["source"]["state_text"] == "", "the page no longer says so")
        wait_until(lambda: live.newest["standing_s"] == 0, "readings are fresh again")
        wait_until(lambda: len(read_side_log(side)[1]) > acknowledged + 5, "totals go on")
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, "")
    assert len(said.with_word("trying again")) == 1, lines
    folder = disk.copy_out(tmp_path / "copy")
    assert judge(folder, settings.vehicle, side) == ([], [], [])
    dropped, stretches = unstored_rows(folder)
    assert dropped > MANY_ROWS
    assert f"{dropped} rows lost" in said.with_word("takes data again")[0]
    assert stretches[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(stretches))


def test_kill_and_start_on_a_full_disk_lose_nothing_durable(full, disk, start_core, tmp_path):
    settings, side, child, said = full
    child.process.kill()
    said.finish()
    # How much room the ledger needs to start depends on where the kill met it: it goes on, or says what to do.
    child = start_core(settings, side, prefix=disk.prefix, **FAST)
    said = Said(child)
    wait_until(lambda: said.with_word("trying again") or child.process.poll() is not None, "it says so")
    if child.process.poll() is not None:
        status, lines, errors = said.finish()
        assert_one_line(status, [*lines, *errors.splitlines()], "free some space")
        disk.make_room()
        child = start_core(settings, side, prefix=disk.prefix, **FAST)
        said = Said(child)
        wait_until(lambda: said.with_word("running"), "a start")
    else:
        disk.make_room()
        wait_until(lambda: said.with_word("takes data again"), "it goes on by itself")
    acknowledged = len(read_side_log(side)[1])
    wait_until(lambda: len(read_side_log(side)[1]) > acknowledged + 5, "totals go on")
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, ""), lines
    assert not said.with_word("larger ones stand")
    assert judge(disk.copy_out(tmp_path / "copy"), settings.vehicle, side) == ([], [], [])


def test_first_start_without_any_room_is_one_line(demo_settings, disk):
    disk.fill(leave_bytes=0)
    settings = replace(demo_settings, data_dir=disk.path)
    assert_one_line(*run_core(settings, disk.prefix), str(disk.path), "free some space")


def test_stop_on_a_full_disk_says_how_many_rows_were_not_stored(full, disk, tmp_path):
    _, side, child, said = full
    with LiveReader(disk.outside) as live:
        wait_until(
            lambda: ".dlg" in (live.newest or {"source": {"state_text": ""}})["source"]["state_text"], "log full"
        )
    child.process.terminate()
    status, _, errors = said.finish()
    assert (status, errors.count("\n")) == (2, 1)
    assert errors.startswith("dutylog: ")
    assert said.with_word("rows that waited for the disk were not stored")
    folder = disk.copy_out(tmp_path / "copy")
    frames, acknowledged = read_side_log(side)
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        assert fallen_totals(acknowledged, ledger.all_totals()) == []
    assert lost_frames(folder / "log", frames) == []
