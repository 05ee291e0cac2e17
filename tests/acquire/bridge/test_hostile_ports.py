"""Devices that are no bridge at the end of a real line: told apart in words, and let go."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.bridge.fake_board import make_settings
from acquire.bridge.ptys import Port, echo, end_of, say_noise, say_text, speaking
from dutylog.acquire.bridge.driver import BridgeDriver, open_port
from dutylog.clock import SystemClock
from dutylog.errors import SourceLost, WrongDevice


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    port = Port(tmp_path)
    yield port
    port.unplug()


def make(port: Port) -> BridgeDriver:
    return BridgeDriver(make_settings(port=port.path), SystemClock())


def test_a_silent_device_is_told(port: Port) -> None:
    driver = make(port)
    with pytest.raises(SourceLost, match="silent for 2 s, expected the bridge's identity; has it power"):
        driver.open(0)
    assert driver.state().word == "lost"
    open_port(port.path).close()  # it was let go, so it isn't in use


def test_noise_is_the_wrong_device(port: Port) -> None:
    """A device at another baud looks like this."""
    driver = make(port)
    with (
        speaking(port, say_noise),
        pytest.raises(
            WrongDevice, match=r"\d+ bytes in 2 s that are no frames of the bridge, beginning with .*wrong baud"
        ),
    ):
        driver.open(0)
    assert driver.state().word == "wrong"


def test_a_device_that_speaks_text_is_quoted(port: Port) -> None:
    driver = make(port)
    with (
        speaking(port, say_text),
        pytest.raises(WrongDevice, match=r'beginning with "t?e?m?perature 21\.4.*another device'),
    ):
        driver.open(0)


def test_an_echo_is_the_wrong_device(port: Port) -> None:
    driver = make(port)
    with speaking(port, echo), pytest.raises(WrongDevice, match="sends back what it is sent"):
        driver.open(0)


def test_unplugging_while_it_is_looked_for_is_a_loss(port: Port) -> None:
    driver = make(port)
    timer = threading.Timer(0.1, port.unplug)
    timer.start()
    err = end_of(lambda: driver.open(0))
    timer.join()
    assert isinstance(err, SourceLost)
    assert "is gone" in str(err)
