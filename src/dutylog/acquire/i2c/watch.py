"""One chip's health: whether it is set up, when it is asked again, what a person reads about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable

from dutylog.acquire.driver import Word
from dutylog.acquire.i2c.bus import TransferFailed
from dutylog.acquire.i2c.tca9548a import ChipLine
from dutylog.clock import Clock
from dutylog.errors import WrongDevice

FIRST_BACK_OFF_NS = 100_000_000
LONGEST_BACK_OFF_NS = 5_000_000_000
"""A chip that fails is asked again after 0.1 s, then twice as long each time up to 5 s; judgement."""
SLACK_NS = 20_000_000
"""Chips are asked in steps of a tenth of a second: some milliseconds early must not cost a whole step."""


class ChipWatch:
    """Runs what is asked of a chip and keeps its failures to that chip.

    used: addresses where chips are meant to be, so that others can show a data line that is held low.
    """

    def __init__(self, line: ChipLine, clock: Clock, counters: Counter[str], used: Iterable[int]) -> None:
        self.is_set_up = False
        self.word: Word = "waiting"
        self.text = ""
        self._line = line
        self._clock = clock
        self._counters = counters
        self._used = tuple(used)
        self._next_ns: int | None = None
        self._back_off_ns = FIRST_BACK_OFF_NS

    def is_due(self) -> bool:
        """Return whether the chip may be asked now."""
        return self._next_ns is None or self._clock.mono_ns() >= self._next_ns - SLACK_NS

    def start_anew(self) -> None:
        """Take the chip for not set up: the bus was opened."""
        self.is_set_up = False
        self._next_ns = None

    def set_up(self, do: Callable[[], None]) -> None:
        """Set the chip up with `do`, when it is due."""
        if self.is_due() and self.attempt(do, is_reading=False):
            self.is_set_up = True
            self._counters["set_ups"] += 1

    def attempt(self, do: Callable[[], object], is_reading: bool = True) -> bool:
        """Do something with the chip; return whether it went well. SourceLost when it is the bus that fails."""
        try:
            do()
        except TransferFailed as err:
            if err.reason == "power":
                self._counters["power_losses"] += 1
            elif err.reason == "data":
                self._counters["bad_data"] += 1
            self._fail("lost", str(err))
        except WrongDevice as err:
            if self._line.bus.is_held_low(self._used):
                raise self._line.bus.held_low() from err
            if self.word != "wrong":
                self._counters["wrong_chips"] += 1
            self._fail("wrong", str(err))
        else:
            if is_reading:
                self._next_ns = None
                self._back_off_ns = FIRST_BACK_OFF_NS
                self._recover()
            return True
        return False

    def _recover(self) -> None:
        if self.word in ("lost", "wrong"):
            self._counters["resumed"] += 1
        self.word, self.text = "working", ""

    def _fail(self, word: Word, text: str) -> None:
        self._counters["back_offs"] += 1
        self.is_set_up = False
        self.word, self.text = word, text
        self._next_ns = self._clock.mono_ns() + self._back_off_ns
        self._back_off_ns = min(2 * self._back_off_ns, LONGEST_BACK_OFF_NS)
        self._line.forget_branch()
