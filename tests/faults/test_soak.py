"""Hours of driving with core killed every minute: nothing grows, nothing is lost."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from statistics import median

import psutil
import pytest

from daemon.oracle import differing_units
from daemon.processes import DEMO, wait_until
from dutylog import config
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.reader import LogReader
from faults.live_reader import LiveReader

PACE = 30


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at a process: since when the whole runs and since when this process [s], what it holds."""

    at_s: float
    age_s: float
    rss_bytes: int
    fds: int
    threads: int


def look(process, start_s):
    with process.oneshot():
        age_s = time.time() - process.create_time()
        return Sample(
            time.monotonic() - start_s, age_s, process.memory_info().rss, process.num_fds(), process.num_threads()
        )


def child_running(supervisor, module):
    """Return the child of the supervisor that runs a module, or None."""
    for child in supervisor.children():
        try:
            if module in child.cmdline():
                return child
        except psutil.Error:
            continue
    return None


def soak(data_dir, seconds, kill_every_s):
    """Run the whole daemon, kill core now and then: (samples of core, of the page, totals seen fallen, kills)."""
    process = start_daemon(data_dir)
    samples = {"dutylog.daemon.core": [], "dutylog.web": []}
    kills = 0
    try:
        supervisor, start_s = psutil.Process(process.pid), time.monotonic()
        with LiveReader(data_dir) as live:
            wait_until(lambda: live.newest, "a snapshot")
            next_kill_s = kill_every_s
            while (at_s := time.monotonic() - start_s) < seconds:
                time.sleep(0.5)
                for module, seen in samples.items():
                    try:
                        if (child := child_running(supervisor, module)) is not None:
                            seen.append(look(child, start_s))
                    except psutil.Error:
                        continue
                if at_s > next_kill_s:
                    next_kill_s += kill_every_s
                    kill_core(supervisor, live)
                    kills += 1
            fallen = fallen_lives(live.snapshots)
    finally:
        process.terminate()
        _, errors = process.communicate(timeout=60)
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
    return samples["dutylog.daemon.core"], samples["dutylog.web"], fallen, kills


def start_daemon(data_dir):
    """Start `dutylog run` on a free port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    return subprocess.Popen(
        [sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(DEMO), "--data", str(data_dir),
         "--port", str(port), "--pace", str(PACE)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def kill_core(supervisor, live):
    """kill -9, and wait until the next core has begun: one that is stopped before that leaves the log ahead."""
    old = live.newest["boot_id"]
    os.kill(wait_until(lambda: child_running(supervisor, "dutylog.daemon.core"), "core").pid, signal.SIGKILL)
    wait_until(lambda: live.newest["boot_id"] != old, "the next core")


def fallen_lives(snapshots):
    """Return totals on the page that were smaller than before a kill by more than what wasn't durable yet."""
    highest, fallen = {}, []
    for one in snapshots:
        for damper in one["dampers"]:
            if unit := damper["unit_id"]:
                if damper["strokes_total_count"] < highest.get(unit, 0):
                    fallen.append((unit, one["mono_s"]))
                highest[unit] = max(highest.get(unit, 0), damper["strokes_total_count"])
    return fallen


def fifth(samples, number):
    """Return the samples of one fifth of the run, counted from 1."""
    first_s, last_s = samples[0].at_s, samples[-1].at_s
    width_s = (last_s - first_s) / 5
    return [s for s in samples if first_s + (number - 1) * width_s <= s.at_s <= first_s + number * width_s]


def growth(samples):
    """Return median memory of the last fifth against that of the second, and the most descriptors and threads."""
    second, last = fifth(samples, 2), fifth(samples, 5)
    ratio = median(s.rss_bytes for s in last) / median(s.rss_bytes for s in second)
    more_fds = max(s.fds for s in last) - max(s.fds for s in second)
    more_threads = max(s.threads for s in last) - max(s.threads for s in second)
    return ratio, more_fds, more_threads


def steady(samples):
    """Return the samples of processes that have run for some seconds."""
    return [s for s in samples if s.age_s > 10]


def judge_ledger(data_dir):
    vehicle = config.load(DEMO).vehicle
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert ledger.check_file() == []
        assert ledger.verify_chain() is None
        epochs, trips = ledger.last_epoch(), ledger.trips()
        assert not any(entry.kind == "replay_differs" for entry in ledger.entries())
        assert ledger.cursor().hot_sequence == max(frame.sequence for frame in LogReader(data_dir / "log").frames())
    assert differing_units(data_dir, vehicle) == []
    return epochs, trips


@pytest.mark.slow
def test_five_hours_with_a_kill_every_minute_grow_nothing(tmp_path):
    """Ten minutes at pace 30 are five hours of driving."""
    core, page, fallen, kills = soak(tmp_path / "data", seconds=600, kill_every_s=60)
    epochs, _ = judge_ledger(tmp_path / "data")
    of_core, of_page = growth(steady(core)), growth(steady(page))
    megabytes = [round(median(s.rss_bytes for s in fifth(steady(seen), 5)) / 1e6, 1) for seen in (core, page)]
    print(f"core {of_core}, page {of_page}, {megabytes} MB, {kills} kills, {epochs} epochs")
    assert kills >= 9
    assert epochs == kills + 1
    assert fallen == []
    for ratio, more_fds, more_threads in (of_core, of_page):
        assert ratio < 1.05
        assert (more_fds <= 0, more_threads <= 0) == (True, True)


@pytest.mark.slow
def test_five_hours_without_a_break_grow_nothing(tmp_path):
    """The same without kills: a process that is always young hides what it gathers."""
    core, page, fallen, _ = soak(tmp_path / "data", seconds=600, kill_every_s=10_000)
    judge_ledger(tmp_path / "data")
    of_core, of_page = growth(steady(core)), growth(steady(page))
    megabytes = [round(median(s.rss_bytes for s in fifth(steady(seen), 5)) / 1e6, 1) for seen in (core, page)]
    print(f"core {of_core}, page {of_page}, {megabytes} MB")
    assert fallen == []
    for ratio, more_fds, more_threads in (of_core, of_page):
        assert ratio < 1.05
        assert (more_fds <= 0, more_threads <= 0) == (True, True)


@pytest.mark.slow
def test_half_a_minute_of_it_keeps_descriptors_and_threads(tmp_path):
    """The short form: memory needs longer than this to settle."""
    core, page, fallen, kills = soak(tmp_path / "data", seconds=20, kill_every_s=6)
    epochs, trips = judge_ledger(tmp_path / "data")
    assert kills == 3
    assert epochs == kills + 1
    assert trips
    assert fallen == []
    assert max(s.fds for s in core) < 40
    assert {s.fds for s in core if s.age_s > 2} != set()
    early, late = page[: len(page) // 2], page[len(page) // 2 :]
    assert max(one.fds for one in late) <= max(one.fds for one in early) + 1
    assert max(one.threads for one in late) <= max(one.threads for one in early)
