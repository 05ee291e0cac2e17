"""Memory of long runs: what fails again and again during an outage keeps nothing of who tried."""

from __future__ import annotations

import gc
import json
import sys
import weakref

import pytest

from dutylog.config.settings import MqttSettings
from dutylog.errors import OutputDown
from dutylog.publish.influx import InfluxServer
from dutylog.publish.mqtt import Message, MqttConnector
from dutylog.publish.snapshot import encode_snapshot, parse_snapshot
from publish.brokers import free_port
from web.samples import snapshot


class Held:
    """Stands for a batch that a caller has in its hands."""


@pytest.fixture
def _no_search():
    """Leave rings where they are, as between two searches for garbage."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


def _try(attempt):
    """Return a reference to what a failing caller held."""
    held = Held()
    try:
        attempt(held)
    except OutputDown:
        return weakref.ref(held)
    raise AssertionError("it didn't fail")


@pytest.mark.usefixtures("_no_search")
def test_a_database_out_of_reach_keeps_no_batch():
    with InfluxServer(f"http://127.0.0.1:{free_port()}", "org", "bucket", "token") as server:
        assert _try(lambda _held: server.write([b"a b=1 1"]))() is None


@pytest.mark.usefixtures("_no_search")
def test_a_broker_out_of_reach_keeps_no_caller():
    settings = MqttSettings("127.0.0.1", free_port(), False, None, None, None, "dutylog-test")
    connector = MqttConnector(settings)

    def attempt(held):
        connector(Message("t", b"", 1, is_retained=True), lambda _event, _held=held: None)

    assert _try(attempt)() is None


def test_texts_that_never_come_again_are_not_kept():
    """A forecast says something else each second; three hours of it leave nothing."""
    whole = json.loads(encode_snapshot(snapshot()))
    parse_snapshot(json.dumps(whole).encode())
    gc.collect()
    before = sys.getallocatedblocks()
    for number in range(2000):
        whole["boot_id"] = f"a text of its own {number}"
        parse_snapshot(json.dumps(whole).encode())
    gc.collect()
    assert sys.getallocatedblocks() - before < 200
