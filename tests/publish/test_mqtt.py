"""One connection to a broker: real ones that let us in or don't, and false ones that send anything."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import threading

import pytest

from daemon.processes import wait_until
from dutylog.config.settings import MqttSettings
from dutylog.errors import OutputDown
from dutylog.publish.broker import Delivered, Lost, Message, Refused
from dutylog.publish.mqtt import MqttConnector
from publish.brokers import Reader, free_port, make_certificates, needs_mosquitto, retained

WILL = Message("dutylog/v1/truck/status", b"gone", 1, True)
SECRET = "correct horse"  # noqa: S105


def settings(port, **changes):
    values = {"host": "127.0.0.1", "tls": False, "ca_file": None, "username": None, "password_file": None}
    return MqttSettings(port=port, client_id="me", **(values | changes))


def refusal(values):
    with pytest.raises(OutputDown) as caught:
        MqttConnector(values)(WILL, lambda _event: None)
    assert "\n" not in str(caught.value)
    assert SECRET not in str(caught.value)
    return caught.value


def secret_file(tmp_path, text=SECRET):
    path = tmp_path / "password"
    path.write_text(text + "\n")
    path.chmod(0o600)
    return path


@needs_mosquitto
def test_messages_arrive_and_are_acknowledged(broker):
    events = []
    reader = Reader(broker.port)
    line = MqttConnector(settings(broker.port))(WILL, events.append)
    numbers = [
        line.publish(Message(f"dutylog/v1/truck/{kind}", b"{}", qos, False)) for kind, qos in (("a", 1), ("b", 0))
    ]
    wait_until(lambda: {Delivered(n) for n in numbers} <= set(events), "both delivered", 10)
    wait_until(lambda: len(reader.messages) == 2, "both received", 10)
    line.close()
    assert not [e for e in events if isinstance(e, Lost)]
    reader.close()
    assert retained(broker.port) == {}  # a clean goodbye publishes no will


@needs_mosquitto
def test_a_broker_that_dies_is_said_and_publishing_fails(broker):
    events = []
    line = MqttConnector(settings(broker.port))(WILL, events.append)
    broker.kill()
    lost = wait_until(lambda: next((e for e in events if isinstance(e, Lost)), None), "lost", 10)
    assert "hung up" in lost.text
    with pytest.raises(OutputDown):
        line.publish(WILL)
    line.close()


def test_nobody_there_is_said():
    err = refusal(settings(free_port()))
    assert "out of reach (Connection refused)" in str(err)
    assert not err.is_refused
    assert "out of reach" in str(refusal(settings(1883, host="no-such-host.invalid")))


@pytest.fixture
def locked(make_broker, tmp_path):
    """A broker with TLS that knows the user `logger`, who may write only below dutylog/v1/truck/."""
    authority, certificate, key = make_certificates(tmp_path)
    users = tmp_path / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), "logger", SECRET], check=True, capture_output=True)
    (tmp_path / "acl").write_text("user logger\ntopic readwrite dutylog/v1/truck/#\n")
    made = make_broker(
        f"password_file {users}", f"acl_file {tmp_path / 'acl'}",
        f"cafile {authority}", f"certfile {certificate}", f"keyfile {key}",
    )  # fmt: skip
    return made, authority


@needs_mosquitto
def test_tls_user_and_password_let_us_in_and_nothing_less(locked, tmp_path):
    """Encrypted, the broker proved by its certificate, we by a secret from a file."""
    broker, authority = locked
    good = settings(
        broker.port, tls=True, ca_file=authority, username="logger", password_file=secret_file(tmp_path, "wrong one")
    )
    err = refusal(good)
    assert err.is_refused
    assert "refused us" in str(err)
    assert "mqtt.password_file" in str(err)
    secret_file(tmp_path)  # a person puts it right; no restart is needed
    events = []
    line = MqttConnector(good)(WILL, events.append)
    number = line.publish(WILL)
    wait_until(lambda: Delivered(number) in events, "delivered", 10)
    foreign = line.publish(Message("elsewhere", b"x", 1, False))
    refused = wait_until(lambda: next((e for e in events if isinstance(e, Refused)), None), "refused", 10)
    assert (refused.number, refused.is_for_good) == (foreign, False)
    assert "right to publish" in refused.text
    line.close()
    assert "prove" not in broker.log()
    assert refusal(settings(broker.port, tls=True, ca_file=authority)).is_refused  # nobody's name


@needs_mosquitto
def test_a_line_that_cannot_be_trusted_is_refused_before_any_secret_is_sent(locked, tmp_path):
    broker, authority = locked
    other = tmp_path / "other"
    other.mkdir()
    stranger, _, _ = make_certificates(other)
    secret = {"username": "logger", "password_file": secret_file(tmp_path)}
    err = refusal(settings(broker.port, tls=True, ca_file=stranger, **secret))
    assert (err.is_refused, "certificate isn't trusted" in str(err)) == (True, True)
    assert refusal(settings(broker.port, tls=True, **secret)).is_refused  # the machine knows no such authority
    assert "localhost" not in (
        text := str(refusal(settings(broker.port, host="127.0.0.2", tls=True, ca_file=authority)))
    ), text
    missing = refusal(settings(broker.port, tls=True, ca_file=tmp_path / "none"))
    assert (missing.is_refused, "mqtt.ca_file" in str(missing)) == (True, True)
    (tmp_path / "junk").write_text("junk")
    assert "PEM" in str(refusal(settings(broker.port, tls=True, ca_file=tmp_path / "junk")))


@needs_mosquitto
def test_tls_towards_a_plain_port_and_the_other_way_round(broker, locked):
    text = str(refusal(settings(broker.port, tls=True)))
    assert "mqtt.tls" in text or "out of reach" in text
    assert not refusal(settings(locked[0].port)).is_refused


@needs_mosquitto
def test_a_second_program_with_our_name_is_said(broker):
    events = []
    first = MqttConnector(settings(broker.port))(WILL, events.append)
    second = MqttConnector(settings(broker.port))(WILL, lambda _event: None)
    lost = wait_until(lambda: next((e for e in events if isinstance(e, Lost)), None), "lost", 10)
    assert "nobody else uses its client_id" in lost.text
    first.close()
    second.close()


CONNACK = bytes([0x20, 3, 0, 0, 0])
HOSTILE = {
    "nothing": [],
    "garbage": [b"\xff" * 500],
    "web server": [b"HTTP/1.1 400 Bad Request\r\n\r\n"],
    "zeros": [b"\0" * 1000],
    "endless length": [b"\x20\xff\xff\xff\xff\xff\xff"],
    "old answer": [bytes([0x20, 2, 0, 0])],
    "unknown reason": [bytes([0x20, 3, 0, 0xEE, 0])],
    "no v5": [bytes([0x20, 2, 0, 1])],
    "then a message we never asked for": [CONNACK, bytes([0x30, 9, 0, 3]) + b"abc" + bytes([0]) + b"evl"],
    "then a message with a wild topic": [CONNACK, bytes([0x30, 6, 0, 3]) + b"\xff\xfe\xfd" + bytes([0])],
    "then topic longer than the packet": [CONNACK, bytes([0x32, 4, 0xFF, 0xFF, 1, 2])],
    "then acknowledgements of nothing": [CONNACK, bytes([0x40, 2, 0, 7]) * 50],
    "then a short acknowledgement": [CONNACK, bytes([0x40, 1, 0])],
    "then an unknown reason": [CONNACK, bytes([0x40, 4, 0, 1, 0xEE, 0])],
    "then bad properties": [CONNACK, bytes([0x40, 9, 0, 1, 0, 5, 0x77, 1, 2, 3, 4])],
    "then garbage": [CONNACK, b"\xff\xee\xdd" * 100],
    "then reserved type": [CONNACK, bytes([0x00, 0]), bytes([0xF0, 0])],
    "then a farewell": [CONNACK, bytes([0xE0, 2, 0x8E, 0])],
    "then a farewell with a wild reason": [CONNACK, bytes([0xE0, 1, 0xEE])],
}


@pytest.mark.parametrize("script", HOSTILE)
def test_whatever_a_false_broker_sends_costs_the_connection_alone(script):
    """No crash, no thread that dies with a traceback, no waiting for ever."""
    listener = socket.create_server(("127.0.0.1", 0))

    def play():
        with contextlib.suppress(OSError):
            peer, _ = listener.accept()
            with peer:
                peer.recv(4096)
                for part in HOSTILE[script]:
                    peer.sendall(part)
                peer.shutdown(socket.SHUT_WR)
                while peer.recv(4096):
                    pass

    player = threading.Thread(target=play)
    player.start()
    events = []
    try:
        line = MqttConnector(settings(listener.getsockname()[1]))(WILL, events.append)
    except OutputDown as err:
        said = str(err)
        came_in = False
    else:
        came_in = True
        lost = wait_until(lambda: next((e for e in events if isinstance(e, Lost)), None), "lost", 10)
        said = lost.text
        line.close()
    finally:
        listener.close()
        player.join(10)
    assert not player.is_alive()
    assert came_in == script.startswith("then")
    assert "\n" not in said
    assert not [t for t in threading.enumerate() if t.name == "mqtt-line"]
