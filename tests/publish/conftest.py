"""Brokers and databases that are surely gone at the end of a test."""

from __future__ import annotations

import pytest

from dashboards.demo_data import demo
from publish.brokers import Mosquitto
from publish.influx_servers import database, fake_influx, real_influx

__all__ = ["database", "demo", "fake_influx", "real_influx"]


@pytest.fixture
def make_broker(tmp_path):
    started = []

    def make(*lines, name="broker"):
        broker = Mosquitto(tmp_path / name, *([lines] if lines else []))
        started.append(broker)
        broker.start()
        return broker

    yield make
    for broker in started:
        broker.kill()


@pytest.fixture
def broker(make_broker):
    """A broker that lets everybody in and keeps nothing over a restart."""
    return make_broker()
