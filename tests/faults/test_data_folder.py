"""Data folders as people have them: read-only, deep, with spaces, left behind by a dead process."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace

import pytest

from daemon.oracle import differing_units, fallen_totals, read_side_log
from daemon.processes import DEMO, wait_until
from dutylog.ledger.client import run_command, send_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from faults.conftest import FAST, assert_one_line, needs, run_core
from faults.live_reader import LiveReader
from faults.small_disk import SmallDisk

PLAIN_USER = ["setpriv", "--bounding-set", "-all", "--inh-caps", "-all"]
"""Rights count for root, too, once its capabilities are gone."""


def drive(settings, start_core, side):
    """Run core until it has counted something; returns the lines it said."""
    child = start_core(settings, side, **FAST)
    child.wait_for("running")
    before = len(read_side_log(side)[1])
    wait_until(lambda: len(read_side_log(side)[1]) > before + 8, "totals are counted")
    child.process.terminate()
    status, out, errors = child.finish()
    assert (status, errors) == (0, ""), out
    return out.splitlines()


@pytest.mark.parametrize(
    "name",
    ["a folder with  spaces, 'quotes' and 100 % ünïcode?", "/".join(["deep_" + "x" * 45] * 3)],
    ids=["spaces", "150_characters"],
)
def test_folder_of_an_unusual_name_works_whole(demo_settings, start_core, tmp_path, name):
    settings = replace(demo_settings, data_dir=tmp_path / name)
    child = start_core(settings, tmp_path / "side.log", **FAST)
    child.wait_for("running")
    with LiveReader(settings.data_dir) as live:
        wait_until(lambda: len(live.snapshots) > 5, "snapshots")
        assert send_command(settings.data_dir, {"command": "ping"})["ok"] is True
    child.process.terminate()
    status, out, errors = child.finish()
    assert (status, errors) == (0, ""), out
    assert differing_units(settings.data_dir, settings.vehicle) == []
    listed = subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "trip", "list", "--data", str(settings.data_dir)],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert (listed.returncode, listed.stderr) == (0, "")


@needs("setpriv")
@pytest.mark.parametrize("which", ["folder", "ledger", "log"])
def test_what_may_not_be_written_is_one_line(demo_settings, start_core, tmp_path, which):
    drive(demo_settings, start_core, tmp_path / "side.log")
    folder = demo_settings.data_dir
    target = {"folder": folder, "ledger": folder / LEDGER_NAME, "log": folder / "log"}[which]
    if which == "folder":
        shutil.copytree(folder, tmp_path / "bare", ignore=shutil.ignore_patterns("lock", "*.sock"))
        folder = target = tmp_path / "bare"
    mode = target.stat().st_mode
    target.chmod(0o555 if target.is_dir() else 0o444)
    try:
        if which == "log":
            status, lines = stop_when_failing(demo_settings, start_core, tmp_path / "side.log")
        else:
            status, lines = run_core(replace(demo_settings, data_dir=folder), PLAIN_USER)
        assert_one_line(status, lines, str(target), "check")
    finally:
        target.chmod(mode)


def stop_when_failing(settings, start_core, side):
    """Start core where the log can't be written, see it say so, and end it: (status, lines)."""
    child = start_core(settings, side, prefix=PLAIN_USER, **FAST)
    child.wait_for("trying again")
    child.process.terminate()
    status, _, errors = child.finish()
    return status, errors.splitlines()


@needs("unshare", "nsenter", "mount")
def test_read_only_disk_is_one_line_and_nothing_is_wrong_once_it_is_writable(demo_settings, start_core, tmp_path):
    """What Linux does with a card that fails: from the next start on it is mounted read-only."""
    try:
        disk = SmallDisk(tmp_path / "disk", "16m")
    except OSError as err:
        pytest.skip(str(err))
    settings, side = replace(demo_settings, data_dir=disk.path / "data"), tmp_path / "side.log"
    try:
        disk.tell(f"mkdir '{settings.data_dir}' && mount -o remount,ro '{disk.path}'")
        assert_one_line(*run_core(settings, disk.prefix), str(settings.data_dir), "Read-only file system", "check")
        disk.tell(f"mount -o remount,rw '{disk.path}'")
        child = start_core(settings, side, prefix=disk.prefix, **FAST)
        child.wait_for("running")
        wait_until(lambda: len(read_side_log(side)[1]) > 8, "totals are counted")
        child.process.kill()
        child.finish()
        disk.tell(f"mount -o remount,ro '{disk.path}'")
        assert_one_line(*run_core(settings, disk.prefix), str(settings.data_dir), "Read-only file system", "check")
    finally:
        disk.close()


def test_folder_left_by_kill_9_is_taken_over(demo_settings, start_core, tmp_path):
    """Sockets and lock stay behind; commands and the next start must not be kept away by them."""
    side = tmp_path / "side.log"
    drive(demo_settings, start_core, side)
    child = start_core(demo_settings, side, **FAST)
    child.wait_for("running")
    child.process.kill()
    child.finish()
    folder = demo_settings.data_dir
    assert (folder / "core.sock").is_socket()
    assert (folder / "live.sock").is_socket()
    assert int((folder / "lock").read_text()) == child.process.pid
    assert send_command(folder, {"command": "ping"}) is None
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        before = ledger.all_totals()
    profile = demo_settings.vehicle.profiles[0].name
    reply = run_command(folder, {"command": "add", "serial": "SPARE", "profile": profile})
    assert reply["ok"] is True
    drive(demo_settings, start_core, side)
    assert differing_units(folder, demo_settings.vehicle) == [unit_of(folder, "SPARE")]
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        assert fallen_totals([before], ledger.all_totals()) == []


def unit_of(folder, serial):
    """Return the unit_id of a damper: one that never sat anywhere isn't in the log."""
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        return ledger.find_unit(serial).unit_id


@pytest.mark.parametrize("content", [b"", b"999999999\n", b"\xff\xfe no number \0" * 40])
def test_lock_file_of_a_dead_process_holds_nobody(demo_settings, start_core, tmp_path, content):
    demo_settings.data_dir.mkdir()
    (demo_settings.data_dir / "lock").write_bytes(content)
    drive(demo_settings, start_core, tmp_path / "side.log")


@pytest.mark.parametrize("name", ["core.sock", "live.sock", "lock", "log", LEDGER_NAME])
def test_something_else_under_a_name_of_ours_is_one_line(demo_settings, name):
    demo_settings.data_dir.mkdir()
    if name == "log":
        (demo_settings.data_dir / name).write_text("a file")
    else:
        (demo_settings.data_dir / name).mkdir()
        (demo_settings.data_dir / name / "inside").write_text("kept")
    assert_one_line(*run_core(demo_settings), str(demo_settings.data_dir / name))


def test_sockets_of_a_living_stranger_are_not_mistaken_for_core(demo_settings, start_core, tmp_path):
    """Whoever holds no lock isn't core; its socket name is taken over."""
    demo_settings.data_dir.mkdir()
    with socket.socket(socket.AF_UNIX) as stranger:
        stranger.bind(str(demo_settings.data_dir / "core.sock"))
        drive(demo_settings, start_core, tmp_path / "side.log")


def test_supervisor_ends_with_cores_line_and_without_a_second_try(demo_settings):
    """What a person sees of it all: `dutylog run`."""
    demo_settings.data_dir.mkdir()
    with closing(sqlite3.connect(demo_settings.data_dir / LEDGER_NAME)) as connection:
        connection.execute("CREATE TABLE other (x)")
    process = subprocess.Popen(
        [sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(DEMO), "--no-page",
         "--data", str(demo_settings.data_dir)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        out, errors = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)
    assert process.returncode == 2
    assert errors.count("\n") == 1
    assert "another program" in errors
    assert out == ""
