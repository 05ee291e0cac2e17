"""Processes that crash or hang, and what the service manager hears: real processes, real signals, a real socket."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.processes import wait_until
from daemon.test_daemon import children_of, daemon
from dutylog.clock import ManualClock, SystemClock
from dutylog.daemon import supervisor as supervisor_module
from dutylog.daemon.life_signs import cpu_ticks
from dutylog.daemon.service_manager import ServiceManager
from dutylog.daemon.supervisor import LOOP_FAILURES, START_HUNG_NS, Child, Supervisor, reason_of
from dutylog.units import NS_PER_S
from dutylog.web.processes import read_processes

__all__ = ["daemon"]
UNIT = Path(__file__).parents[2] / "systemd" / "dutylog.service"


class Listener:
    """A service manager's socket."""

    def __init__(self, address):
        self._end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._end.bind(address)
        self._end.settimeout(0.05)
        self.heard = []

    def listen(self):
        while True:
            try:
                self.heard.append(self._end.recv(4096).decode())
            except TimeoutError:
                return self.heard

    def close(self):
        self._end.close()


@pytest.fixture(params=["path", "abstract"])
def listener(request, tmp_path):
    address = str(tmp_path / "n") if request.param == "path" else f"\0dutylog-test-{os.getpid()}"
    one = Listener(address)
    one.shown = address.replace("\0", "@")
    yield one
    one.close()


def test_manager_hears_ready_once_signs_in_time_and_changes_of_status(listener):
    clock = ManualClock(10**9)
    manager = ServiceManager({"NOTIFY_SOCKET": listener.shown, "WATCHDOG_USEC": "30000000"}, clock)
    manager.alive()
    manager.ready()
    manager.ready()
    for text in ("core running", "core running", "core waiting\nnow"):
        manager.status(text)
    for _ in range(35):
        clock.advance(1.0)
        manager.alive()
    manager.stopping()
    heard = listener.listen()
    assert heard[:2] == ["EXTEND_TIMEOUT_USEC=60000000", "WATCHDOG=1"]
    assert heard.count("READY=1") == 1
    assert [line for line in heard if line.startswith("STATUS")] == ["STATUS=core running", "STATUS=core waiting now"]
    assert heard.count("WATCHDOG=1") == 1 + 3
    assert heard[-1] == "STOPPING=1"
    assert heard.count("EXTEND_TIMEOUT_USEC=60000000") == 1


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "/nowhere/x"}])
def test_without_a_manager_nothing_is_said_and_nothing_fails(environment):
    manager = ServiceManager({**environment, "WATCHDOG_USEC": "no number"}, ManualClock())
    manager.ready()
    manager.alive()
    manager.status("x")
    manager.stopping()


def test_watchdog_of_another_process_is_not_ours(listener):
    manager = ServiceManager(
        {"NOTIFY_SOCKET": listener.shown, "WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}, ManualClock(10**9)
    )
    manager.ready()
    manager.alive()
    assert listener.listen() == ["READY=1"]


@pytest.mark.parametrize(
    ("status", "reason"),
    [(0, "ended with status 0"), (3, "ended with status 3"), (-11, "crashed by SIGSEGV"), (-64, "crashed by SIGRTMAX")],
)
def test_reason_is_said_in_words(status, reason):
    assert reason_of(status) == reason


class Rushing(SystemClock):
    """Real processes under a clock that runs ahead whenever somebody sleeps."""

    def __init__(self):
        self.ahead_ns = 0

    def mono_ns(self):
        return super().mono_ns() + self.ahead_ns

    def sleep(self, seconds):
        self.ahead_ns += round(seconds * 10 * NS_PER_S)
        super().sleep(0.01)


def test_loop_of_crashes_backs_off_and_says_so():
    lines = []
    child = Child("core", [sys.executable, "-S", "-c", "import os; os.abort()"])
    one = Supervisor([child], Rushing(), lines.append)
    plain = one._note_end

    def note(child, reason):
        plain(child, reason)
        if child.restarts[reason] == 7:
            one.stop()

    one._note_end = note
    assert one.run() == 0
    waits_s = [float(re.search(r"again in ([\d.]+) s", line)[1]) for line in lines]
    assert waits_s == [0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0]
    assert all("crashed by SIGABRT" in line for line in lines)
    assert ["times in a row" in line for line in lines] == [n + 1 >= LOOP_FAILURES for n in range(7)]
    assert child.restarts == {"crashed by SIGABRT": 7}


def test_child_that_shows_nothing_new_is_killed_and_one_that_does_is_left_alone():
    clock, lines = ManualClock(1), []
    shown = {"busy": 0, "stuck": 7}
    sleeper = [sys.executable, "-S", "-c", "import time; time.sleep(600)"]

    def busy():
        shown["busy"] += 1
        return str(shown["busy"])

    children = [
        Child("busy", sleeper, sign=busy, is_changing=True),
        Child("stuck", sleeper, sign=lambda: str(shown["stuck"]), is_changing=True),
        Child("starting", [sys.executable, "-S", "-c", "while True: pass"], sign=lambda: None),
        Child("dead", sleeper, sign=lambda: None),
    ]
    one = Supervisor(children, clock, lines.append)
    try:
        for _ in range(START_HUNG_NS // NS_PER_S + 8):
            used = cpu_ticks(children[2].process.pid) if children[2].process else None
            for child in children:
                one._watch(child)
            clock.advance(1.0)
            wait_until(lambda before=used: cpu_ticks(children[2].process.pid) != before, "it works")
            shown["stuck"] += clock.mono_ns() > 20 * NS_PER_S
        assert children[0].restarts == children[2].restarts == {}
        assert children[1].restarts == children[3].restarts == {"hung": 1}
        assert lines == [f"{name} hung; starting it again in 0.2 s" for name in ("stuck", "dead")]
    finally:
        for child in children:
            if child.process is not None:
                child.process.kill()
                child.process.wait()


def ask(one):
    return {entry["name"]: entry for entry in read_processes(one.data_dir)}


def test_stopped_core_is_found_and_the_page_tells_why_it_was_started_again(daemon):
    """SIGSTOP: the process is there and does nothing, as in a deadlock."""
    one = daemon()
    wait_until(lambda: one.strokes() > 5, "strokes on the page")
    wait_until(lambda: ask(one).get("core", {}).get("state") == "running", "the supervisor knows it at work")
    core, before = one.child("dutylog.daemon.core"), one.strokes()
    os.kill(core, signal.SIGSTOP)
    wait_until(lambda: children_of(one.process.pid).get("dutylog.daemon.core", core) != core, "another core")
    wait_until(lambda: one.strokes() >= before, "it goes on")
    os.kill(one.child("dutylog.daemon.core"), signal.SIGSEGV)
    told = wait_until(lambda: (t := ask(one)) and t["core"]["restarts_count"] == 2 and t["core"], "both are counted")
    assert told["restarts"] == {"hung": 1, "crashed by SIGSEGV": 1}
    assert ask(one)["page"]["restarts"] == {}
    connection = http.client.HTTPConnection("127.0.0.1", one.port, timeout=10)
    connection.request("GET", "/health")
    health = connection.getresponse().read().decode()
    connection.close()
    assert "processes: core" in health
    assert "2 restarts (hung: 1, crashed by SIGSEGV: 1)" in health
    assert one.data_dir.joinpath("supervisor.sock").stat().st_mode & 0o077 == 0
    one.process.terminate()
    output, _ = one.process.communicate(timeout=60)
    assert output.count("core hung; starting it again") == 1
    assert output.count("core crashed by SIGSEGV; starting it again") == 1
    assert not one.data_dir.joinpath("supervisor.sock").exists()


def test_daemon_tells_a_real_socket_that_it_is_ready_alive_and_stopping(daemon, tmp_path, monkeypatch):
    listener = Listener(str(tmp_path / "notify"))
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "3000000")
    try:
        one = daemon("--no-page")
        wait_until(lambda: listener.listen().count("WATCHDOG=1") > 3, "signs of life")
        wait_until(lambda: "STATUS=core running" in listener.listen(), "its state")
        heard = listener.heard
        assert heard.count("READY=1") == 1
        assert heard.index("READY=1") > heard.index("EXTEND_TIMEOUT_USEC=60000000")
        one.process.terminate()
        one.process.communicate(timeout=60)
        assert "STOPPING=1" in listener.listen()
    finally:
        listener.close()


@pytest.mark.skipif(not Path("/usr/bin/systemd-analyze").exists(), reason="not installed: systemd")
class TestUnit:
    @pytest.fixture
    def unit(self, tmp_path):
        file = tmp_path / "dutylog.service"
        file.write_text(UNIT.read_text().replace("/opt/dutylog/bin/dutylog", "/bin/true"))
        return file

    def verify(self, unit):
        command = ["systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(unit)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        return done.returncode, done.stderr

    def test_unit_is_understood_whole(self, unit):
        """The tool's status is 0 for misspelt keys, too: what counts is that it has nothing to say."""
        assert self.verify(unit) == (0, "")
        unit.write_text(unit.read_text().replace("WatchdogSec", "WatchdogSecs"))
        assert "WatchdogSecs" in self.verify(unit)[1]

    def test_unit_is_closed_but_for_network_and_sensors(self, unit):
        command = ["systemd-analyze", "security", "--offline=true", "--json=short", str(unit)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        rows = json.loads(done.stdout)
        wide = {row["json_field"] for row in rows if row.get("set") is False and float(row["exposure"] or 0) >= 0.2}
        network = {"PrivateNetwork", "IPAddressDeny", "RestrictAddressFamilies_AF_INET_INET6"}
        sensors = {"PrivateDevices", "PrivateUsers"}
        clock = {"ProtectClock", "SystemCallFilter_clock"}
        # Part of @system-service: @resources for priorities of jobs, @privileged for chown; without capabilities.
        calls = {"SystemCallFilter_resources", "SystemCallFilter_privileged", "PrivateMounts"}
        assert wide <= network | sensors | clock | calls, wide

    def test_times_agree_with_what_the_supervisor_needs(self):
        values = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.MULTILINE))
        assert values["Type"] == "notify"
        assert values["Restart"] == "always"
        assert int(values["WatchdogSec"]) >= 3 * supervisor_module.ASK_NS / NS_PER_S + 3
        assert int(values["TimeoutStopSec"]) > 3 * supervisor_module.STOP_S
