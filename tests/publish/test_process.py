"""The publish process as it runs: real processes, a real broker, real kills, and a core that does as told."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from daemon.processes import wait_until
from dutylog.config.settings import InfluxSettings, MqttSettings
from dutylog.publish.outbox import Outbox
from dutylog.publish.settings import PublishSettings
from ledger.builders import commit_at, fill, open_ledger, totals_at
from publish.brokers import Mosquitto, Reader, needs_mosquitto, retained
from publish.contract import complaints
from publish.influx_servers import ORG, TOKEN, database, real_influx
from publish.samples import alert_now
from web.core_socket import FakeCore
from web.samples import snapshot

pytestmark = needs_mosquitto
__all__ = ["database", "real_influx"]
HURT = (alert_now("3f0c1b52-6d2e-4b7a-9c58-0d6d3f1a2b4c"),)
SECRET = "correct horse"  # noqa: S105


class Publisher:
    def __init__(self, settings):
        self.settings = settings
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dutylog.publish"], stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        self.process.stdin.write(settings.to_json() + "\n")
        self.process.stdin.close()
        self.errors = None

    def health(self):
        """Return what the socket says, None while nobody answers."""
        with socket.socket(socket.AF_UNIX) as end:
            end.settimeout(5)
            try:
                end.connect(str(self.settings.data_dir / "publish.sock"))
                return json.loads(end.makefile().readline())
            except (OSError, ValueError):
                return None

    def output(self):
        health = self.health()
        return health["outputs"][0] if health else None

    def end(self, how=signal.SIGTERM):
        if self.process.poll() is None:
            self.process.send_signal(how)
        self.errors = self.process.stderr.read()
        self.process.stderr.close()
        return self.process.wait(20)


class World:
    """A data folder with four dampers in its ledger, a core to speak for them, and who publishes it."""

    def __init__(self, folder):
        self.folder = folder
        self.ledger = open_ledger(folder)
        self.units = fill(self.ledger)
        self.ledger.commit(commit_at(self.units, 3))
        self.core = FakeCore(folder)
        self.core.start()
        self.seq = 0
        self.publishers = []

    def publish(self, port, influxdb=None, **changes):
        values = {"tls": False, "ca_file": None, "username": None, "password_file": None} | changes
        mqtt = MqttSettings("127.0.0.1", port, client_id="dutylog-truck", **values)
        self.publishers.append(Publisher(PublishSettings("truck", self.folder, mqtt, influxdb)))
        return self.publishers[-1]

    def speak(self, **changes):
        self.seq += 1
        values = {"mono_s": float(self.seq), "utc_ns": time.time_ns()} | changes
        self.core.push(replace(snapshot(self.seq), **values))

    def until(self, predicate, what, **changes):
        """Wait for something while core speaks on."""

        def speak_and_look():
            self.speak(**changes)
            return predicate()

        return wait_until(speak_and_look, what, 30)

    def close(self):
        for publisher in self.publishers:
            if publisher.errors is None:
                publisher.end(signal.SIGKILL)
        self.core.stop()
        self.ledger.close()


@pytest.fixture
def world(tmp_path):
    data = tmp_path / "data"
    data.mkdir()
    one = World(data)
    yield one
    one.close()


def duty_topics(world):
    return {f"dutylog/v1/truck/duty/{unit_id}" for unit_id in world.units}


def equals_ledger(world, held):
    """Return whether retained duty is the ledger's, to the last unit."""
    for number, unit_id in enumerate(world.units):
        told = held.get(f"dutylog/v1/truck/duty/{unit_id}")
        totals = world.ledger.totals(unit_id)
        if told is None or round(told["energy_total_j"] * 1e6) != totals.energy_uj:
            return False
        assert told["strokes_total_count"] == totals.strokes_count
        assert told["serial"] == f"SN-{number + 1}"
    return True


def test_duty_live_and_status_arrive_as_described(world, broker):
    """Every message a real broker received, against the machine-readable contract."""
    reader = Reader(broker.port)
    publisher = world.publish(broker.port)
    world.until(lambda: {m.topic for m in reader.of("duty")} == duty_topics(world), "duty of all")
    world.until(lambda: reader.of("live"), "live values")
    world.until(lambda: reader.of("alert"), "an alert", alerts=HURT)
    assert publisher.end() == 0, publisher.errors
    wait_until(lambda: reader.of("status")[-1].object["state"] == "offline", "offline", 10)
    assert {m.topic.split("/")[3] for m in reader.messages} == {"status", "duty", "live", "alert", "vehicle"}
    assert complaints(reader.messages) == []
    reader.close()
    assert "Traceback" not in publisher.errors
    assert not (world.folder / "publish.sock").exists()


def test_a_kill_lets_the_broker_say_we_are_gone(world, broker):
    """The will message."""
    reader = Reader(broker.port)
    publisher = world.publish(broker.port)
    world.until(lambda: reader.of("status"), "online")
    publisher.end(signal.SIGKILL)
    wait_until(lambda: reader.of("status")[-1].object["state"] == "offline", "the will", 10)
    assert complaints(reader.messages) == []
    again = world.publish(broker.port)
    world.until(lambda: reader.of("status")[-1].object["state"] == "online", "online again")
    assert again.end() == 0
    reader.close()


def test_sigterm_tells_the_last_duty_there_is(world, broker):
    """The ignition goes off just after the last stroke."""
    publisher = world.publish(broker.port)
    world.until(lambda: equals_ledger(world, retained(broker.port)), "duty")
    world.ledger.commit(commit_at(world.units, 9))
    world.core.stop()  # core ends first
    assert publisher.end() == 0, publisher.errors
    held = retained(broker.port)
    assert equals_ledger(world, held)
    assert {held[topic]["seq"] for topic in duty_topics(world)} == {9}
    assert held["dutylog/v1/truck/status"]["state"] == "offline"


def test_a_killed_broker_that_forgot_is_told_everything_again(world, broker):
    """It keeps nothing over a restart; duty heals, and alerts of the meantime arrive."""
    publisher = world.publish(broker.port)
    world.until(lambda: equals_ledger(world, retained(broker.port)), "duty")
    broker.kill()
    world.until(lambda: publisher.output()["waiting"].get("alert"), "an alert waits", alerts=HURT)
    world.ledger.commit(commit_at(world.units, 12))
    assert publisher.output()["problem"]
    # Whoever reads must be there before the alert is, which nobody keeps for him.
    publisher.process.send_signal(signal.SIGSTOP)
    broker.start()
    reader = Reader(broker.port)
    publisher.process.send_signal(signal.SIGCONT)
    world.until(lambda: reader.of("alert"), "the alert", alerts=HURT)
    wait_until(lambda: equals_ledger(world, retained(broker.port)), "duty healed", 60)
    wait_until(lambda: publisher.output()["waiting"] == {}, "nothing waits", 30)
    assert {a.object["kind"] for a in reader.of("alert")} == {"damper_fault"}
    assert publisher.output()["state"] == "well"
    assert publisher.end() == 0
    assert "out of reach" in publisher.errors or "hung up" in publisher.errors
    reader.close()


def test_a_wrong_password_is_said_kept_and_counted(world, make_broker, tmp_path):
    """What waits stays; the secret is nowhere to be seen."""
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "logger", SECRET], check=True, capture_output=True)
    locked = make_broker(f"password_file {users}", name="locked")
    password = tmp_path / "password"
    password.write_text("not the one\n")
    password.chmod(0o600)
    publisher = world.publish(locked.port, username="logger", password_file=password)
    output = world.until(lambda: (o := publisher.output()) and o["state"] == "refused" and o, "refused")
    assert "mqtt.password_file" in output["problem"]
    world.until(lambda: publisher.output()["waiting"] == {"alert": 1}, "the alert about it waits")
    assert publisher.end() == 0
    assert publisher.errors.count("refused us") == 1
    assert "not the one" not in publisher.errors + json.dumps(output)
    password.write_text(SECRET + "\n")
    reader = Reader(locked.port, user=("logger", SECRET))
    second = world.publish(locked.port, username="logger", password_file=password)
    world.until(lambda: len(reader.of("alert")) >= 2, "raised, and cleared")
    assert [(a.object["kind"], a.object["state"]) for a in reader.of("alert")] == [
        ("output_refused", "raised"), ("output_refused", "cleared"),
    ]  # fmt: skip
    assert second.end() == 0
    reader.close()


def test_a_password_file_open_to_others_is_refused_with_the_remedy(world, broker, tmp_path):
    password = tmp_path / "password"
    password.write_text(SECRET)
    password.chmod(0o644)
    publisher = world.publish(broker.port, username="x", password_file=password)
    output = world.until(lambda: (o := publisher.output()) and o["state"] == "refused" and o, "refused")
    assert "chmod 600" in output["problem"]
    assert publisher.end() == 0
    assert SECRET not in publisher.errors
    assert retained(broker.port) == {}


def test_no_ledger_no_core_no_broker_is_waited_for(tmp_path, make_broker):
    """Processes start in any order."""
    data = tmp_path / "data"
    data.mkdir()
    sleeping = Mosquitto(tmp_path / "later")
    mqtt = MqttSettings("127.0.0.1", sleeping.port, False, None, None, None, "me")
    publisher = Publisher(PublishSettings("truck", data, mqtt, None))
    try:
        wait_until(lambda: (o := publisher.output()) and o["problem"], "no broker is said", 30)
        sleeping.start()
        one = World(data)
        one.publishers.append(publisher)
        one.until(lambda: equals_ledger(one, retained(sleeping.port)), "duty")
        one.close()
    finally:
        if publisher.errors is None:
            publisher.end(signal.SIGKILL)
        sleeping.kill()


def test_broker_and_database_hold_the_same_last_totals(world, broker, real_influx, database, tmp_path):
    """Both at once, through a restart of the database, until the ignition goes off."""
    token = tmp_path / "token"
    token.write_text(f"{TOKEN}\n")
    token.chmod(0o600)
    publisher = world.publish(broker.port, influxdb=InfluxSettings(real_influx.url, ORG, database, token, None))
    world.until(lambda: publisher.health() and publisher.health()["outputs"][1]["acked_count"], "the first points")
    real_influx.kill_database()
    world.ledger.commit(commit_at(world.units, 9))
    real_influx.start_database()
    world.ledger.commit(commit_at(world.units, 12))
    world.core.stop()
    assert publisher.end() == 0, publisher.errors
    with contextlib.closing(Outbox(world.folder / "outbox.sqlite")) as outbox:
        assert outbox.counts("influxdb").waiting == {}
        assert outbox.counts("influxdb").rejected == 0
    assert equals_ledger(world, retained(broker.port))
    held = real_influx.query("SELECT last(energy_total_j), seq FROM duty GROUP BY unit", database)
    assert {series["tags"]["unit"] for series in held} == set(world.units)
    for series in held:
        totals = world.ledger.totals(series["tags"]["unit"])
        _, energy_j, sequence = series["values"][0]
        assert (round(energy_j * 1e6), sequence) == (totals.energy_uj, 12)
    (times,) = real_influx.query("SELECT count(body_c) FROM live", database)
    assert times["values"][0][1] >= 4
    assert TOKEN not in publisher.errors


def test_a_database_that_hangs_holds_up_neither_broker_nor_stop(world, broker, tmp_path):
    """It takes the connection and never answers."""
    token = tmp_path / "token"
    token.write_text("secret\n")
    token.chmod(0o600)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        url = f"http://127.0.0.1:{silent.getsockname()[1]}"
        publisher = world.publish(broker.port, influxdb=InfluxSettings(url, "o", "b", token, None))
        reader = Reader(broker.port)
        world.until(lambda: (h := publisher.health()) and h["outputs"][1]["waiting"].get("duty"), "points wait")
        silent.settimeout(20)
        peer, _ = silent.accept()
        before = len(reader.of("live"))
        world.until(lambda: len(reader.of("live")) > before + 20, "live values go on")
        world.core.stop()
        started_s = time.monotonic()
        assert publisher.end() == 0, publisher.errors
        assert time.monotonic() - started_s < 9  # the supervisor kills after 10 s
        peer.close()
    assert reader.of("status")[-1].object["state"] == "offline"
    assert reader.of("status")[-2].object["outputs"].keys() == {"mqtt", "influxdb"}
    assert complaints(reader.messages) == []
    reader.close()
    with contextlib.closing(Outbox(world.folder / "outbox.sqlite")) as outbox:
        assert outbox.counts("influxdb").waiting["duty"] >= 4
        assert outbox.counts("influxdb").dropped_count == 0


def test_the_health_socket_is_ours_alone_and_never_reads(world, broker):
    publisher = world.publish(broker.port)
    world.until(publisher.health, "health")
    path = world.folder / "publish.sock"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE((world.folder / "outbox.sqlite").stat().st_mode) == 0o600
    ends = []
    for _ in range(40):
        end = socket.socket(socket.AF_UNIX)
        end.settimeout(5)
        end.connect(str(path))
        with contextlib.suppress(OSError):
            end.sendall(b"\xff" * 70_000)
        ends.append(end)
    for end in ends:
        end.close()
    assert wait_until(publisher.health, "health after that", 10)["outputs"][0]["name"] == "mqtt"
    assert publisher.end() == 0
    assert "Traceback" not in publisher.errors


def test_bad_settings_end_with_one_line():
    for text in ("", "{}\n", "garbage\n", "[]\n"):
        done = subprocess.run(
            [sys.executable, "-m", "dutylog.publish"], input=text, capture_output=True, text=True, timeout=30
        )
        assert done.returncode == 2
        assert done.stderr.count(os.linesep) == 1


def test_totals_used_here_differ_by_column():
    """Else a mixed-up field would pass."""
    assert len(set(totals_at(3).as_row())) == len(totals_at(3).as_row())
