"""A bus of chip models behind the methods of smbus2, with faults by script, for tests and for runs without hardware.

Every transfer takes the time its bits take, by the clock handed in. Not modelled: the time the kernel takes, clock
stretching, and what two chips at one address really do to each other (here a zero wins, as on the wire).
"""

from __future__ import annotations

import errno
import os
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from dutylog.acquire.i2c.chip_models import ChipModel, ModelAds1x15, ModelMcp960x
from dutylog.acquire.i2c.timing import BUS_HZ, READ8, READ16, READ_BYTE, WRITE8, WRITE16, WRITE_BYTE
from dutylog.clock import Clock
from dutylog.config.sensors import AdcSettings, ChipPlace, ThermocoupleSettings

TIMEOUT_S = 1.0
"""Linux waits so long for a transfer (i2c_adapter.timeout, one second unless an adapter sets another; from memory)."""
HISTORY = 20_000
Trouble = Literal["nack", "timeout", "held_low", "flip"]
"""nack: not acknowledged. timeout: hangs. held_low: SDA is low, so all acknowledge and read zeros. flip: a bit read."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault by script, while both the transfer's number and the clock are within what is given.

    address: of the chip concerned, None for all. first, last: transfers, counted from 1, ends included.
    from_s, to_s: monotonic time [s]. bit: the one that flips, 0 the lowest of the last byte. number: of the error.
    register: the one concerned, None for all.
    """

    trouble: Trouble
    address: int | None = None
    first: int = 1
    last: int = 1 << 62
    from_s: float = float("-inf")
    to_s: float = float("inf")
    bit: int = 0
    number: int = errno.EREMOTEIO
    register: int | None = None


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transfer that was tried. answer: bytes read, None for a write or where it failed."""

    number: int
    at_ns: int
    address: int
    written: bytes
    answer: bytes | None
    error: int | None


class ModelTca9548a:
    """A multiplexer; attach chips to its branches with `ModelBus.attach`."""

    def __init__(self) -> None:
        self.mask = 0

    def write(self, data: bytes) -> None:
        self.mask = data[-1]

    def read(self, count: int) -> bytes:
        return bytes([self.mask]) * count

    def lose_power(self) -> None:
        self.mask = 0


@dataclass(slots=True)
class Action:
    """Something that happens to a model at a transfer's number or a time [s]."""

    do: Callable[[], None]
    at_transfer: int | None
    at_s: float | None
    is_done: bool = field(default=False)

    def is_due(self, number: int, now_s: float) -> bool:
        """Return whether it is to happen now."""
        by_number = self.at_transfer is not None and number >= self.at_transfer
        return not self.is_done and (by_number or (self.at_s is not None and now_s >= self.at_s))


class ModelBus:
    """What smbus2.SMBus is to a real bus. Chips sit in `chips`, by place, and may be taken out, swapped or added."""

    def __init__(self, clock: Clock, number: int = 1, bus_hz: int = BUS_HZ) -> None:
        self.chips: dict[ChipPlace, ChipModel] = {}
        self.multiplexers: dict[int, ModelTca9548a] = {}
        self.faults: list[Fault] = []
        self.transfers = 0
        self.history: deque[Transfer] = deque(maxlen=HISTORY)
        self.is_there = True
        self.is_open = False
        self._actions: list[Action] = []
        self._clock = clock
        self._number = number
        self.bus_hz = bus_hz

    def open(self, number: int) -> ModelBus:
        """Return itself for a bus number, as opening /dev/i2c-N would; OSError when it isn't there."""
        if number != self._number or not self.is_there:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), f"/dev/i2c-{number}")
        self.is_open = True
        return self

    def close(self) -> None:
        """Close it; it may be opened again."""
        self.is_open = False

    def attach(self, place: ChipPlace, chip: ChipModel) -> None:
        """Put a chip at a place, and the multiplexer it is behind when there is none yet."""
        if place.multiplexer is not None:
            self.multiplexers.setdefault(place.multiplexer, ModelTca9548a())
        self.chips[place] = chip

    def schedule(self, do: Callable[[], None], at_transfer: int | None = None, at_s: float | None = None) -> None:
        """Have something happen before the transfer of that number, or the first one at that time or later."""
        self._actions.append(Action(do, at_transfer, at_s))

    def lose_power(self) -> None:
        """Switch the supply of all chips off and on."""
        for chip in [*self.chips.values(), *self.multiplexers.values()]:
            chip.lose_power()

    def read_byte(self, i2c_addr: int) -> int:
        return self._read(i2c_addr, b"", 1, READ_BYTE)[0]

    def write_byte(self, i2c_addr: int, value: int) -> None:
        self._write(i2c_addr, bytes([value]), WRITE_BYTE)

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        return self._read(i2c_addr, bytes([register]), 1, READ8)[0]

    def write_byte_data(self, i2c_addr: int, register: int, value: int) -> None:
        self._write(i2c_addr, bytes([register, value]), WRITE8)

    def read_word_data(self, i2c_addr: int, register: int) -> int:
        return int.from_bytes(self._read(i2c_addr, bytes([register]), 2, READ16), "little")

    def write_word_data(self, i2c_addr: int, register: int, value: int) -> None:
        self._write(i2c_addr, bytes([register]) + value.to_bytes(2, "little"), WRITE16)

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        return list(self._read(i2c_addr, bytes([register]), length, READ8 + 9 * (length - 1)))

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: list[int]) -> None:
        self._write(i2c_addr, bytes([register, *data]), WRITE8 + 9 * (len(data) - 1))

    def _write(self, address: int, data: bytes, bits: int) -> None:
        for chip in self._begin(address, data, bits):
            chip.write(data)
        self._note(address, data, None)

    def _read(self, address: int, register: bytes, count: int, bits: int) -> bytes:
        chips = self._begin(address, register, bits)
        answer = bytes(count) if self._trouble("held_low", address, register) else b"\xff" * count
        for chip in chips:
            if register:
                chip.write(register)
            answer = bytes(a & b for a, b in zip(answer, chip.read(count), strict=True))
        flip = self._trouble("flip", address, register)
        if flip is not None:
            value = int.from_bytes(answer, "big") ^ 1 << flip.bit % (8 * count)
            answer = value.to_bytes(count, "big")
        self._note(address, register, answer)
        return answer

    def _begin(self, address: int, written: bytes, bits: int) -> list[ChipModel]:
        """Count a transfer, let its time pass, and return who hears it; OSError where it fails."""
        if not self.is_open or not self.is_there:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        self.transfers += 1
        for action in self._actions:
            if action.is_due(self.transfers, self._clock.mono_ns() / 1e9):
                action.is_done = True
                action.do()
        if self._trouble("timeout", address, written):
            self._clock.sleep(TIMEOUT_S)
            raise self._fail(address, written, errno.ETIMEDOUT)
        nack = self._trouble("nack", address, written)
        self._clock.sleep(bits / self.bus_hz)
        heard = [] if nack else self._listeners(address)
        if not heard and not self._trouble("held_low", address, written):
            raise self._fail(address, written, nack.number if nack else errno.EREMOTEIO)
        return heard

    def _listeners(self, address: int) -> list[ChipModel]:
        heard: list[ChipModel] = [chip for at, chip in self.multiplexers.items() if at == address]
        for place, chip in self.chips.items():
            if place.address != address:
                continue
            way = None if place.multiplexer is None else self.multiplexers[place.multiplexer]
            if way is None or (place.branch is not None and way.mask >> place.branch & 1):
                heard.append(chip)
        return heard

    def _trouble(self, trouble: Trouble, address: int, written: bytes) -> Fault | None:
        now_s = self._clock.mono_ns() / 1e9
        for fault in self.faults:
            is_this = fault.trouble == trouble and fault.address in (None, address)
            is_now = fault.first <= self.transfers <= fault.last and fault.from_s <= now_s <= fault.to_s
            if is_this and is_now and (fault.register is None or written[:1] == bytes([fault.register])):
                return fault
        return None

    def _fail(self, address: int, written: bytes, number: int) -> OSError:
        self.history.append(Transfer(self.transfers, self._clock.mono_ns(), address, written, None, number))
        return OSError(number, os.strerror(number))

    def _note(self, address: int, written: bytes, answer: bytes | None) -> None:
        self.history.append(Transfer(self.transfers, self._clock.mono_ns(), address, written, answer, None))


def build_model_bus(
    clock: Clock,
    number: int,
    thermocouples: tuple[ThermocoupleSettings, ...],
    adcs: tuple[AdcSettings, ...],
    hot_c: Callable[[str, float], float],
    volts: Callable[[str, str, float], float],
) -> ModelBus:
    """Return a bus with every chip of the settings on it, all well.

    hot_c: temperature [°C] by position and time [s]. volts: at an input [V] by position, quantity and time [s].
    """
    bus = ModelBus(clock, number)
    for thermocouple in thermocouples:
        position = thermocouple.position
        chip = ModelMcp960x(clock, lambda at_s, of=position: hot_c(of, at_s), wire=thermocouple.kind)  # type: ignore[misc]
        bus.attach(thermocouple.place, chip)
    for adc in adcs:
        inputs = {each.number: (lambda at_s, of=each: volts(of.position, of.quantity, at_s)) for each in adc.inputs}
        bus.attach(adc.place, ModelAds1x15(clock, inputs, adc.chip))
    return bus
