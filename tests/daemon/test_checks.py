"""Each subject of `dutylog check`: what makes it pass, look or fail, with real files, processes, brokers, databases."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading

import pytest

from daemon.check_scenes import (
    TRUCK,
    command,
    make_scene,
    of,
    only,
    snapshot,
    start_run,
    verdicts,
    without_table,
)
from daemon.driven import data, driven
from daemon.processes import DEMO
from dutylog.acquire.driver import Finding
from dutylog.cli.checks import clock as clock_check
from dutylog.cli.checks import data_folder, disk, raw_log, runner
from dutylog.cli.checks import ledger as ledger_check
from dutylog.cli.checks.scene import look_around
from dutylog.cli.checks.vehicle_file import check_vehicle_file
from dutylog.clock import ManualClock, SystemClock
from dutylog.duty.totals import Totals
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.scan import find_segments
from dutylog.units import NS_PER_S
from faults.conftest import needs
from faults.small_disk import SmallDisk
from publish.influx_servers import database as make_database
from publish.influx_servers import fake_influx, real_influx

__all__ = ["data", "driven", "fake_influx", "make_database", "real_influx", "snapshot", "start_run"]


# vehicle file


def test_a_good_vehicle_file_passes_and_its_notes_are_to_be_looked_at(tmp_path):
    file = tmp_path / "truck.toml"
    file.write_text(DEMO.read_text() + '\n[web]\nlisten = "0.0.0.0"\n', encoding="utf-8")
    found = check_vehicle_file(look_around(file, tmp_path, SystemClock()))
    assert verdicts(found) == ["pass", "look"]
    assert "4 dampers, source simulated" in found[0].text
    assert "once an access code is set" in found[1].text
    file.chmod(0o666)
    changeable = check_vehicle_file(look_around(file, tmp_path, SystemClock()))[1]
    assert (changeable.verdict, changeable.remedy) == ("look", f"chmod o-w {file}")


def test_every_problem_of_a_bad_vehicle_file_is_a_failure_of_its_own(tmp_path):
    file = tmp_path / "truck.toml"
    file.write_text(DEMO.read_text().replace("stroke_mm = ", "stroke_mm = 9"), encoding="utf-8")
    found = check_vehicle_file(look_around(file, tmp_path, SystemClock()))
    assert len(found) >= 2
    assert set(verdicts(found)) == {"fail"}
    assert all("stroke_mm" in finding.text for finding in found)
    assert all(finding.remedy for finding in found)


def test_a_recording_that_is_gone_and_a_source_that_is_missing_are_told(tmp_path):
    base = without_table(DEMO.read_text(encoding="utf-8"), "source")
    file = tmp_path / "truck.toml"
    file.write_text(base + '[source]\nkind = "recording"\nfile = "drive.parquet"\n', encoding="utf-8")
    gone = only(check_vehicle_file(look_around(file, tmp_path, SystemClock())))
    assert (gone.verdict, gone.remedy) == ("fail", "correct source.file")
    file.write_text(base, encoding="utf-8")
    none = only(check_vehicle_file(look_around(file, tmp_path, SystemClock())))
    assert none.verdict == "look"
    assert "no source" in none.text


# data folder


def test_data_folder_of_our_own_passes(data):
    found = only(data_folder.check_data_folder(make_scene(data)))
    assert found.verdict == "pass"
    assert "mode 0750" in found.text


@pytest.mark.parametrize(("mode", "verdict", "word"), [(0o755, "look", "look in"), (0o757, "fail", "can change")])
def test_data_folder_open_to_others_is_told(data, mode, verdict, word):
    data.chmod(mode)
    found = data_folder.check_data_folder(make_scene(data))
    assert verdicts(found) == ["pass", verdict]
    assert word in found[1].text
    assert found[1].remedy == f"chmod 750 {data}"


def test_data_folder_that_is_no_folder_or_not_there_yet(tmp_path):
    (tmp_path / "file").write_text("")
    no_folder = only(data_folder.check_data_folder(make_scene(tmp_path / "file")))
    assert (no_folder.verdict, "is no folder" in no_folder.text) == ("fail", True)
    not_yet = only(data_folder.check_data_folder(make_scene(tmp_path / "a" / "b")))
    assert (not_yet.verdict, "isn't there yet" in not_yet.text) == ("look", True)
    below_a_file = only(data_folder.check_data_folder(make_scene(tmp_path / "file" / "b")))
    assert below_a_file.verdict == "fail"


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")


@needs_root
def test_files_of_a_start_as_another_user_are_a_failure(data):
    os.chown(data / LEDGER_NAME, 12_345, -1)
    found = data_folder.check_data_folder(make_scene(data))
    assert verdicts(found) == ["pass", "fail"]
    assert "1 of its files" in found[1].text
    assert found[1].remedy.endswith(f"chown -R root {data}")


@needs_root
def test_a_check_by_another_user_says_whom_to_be():
    """Run as somebody else the folder looks bad though nothing is wrong with it."""
    code = (
        "import sys; from pathlib import Path; from dutylog.cli.checks import data_folder, disk, scene, live\n"
        "import os; from dutylog.clock import SystemClock; os.setgid(65534); os.setuid(65534)\n"
        "s = scene.Scene(Path('x'), None, (), Path(sys.argv[1]), live.Live(), SystemClock())\n"
        "print([f for f in data_folder.check_data_folder(s)][0]); print(disk._fsync(Path(sys.argv[1]), s.clock))"
    )
    with tempfile.TemporaryDirectory() as outside:  # folders of pytest let nobody else in
        os.chmod(outside, 0o755)  # noqa: S103
        done = subprocess.run([sys.executable, "-c", code, outside], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    folder, fsync = done.stdout.splitlines()
    assert "verdict='look'" in folder
    assert "run the check as root" in folder
    assert "isn't ours to write" in fsync


# disk


def test_a_disk_with_room_passes_and_leaves_nothing_behind(data):
    before = sorted(path.name for path in data.iterdir())
    room, fsync, *_ = disk.check_disk(make_scene(data))
    assert (room.verdict, "MB/h" in room.text) == ("pass", True)
    assert fsync.verdict in ("pass", "look")  # by how busy the machine is
    assert "a durable write of 4 KiB takes" in fsync.text
    assert sorted(path.name for path in data.iterdir()) == before


@pytest.fixture
def small_disk(tmp_path):
    try:
        small = SmallDisk(tmp_path / "disk", "64m")
    except OSError as err:
        pytest.skip(str(err))
    yield small
    small.close()


@needs("unshare", "nsenter", "mount")
def test_a_full_and_a_read_only_disk_fail(small_disk):
    """The same words as a person at that machine gets, from the command itself."""
    arguments = ("--config", DEMO, "--data", small_disk.path)
    _, answer = command(*arguments, prefix=small_disk.prefix)
    little = of(answer, "disk")[0]
    assert (little.verdict, "h more" in little.text) == ("pass", True)
    small_disk.fill(2 << 20)
    status, answer = command(*arguments, prefix=small_disk.prefix)
    assert status == 1
    assert (of(answer, "disk")[0].verdict, "h of raw log" in of(answer, "disk")[0].text) == ("fail", True)
    small_disk.tell(f"head -c 1900000 /dev/zero > '{small_disk.path}/more'")
    _, answer = command(*arguments, prefix=small_disk.prefix)
    assert "raw samples are no longer stored" in of(answer, "disk")[0].text
    small_disk.tell(f"mount -o remount,ro '{small_disk.path}'")
    status, answer = command(*arguments, prefix=small_disk.prefix)
    readonly = only(of(answer, "disk"))
    assert (status, readonly.verdict) == (1, "fail")
    assert "mounted read-only" in readonly.text
    assert "nobody can write to it" in of(answer, "data folder")[0].text


@needs("strace")
@pytest.mark.parametrize(
    ("injection", "verdict", "words"),
    [("error=EIO", "fail", "Input/output error"), ("delay_enter=700000", "look", "takes")],
)
def test_a_durable_write_that_fails_or_stalls_is_told(data, injection, verdict, words):
    prefix = ("strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fsync", "-e", f"inject=fsync:{injection}")
    _, answer = command("--config", TRUCK, "--data", data, prefix=prefix)
    found = of(answer, "disk")[1]
    assert found.verdict == verdict
    assert words in found.text
    assert not [path.name for path in data.iterdir() if path.name.startswith(".check-")]


@pytest.mark.parametrize(
    ("life", "urgency", "verdict"),
    [("0x02 0x03", "0x01", "pass"), ("0x09 0x01", "0x01", "look"), ("0x01 0x01", "0x02", "look"),
     ("0x0b 0x01", "0x01", "fail"), ("0x01 0x01", "0x03", "fail")],
)  # fmt: skip
def test_wear_is_told_where_the_device_knows_it(tmp_path, life, urgency, verdict):
    number = tmp_path.stat().st_dev
    device = tmp_path / "devices" / "mmcblk0"
    (device / "device").mkdir(parents=True)
    (device / "mmcblk0p2").mkdir()
    (device / "device" / "life_time").write_text(life + "\n")
    (device / "device" / "pre_eol_info").write_text(urgency + "\n")
    (tmp_path / f"{os.major(number)}:{os.minor(number)}").symlink_to(device / "mmcblk0p2")
    assert only(disk.read_wear(tmp_path, tmp_path)).verdict == verdict
    (device / "device" / "life_time").write_text("0x00 0x00\n")
    assert disk.read_wear(tmp_path, tmp_path) == []
    (device / "device" / "life_time").unlink()
    assert disk.read_wear(tmp_path, tmp_path) == []


# clock


TODAY_NS = 1_790_000_000 * NS_PER_S


@pytest.mark.parametrize(
    ("utc_ns", "kernel", "verdict", "words"),
    [
        (TODAY_NS, clock_check.KernelClock(0, 0, 0.012), "pass", "vouched for, off by 0.01 s at most"),
        (TODAY_NS, clock_check.KernelClock(5, 0x40), "look", "dates will be filled in later"),
        (0, clock_check.KernelClock(5, 0x40), "look", "was never set"),
        (0, clock_check.KernelClock(0, 0), "fail", "can't be"),
        (2**62, clock_check.KernelClock(0, 0), "fail", "can't be"),
        (2**78, clock_check.KernelClock(0, 0), "fail", "makes no date"),
    ],
)
def test_wall_time_is_told_in_words(tmp_path, utc_ns, kernel, verdict, words):
    found = clock_check.judge_wall_time(utc_ns, kernel, tmp_path / "none")
    assert found.verdict == verdict
    assert words in found.text
    assert bool(found.remedy) == (verdict != "pass")


class BadClock(ManualClock):
    """Goes on by another amount than it was slept."""

    def __init__(self, factor):
        super().__init__(utc_ns=TODAY_NS)
        self._factor = factor

    def sleep(self, seconds):
        self.advance(seconds * self._factor)


@pytest.mark.parametrize(("factor", "verdict"), [(1.0, "pass"), (0.0, "fail"), (-1.0, "fail"), (500.0, "fail")])
def test_monotonic_time_that_stands_or_jumps_fails(tmp_path, factor, verdict):
    assert clock_check.check_clock(make_scene(tmp_path, clock=BadClock(factor)))[1].verdict == verdict


# ledger


def test_a_sound_ledger_passes_with_its_backups(data):
    ledger, backup = ledger_check.check_ledger(make_scene(data, TRUCK))
    assert (ledger.verdict, backup.verdict) == ("pass", "pass")
    assert "seal and chain agree" in ledger.text
    assert "the newest lacks 0 min" in backup.text


def test_a_missing_ledger_is_new_or_gone(data, tmp_path):
    (tmp_path / "empty").mkdir()
    assert only(ledger_check.check_ledger(make_scene(tmp_path / "empty", TRUCK))).verdict == "look"
    (data / LEDGER_NAME).unlink()
    gone = only(ledger_check.check_ledger(make_scene(data, TRUCK)))
    assert gone.verdict == "fail"
    assert "is gone" in gone.text


def spoil(path, *statements):
    with sqlite3.connect(path, isolation_level=None) as connection:
        for statement in statements:
            connection.execute(statement)
    connection.close()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE hot SET strokes_count = strokes_count + 1",
        "UPDATE entry SET data = '{}' WHERE row = 1",
        "DELETE FROM entry WHERE row = (SELECT max(row) FROM entry)",
    ],
)
def test_a_ledger_that_was_changed_behind_our_back_fails(data, statement):
    spoil(data / LEDGER_NAME, statement)
    found = only(ledger_check.check_ledger(make_scene(data, TRUCK)))
    assert found.verdict == "fail"
    assert "is damaged" in found.text
    assert "puts the ledger right" in found.remedy


def test_bytes_that_are_no_ledger_fail(data):
    (data / LEDGER_NAME).write_bytes(b"\xff" * 4096)
    assert only(ledger_check.check_ledger(make_scene(data, TRUCK))).verdict == "fail"
    (data / LEDGER_NAME).unlink()
    spoil(data / LEDGER_NAME, "CREATE TABLE other (x)")
    foreign = only(ledger_check.check_ledger(make_scene(data, TRUCK)))
    assert foreign.verdict == "fail"
    assert foreign.remedy


def test_a_ledger_of_another_vehicle_fails(data):
    found = only(ledger_check.check_ledger(make_scene(data, DEMO)))
    assert found.verdict == "fail"
    assert "belongs to vehicle" in found.text


def test_a_recovered_ledger_says_from_what_and_what_is_lost(data):
    with Ledger.open(data / LEDGER_NAME) as ledger:
        ledger.begin_recovery({"reason": "it was gone", "backup": "ledger.backup-1.sqlite", "lost_sequences": [3, 9]})
    told = ledger_check.check_ledger(make_scene(data, TRUCK))[1]
    assert told.verdict == "look"
    assert "it was gone; from ledger.backup-1.sqlite" in told.text
    assert "frames 3 to 9 is lost" in told.text


def test_backups_that_are_late_damaged_or_absent_are_to_be_looked_at(data):
    copy = data / "ledger.backup-1.sqlite"
    spoil(copy, "UPDATE hot SET strokes_count = strokes_count + 1")
    assert "isn't as it was written" in ledger_check.check_ledger(make_scene(data, TRUCK))[-1].text
    copy.write_bytes(b"rubbish" * 1000)
    assert ledger_check.check_ledger(make_scene(data, TRUCK))[-1].verdict == "look"
    for path in data.glob("ledger.backup-*"):
        path.unlink()
    assert "none yet" in ledger_check.check_ledger(make_scene(data, TRUCK))[-1].text  # half a minute of running
    late = {"u": Totals(measured_us=3 * 3600 * 10**6)}
    assert ledger_check._behind_s(late, {}) == 3 * 3600
    assert ledger_check._behind_s(late, {"u": Totals(measured_us=3600 * 10**6)}) == 2 * 3600
    assert ledger_check._behind_s({}, {}) == 0


# raw log


def test_a_good_log_passes_a_torn_one_too_a_damaged_one_is_told(data, tmp_path):
    found = only(raw_log.check_raw_log(make_scene(data, TRUCK)))
    assert found.verdict == "pass"
    segment = find_segments(data / "log")[-1]
    whole = segment.read_bytes()
    segment.write_bytes(whole + whole[:100])
    torn = only(raw_log.check_raw_log(make_scene(data, TRUCK)))
    assert (torn.verdict, "torn as by a power cut" in torn.text) == ("pass", True)
    spoiled = bytearray(whole)
    spoiled[len(whole) // 2] ^= 0xFF
    segment.write_bytes(bytes(spoiled))
    damaged = raw_log.check_raw_log(make_scene(data, TRUCK))[0]
    assert (damaged.verdict, "damaged in 1 places" in damaged.text) == ("look", True)
    segment.write_bytes(b"\0" * 500)
    assert "not one good frame" in raw_log.check_raw_log(make_scene(data, TRUCK))[0].text
    shutil.rmtree(data / "log")
    assert only(raw_log.check_raw_log(make_scene(data, TRUCK))).verdict == "look"


def test_a_log_that_ends_before_what_was_counted_is_told(data):
    segment = find_segments(data / "log")[-1]
    segment.write_bytes(segment.read_bytes()[: segment.stat().st_size // 3])
    found = raw_log.check_raw_log(make_scene(data, TRUCK))[-1]
    assert found.verdict == "look"
    assert "frames are lost" in found.text


def test_a_log_of_a_newer_version_fails_with_its_remedy(data):
    segment = find_segments(data / "log")[-1]
    octets = bytearray(segment.read_bytes())
    octets[4] = 9
    segment.write_bytes(bytes(octets))
    found = raw_log.check_raw_log(make_scene(data, TRUCK))[0]
    assert found.verdict in ("look", "fail")
    assert found.remedy


# all together


def test_a_subject_that_hangs_or_breaks_is_a_failure_of_its_own(tmp_path):
    go_on = threading.Event()
    progress = []

    def hang(_scene):
        go_on.wait(60)
        return []

    def breaks(_scene):
        raise ZeroDivisionError("1/0")

    def refused(_scene):
        raise PermissionError(13, "Permission denied", "/somewhere")

    subjects = [
        ("slow", hang),
        ("broken", breaks),
        ("shut", refused),
        ("well", lambda _s: [Finding("well", "pass", "x")]),
    ]
    found = runner.run_checks(make_scene(tmp_path), subjects, 0.5, progress.append)
    go_on.set()
    assert [(f.subject, f.verdict) for f in found] == [
        ("slow", "fail"), ("broken", "fail"), ("shut", "fail"), ("well", "pass"),
    ]  # fmt: skip
    assert "no result within 0.5 s" in found[0].text
    assert "ZeroDivisionError at test_checks.py" in found[1].text
    assert "/somewhere" in found[2].text
    assert progress[0] == ["slow", "broken", "shut", "well"]
    assert progress[-1] == ["slow"]


def test_no_text_breaks_its_line_or_moves_the_cursor(tmp_path):
    hostile = [Finding("a\nb", "look", "c\x1b[2Jd\r\u2028\udcff" + "x" * 5000, "e\0f")]
    found = only(runner.run_checks(make_scene(tmp_path), [("a", lambda _s: hostile)]))
    for text in (found.subject, found.text, found.remedy):
        assert text.isprintable()
        assert len(text) <= 600
