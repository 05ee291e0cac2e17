"""The line to /dev/i2c-N: SMBus byte and word transfers, counted, their failures put in words.

The one module that imports smbus2. Only SMBus byte and word transfers are used: every adapter has them, and so
has the kernel's stub for tests, which lacks combined raw messages.

What a failed transfer means is never read from one error number: an absent chip is 121 on one adapter, 6 or 19
on others (Linux, Documentation/i2c/fault-codes.rst, from memory; 19 was seen on the stub, 121 on a Raspberry Pi).
What counts is whether the kernel refused at once or waited: an absent chip is refused, a hung line times out.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Literal, Protocol, TypeVar

from smbus2 import SMBus

from dutylog.clock import Clock
from dutylog.errors import SourceError, SourceLost

SLOW_NS = 20_000_000
"""A failure after more than this was a time-out: the longest transfer here takes 0.5 ms at 100 kHz; judgement."""
ATTEMPTS = 2
"""A refused transfer is tried once more: the thermocouple converter stretches the clock and is known to
need it (reference/10: bus_note of the MCP960x)."""
STUCK_AFTER = 3
"""So many time-outs with nothing good between them, and the bus itself hangs; judgement."""
LOWEST_ADDRESS, HIGHEST_ADDRESS = 0x08, 0x77
"""7-bit addresses outside are reserved (I²C-bus specification UM10204, from memory)."""

Answer = TypeVar("Answer")
Reason = Literal["refused", "slow", "data", "power"]


class Smbus(Protocol):
    """What is used of smbus2.SMBus; `models.ModelBus` has it too."""

    def read_byte(self, i2c_addr: int) -> int: ...
    def write_byte(self, i2c_addr: int, value: int) -> None: ...
    def read_byte_data(self, i2c_addr: int, register: int) -> int: ...
    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None: ...
    def read_word_data(self, i2c_addr: int, register: int) -> int: ...
    def write_word_data(self, i2c_addr: int, register: int, value: int) -> None: ...
    def close(self) -> None: ...


class TransferFailed(SourceError):
    """A chip didn't answer, or not with what must stand there; that chip is asked again later, the bus goes on.

    reason: 'refused' at once, 'slow' (a time-out), 'data' (bits changed on the way), 'power' (registers are as
    after power-on). cause: the part of the text that says what happened, without who and without the remedy.
    """

    def __init__(self, text: str, reason: Reason, cause: str = "") -> None:
        self.reason: Reason = reason
        self.cause = cause or text
        super().__init__(text)


def open_system_smbus(number: int) -> Smbus:
    """Open /dev/i2c-NUMBER; OSError when it can't be."""
    return SMBus(number)


def explain(err: OSError) -> str:
    """Return 'errno 121, Remote I/O error' of an error."""
    return f"errno {err.errno}, {os.strerror(err.errno)}" if err.errno else str(err) or type(err).__name__


class Bus:
    """One bus; not shared between threads. counters: totals by name, kept over `close` and `open`."""

    def __init__(self, number: int, clock: Clock, open_smbus: Callable[[int], Smbus] = open_system_smbus) -> None:
        self.number = number
        self.counters: Counter[str] = Counter(transfers=0, refused=0, timeouts=0, retries=0, stuck=0)
        self.last_good_ns = clock.mono_ns()
        self._clock = clock
        self._open_smbus = open_smbus
        self._smbus: Smbus | None = None
        self._slow_in_a_row = 0
        self._is_moving = False

    @property
    def is_moving(self) -> bool:
        """Return whether the last transfer since `open` was answered or refused, rather than left hanging."""
        return self._is_moving

    def open(self) -> None:
        """Open the bus device; SourceLost with what to do when it can't be."""
        self.close()
        try:
            self._smbus = self._open_smbus(self.number)
        except FileNotFoundError as err:
            raise SourceLost(
                f"I²C bus {self.number}: /dev/i2c-{self.number} isn't there; enable I²C in "
                f"/boot/firmware/config.txt: dtparam=i2c_arm=on, then restart, and check the bus number"
            ) from err
        except PermissionError as err:
            raise SourceLost(
                f"I²C bus {self.number}: /dev/i2c-{self.number} may not be opened ({explain(err)}); "
                f"add the user that runs dutylog to the group i2c"
            ) from err
        except OSError as err:
            raise SourceLost(
                f"I²C bus {self.number}: /dev/i2c-{self.number} can't be opened ({explain(err)}); enable I²C in "
                f"/boot/firmware/config.txt: dtparam=i2c_arm=on, and check whether the adapter is plugged in"
            ) from err
        self._slow_in_a_row, self._is_moving = 0, False
        self.last_good_ns = self._clock.mono_ns()

    def close(self) -> None:
        """Let go of the bus device; safe to call twice, never raises."""
        smbus, self._smbus = self._smbus, None
        if smbus is not None:
            try:
                smbus.close()
            except OSError:
                self.counters["close_failed"] += 1

    def read_byte(self, address: int, attempts: int = ATTEMPTS) -> int:
        """Return the byte a chip without registers hands out."""
        return self._transfer(address, lambda smbus: smbus.read_byte(address), attempts)

    def write_byte(self, address: int, value: int) -> None:
        """Send one byte to a chip without registers."""
        self._transfer(address, lambda smbus: smbus.write_byte(address, value))

    def read8(self, address: int, register: int) -> int:
        """Return an 8-bit register."""
        return self._transfer(address, lambda smbus: smbus.read_byte_data(address, register))

    def write8(self, address: int, register: int, value: int) -> None:
        """Set an 8-bit register."""
        self._transfer(address, lambda smbus: smbus.write_byte_data(address, register, value))

    def read16(self, address: int, register: int) -> int:
        """Return a 16-bit register, high byte first on the wire; an SMBus word is low byte first, so it is turned."""
        return _turned(self._transfer(address, lambda smbus: smbus.read_word_data(address, register)))

    def write16(self, address: int, register: int, value: int) -> None:
        """Set a 16-bit register, high byte first."""
        self._transfer(address, lambda smbus: smbus.write_word_data(address, register, _turned(value)))

    def is_held_low(self, used: Iterable[int]) -> bool:
        """Return whether addresses where nobody sits answer zero: then the data line itself is low."""
        taken = set(used)
        free = [address for address in range(HIGHEST_ADDRESS, LOWEST_ADDRESS - 1, -1) if address not in taken]
        try:
            return all(self.read_byte(address, attempts=1) == 0 for address in free[:3])
        except TransferFailed:
            return False

    def held_low(self) -> SourceLost:
        """Return the error to raise when the data line is low."""
        self.counters["stuck"] += 1
        return SourceLost(
            f"I²C bus {self.number} is stuck: every address answers zero, so SDA is held low; check wiring: a short "
            f"between SDA and ground, a chip without supply; switch sensor supply off and on"
        )

    def _transfer(self, address: int, call: Callable[[Smbus], Answer], attempts: int = ATTEMPTS) -> Answer:
        """Do a transfer, again where it was refused; TransferFailed, or SourceLost when it is the bus that fails."""
        if self._smbus is None:
            raise SourceLost(f"I²C bus {self.number} isn't open")
        for attempt in range(attempts):
            self.counters["transfers"] += 1
            began_ns = self._clock.mono_ns()
            try:
                answer = call(self._smbus)
            except OSError as err:
                is_slow = isinstance(err, TimeoutError | BlockingIOError)
                is_slow |= self._clock.mono_ns() - began_ns >= SLOW_NS
                self._count_failure(is_slow)
                if is_slow:
                    raise self._failed(address, err, "slow") from err
                if attempt + 1 == attempts:
                    raise self._failed(address, err, "refused") from err
                self.counters["retries"] += 1
            else:
                self._slow_in_a_row, self._is_moving = 0, True
                self.last_good_ns = self._clock.mono_ns()
                return answer
        raise AssertionError("unreachable: attempts is at least 1")

    def _count_failure(self, is_slow: bool) -> None:
        """Keep count; a refusal proves that the lines still move, so it ends a row of time-outs."""
        self.counters["timeouts" if is_slow else "refused"] += 1
        self._slow_in_a_row, self._is_moving = (self._slow_in_a_row + 1, False) if is_slow else (0, True)

    def _failed(self, address: int, err: OSError, reason: Reason) -> SourceError:
        if self._slow_in_a_row >= STUCK_AFTER:
            self.counters["stuck"] += 1
            return SourceLost(
                f"I²C bus {self.number} is stuck: {self._slow_in_a_row} transfers in a row ran into a time-out "
                f"({explain(err)}), so SDA or SCL is held low; check wiring: a short, a chip without supply, "
                f"no pull-up resistors; switch sensor supply off and on"
            )
        how = "ran into a time-out" if reason == "slow" else "doesn't answer"
        cause = f"{how} ({explain(err)})"
        return TransferFailed(f"0x{address:02X} on I²C bus {self.number} {cause}", reason, cause)


def _turned(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8 & 0xFF
