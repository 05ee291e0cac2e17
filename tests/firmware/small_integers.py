"""Runs the timer callback under CPython with integers that watch their own size. Argument: the firmware's folder."""

from __future__ import annotations

import builtins
import json
import random
import sys
import types
from typing import Any

LIMIT = 2**30


class TooLarge(Exception):
    """An integer that would be an object of its own on a 32-bit board."""


class Small(int):
    """An integer whose results are watched as well."""

    largest = 0

    def __new__(cls, value: int) -> Small:
        if not -LIMIT <= value < LIMIT:
            raise TooLarge(value)
        Small.largest = max(Small.largest, abs(value))
        return super().__new__(cls, value)


def watched(name: str) -> Any:
    plain = getattr(int, name)

    def operate(self: int, other: int) -> Small:
        return Small(plain(self, other))

    return operate


for stem in ("add", "sub", "mul", "floordiv", "mod", "and", "or", "lshift", "rshift"):
    for name in (f"__{stem}__", f"__r{stem}__"):
        setattr(Small, name, watched(name))


class Board:
    """Gives watched ticks; its converter gives the largest reading."""

    def __init__(self, now: int) -> None:
        self.now = now
        self.pulses = Small(0xFFFF)

    def ticks_us(self) -> Small:
        return Small(self.now)

    def start_timer(self, period_us: int, callback: object) -> None:
        pass

    def read_row(self, words: Any, at: int) -> None:
        words[at] = 0xFFFF


def main(folder: str) -> None:
    sys.path.insert(0, folder)
    same = lambda item: item  # noqa: E731
    sys.modules["micropython"] = types.SimpleNamespace(const=same, native=same, viper=same)  # type: ignore[assignment]
    for pointer in ("ptr8", "ptr16"):
        setattr(builtins, pointer, object)
    from counter import Counter32
    from ring import Ring
    from sampler import Sampler

    generator = random.Random(3)
    ticks = 0
    for period_us in (500, 1000, 20_000):
        board = Board(LIMIT - 50_000)
        ring = Ring(8, 1)
        sampler = Sampler(board, ring)
        sampler.start(Small(period_us), Counter32(LIMIT - 1, board.now))
        for name in ("index_low", "index_high", "tick_low", "tick_high"):
            setattr(sampler, name, Small(0xFFFF))
        for _ in range(20_000):
            # Mostly in time, now and then as late as a callback can be while the watchdog still lives.
            late = generator.choice((0, 0, 0, 0, period_us // 3, period_us, 2_000_000))
            board.now = (board.now + period_us + late) % LIMIT
            sampler.tick(None)
            if generator.random() < 0.5:
                ring.tail = ring.head
            ticks += 1
    try:
        caught = 0
        Small(LIMIT - 1) + 1
    except TooLarge as err:
        caught = err.args[0]
    print(json.dumps({"ticks": ticks, "largest": Small.largest, "caught": caught}))


main(sys.argv[1])
