"""Outputs side by side: one that hangs or fails leaves the other alone, and comes back."""

from __future__ import annotations

import io
import sqlite3
import threading
from pathlib import Path

import pytest

from daemon.processes import wait_until
from dutylog.clock import ManualClock
from dutylog.config.settings import InfluxSettings, MqttSettings
from dutylog.errors import OutputDown
from dutylog.publish.board import Board
from dutylog.publish.health import HealthView, resident_bytes, state_of
from dutylog.publish.intake import Intake
from dutylog.publish.outbox import OUTBOX_NAME, Outbox
from dutylog.publish.output import OutputHealth
from dutylog.publish.outputs import OutputThread, _InfluxDoor
from dutylog.publish.process import main
from dutylog.publish.settings import PublishSettings
from dutylog.publish.timekeeper import Timekeeper
from web.samples import snapshot

S = 1_000_000_000


class Failing:
    """Fails twice, then works until it is told to stop."""

    name = "mqtt"

    def __init__(self):
        self.lives = 0
        self.woken = threading.Event()

    def run(self, stop):
        self.lives += 1
        if self.lives < 3:
            raise RuntimeError("a fault of ours")
        stop.wait()

    def wake(self):
        self.woken.set()

    def health(self):
        return OutputHealth("mqtt", 30.0, 1.0, True, True)


def test_an_output_that_fails_is_said_counted_and_begun_anew(monkeypatch, capsys):
    monkeypatch.setattr("dutylog.publish.outputs.RESTART_S", 0.01)
    said = []
    thread = OutputThread(Failing(), said.append)
    thread.start()
    wait_until(lambda: thread.output.lives == 3, "a third life", 10)
    assert thread.restarts_count == 2
    assert "a fault of ours" in thread.last_failure
    assert len(said) == 2
    assert thread.is_alive()
    thread.ask_to_stop()
    assert thread.join()
    assert thread.output.woken.is_set()
    assert capsys.readouterr().err.count("Traceback") == 2


def test_an_output_that_hangs_is_left_behind():
    class Hanging(Failing):
        def run(self, stop):
            release.wait()

    release = threading.Event()
    thread = OutputThread(Hanging(), lambda _line: None)
    thread.start()
    thread.ask_to_stop()
    assert not thread.join(0.05)
    release.set()
    assert thread.join()


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"acked_age_s": 1.0, "is_due": True}, "well"),
        ({"acked_age_s": 91.0, "is_due": True}, "late"),
        ({"acked_age_s": 89.0, "is_due": True, "was_acked": False}, "pending"),
        ({"acked_age_s": 91.0, "is_due": True, "was_acked": False}, "late"),
        ({"acked_age_s": 9e9, "is_due": False}, "well"),
        ({"acked_age_s": 1.0, "is_due": False, "was_acked": False}, "well"),
        ({"acked_age_s": 1.0, "is_due": False, "was_acked": False, "problem": "out of reach"}, "pending"),
        ({"acked_age_s": 1.0, "is_due": False, "is_refused": True}, "refused"),
    ],
)
def test_words_for_health(values, word):
    """By the last acknowledgement, never by a connection."""
    values = {"was_acked": True, **values}
    assert state_of(OutputHealth(name="x", period_s=30.0, **values)) == word


def test_settings_cross_as_one_line():
    mqtt = MqttSettings("h", 1, True, Path("/ca"), "u", Path("/p"), "me")
    influxdb = InfluxSettings("https://h", "o", "b", Path("/t"), None)
    for settings in (
        PublishSettings("truck", Path("/data"), mqtt, influxdb),
        PublishSettings("truck", Path("/data"), None, influxdb),
        PublishSettings("truck", Path("/data"), MqttSettings("h", 1, False, None, None, None, "me"), None),
    ):
        line = settings.to_json()
        assert "\n" not in line
        assert PublishSettings.from_json(line) == settings


def test_a_token_file_open_to_others_is_refused_and_read_anew_once_put_right(tmp_path, monkeypatch):
    token = tmp_path / "token"
    token.write_text("secret token\n")
    token.chmod(0o644)
    door = _InfluxDoor(InfluxSettings("http://127.0.0.1:9", "o", "b", token, None))
    with pytest.raises(OutputDown, match="chmod 600") as caught:
        door.write([b"x a=1 1"])
    assert caught.value.is_refused
    assert "secret token" not in str(caught.value)
    token.chmod(0o600)
    opened = []

    class Server:
        def __init__(self, url, org, bucket, secret, ca_file):
            opened.append(secret)

        def write(self, lines):
            if opened[-1] == "secret token":
                raise OutputDown("token refused", is_refused=True)

        def close(self):
            opened.append("closed")

    monkeypatch.setattr("dutylog.publish.influx.InfluxServer", Server)
    with pytest.raises(OutputDown, match="token refused"):
        door.write([b"x a=1 1"])
    token.write_text("another\n")
    door.write([b"x a=1 1"])
    door.write([b"x a=1 1"])
    assert opened == ["secret token", "closed", "another"]


def test_an_outbox_that_cannot_be_opened_ends_with_one_line(tmp_path, monkeypatch, capsys):
    """The supervisor starts us again, less and less often."""
    Outbox(tmp_path / OUTBOX_NAME).close()
    other = sqlite3.connect(tmp_path / OUTBOX_NAME)
    other.execute("PRAGMA user_version = 9")
    other.close()
    settings = PublishSettings("truck", tmp_path, MqttSettings("h", 1, False, None, None, None, "me"), None)
    monkeypatch.setattr("sys.stdin", io.StringIO(settings.to_json() + "\n"))
    assert main() == 2
    error = capsys.readouterr().err
    assert error.count("version 9") == error.count("\n") == 1


def test_time_is_taken_once_and_anew_only_after_doubt():
    keeper = Timekeeper("boot")
    assert not keeper.take(snapshot(1, utc_trusted=False), 5 * S, is_first=False)
    assert keeper.moment(7).utc_ns is None
    assert not keeper.take(snapshot(2, utc_ns=100 * S), 6 * S, is_first=True)
    assert keeper.take(snapshot(3, utc_ns=100 * S), 6 * S, is_first=False)
    assert keeper.moment(7 * S).utc_ns == 101 * S
    assert not keeper.take(snapshot(4, utc_ns=999 * S), 7 * S, is_first=False)
    assert keeper.moment(7 * S).utc_ns == 101 * S
    assert not keeper.take(snapshot(5, utc_trusted=False), 8 * S, is_first=False)
    assert keeper.moment(8 * S).utc_ns is None
    assert keeper.take(snapshot(6, utc_ns=200 * S), 9 * S, is_first=False)
    assert keeper.moment(9 * S).utc_ns == 200 * S


def test_memory_is_read_from_the_system(tmp_path):
    assert resident_bytes() > 10_000_000
    assert resident_bytes(tmp_path / "none") == 0


def test_health_names_no_secret_and_a_dead_thread_is_late(tmp_path):
    outbox = Outbox(tmp_path / OUTBOX_NAME)
    intake = Intake(tmp_path, outbox, Board(), ManualClock(), Timekeeper("b"))
    thread = OutputThread(Failing(), lambda _line: None)  # never started
    view = HealthView(intake, outbox, [thread], lambda: 1)
    (output,) = view.object()["outputs"]
    assert output["state"] == "late"
    outbox.close()
    (output,) = view.object()["outputs"]  # a closed outbox mustn't end the answer
    assert output["waiting"] == {}
