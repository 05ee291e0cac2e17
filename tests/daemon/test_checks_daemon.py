"""`dutylog check` on the processes of a daemon and on its sensors."""

from __future__ import annotations

import os
import signal
import threading
import time
from dataclasses import replace

import psutil
import pytest

from daemon.check_scenes import (
    SENSORS,
    TRUCK,
    make_scene,
    only,
    snapshot,
    start_run,
    verdicts,
)
from daemon.driven import data, driven
from daemon.processes import wait_until
from daemon.test_daemon import children_of
from dutylog.acquire.driver import Finding
from dutylog.cli.checks import live as live_check
from dutylog.cli.checks import processes, sensors
from dutylog.cli.checks.live import Live, ask_daemon, find_holder
from dutylog.clock import SystemClock
from dutylog.config.sensors import BridgeSettings, SensorSettings
from dutylog.errors import SourceLost, WrongDevice
from dutylog.ledger.lock import DataLock
from dutylog.publish.snapshot import ChannelNow, DeviceNow, encode_snapshot
from dutylog.sockets import LIVE, listen
from publish.influx_servers import database as make_database
from publish.influx_servers import fake_influx, real_influx

__all__ = ["data", "driven", "fake_influx", "make_database", "real_influx", "snapshot", "start_run"]


# the daemon's processes


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


@pytest.mark.slow
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
        # However long this process of tests has been up, the daemon is taken to be just starting.
        found = processes.check_processes(make_scene(data, TRUCK, replace(live, holder_up_s=5.0)))
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


# sensors


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
