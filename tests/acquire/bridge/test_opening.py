"""From a port to a board that samples, or to the words that say why not."""

from __future__ import annotations

from typing import Any

import pytest

from acquire.bridge.driving import START_NS, make, read_for
from acquire.bridge.fake_board import PORT, make_settings
from dutylog.acquire.bridge.driver import BridgeDriver
from dutylog.clock import ManualClock
from dutylog.errors import SourceLost, WrongDevice


def test_a_board_at_another_rate_is_set_right_and_one_that_runs_is_stopped_first() -> None:
    driver, board = make({"rate_hz": 500}, is_running=True)
    driver.open(0)
    kinds = [kind for _, kind, _ in board.commands if kind != 0x14]
    assert kinds == [0x10, 0x12, 0x13, 0x11]
    assert board.rate_hz == 500
    rows = read_for(driver, board, 1.0)
    assert rows[0].index == 0
    assert rows[-1].period_fs == pytest.approx(2e12, rel=1e-3)


def test_a_board_that_fits_is_neither_stopped_nor_changed() -> None:
    driver, board = make()
    driver.open(0)
    assert [kind for _, kind, _ in board.commands if kind != 0x14] == [0x10, 0x11]


def test_rows_that_come_together_with_the_reply_to_start_are_not_lost() -> None:
    """A host that is held up between the two reads both at once."""
    _, board = make()

    class Slow:
        def read(self, limit_s: float) -> bytes:
            board.clock.advance(0.1)
            return board.read(0.0)

        def write(self, data: bytes) -> None:
            board.write(data)

        def close(self) -> None:
            board.close()

    driver = BridgeDriver(make_settings(), board.clock, lambda port: Slow())
    driver.open(0)
    rows = driver.read(0.2)
    assert (rows[0].index, rows[0].quality) == (0, 0)


def test_opening_survives_damaged_answers() -> None:
    """One answer in three is damaged; what is asked is asked again."""
    count = 0

    def damage(data: bytes) -> bytes:
        nonlocal count
        count += 1
        return data if count % 3 else data[:-2] + bytes([data[-2] % 255 + 1]) + b"\0"

    driver, board = make({"rate_hz": 500}, change=damage)
    driver.open(0)
    board.change = lambda data: data
    rows = read_for(driver, board, 0.5)
    assert rows[0].index == 0


def fail_open(**board: Any) -> str:
    settings = board.pop("settings", None)
    driver, _ = make(settings, **board)
    kind = board.pop("kind", SourceLost)
    with pytest.raises(kind) as caught:
        driver.open(0)
    assert driver.state().text == str(caught.value)
    return str(caught.value)


def test_a_silent_port_is_told() -> None:
    assert fail_open(is_silent=True).startswith(f"{PORT}: silent for 2 s, expected the bridge's identity; ")


def test_another_protocol_is_the_wrong_device() -> None:
    driver, _ = make(protocol=2)
    with pytest.raises(WrongDevice, match="speaks protocol 2, this program 1"):
        driver.open(0)
    assert driver.state().word == "wrong"


def test_an_input_the_board_lacks_is_the_wrong_device() -> None:
    driver, _ = make(inputs=(0, 1, 2))
    with pytest.raises(WrongDevice, match=r"has 3 inputs \(0, 1, 2\), \[bridge\] inputs puts rear_right on input 3"):
        driver.open(0)


def test_a_rate_the_board_refuses_is_the_wrong_device() -> None:
    driver, _ = make({"rate_hz": 2000}, statuses={0x13: 2})
    with pytest.raises(WrongDevice, match=r"refuses 2000 rows a second \(value out of range\); set \[bridge\] rate_hz"):
        driver.open(0)


def test_a_board_that_will_not_start_is_asked_again_later() -> None:
    assert "the bridge refuses to start (not now)" in fail_open(statuses={0x11: 3})


@pytest.mark.parametrize(("command", "name"), [(0x11, "start"), (0x13, "rate 500")])
def test_a_command_without_reply_is_a_loss(command: int, name: str) -> None:
    text = fail_open(mute={command}, settings={"rate_hz": 500})
    assert f"the bridge doesn't answer `{name}`, asked 3 times" in text


def test_a_board_that_answers_no_pings_is_a_loss() -> None:
    assert "answers no pings" in fail_open(mute={0x14})


def test_frames_without_identity_are_told() -> None:
    driver, board = make(mute={0x10}, is_running=True)
    board.start_ns = board.clock.mono_ns()
    with pytest.raises(SourceLost, match="sends frames but no identity within 2 s"):
        driver.open(0)


def test_an_echo_is_the_wrong_device() -> None:
    """A loop in the wiring sends back our own frames, which are good ones."""
    clock = ManualClock(START_NS)

    class Echo:
        held = b""

        def read(self, limit_s: float) -> bytes:
            clock.advance(limit_s if not self.held else 1e-3)
            data, self.held = self.held, b""
            return data

        def write(self, data: bytes) -> None:
            self.held += data

        def close(self) -> None:
            self.held = b""

    driver = BridgeDriver(make_settings(), clock, lambda port: Echo())
    with pytest.raises(WrongDevice, match="sends back what it is sent"):
        driver.open(0)
