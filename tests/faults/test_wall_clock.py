"""A wall clock that jumps by decades while core runs: duty knows monotonic time alone."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.oracle import differing_units, load
from daemon.processes import wait_until
from dutylog.clock import KernelClock, read_kernel_clock
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.wall_time import is_utc_trusted
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from faults.conftest import FAST, Said
from faults.live_reader import LiveReader

LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))
YEAR_NS = 365 * 86_400 * 10**9
JUMPS = ("+30y", "-25y", "+80y", "-1d", "+0", "-40y")

pytestmark = [
    pytest.mark.skipif(not LIBRARIES, reason="not installed: faketime"),
    pytest.mark.skipif(is_utc_trusted(), reason="something vouches for this machine's wall clock"),
]


class FalseClock:
    """Wall time as a file says, for processes started with `env`; monotonic time is left alone."""

    def __init__(self, file):
        self._file = file
        self.jump(JUMPS[0])
        self.env = os.environ | {
            "LD_PRELOAD": str(LIBRARIES[0]),
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "FAKETIME_TIMESTAMP_FILE": str(file),
            "FAKETIME_NO_CACHE": "1",
        }

    def jump(self, how):
        part = self._file.with_suffix(".part")
        part.write_text(how + "\n")
        part.rename(self._file)


@pytest.fixture
def false_clock(tmp_path):
    return FalseClock(tmp_path / "faketime")


def everything_by_position(data_dir):
    """Return all that was counted, without wall time and without names that are random."""
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        installed = ledger.installed()
        position_of = {unit.unit_id: position for position, unit in installed.items()}
        minutes = {
            position: [repr(replace(minute.row, unit_id=position)) for minute in ledger.minutes(unit.unit_id, 1)]
            for position, unit in installed.items()
        }
        trips = []
        for trip in ledger.trips():
            shares = tuple(replace(d, unit_id=position_of[d.unit_id]) for d in trip.row.dampers)
            trips.append(repr(replace(trip.row, dampers=shares)))
        totals = {position_of[unit]: value.as_row() for unit, value in ledger.all_totals().items()}
        duties = {p: load(ledger.cold_state(u.unit_id)) for p, u in installed.items()}
    assert all(minutes.values())
    return {"minutes": minutes, "trips": trips, "totals": totals, "duties": duties}


def test_jumps_change_nothing_of_what_is_counted(recording, start_core, false_clock, tmp_path):
    """The same drive with and without jumps: totals, accumulators, trips and minute rows equal to the bit."""
    file, vehicle = recording
    plain = CoreSettings(vehicle, tmp_path / "plain", "recording", file=file, pace=0, exit_at_end=True)
    status, out, errors = start_core(plain, tmp_path / "plain.side", **FAST).finish()
    assert (status, errors) == (0, ""), out
    jumping = replace(plain, data_dir=tmp_path / "jumping", pace=8.0)
    child = start_core(jumping, tmp_path / "jumping.side", env=false_clock.env, sleep_by_select=True, **FAST)
    child.wait_for("running")
    for how in JUMPS[1:]:
        time.sleep(0.5)
        false_clock.jump(how)
    assert child.process.poll() is None, child.finish()
    status, out, errors = child.finish()
    assert (status, errors) == (0, ""), out
    assert everything_by_position(jumping.data_dir) == everything_by_position(plain.data_dir)


@pytest.mark.slow
def test_jumps_are_shown_as_a_clock_that_nobody_vouches_for(demo_settings, start_core, false_clock, tmp_path):
    """Wall time is handed on as it is, but never as true; the log and the ledger agree to the bit."""
    child = start_core(demo_settings, tmp_path / "side.log", env=false_clock.env, sleep_by_select=True, **FAST)
    said = Said(child)
    with LiveReader(demo_settings.data_dir) as live:
        wait_until(lambda: len(live.snapshots) > 5, "snapshots")
        for how in JUMPS[1:]:
            seen = len(live.snapshots)
            false_clock.jump(how)
            wait_until(lambda before=seen: len(live.snapshots) > before + 5, "snapshots after a jump")
        times_ns = [one["utc_ns"] for one in live.snapshots]
        steps_ns = [after - before for before, after in pairwise(times_ns)]
        assert sum(abs(step) > 20 * YEAR_NS for step in steps_ns) >= 4, "the clock didn't jump: this test shows nothing"
        assert {one["utc_trusted"] for one in live.snapshots} == {False}
        assert {one["source"]["state_text"] for one in live.snapshots} == {""}
        mono_s = [one["mono_s"] for one in live.snapshots]
        assert mono_s == sorted(mono_s)
    child.process.terminate()
    status, lines, errors = said.finish()
    assert (status, errors) == (0, ""), lines
    assert differing_units(demo_settings.data_dir, demo_settings.vehicle) == []
    assert list_trips(demo_settings.data_dir).count("(clock not checked)") == 1
    with Ledger.open(demo_settings.data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.verify_chain() is None
        assert [trip.utc_trusted for trip in ledger.trips()] == [False]


def test_time_that_arrives_late_dates_all_of_the_boot_and_jumps_after_it_change_nothing(
    demo_settings, start_core, false_clock, tmp_path
):
    """Two starts of one boot without a date; then somebody vouches for the clock, which goes on jumping."""
    side, vouched = tmp_path / "side.log", tmp_path / "vouched"
    # Commits once a second as usual: ten a second, under this library, leave the simulated vehicle no time.
    options = {"trusted_file": str(vouched), "env": false_clock.env, "sleep_by_select": True}
    settings = replace(demo_settings, pace=40.0)
    for number in (1, 2):
        child = start_core(settings, side, **options)
        said = Said(child)
        with LiveReader(settings.data_dir) as live:
            # In the second a minute of driving and more: a row of it is stored before the time is known.
            least_s = 65 if number == 2 else 5
            wait_until(
                lambda seen=live, s=least_s: len(seen.snapshots) > 5 and last_mono_s(seen) > s, "some time passes"
            )
            if number == 2:
                before_ns = clocks(settings.data_dir)
                assert [trusted for _, trusted in before_ns.values()] == [False, False]
                false_clock.jump("+0")
                time.sleep(0.3)
                vouched.touch()
                wait_until(lambda words=said: words.with_word("the clock is set"), "it is noticed")
                true_ns, mono_ns = time.time_ns(), time.monotonic_ns()
                wait_until(lambda: all(t for _, t in clocks(settings.data_dir).values()), "both starts are dated")
                for how in ("-25y", "+80y"):
                    seen = len(live.snapshots)
                    false_clock.jump(how)
                    wait_until(lambda n=seen: len(live.snapshots) > n + 3, "snapshots after a jump")
        child.process.terminate()
        status, lines, errors = said.finish()
        assert (status, errors) == (0, ""), lines
    after_ns = clocks(settings.data_dir)
    assert {trusted for _, trusted in after_ns.values()} == {True}
    for offset_ns, _ in after_ns.values():
        assert abs(offset_ns - (true_ns - mono_ns)) < 2 * 10**9
    for epoch in (1, 2):
        assert abs(after_ns[epoch][0] - before_ns[epoch][0]) > 20 * YEAR_NS, "the clock was right before"
    with Ledger.open(settings.data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert {trip.utc_trusted for trip in ledger.trips()} == {True}
        for unit in ledger.installed().values():
            stamps = [m.utc_ns for epoch in (1, 2) for m in ledger.minutes(unit.unit_id, epoch)]
            assert len(stamps) > 2
            assert all(abs(stamp - true_ns) < 3600 * 10**9 for stamp in stamps)
            for epoch in (1, 2):
                of_epoch = [m.utc_ns for m in ledger.minutes(unit.unit_id, epoch)]
                assert of_epoch == sorted(of_epoch)
    frames = [f for f in LogReader(settings.data_dir / "log").frames() if f.type == FrameType.CLOCK]
    assert [f.data["trusted"] for f in frames] == [False, False, True]
    assert differing_units(settings.data_dir, settings.vehicle) == []


def last_mono_s(live):
    return live.newest["mono_s"] - live.snapshots[0]["mono_s"]


def clocks(data_dir):
    """Return {epoch: (wall minus monotonic time, whether it is trusted)}."""
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        found = [ledger.epoch(number) for number in range(1, ledger.last_epoch() + 1)]
    return {epoch.epoch: (epoch.utc_ns - epoch.mono_ns, epoch.utc_trusted) for epoch in found}


@pytest.mark.parametrize(
    ("result", "status", "marked", "trusted"),
    [
        (0, 0x2001, False, True),  # an NTP daemon keeps the clock; 0x2000 nanoseconds, 0x0001 PLL: adjtimex(2)
        (5, 0x0040, True, False),  # set by hand after it: the kernel took it back, whatever the marker says
        (5, 0x0000, False, False),
        (0, 0x0040, False, False),
        (-1, 0, True, True),  # the kernel can't be asked
        (-1, 0, False, False),
    ],
)
def test_who_vouches_for_the_clock(tmp_path, result, status, marked, trusted):
    marker = tmp_path / "synchronized"
    if marked:
        marker.touch()
    assert KernelClock(result, status).is_trusted(marker) is trusted


def test_kernel_is_asked_without_changing_anything():
    now = read_kernel_clock()
    assert now.result in (-1, 0, 1, 2, 3, 4, 5)
    assert replace(read_kernel_clock(), max_error_s=0.0) == replace(now, max_error_s=0.0)


def list_trips(data_dir):
    """Return what a person reads."""
    command = [sys.executable, "-m", "dutylog.cli.main", "trip", "list", "--data", str(data_dir)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    again = subprocess.run([*command, "--format", "json"], capture_output=True, text=True, timeout=60)
    assert {trip["utc_trusted"] for trip in json.loads(again.stdout)["trips"]} == {False}
    return done.stdout
