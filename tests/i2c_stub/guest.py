"""Runs in the small machine: the contract of chips over the kernel's I²C stub. Prints a line for each check.

The stub keeps one 16-bit word for each register of each address, low byte first, and does nothing by itself
(Linux, Documentation/i2c/i2c-stub.rst, from memory). So what a chip would do is done here: registers that it has
after power-on, and the update bit of a thermocouple converter, which `StubClock.sleep` sets as a conversion would.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable

from acquire.i2c.contract import Bench, ChipContract
from dutylog.acquire.i2c.ads1x15 import CONFIG, CONVERSION, HIGH_THRESHOLD, LOW_THRESHOLD
from dutylog.acquire.i2c.bus import Bus, Smbus, open_system_smbus
from dutylog.acquire.i2c.mcp960x import COLD, DEVICE_ID, HOT, STATUS, UPDATED
from dutylog.clock import SystemClock
from dutylog.config.sensors import ChipPlace

ADC, THERMOCOUPLE, MULTIPLEXER, EMPTY = 0x48, 0x60, 0x70, 0x0B
STUB_ADDRESSES = (ADC, THERMOCOUPLE, MULTIPLEXER)
DONE = "ALL CHECKS DONE"


class StubClock(SystemClock):
    """Lets a conversion end in each wait."""

    def __init__(self, smbus: Smbus) -> None:
        self._smbus = smbus

    def sleep(self, seconds: float) -> None:
        super().sleep(min(seconds, 0.01))
        self._smbus.write_byte_data(THERMOCOUPLE, STATUS, UPDATED)


def prepare(smbus: Smbus) -> None:
    """Fill the stub's registers as chips have them."""
    for address, register, word in (
        (ADC, CONVERSION, 0xF000),
        (ADC, CONFIG, 0x8583),
        (ADC, LOW_THRESHOLD, 0x8000),
        (ADC, HIGH_THRESHOLD, 0x7FFF),
        (THERMOCOUPLE, HOT, 0xFE70),
        (THERMOCOUPLE, COLD, 0x0190),
        (THERMOCOUPLE, DEVICE_ID, 0x4110),
    ):
        smbus.write_word_data(address, register, (word & 0xFF) << 8 | word >> 8)
    for branch in range(8):
        smbus.write_byte_data(MULTIPLEXER, 1 << branch, 1 << branch)


def run_checks(number: int, open_smbus: Callable[[int], Smbus], say: Callable[[str], object]) -> int:
    """Run all checks over a stub; return how many failed."""
    smbus = open_smbus(number)
    prepare(smbus)
    clock = StubClock(smbus)
    bus = Bus(number, clock, open_smbus)
    bus.open()
    at = [ChipPlace(number, address) for address in (THERMOCOUPLE, ADC)]
    contract = ChipContract()
    failed = 0
    for name in contract.checks():
        bench = Bench(bus, clock, at[0], at[1], "ADS1115", 2.048, MULTIPLEXER, EMPTY)
        try:
            assert getattr(contract, name)(bench) is True, "the check found nothing to check"
        except Exception:  # noqa: BLE001 - every failure is told, the other checks go on
            failed += 1
            say(f"FAILED {name}\n{traceback.format_exc()}")
        else:
            say(f"passed {name}")
    say(f"transfers {bus.counters['transfers']}, refused {bus.counters['refused']}")
    return failed


if __name__ == "__main__":
    sys.exit(print(DONE) if run_checks(int(sys.argv[1]), open_system_smbus, print) == 0 else 1)
