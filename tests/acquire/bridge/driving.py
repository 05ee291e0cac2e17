"""A driver on a board in memory, and ways to read it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acquire.bridge.fake_board import FakeBoard, make_settings
from dutylog.acquire.bridge.driver import BridgeDriver
from dutylog.acquire.driver import Rows
from dutylog.clock import ManualClock
from dutylog.errors import SourceLost

START_NS = 5_000_000_000


def make(settings: dict[str, Any] | None = None, **board: Any) -> tuple[BridgeDriver, FakeBoard]:
    """Return a driver, not opened, and its board."""
    clock = ManualClock(START_NS)
    inputs = board.pop("inputs", (0, 1, 2, 3))
    fake = FakeBoard(clock, inputs=inputs, **board)
    return BridgeDriver(make_settings(**(settings or {})), clock, fake.open_line), fake


def read_for(driver: BridgeDriver, board: FakeBoard, seconds: float, plan: int = 0) -> list[Rows]:
    """Return the rows of a plan within so many seconds of the board's clock."""
    until_ns = board.clock.mono_ns() + round(seconds * 1e9)
    rows = []
    while board.clock.mono_ns() < until_ns:
        rows += [row for row in driver.read(0.2) if row.plan == plan]
    return rows


def join(rows: list[Rows]) -> NDArray[Any]:
    return np.concatenate([row.data for row in rows])


def lose(driver: BridgeDriver, board: FakeBoard, seconds: float = 5.0) -> str:
    """Read until the driver gives up and return its words."""
    with pytest.raises(SourceLost) as caught:
        read_for(driver, board, seconds)
    assert driver.state().word == "lost"
    assert driver.state().text == str(caught.value)
    return str(caught.value)
