"""Duty by radio over a real broker, and one that can't be reached. Messages are those a vehicle publishes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from bench.card_made import Yard
from bench.store.store_on import sqlite_store
from bench.test_radio import MONA, Shop, topic
from daemon.processes import wait_until
from dutylog.clock import SystemClock
from dutylog.errors import OutputDown
from dutylog.publish.mqtt import MqttConnector
from dutylog.web.bench.radio_listener import NOBODY_TEXT, RadioListener, settings_of_bench
from publish.brokers import Mosquitto, needs_mosquitto
from publish.test_mqtt import settings

LOOK_S = 0.05


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return Yard(tmp_path_factory.mktemp("vehicle") / "data").issue()


@pytest.fixture
def shop(tmp_path: Path, card: dict[str, Any]) -> Iterator[Shop]:
    with sqlite_store(tmp_path, SystemClock()) as store:
        yield Shop(store, card)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def publish(mosquitto: Mosquitto) -> Iterator[Callable[[str, bytes], None]]:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    yield lambda address, payload: client.publish(address, payload, qos=1, retain=True).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def listener_of(shop: Shop, listen: Any, said: list[str]) -> RadioListener:
    return RadioListener(shop.store, listen, SystemClock(), said.append, look_s=LOOK_S)


@needs_mosquitto
def test_duty_of_a_vehicle_that_agreed_arrives_and_of_others_does_not(
    shop: Shop, mosquitto: Mosquitto, publish: Callable[[str, bytes], None]
) -> None:
    """Kept by the broker from before, then newer; agreed while it listens, taken back while it listens."""
    address, said = topic(shop.unit_id, shop.vehicle_id), []
    publish(address, shop.payload(100.0))
    publish(topic(shop.unit_id, "neighbour"), shop.payload(900.0, sequence=99))
    radio = listener_of(shop, MqttConnector(settings(mosquitto.port)).listen, said)
    radio.start()
    try:
        wait_until(lambda: radio.state.text == NOBODY_TEXT, "nobody agreed yet", 10)
        assert shop.store.read().radio(shop.damper_id) is None
        shop.agree("Dee Example")
        wait_until(lambda: radio.state.written_count == 1, "what the broker kept", 10)
        found = shop.store.read().radio(shop.damper_id)
        assert found is not None
        assert (found.sequence, found.vehicle_id) == (9, shop.vehicle_id)
        publish(address, b'{"schema": 1}')
        publish(address, shop.payload(300.0, sequence=12))
        wait_until(lambda: radio.state.heard_count == 2 and radio.state.refused_count == 1, "the newer one", 10)
    finally:
        radio.stop()
    found = shop.store.read().radio(shop.damper_id)
    assert found is not None
    assert found.sequence == 12, "what waited for its hour is written at the stop"
    assert said == [f"duty by radio: {NOBODY_TEXT}", "duty by radio: the broker lets us listen"]


@needs_mosquitto
def test_who_takes_it_back_is_listened_to_no_more(shop: Shop, mosquitto: Mosquitto) -> None:
    shop.agree("Dee Example")
    radio = listener_of(shop, MqttConnector(settings(mosquitto.port)).listen, [])
    radio.start()
    try:
        wait_until(lambda: radio.state.is_listening, "listening", 10)
        shop.agree(None)
        wait_until(lambda: not radio.state.is_listening, "the connection was given up", 10)
        assert (radio.state.text, radio.state.vehicles_count) == (NOBODY_TEXT, 0)
    finally:
        radio.stop()


@needs_mosquitto
def test_a_broker_that_comes_back_is_listened_to_again(shop: Shop, mosquitto: Mosquitto) -> None:
    shop.agree("Dee Example")
    said: list[str] = []
    radio = listener_of(shop, MqttConnector(settings(mosquitto.port)).listen, said)
    radio.start()
    try:
        wait_until(lambda: radio.state.is_listening, "listening", 10)
        mosquitto.kill()
        wait_until(lambda: not radio.state.is_listening, "the end of the connection", 10)
        mosquitto.start()
        wait_until(lambda: radio.state.is_listening, "listening again", 60)
    finally:
        radio.stop()
    assert len(said) >= 3
    assert all("\n" not in one for one in said)


@dataclass
class NoBroker:
    """A broker that nobody reaches. asked: for what, each time."""

    asked: list[Any] = field(default_factory=list)

    def __call__(self, wanted: Any, _take: Any, _notify: Any) -> Any:
        self.asked.append([one.pattern for one in wanted])
        raise OutputDown("broker nowhere is out of reach; check network and broker")


def test_nothing_but_duty_is_asked_for_and_the_end_is_never_held_up(shop: Shop) -> None:
    """No wildcard over vehicles, even where somebody writes one into a vehicle's id."""
    shop.agree("Dee Example")
    with shop.store.write(MONA) as tx:
        for number, vehicle_id in enumerate(("+", "#", "a/b")):
            told = {"vehicle_key": f"v{number}", "label": "x", "vehicle_id": vehicle_id, "radio_agreed_by": "Eve"}
            tx.append("vehicle_put", told)
    broker = NoBroker()
    radio = listener_of(shop, broker, [])
    radio.start()
    wait_until(lambda: broker.asked, "an attempt", 10)
    radio.stop()
    assert broker.asked[0] == [f"dutylog/v1/{shop.vehicle_id}/duty/+"]
    assert radio.state.text == "broker nowhere is out of reach; check network and broker"
    assert not [one for one in threading.enumerate() if one.name == "bench-radio"]


def test_benches_that_share_a_broker_have_client_ids_of_their_own() -> None:
    """Two with one id would throw each other out for ever."""
    unnamed = replace(settings(1883), client_id="dutylog-bench")
    assert settings_of_bench(unnamed, "0123456789").client_id == "dutylog-bench-01234567"
    assert settings_of_bench(settings(1883), "0123456789").client_id == "me"
