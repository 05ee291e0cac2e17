"""Each subject of `dutylog check`: what makes it pass, look or fail, with real files, processes, brokers, databases."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from daemon.driven import data, driven
from daemon.processes import CASES, DEMO, wait_until
from daemon.test_daemon import children_of
from dutylog import config
from dutylog.acquire.driver import Finding
from dutylog.cli.checks import broker as broker_check
from dutylog.cli.checks import clock as clock_check
from dutylog.cli.checks import data_folder, database, disk, processes, raw_log, runner, sensors, waiting
from dutylog.cli.checks import ledger as ledger_check
from dutylog.cli.checks import live as live_check
from dutylog.cli.checks.live import Live, ask_daemon, find_holder
from dutylog.cli.checks.scene import Scene, look_around
from dutylog.cli.checks.vehicle_file import check_vehicle_file
from dutylog.clock import ManualClock, SystemClock
from dutylog.config.sensors import BridgeSettings, GpsSettings, SensorSettings
from dutylog.config.settings import InfluxSettings, MqttSettings
from dutylog.duty.totals import Totals
from dutylog.errors import SourceLost, WrongDevice
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.lock import DataLock
from dutylog.publish.outbox import OUTBOX_NAME, Draft, Outbox
from dutylog.publish.snapshot import ChannelNow, DeviceNow, encode_snapshot
from dutylog.recording.scan import find_segments
from dutylog.sockets import LIVE, listen
from dutylog.units import NS_PER_S
from faults.conftest import needs
from faults.small_disk import SmallDisk
from publish.brokers import Mosquitto, free_port, make_certificates, needs_mosquitto
from publish.influx_servers import TOKEN, Reply, fake_influx, real_influx
from publish.influx_servers import database as make_database
from web.samples import snapshot as make_snapshot

__all__ = ["data", "driven", "fake_influx", "make_database", "real_influx"]
SECRET = "correct horse"  # noqa: S105


def verdicts(findings):
    return [finding.verdict for finding in findings]


def only(findings):
    (finding,) = findings
    return finding


def make_scene(folder, vehicle=DEMO, live=None, clock=None, **changes):
    """Return a scene without a daemon, its settings changed by name."""
    settings = replace(config.load(vehicle), **changes)
    return Scene(vehicle, settings, (), folder, live or Live(), clock or SystemClock())


def command(*arguments, prefix=()):
    """Run `dutylog check --json` as a process: (status, object)."""
    done = subprocess.run(
        [*map(str, prefix), sys.executable, "-m", "dutylog.cli.main", "check", "--json", *map(str, arguments)],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, json.loads(done.stdout)


def of(answer, subject):
    return [Finding(**one) for one in answer["findings"] if one["subject"] == subject]


def without_table(text, name):
    """Return a vehicle file without one of its tables."""
    return re.sub(rf"^\[{name}\]\n(?:[^\[\n].*\n|\n)*", "", text, flags=re.MULTILINE)


TRUCK = CASES / "F_faults" / "truck.toml"


# vehicle file


def test_a_good_vehicle_file_passes_and_its_notes_are_to_be_looked_at(tmp_path):
    file = tmp_path / "truck.toml"
    file.write_text(DEMO.read_text() + '\n[web]\nlisten = "0.0.0.0"\n', encoding="utf-8")
    found = check_vehicle_file(look_around(file, tmp_path, SystemClock()))
    assert verdicts(found) == ["pass", "look"]
    assert "4 dampers, source simulated" in found[0].text
    assert "the page has no password" in found[1].text
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


# the daemon's processes


class Run:
    """`dutylog run` of the demo vehicle, with what a test adds to its file."""

    def __init__(self, folder, more="", *arguments):
        self.vehicle, self.data, self.port = folder / "vehicle.toml", folder / "run", free_port()
        base = without_table(DEMO.read_text(encoding="utf-8"), "web")
        self.vehicle.write_text(f"{base}\n[web]\nport = {self.port}\n{more}", encoding="utf-8")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(self.vehicle), "--data", str(self.data),
             "--pace", "4", *arguments],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    def scene(self):
        return look_around(self.vehicle, self.data, SystemClock())

    def ready(self):
        """Return a scene in which every process has shown something."""

        def look():
            found = self.scene()
            words = {one["state"] for one in (found.live.processes or {}).get("processes", [])}
            return words == {"running"} and found.live.is_fresh and found.live.page and found

        return wait_until(look, "all processes run")

    def close(self):
        if self.process.poll() is None:
            for pid in children_of(self.process.pid).values():
                os.kill(pid, signal.SIGKILL)
            self.process.kill()
        self.process.communicate()


@pytest.fixture
def start_run(tmp_path):
    started = []

    def start(*arguments):
        started.append(Run(tmp_path, *arguments))
        return started[-1]

    yield start
    for one in started:
        one.close()


def test_a_running_daemon_passes_and_its_devices_are_left_alone(start_run):
    found = start_run().ready()
    lines = processes.check_processes(found)
    assert [(f.subject, f.verdict) for f in lines] == [
        ("daemon: core", "pass"), ("daemon: page", "pass"), ("daemon: samples", "pass"), ("daemon: page", "pass"),
    ]  # fmt: skip
    told = sensors.check_sensors(found)
    assert "devices can't be probed while the daemon holds them" in told[-1].text
    assert found.live.holder == children_of_core(found)


def children_of_core(found):
    """Return the process that holds the lock by what it wrote in it."""
    return int((found.data_dir / "lock").read_text())


def test_no_daemon_is_to_be_looked_at(data):
    found = only(processes.check_processes(make_scene(data, TRUCK)))
    assert (found.verdict, "nothing is measured now" in found.text) == ("look", True)


def test_a_core_that_was_killed_is_told_with_its_reason(start_run):
    run = start_run()
    run.ready()
    os.kill(children_of(run.process.pid)["dutylog.daemon.core"], signal.SIGKILL)
    lines = wait_until(
        lambda: [f for f in processes.check_processes(run.ready()) if "crashed by SIGKILL (1)" in f.text], "a restart"
    )
    assert [(f.subject, f.verdict) for f in lines] == [("daemon: core", "look")]


def test_a_core_that_stands_still_fails(start_run):
    run = start_run()
    run.ready()
    core_pid = children_of(run.process.pid)["dutylog.daemon.core"]
    os.kill(core_pid, signal.SIGSTOP)
    try:
        lines = processes.check_processes(run.scene())
    finally:
        os.kill(core_pid, signal.SIGCONT)
    (samples,) = [f for f in lines if f.subject == "daemon: samples"]
    assert samples.verdict == "fail"
    assert "shows nothing" in samples.text


def test_a_core_that_says_the_same_again_and_again_fails(tmp_path, snapshot, monkeypatch):
    """Its process and socket are there, and yet nothing is measured."""
    monkeypatch.setattr(live_check, "NEWS_S", 0.6)
    line = encode_snapshot(replace(snapshot, source=replace(snapshot.source, state="running")))
    done = threading.Event()
    with listen(tmp_path, LIVE, 8) as end:
        end.setblocking(True)
        end.settimeout(0.1)

        def serve():
            while not done.is_set():
                try:
                    client, _ = end.accept()
                except TimeoutError:
                    continue
                with client:
                    client.sendall(line)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            live = ask_daemon(tmp_path, None, SystemClock())
        finally:
            done.set()
            thread.join(20)
    assert (live.snapshot is not None, live.is_fresh) == (True, False)
    found = processes.check_processes(make_scene(tmp_path, live=live))[-1]
    assert (found.verdict, "the same snapshot" in found.text) == ("fail", True)


def test_a_folder_that_is_held_without_an_answer_is_to_be_looked_at(data):
    """A daemon that is just starting, or whose supervisor hangs; the lock itself is never tried."""
    with DataLock(data):
        live = ask_daemon(data, None, SystemClock())
        assert live.holder == os.getpid()
        found = processes.check_processes(make_scene(data, TRUCK, live))
        assert verdicts(found) == ["look", "look"]
        assert f"process {os.getpid()} holds the folder" in found[0].text
        assert live.holder_up_s == pytest.approx(time.time() - psutil.Process().create_time(), abs=5)
        old = processes.check_processes(make_scene(data, TRUCK, replace(live, holder_up_s=900.0)))[0]
        assert (old.verdict, "for 15 min" in old.text) == ("fail", True)
        told = only(sensors.check_sensors(make_scene(data, live=live, sensors=SENSORS)))
        assert (told.verdict, "can't be probed" in told.text) == ("look", True)
    assert find_holder(data / "lock") is None


def test_the_table_of_locks_is_read_with_care(tmp_path):
    lock, table = tmp_path / "lock", tmp_path / "locks"
    lock.touch()
    status = lock.stat()
    place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    table.write_text(f"rubbish\n1: -> FLOCK ADVISORY WRITE 7 {place} 0 EOF\n2: POSIX ADVISORY WRITE 8 {place} 0 EOF\n")
    assert find_holder(lock, table) is None
    table.write_text(table.read_text() + f"3: FLOCK  ADVISORY  WRITE 9 {place} 0 EOF\n")
    assert find_holder(lock, table) == 9
    assert find_holder(lock, tmp_path / "none") is None


PROCESS = {"name": "core", "state": "running", "up_s": 5.0, "restarts_count": 0, "restarts": {}}


@pytest.mark.parametrize(
    ("changes", "verdict", "words"),
    [
        ({}, "pass", "running for 5 s, never started again"),
        ({"state": "starting"}, "look", "hasn't shown anything yet"),
        ({"state": "waiting", "up_s": None, "restarts": {"hung": 2}}, "fail", "hung (2)"),
        ({"restarts": {"hung": 1, "ended with status 3": 2}}, "look", "hung (1), ended with status 3 (2)"),
        ({"up_s": "x", "restarts": []}, "pass", "running"),
    ],
)
def test_each_state_of_a_process_has_its_words(tmp_path, changes, verdict, words):
    live = Live(holder=1, processes={"processes": [PROCESS | changes, 7]})
    found = processes.check_processes(make_scene(tmp_path, live=live))[0]
    assert (found.subject, found.verdict) == ("daemon: core", verdict)
    assert words in found.text


@pytest.fixture(scope="module")
def snapshot():
    """A snapshot of a vehicle that is well."""
    return make_snapshot()


@pytest.mark.parametrize(
    ("changes", "verdict", "words"),
    [
        ({}, "pass", "come from"),
        ({"standing_s": 4.0, "unsaved_s": 9.0}, "fail", "readings stand still for 4 s, totals not saved for 9 s"),
        ({"not_storing_s": 7.0}, "fail", "no sample stored for 7 s"),
        ({"not_stored_s": 12.0}, "look", "12 s of samples were counted but not stored"),
        ({"drops": {"live": 3, "other": 0}}, "look", "live 3"),
    ],
)
def test_what_core_says_of_disk_and_queues_is_told(tmp_path, snapshot, changes, verdict, words):
    clean = {"drops": {}, "standing_s": 0.0, "not_storing_s": 0.0, "not_stored_s": 0.0, "unsaved_s": 0.0}
    source = replace(snapshot.source, state="running", state_text="")
    live = Live(holder=1, snapshot=replace(snapshot, source=source, **(clean | changes)), is_fresh=True)
    found = processes.check_processes(make_scene(tmp_path, live=live))[-1]
    assert (found.subject, found.verdict) == ("daemon: samples", verdict)
    assert words in found.text


@pytest.mark.parametrize(("state", "verdict"), [("running", "pass"), ("ended", "look"), ("lost", "fail")])
def test_each_state_of_the_source_has_its_verdict(tmp_path, snapshot, state, verdict):
    source = replace(snapshot.source, state=state, state_text="why so")
    live = Live(holder=1, snapshot=replace(snapshot, source=source, drops={}), is_fresh=True)
    found = processes.check_processes(make_scene(tmp_path, live=live))[1]
    assert (found.verdict, "why so" in found.text) == (verdict, True)


# broker


def mqtt(port, **changes):
    values = {"host": "127.0.0.1", "tls": False, "ca_file": None, "username": None, "password_file": None}
    return MqttSettings(port=port, client_id="me", **(values | changes))


def ask_broker(settings, live=None):
    return broker_check.check_broker(make_scene(Path("/none"), live=live, mqtt=settings))


def secret_file(folder, text=SECRET):
    path = folder / "password"
    path.write_text(text + "\n")
    path.chmod(0o600)
    return path


@pytest.fixture
def make_broker(tmp_path):
    started = []

    def make(*lines):
        started.append(Mosquitto(tmp_path / f"broker-{len(started)}", *([lines] if lines else [])))
        started[-1].start()
        return started[-1]

    yield make
    for one in started:
        one.kill()


def test_no_broker_in_the_vehicle_file_is_no_line(tmp_path):
    assert ask_broker(None) == []


def test_a_broker_that_is_down_or_has_no_name_fails():
    down = only(ask_broker(mqtt(free_port())))
    assert (down.verdict, "can't be reached (Connection refused)" in down.text) == ("fail", True)
    assert "mqtt.host" in down.remedy
    nameless = only(ask_broker(mqtt(1883, host="no-such-host.invalid")))
    assert (nameless.verdict, "the name no-such-host.invalid isn't found" in nameless.text) == ("fail", True)


def test_an_absent_or_open_secret_is_told_before_anybody_is_asked(tmp_path):
    path = tmp_path / "none"
    absent = only(ask_broker(mqtt(1, username="logger", password_file=path)))
    assert (absent.verdict, "No such file" in absent.text) == ("fail", True)
    assert f"chmod 600 {path}" in absent.remedy
    open_to_all = secret_file(tmp_path)
    open_to_all.chmod(0o644)
    found = only(ask_broker(mqtt(1, username="logger", password_file=open_to_all)))
    assert (found.verdict, found.remedy) == ("fail", f"chmod 600 {open_to_all}")


@needs_mosquitto
def test_a_broker_that_lets_us_in_passes_and_hears_nothing(make_broker):
    broker = make_broker()
    found = only(ask_broker(mqtt(broker.port)))
    assert (found.verdict, "open line, nobody by name is let in" in found.text) == ("pass", True)


@needs_mosquitto
def test_encryption_user_and_password_are_judged(make_broker, tmp_path):
    authority, certificate, key = make_certificates(tmp_path)
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "logger", SECRET], check=True, capture_output=True)
    broker = make_broker(f"password_file {users}", f"cafile {authority}", f"certfile {certificate}", f"keyfile {key}")
    good = mqtt(
        broker.port, tls=True, ca_file=authority, username="logger", password_file=secret_file(tmp_path, SECRET)
    )
    found = only(ask_broker(good))
    assert (found.verdict, "encrypted line, user logger is let in" in found.text) == ("pass", True)
    untrusted = only(ask_broker(replace(good, ca_file=None)))
    assert (untrusted.verdict, "certificate isn't trusted" in untrusted.text) == ("fail", True)
    secret_file(tmp_path, "wrong one")
    wrong = only(ask_broker(good))
    assert (wrong.verdict, "refused us" in wrong.text) == ("fail", True)
    assert "mqtt.password_file" in wrong.remedy
    plain = only(ask_broker(replace(good, tls=False, ca_file=None)))
    assert plain.verdict == "fail"


@needs_mosquitto
def test_a_check_beside_a_publishing_daemon_does_not_throw_it_out(make_broker, start_run):
    """A broker ends the older of two connections with one name."""
    broker = make_broker()
    run = start_run(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\nclient_id = "truck-7"\n')
    wait_until(lambda: (run.scene().live.publish or {"outputs": [{}]})["outputs"][0].get("state") == "well", "well")
    found = run.ready()
    assert verdicts(broker_check.check_broker(found)) == ["pass"]
    told = only(waiting.check_waiting(found))
    assert (told.subject, told.verdict) == ("publishing: mqtt", "pass")
    assert "last acknowledged" in told.text
    log = broker.log()
    assert "truck-7-check" in log
    assert "already connected" not in log


@pytest.fixture
def silent():
    """A port that takes lines and never says anything."""
    with socket.socket() as end:
        end.bind(("127.0.0.1", 0))
        end.listen(8)
        yield end.getsockname()[1]


def test_somebody_who_takes_the_line_and_says_nothing_fails_in_time(silent, monkeypatch, tmp_path):
    monkeypatch.setattr(broker_check, "STEP_S", 0.5)
    monkeypatch.setattr(database, "STEP_S", 1.5)
    found = only(ask_broker(mqtt(silent)))
    assert (found.verdict, "doesn't answer within 0.5 s" in found.text) == ("fail", True)
    told = only(ask_database(influx(f"http://127.0.0.1:{silent}", tmp_path)))
    assert told.verdict == "fail"
    assert "no answer in time" in told.text or "doesn't answer" in told.text


# database


def influx(url, folder, token=TOKEN):
    path = folder / "token"
    path.write_text(token + "\n")
    path.chmod(0o600)
    return InfluxSettings(url, "workshop", "world", path, None)


def ask_database(settings):
    return database.check_database(make_scene(Path("/none"), influxdb=settings))


@pytest.mark.parametrize(
    ("reply", "verdict", "words"),
    [
        (Reply(204), "pass", "token is accepted for bucket world"),
        (Reply(400, '{"code":"invalid","message":"writing requires points"}'), "pass", "token is accepted"),
        (Reply(401, '{"code":"unauthorized","message":"unauthorized access"}'), "fail", "token refused (401)"),
        (Reply(403, '{"code":"forbidden","message":"no"}'), "fail", "token refused (403)"),
        (Reply(404, '{"code":"not found","message":"bucket"}'), "fail", "not found"),
        (Reply(200, "<html>"), "fail", "answered 200"),
        (Reply(503), "fail", "503"),
    ],
)
def test_each_answer_of_a_database_has_its_verdict(fake_influx, tmp_path, reply, verdict, words):
    fake_influx.judge = lambda _request: reply
    found = only(ask_database(influx(fake_influx.url, tmp_path)))
    assert found.verdict == verdict
    assert words in found.text
    assert TOKEN not in found.text + found.remedy
    assert all(line.startswith(b"#") for line in fake_influx.stored())


def test_a_database_that_is_down_or_without_token_fails(tmp_path):
    settings = influx(f"http://127.0.0.1:{free_port()}", tmp_path)
    down = only(ask_database(settings))
    assert (down.verdict, "can't be reached" in down.text) == ("fail", True)
    settings.token_file.unlink()
    absent = only(ask_database(settings))
    assert (absent.verdict, "influxdb.token_file" in absent.text) == ("fail", True)


def test_a_real_database_lets_us_in_and_stores_nothing(real_influx, make_database, tmp_path):
    settings = replace(influx(real_influx.url, tmp_path), bucket=make_database)
    assert only(ask_database(settings)).verdict == "pass"
    assert real_influx.query("SHOW MEASUREMENTS", make_database) == []
    wrong = only(ask_database(replace(influx(real_influx.url, tmp_path, "wrong"), bucket=make_database)))
    assert (wrong.verdict, "token refused" in wrong.text) == ("fail", True)
    missing = only(ask_database(replace(influx(real_influx.url, tmp_path), bucket="nowhere")))
    assert (missing.verdict, "not found" in missing.text) == ("fail", True)


# what waits

OUTPUT = {
    "name": "mqtt", "state": "well", "waiting": {"live": 2, "duty": 1}, "dropped": {}, "undated": {},
    "rejected_count": 0, "acked_age_s": 4.2, "problem": None,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "verdict", "words"),
    [
        ({}, "pass", "well, 3 wait, last acknowledged 4 s ago"),
        ({"state": "pending", "acked_age_s": None}, "look", "nothing acknowledged since the start"),
        ({"state": "late", "problem": "no answer"}, "look", "no answer"),
        ({"state": "refused", "problem": "not you"}, "fail", "not you"),
        ({"dropped": {"live": 5}}, "look", "5 dropped"),
        ({"rejected_count": 6}, "look", "6 refused for good"),
    ],
)
def test_each_state_of_publishing_has_its_words(tmp_path, changes, verdict, words):
    live = Live(holder=1, publish={"outputs": [OUTPUT | changes]})
    found = only(waiting.check_waiting(make_scene(tmp_path, live=live, mqtt=mqtt(1))))
    assert (found.subject, found.verdict) == ("publishing: mqtt", verdict)
    assert words in found.text


def test_nonsense_from_the_publish_process_fails(tmp_path):
    live = Live(holder=1, publish={"outputs": [{"name": 7}]})
    assert only(waiting.check_waiting(make_scene(tmp_path, live=live, mqtt=mqtt(1)))).verdict == "fail"


def test_without_a_process_the_file_tells_what_waits(tmp_path):
    asked = make_scene(tmp_path, mqtt=mqtt(1))
    assert only(waiting.check_waiting(asked)).verdict == "pass"
    outbox = Outbox(tmp_path / OUTBOX_NAME)
    outbox.put("mqtt", [Draft("duty", "boot", 1, 1, b"{}")] * 3)
    outbox.close()
    found = only(waiting.check_waiting(asked))
    assert (found.verdict, "waiting: mqtt 3;" in found.text) == ("pass", True)
    with closing(waiting._open(tmp_path / OUTBOX_NAME)) as opened, pytest.raises(sqlite3.OperationalError):
        opened.execute("DELETE FROM item")
    held = waiting.check_waiting(replace(asked, live=Live(holder=1)))
    assert verdicts(held) == ["look", "pass"]
    (tmp_path / OUTBOX_NAME).write_bytes(b"rubbish" * 1000)
    damaged = only(waiting.check_waiting(asked))
    assert (damaged.verdict, "can't be read" in damaged.text) == ("look", True)
    assert (tmp_path / OUTBOX_NAME).read_bytes() == b"rubbish" * 1000
    assert waiting.check_waiting(make_scene(tmp_path)) == []


# sensors

SENSORS = SensorSettings(gps=GpsSettings("/dev/none"))


class FakeDriver:
    """Tells what it was asked; fails or hangs where it is told to."""

    def __init__(self, name, findings=(), error=None, hangs=None):
        self.name, self.calls = name, []
        self._findings, self._error, self._hangs = list(findings), error, hangs

    def open(self, _t0_ns):
        self.calls.append("open")
        if self._error is not None:
            raise self._error

    def probe(self):
        self.calls.append("probe")
        if self._hangs is not None:
            self._hangs.wait(60)
        return self._findings

    def close(self):
        self.calls.append("close")


def probe(monkeypatch, tmp_path, *drivers):
    monkeypatch.setattr(sensors, "make_drivers", lambda _settings, _clock: list(drivers))
    return sensors.check_sensors(make_scene(tmp_path, sensors=SENSORS))


def test_drivers_are_opened_probed_and_let_go_of(monkeypatch, tmp_path):
    told = [Finding("gps", "pass", "sees 9 satellites"), Finding("gps", "look", "no date", "wait a minute")]
    good, mute = FakeDriver("gps", told), FakeDriver("bus")
    found = probe(monkeypatch, tmp_path, good, mute)
    assert found[:2] == told
    assert (found[2].subject, found[2].verdict) == ("sensors: bus", "pass")
    assert good.calls == mute.calls == ["open", "probe", "close"]


def test_noise_of_travel_is_told_in_millimetres_by_the_calibration_in_force(monkeypatch, tmp_path):
    """Counts mean nothing to whoever holds the screwdriver; 254 mm on 4095 counts are 0.062 mm each."""
    told = [
        Finding("travel front_left", "pass", "at 7 counts, noise 8.0 counts rms", "", "front_left", 8.0),
        Finding("travel spare", "pass", "at 7 counts, noise 8.0 counts rms", "", "spare", 8.0),
    ]
    monkeypatch.setattr(sensors, "make_drivers", lambda _settings, _clock: [FakeDriver("bridge", told)])
    scene = make_scene(tmp_path, sensors=SENSORS)
    front_left, *others = scene.settings.vehicle.dampers
    calibrated = replace(front_left, position="front_left", calibration=((0.0, 254.0), (4095.0, 0.0)))
    vehicle = replace(scene.settings.vehicle, dampers=(calibrated, *others))
    found = sensors.check_sensors(replace(scene, settings=replace(scene.settings, vehicle=vehicle)))
    assert [finding.text for finding in found] == [
        "at 7 counts, noise 8.0 counts rms, 0.50 mm",
        "at 7 counts, noise 8.0 counts rms; not calibrated yet",
    ]


@pytest.mark.parametrize("error", [SourceLost("bus 1: gone; look at its plug"), WrongDevice("id 0x00, expected 0x1A")])
def test_a_driver_that_cannot_open_fails_alone(monkeypatch, tmp_path, error):
    bad = FakeDriver("bus", error=error)
    found = probe(monkeypatch, tmp_path, bad, FakeDriver("gps"))
    assert verdicts(found) == ["fail", "pass"]
    assert found[0].remedy
    assert bad.calls == ["open", "close"]


def test_a_driver_that_hangs_does_not_hold_up_the_others(monkeypatch, tmp_path):
    monkeypatch.setattr(sensors, "PROBE_S", 0.3)
    go_on = threading.Event()
    found = probe(monkeypatch, tmp_path, FakeDriver("bus", hangs=go_on), FakeDriver("gps"))
    go_on.set()
    assert verdicts(found) == ["fail", "pass"]
    assert "no answer within 0.3 s" in found[0].text


def test_sensors_that_are_not_there_fail_with_their_own_words(tmp_path):
    """The real drivers on a machine without any device."""
    asked = SensorSettings(bridge=BridgeSettings(str(tmp_path / "none"), ("front_left",)))
    found = sensors.check_sensors(make_scene(tmp_path, sensors=asked))
    assert verdicts(found) == ["fail"]
    assert found[0].remedy


def test_no_sensors_in_the_vehicle_file_is_no_line(tmp_path):
    assert sensors.check_sensors(make_scene(tmp_path)) == []


def test_readings_of_a_running_daemon_stand_in_for_a_probe(tmp_path, snapshot):
    def judge(**changes):
        dampers = tuple(
            replace(d, state="ok", faults=()) if i else replace(d, **({"state": "ok", "faults": ()} | changes))
            for i, d in enumerate(snapshot.dampers)
        )
        live = Live(holder=1, snapshot=replace(snapshot, dampers=dampers), is_fresh=True)
        return sensors.check_sensors(make_scene(tmp_path, live=live))

    assert verdicts(judge()) == ["pass"]
    first = snapshot.dampers[0].position
    for changes, verdict in (
        ({"faults": ("travel_open",), "state": "no_travel"}, "fail"), ({"state": "no_data"}, "fail"),
        ({"state": "no_temperature"}, "look"), ({"state": "waiting"}, "look"),
    ):  # fmt: skip
        found = judge(**changes)
        assert (found[0].subject, found[0].verdict) == (f"sensors: {first}", verdict)
        assert "can't be probed" in found[-1].text


def test_lines_that_the_daemon_holds_are_told_by_name(tmp_path, snapshot):
    channels = (
        ChannelNow("front_left", "body_temperature", "lost", "open; check its plug"),
        ChannelNow("", "speed", "working"),
    )  # fmt: skip
    devices = (
        DeviceNow("bridge", "lost", "bridge: /dev/x is gone; look at its cable", {"lost": 2}),
        DeviceNow("i2c-1", "working", "", {"crc": 0, "again": 3}, channels), DeviceNow("gps", "waiting", "", {}),
        DeviceNow("i2c-2", "wrong", "", {}, channels),
    )  # fmt: skip
    live = Live(holder=1, snapshot=replace(snapshot, devices=devices), is_fresh=True)
    found = {f.subject: f for f in sensors.check_sensors(make_scene(tmp_path, live=live))}
    assert found["sensors: bridge"] == Finding("sensors: bridge", "fail", "bridge: /dev/x is gone", "look at its cable")
    assert found["sensors: i2c-1"].verdict == "pass"
    assert "1 of 2 channels read" in found["sensors: i2c-1"].text
    assert found["sensors: i2c-1"].text.endswith("counted: again 3")
    assert found["sensors: i2c-1, front_left body_temperature"].remedy == "check its plug"
    assert (found["sensors: gps"].verdict, found["sensors: gps"].text) == ("look", "no reading yet")
    assert found["sensors: i2c-2"].verdict == "fail"
    assert not [subject for subject in found if subject.startswith("sensors: i2c-2,")]


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
