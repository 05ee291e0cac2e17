"""`dutylog check` on broker, database and what waits for them."""

from __future__ import annotations

import socket
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.check_scenes import (
    SECRET,
    ask_database,
    influx,
    make_scene,
    mqtt,
    only,
    snapshot,
    start_run,
    verdicts,
)
from daemon.driven import data, driven
from daemon.processes import wait_until
from dutylog.cli.checks import broker as broker_check
from dutylog.cli.checks import database, waiting
from dutylog.cli.checks.live import Live
from dutylog.publish.outbox import OUTBOX_NAME, Draft, Outbox
from publish.brokers import Mosquitto, free_port, make_certificates, needs_mosquitto
from publish.influx_servers import TOKEN, Reply, fake_influx, real_influx
from publish.influx_servers import database as make_database

__all__ = ["data", "driven", "fake_influx", "make_database", "real_influx", "snapshot", "start_run"]


# broker


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
