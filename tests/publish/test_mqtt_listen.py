"""A connection that only listens: what it hears, and brokers that don't let it or send anything."""

from __future__ import annotations

import contextlib
import socket
import threading

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from daemon.processes import wait_until
from dutylog.errors import OutputDown
from dutylog.publish.broker import Heard, Lost, Wanted
from dutylog.publish.mqtt import LARGEST_HEARD, MqttConnector
from publish.brokers import needs_mosquitto
from publish.test_mqtt import CONNACK, HOSTILE, settings

WANTED = (Wanted("a/status", 1, takes_retained=True), Wanted("a/live/+", 0, takes_retained=False))


@pytest.fixture
def speak(broker):
    """Give a function that publishes at the broker."""
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()

    def publish(topic, payload, retain=False):
        client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10)

    yield publish
    client.disconnect()
    client.loop_stop()


@needs_mosquitto
def test_what_was_asked_for_is_heard_and_nothing_else(broker, speak):
    """What the broker kept comes where it is wanted, marked as such; what is too long never comes."""
    speak("a/status", b"kept", retain=True)
    speak("a/live/x", b"kept", retain=True)
    heard, events = [], []
    line = MqttConnector(settings(broker.port)).listen(WANTED, heard.append, events.append)
    wait_until(lambda: heard, "what was kept", 10)
    speak("a/live/x", b"x" * (LARGEST_HEARD + 1))
    speak("a/duty/x", b"not asked for")
    speak("a/live/y", b"now")
    wait_until(lambda: len(heard) > 1, "what came later", 10)
    line.close()
    assert heard == [Heard("a/status", b"kept", True), Heard("a/live/y", b"now", False)]
    assert events == []


def over(script, play_back):
    """Listen to a false broker that sends a script; return what `play_back` made of it."""
    listener = socket.create_server(("127.0.0.1", 0))

    def play():
        with contextlib.suppress(OSError):
            peer, _ = listener.accept()
            with peer:
                peer.recv(4096)
                for part in script:
                    peer.sendall(part)
                peer.shutdown(socket.SHUT_WR)
                while peer.recv(4096):
                    pass

    player = threading.Thread(target=play)
    player.start()
    try:
        return play_back(MqttConnector(settings(listener.getsockname()[1])))
    finally:
        listener.close()
        player.join(10)
        assert not player.is_alive()


def lost_on(connector):
    """Return whether we came in, and how it ended."""
    events = []
    try:
        line = connector.listen(WANTED, lambda _heard: None, events.append)
    except OutputDown as err:
        return False, Lost(str(err), err.is_refused)
    lost = wait_until(lambda: next((e for e in events if isinstance(e, Lost)), None), "lost", 10)
    line.close()
    return True, lost


@pytest.mark.parametrize("script", HOSTILE)
def test_whatever_a_false_broker_sends_to_a_listener_costs_the_connection_alone(script):
    came_in, lost = over(HOSTILE[script], lost_on)
    assert came_in == script.startswith("then")
    assert "\n" not in lost.text
    assert not [t for t in threading.enumerate() if t.name == "mqtt-line"]


def test_a_broker_that_does_not_let_us_listen_is_said():
    """Connected and silent for ever would be the alternative."""
    refusal = bytes([0x90, 5, 0, 1, 0, 0, 0x87])
    came_in, lost = over([CONNACK, refusal], lost_on)
    assert came_in
    assert lost.is_refused
    assert "doesn't let us listen (not authorized)" in lost.text
    assert "the right to read under dutylog/v1/" in lost.text
