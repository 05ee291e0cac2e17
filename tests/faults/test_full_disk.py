"""A disk that fills up under a running core: raw stops first, readings and totals go on, nothing counts twice.

What is right is known from the source itself: a simulated drive of the same seed, integrated in memory.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import psutil
import pytest

from daemon.oracle import differing_units, fallen_totals, lost_frames, read_side_log
from daemon.processes import wait_until
from dutylog.clock import ManualClock
from dutylog.engine.engine import Engine
from dutylog.ledger.client import send_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.frame import FrameType
from dutylog.recording.logbook import Logbook
from dutylog.recording.reader import LogReader
from dutylog.sim.scenario import built_in_scenario
from dutylog.sim.source import SimulatedSource
from faults.conftest import FAST, Said, assert_one_line, needs, run_core
from faults.live_reader import LiveReader
from faults.small_disk import SmallDisk

pytestmark = needs("unshare", "nsenter", "mount")
PENDING = 100_000
"""Bytes that may wait in memory here, about 12 s of the demo vehicle: the tests want to see rows dropped."""
MANY_ROWS = 30_000
"""Some more than the memory here holds."""


@pytest.fixture
def disk(tmp_path):
    try:
        small = SmallDisk(tmp_path / "disk", "3m")
    except OSError as err:
        pytest.skip(str(err))
    yield small
    small.close()


def judge(folder, side):
    """Return what is wrong: (frames lost, totals that fell)."""
    frames, acknowledged = read_side_log(side)
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.check_file() == []
        assert ledger.verify_chain() is None
        final = ledger.all_totals()
    assert len(acknowledged) > 5
    assert any(totals.strokes_count for totals in final.values())
    return lost_frames(folder / "log", frames), fallen_totals(acknowledged, final)


def true_totals(settings, folder, epoch=1):
    """Return by position what a drive really did, up to the last row the log knows of (gaps are rows, too)."""
    frames = [f for f in LogReader(folder / "log").frames() if f.epoch == epoch and f.stream_id == 1 and f.n]
    end_index = max(f.first_index + f.n for f in frames)
    clock = ManualClock(frames[0].t0_ns)
    scenario = built_in_scenario(settings.scenario)
    source = SimulatedSource(settings.vehicle, scenario, settings.seed, 0, clock, seconds=end_index / 1000)
    source.start(1, {})
    book, engine = Logbook(settings.vehicle, "boot", clock), Engine(settings.vehicle)
    todo = book.start_epoch(source.streams, source.kind, source.text, 1)
    while (batch := source.read_batch()) is not None:
        todo += book.append(batch)
    for frame in [*todo, *book.end("stop", book.state.time_ns)]:
        engine.feed(frame)
    return {position: engine.totals()[unit] for position, unit in engine.units().items()}


def stored_totals(folder):
    """Return the ledger's totals by position."""
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        return {position: ledger.totals(unit.unit_id) for position, unit in ledger.installed().items()}


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


def strokes(snapshot):
    return sum(damper["strokes_total_count"] for damper in snapshot["dampers"])


def test_full_disk_stops_the_raw_log_and_nothing_else(full, disk, tmp_path):
    """Minutes without room, then room again: nothing is started by hand, and all that was sampled is counted."""
    settings, side, child, said = full
    with LiveReader(disk.outside) as live:
        wait_until(lambda: (live.newest or {}).get("drops", {}).get("raw_rows"), "rows are dropped and counted")
        seen = len(live.snapshots)
        wait_until(lambda: live.newest["drops"]["raw_rows"] > MANY_ROWS, "many more rows are dropped")
        shown = live.snapshots[seen:]
        assert all("Not storing" in one["source"]["state_text"] for one in shown)
        assert {one["standing_s"] for one in shown} == {0.0}
        not_storing_s = [one["not_storing_s"] for one in shown]
        assert not_storing_s == sorted(not_storing_s)
        assert not_storing_s[-1] > 0
        assert strokes(shown[-1]) > strokes(shown[0])
        # A row is one sample of all channels: 1000 of travel, 10 of temperature, 1 of air and 5 of speed a second.
        assert shown[-1]["not_stored_s"] == pytest.approx(shown[-1]["drops"]["raw_rows"] / 1016, abs=2)
        assert len(said.with_word("samples wait in memory, trying again")) == 1, said.lines
        disk.make_room()
        wait_until(lambda: said.with_word("the disk takes data again"), "it goes on by itself")
        acknowledged = len(read_side_log(side)[1])
        wait_until(lambda: live.newest["source"]["state_text"] == "", "the page no longer says so")
        wait_until(lambda: live.newest["not_storing_s"] == 0, "samples are stored again")
        wait_until(lambda: len(read_side_log(side)[1]) > acknowledged + 5, "totals go on")
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, "")
    assert len(said.with_word("samples wait in memory, trying again")) == 1, lines
    folder = disk.copy_out(tmp_path / "copy")
    assert judge(folder, side) == ([], [])
    assert stored_totals(folder) == true_totals(settings, folder)
    dropped, stretches = unstored_rows(folder)
    assert dropped > MANY_ROWS
    assert f"{dropped} rows" in said.with_word("the disk takes data again")[0]
    assert stretches[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(stretches))


@pytest.mark.slow
def test_a_disk_that_stays_full_fills_no_memory(full, disk):
    """Ten minutes of rows: kept they would be 5 MB. Before, two minutes in which core comes to its usual size."""
    _, _, child, _ = full
    core = psutil.Process(child.process.pid)
    with LiveReader(disk.outside) as live:
        wait_until(lambda: (live.newest or {}).get("drops", {}).get("raw_rows", 0) > 120_000, "rows are dropped")
        before_bytes = core.memory_info().rss
        wait_until(lambda: live.newest["drops"]["raw_rows"] > 720_000, "many more rows are dropped", 600)
        assert core.memory_info().rss - before_bytes < 2_500_000


def test_short_of_room_for_less_than_the_memory_holds_nothing_is_missing_in_the_log(
    demo_settings, disk, start_core, tmp_path
):
    """Readings run ahead of the log; it catches up, under the numbers and with the rows it would have had."""
    settings, side = replace(demo_settings, data_dir=disk.path), tmp_path / "side.log"
    child = start_core(settings, side, prefix=disk.prefix, ahead_s=0.5, **FAST)
    said = Said(child)
    wait_until(lambda: side.exists() and len(read_side_log(side)[1]) > 10, "totals are counted")
    with LiveReader(disk.outside) as live:
        disk.fill(leave_bytes=20_000)
        wait_until(lambda: (live.newest or {}).get("not_storing_s", 0) > 2, "readings go on")
        disk.make_room()
        wait_until(lambda: said.with_word("the disk takes data again"), "it goes on by itself")
        assert "nothing was lost" in said.with_word("the disk takes data again")[0]
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, ""), lines
    folder = disk.copy_out(tmp_path / "copy")
    assert judge(folder, side) == ([], [])
    assert differing_units(folder, settings.vehicle) == []
    assert stored_totals(folder) == true_totals(settings, folder)
    numbers = [frame.sequence for frame in LogReader(folder / "log").frames()]
    assert numbers == list(range(1, len(numbers) + 1))
    assert unstored_rows(folder)[0] == 0


def disk_alert(live):
    """Return the newest snapshot's alert of the disk, {} without one."""
    return next((one for one in (live.newest or {}).get("alerts", ()) if one["kind"] == "disk"), {})


def test_a_full_disk_is_told_and_acknowledged_though_nothing_can_be_stored(full, disk, tmp_path):
    _, _, child, said = full
    with LiveReader(disk.outside) as live:
        wait_until(lambda: disk_alert(live).get("state") == "raised", "the alert is shown")
        alert_id = disk_alert(live)["id"]
        request = {"command": "acknowledge", "alert": alert_id, "by": "Ana"}
        reply = send_command(disk.outside, request, limit_s=30.0)
        assert reply["ok"] is True, reply
        wait_until(lambda: disk_alert(live)["acknowledged_by"] == "Ana", "the name is shown")
        disk.make_room()
        wait_until(lambda: disk_alert(live).get("state") == "cleared", "it is over")
        assert disk_alert(live)["id"] == alert_id
    child.process.terminate()
    assert said.finish()[0] == 0
    with Ledger.open(disk.copy_out(tmp_path / "copy") / LEDGER_NAME, read_only=True) as ledger:
        (stored,) = [one.row for one in ledger.alerts(1000) if one.row.kind == "disk"]
        assert stored.alert_id == alert_id
        assert stored.acknowledged.by == "Ana"
        assert stored.cleared is not None
        assert len(ledger.entries_of("alert_acknowledged")) == 1
        assert ledger.verify_chain() is None


def test_room_kept_for_the_ledger_lets_totals_be_saved_while_the_log_stands(demo_settings, disk, start_core, tmp_path):
    settings, side = replace(demo_settings, data_dir=disk.path, pace=20.0), tmp_path / "side.log"
    child = start_core(settings, side, prefix=disk.prefix, ahead_s=0.5, reserve_share=6, **FAST)
    said = Said(child)
    wait_until(lambda: said.with_word("running"), "it runs")
    with LiveReader(disk.outside) as live:
        wait_until(lambda: live.newest, "a snapshot")
        disk.fill(leave_bytes=400_000)
        wait_until(lambda: live.newest["not_storing_s"] > 0, "the log stops with room left")
        commits, start = len(read_side_log(side)[1]), live.newest
        wait_until(lambda: len(read_side_log(side)[1]) > commits + 20, "totals are saved")
        assert live.newest["unsaved_s"] == 0
        assert disk.free_bytes() > 100_000
    kept = read_side_log(side)[1][-1]
    assert sum(totals.strokes_count for totals in kept.values()) > strokes(start)
    child.process.kill()
    said.finish()
    # From the ledger itself: the kill may have come after a commit and before the witness noted it.
    with Ledger.open(disk.copy_out(tmp_path / "killed") / LEDGER_NAME, read_only=True) as ledger:
        before = ledger.all_totals()
    assert all(before[unit].reaches(totals) for unit, totals in read_side_log(side)[1][-1].items())
    # The log ends before what was counted: totals stay, and what comes is added to them once.
    child = start_core(settings, side, prefix=disk.prefix, **FAST)
    said = Said(child)
    wait_until(lambda: said.with_word("the raw log ends at frame"), "the loss is said")
    disk.make_room()
    wait_until(lambda: len(read_side_log(side)[1]) > 60, "totals go on")
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, ""), lines
    folder = disk.copy_out(tmp_path / "copy")
    assert judge(folder, side) == ([], [])
    after, second = stored_totals(folder), true_totals(settings, folder, epoch=2)
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        for position, unit in ledger.installed().items():
            gained = after[position].since(before[unit.unit_id])
            assert gained.energy_uj == second[position].energy_uj
            assert gained.measured_us == second[position].measured_us
            # A stroke that was open when the power went counts when the next drive shows that it is over.
            assert 0 <= gained.strokes_count - second[position].strokes_count <= 1


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
        wait_until(lambda: said.with_word("the disk takes data again"), "it goes on by itself")
    acknowledged = len(read_side_log(side)[1])
    wait_until(lambda: len(read_side_log(side)[1]) > acknowledged + 5, "totals go on")
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, ""), lines
    assert judge(disk.copy_out(tmp_path / "copy"), side) == ([], [])


def test_first_start_without_any_room_is_one_line(demo_settings, disk):
    disk.fill(leave_bytes=0)
    settings = replace(demo_settings, data_dir=disk.path)
    assert_one_line(*run_core(settings, disk.prefix), str(disk.path), "free some space")


def test_stop_on_a_full_disk_says_how_many_rows_were_not_stored(full, disk, tmp_path):
    _, side, child, said = full
    with LiveReader(disk.outside) as live:
        wait_until(
            lambda: "disk is full" in (live.newest or {"source": {"state_text": ""}})["source"]["state_text"], "full"
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
