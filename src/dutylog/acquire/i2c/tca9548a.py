"""The TCA9548A multiplexer: eight branches behind one address, so that chips may share addresses.

Its control register has no number: a byte written selects branches (bit n: branch n), a byte read is what is
selected; 0 after power-on; the branch connects after the stop condition.
Source: tests/data/reference/10_i2c_devices.json, "tca9548a": write and read as in the two open drivers named there,
reset value and moment of connection from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from dutylog.acquire.i2c.bus import Bus, TransferFailed
from dutylog.config.sensors import ChipPlace
from dutylog.errors import WrongDevice

BRANCHES = 8
Answer = TypeVar("Answer")


def encode_mask(branches: Iterable[int]) -> int:
    """Return the control byte that connects the branches named, each 0..7."""
    mask = 0
    for branch in branches:
        mask |= 1 << branch
    return mask


class Multiplexers:
    """All multiplexers of one bus; at most one branch of one of them is connected at a time."""

    def __init__(self, bus: Bus, addresses: Iterable[int]) -> None:
        self._bus = bus
        self._masks: dict[int, int | None] = dict.fromkeys(addresses)

    def forget(self) -> None:
        """Take nothing for selected any more: after a failure or a new start of the bus."""
        self._masks = dict.fromkeys(self._masks)

    def select(self, address: int, branch: int) -> None:
        """Connect one branch, and cut those of the other multiplexers off before.

        Raises:
            TransferFailed: the multiplexer doesn't answer.
            WrongDevice: it doesn't keep what was written.
            SourceLost: the bus hangs.
        """
        for other, mask in self._masks.items():
            if other != address and mask != 0:
                self._cut_off(other)
        mask = encode_mask([branch])
        if self._masks[address] != mask:
            self.set_mask(address, mask)

    def set_mask(self, address: int, mask: int) -> None:
        """Write the control byte and read it back; errors as `select`."""
        self._masks[address] = None
        for _ in range(2):  # one bit changed on the way must not look like another chip
            try:
                self._bus.write_byte(address, mask)
                seen = self._bus.read_byte(address)
            except TransferFailed as err:
                text = f"multiplexer at {err}; check its supply, SDA, SCL and address straps"
                raise TransferFailed(text, err.reason) from err
            if seen == mask:
                self._masks[address] = mask
                return
        raise WrongDevice(
            f"multiplexer at 0x{address:02X} on I²C bus {self._bus.number} reads 0x{seen:02X} after 0x{mask:02X} "
            f"was written; is it a TCA9548A? check its address straps and supply"
        )

    def _cut_off(self, address: int) -> None:
        """Disconnect all branches; one that doesn't answer connects nothing either."""
        try:
            self._bus.write_byte(address, 0)
        except TransferFailed:
            self._masks[address] = None
        else:
            self._masks[address] = 0


class ChipLine:
    """The way to one chip's registers, through the multiplexer where there is one; raises as `select` does.

    what: the chip in words, for people.
    """

    def __init__(self, bus: Bus, multiplexers: Multiplexers, place: ChipPlace, what: str) -> None:
        self.place = place
        self.bus = bus
        self.what = what
        self._multiplexers = multiplexers

    def read8(self, register: int) -> int:
        """Return an 8-bit register."""
        return self._ask(lambda: self.bus.read8(self.place.address, register))

    def write8(self, register: int, value: int) -> None:
        """Set an 8-bit register."""
        self._ask(lambda: self.bus.write8(self.place.address, register, value))

    def read16(self, register: int) -> int:
        """Return a 16-bit register."""
        return self._ask(lambda: self.bus.read16(self.place.address, register))

    def write16(self, register: int, value: int) -> None:
        """Set a 16-bit register."""
        self._ask(lambda: self.bus.write16(self.place.address, register, value))

    def select(self) -> None:
        """Connect the branch the chip sits behind."""
        if self.place.multiplexer is not None and self.place.branch is not None:
            self._multiplexers.select(self.place.multiplexer, self.place.branch)

    def forget_branch(self) -> None:
        """Select the branch anew next time: the multiplexer may have lost its supply too."""
        if self.place.multiplexer is not None:
            self._multiplexers.forget()

    def _ask(self, call: Callable[[], Answer]) -> Answer:
        self.select()
        try:
            return call()
        except TransferFailed as err:
            text = f"{self.what} at {describe(self.place)} {err.cause}; check its supply, SDA, SCL and address straps"
            raise TransferFailed(text, err.reason) from err


def describe(place: ChipPlace) -> str:
    """Return '0x67 on I²C bus 1, branch 3 of multiplexer 0x70'."""
    text = f"0x{place.address:02X} on I²C bus {place.bus}"
    if place.multiplexer is None:
        return text
    return f"{text}, branch {place.branch} of multiplexer 0x{place.multiplexer:02X}"
