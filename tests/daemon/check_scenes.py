"""What the tests of `dutylog check` look at: scenes, running daemons, snapshots, receivers."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.processes import CASES, DEMO, wait_until
from daemon.test_daemon import children_of
from dutylog import config
from dutylog.acquire.driver import Finding
from dutylog.cli.checks import database
from dutylog.cli.checks.live import Live
from dutylog.cli.checks.scene import Scene, look_around
from dutylog.clock import SystemClock
from dutylog.config.sensors import GpsSettings, SensorSettings
from dutylog.config.settings import InfluxSettings, MqttSettings
from publish.brokers import free_port
from publish.influx_servers import TOKEN
from web.samples import snapshot as make_snapshot

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


@pytest.fixture(scope="module")
def snapshot():
    """A snapshot of a vehicle that is well."""
    return make_snapshot()


def mqtt(port, **changes):
    values = {"host": "127.0.0.1", "tls": False, "ca_file": None, "username": None, "password_file": None}
    return MqttSettings(port=port, client_id="me", **(values | changes))


def influx(url, folder, token=TOKEN):
    path = folder / "token"
    path.write_text(token + "\n")
    path.chmod(0o600)
    return InfluxSettings(url, "workshop", "world", path, None)


def ask_database(settings):
    return database.check_database(make_scene(Path("/none"), influxdb=settings))


SENSORS = SensorSettings(gps=GpsSettings("/dev/none"))
