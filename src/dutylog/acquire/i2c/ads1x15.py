"""The analogue converters ADS1115 (16 bits) and ADS1015 (12 bits, left-aligned in 16): words and one conversion.

Registers are 16 bits, high byte first: 0 conversion, 1 configuration, 2 and 3 thresholds of the comparator.
There is no identity register: a chip is taken for one of these when its configuration and a threshold can be written
and read back. The comparator stays off, so the low threshold is free to hold a mark: a chip that lost its supply has
lost it. A conversion is started by a write of the configuration, which is read back before the result is taken.

Source: tests/data/reference/10_i2c_devices.json, "ads1115": registers, configuration bits, ranges and rates as in the
open drivers named there (Linux ti-ads1015.c among them); reset values of the thresholds from memory. The rates of the
ADS1015: data_rate_table of Linux drivers/hwmon/ads1015.c.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from dutylog.acquire.i2c.bus import TransferFailed
from dutylog.acquire.i2c.tca9548a import ChipLine, describe
from dutylog.clock import Clock
from dutylog.errors import InputError, WrongDevice

CONVERSION, CONFIG, LOW_THRESHOLD, HIGH_THRESHOLD = 0x00, 0x01, 0x02, 0x03
RESET_CONFIG, RESET_LOW, RESET_HIGH = 0x8583, 0x8000, 0x7FFF
MARK = 0xA5C0
"""What we leave in the low threshold: neither its reset value nor one that a dead line gives; last four bits 0."""
THRESHOLD_BITS = 0xFFF0
"""The last four bits are fixed in the 12-bit chip (from memory), so they aren't looked at."""
START_OR_IDLE = 0x8000
"""Bit 15: written 1 starts a conversion, read 1 means that none runs."""
RANGES_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256)
"""Full scale by its code; codes 6 and 7 are 0.256 V too."""
SINGLE_ENDED = 4
"""Code of input 0 against ground; inputs 1 to 3 follow. Codes below are differences of two inputs."""
OSCILLATOR_ERROR = 0.10
"""The converter's own clock may be so much slower (reference/10: data_rates)."""
POLLS = 4
"""Further looks, a tenth of a conversion apart, when one isn't finished in its longest time; judgement."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A type of converter. rates_hz: by their code. unused_bits: low bits of a result that are always 0."""

    name: str
    rates_hz: tuple[int, ...]
    unused_bits: int

    @property
    def fastest_hz(self) -> int:
        """Return the highest rate."""
        return self.rates_hz[-1]


KINDS = {
    "ADS1115": Kind("ADS1115", (8, 16, 32, 64, 128, 250, 475, 860), 0x0000),
    "ADS1015": Kind("ADS1015", (128, 250, 490, 920, 1600, 2400, 3300), 0x000F),
}


def encode_config(
    kind: Kind, mux: int, range_v: float, rate_hz: int, is_start: bool = True, is_single: bool = True, queue: int = 3
) -> int:
    """Return the configuration word.

    Args:
        mux: code 0..7 of the input pair; SINGLE_ENDED + n is input n against ground.
        range_v: one of RANGES_V [V]. rate_hz: one of the kind's rates [Hz].
        is_start: start a conversion. is_single: single shots, else continuous. queue: of the comparator, 3 is off.
    Raises:
        InputError: a value the chip doesn't have.
    """
    if not 0 <= mux <= 7 or range_v not in RANGES_V or rate_hz not in kind.rates_hz or not 0 <= queue <= 3:
        raise InputError(f"{kind.name} has no input code {mux}, range {range_v} V, rate {rate_hz} Hz, queue {queue}")
    gain, rate = RANGES_V.index(range_v), kind.rates_hz.index(rate_hz)
    return is_start << 15 | mux << 12 | gain << 9 | is_single << 8 | rate << 5 | queue


def decode_counts(raw: int) -> int:
    """Return a conversion register as the signed number it is, -32768..32767, both kinds alike (left-aligned)."""
    return raw - 0x10000 if raw & 0x8000 else raw


def compute_volts(counts: int, range_v: float) -> float:
    """Return the voltage of signed counts; full scale is 32768 counts."""
    return counts * range_v / 32768


def longest_conversion_s(rate_hz: int) -> float:
    """Return the longest time a single conversion may take [s]."""
    return (1 + OSCILLATOR_ERROR) / rate_hz


class Ads1x15:
    """One converter, used in single shots at its fastest rate.

    Its methods raise TransferFailed (no answer, or registers as after power-on), WrongDevice (something
    else is at the address) and SourceLost (the bus hangs).
    """

    def __init__(self, line: ChipLine, kind: Kind, range_v: float, clock: Clock, counters: Counter[str]) -> None:
        self.kind = kind
        self.range_v = range_v
        self._line = line
        self._clock = clock
        self._counters = counters
        self._started = 0
        self._ready_ns = 0
        encode_config(kind, SINGLE_ENDED, range_v, kind.fastest_hz)  # refuses a range the chip lacks

    @property
    def conversion_s(self) -> float:
        """Return the longest time of one conversion [s]."""
        return longest_conversion_s(self.kind.fastest_hz)

    def set_up(self) -> None:
        """Write the configuration and a mark, read both back."""
        config = self._config_of(0) & ~START_OR_IDLE
        for _ in range(2):  # one bit changed on the way must not look like another chip
            self._line.write16(CONFIG, config)
            seen = self._line.read16(CONFIG)
            if seen & ~START_OR_IDLE == config:
                self._set_mark()
                return
        if seen == RESET_CONFIG:
            raise self._power_lost()
        raise self._wrong(f"reads 0x{seen:04X} after 0x{config:04X} was written to its configuration")

    def check_mark(self) -> None:
        """See whether the chip kept its supply since it was set up."""
        if self._holds(LOW_THRESHOLD, MARK):
            return
        if self._holds(LOW_THRESHOLD, RESET_LOW):
            raise self._power_lost()
        if not self._holds(LOW_THRESHOLD, MARK):
            raise TransferFailed(f"{self._name()} lost what was written to it; check wiring and supply", "data")
        self._counters["bad_data"] += 1

    def start(self, number: int) -> None:
        """Begin the conversion of input `number`, 0..3."""
        self._started = self._config_of(number)
        self._line.write16(CONFIG, self._started)
        self._ready_ns = self._clock.mono_ns() + round(self.conversion_s * 1e9)

    def finish(self) -> int:
        """Wait for the conversion begun and return its signed counts."""
        self._clock.sleep(max(0, self._ready_ns - self._clock.mono_ns()) / 1e9)
        for _ in range(1 + POLLS):
            seen = self._line.read16(CONFIG)
            self._compare(seen)
            if seen & START_OR_IDLE:
                return self._take_result()
            self._clock.sleep(self.conversion_s / 10)
        raise TransferFailed(f"{self._name()} never finishes a conversion; check its supply", "data")

    def _take_result(self) -> int:
        raw = self._line.read16(CONVERSION)
        if raw & self.kind.unused_bits:
            self._counters["bad_data"] += 1
            again = self._line.read16(CONVERSION)
            if again & self.kind.unused_bits:
                raise self._wrong(f"hands out 0x{again:04X}, an {self.kind.name} has zeros in the last four bits")
            raw = again
        return decode_counts(raw)

    def _compare(self, seen: int) -> None:
        """Check the configuration read against the one written, all bits but the one that says idle."""
        written = self._started & ~START_OR_IDLE
        if seen & ~START_OR_IDLE == written:
            return
        again = self._line.read16(CONFIG)
        if again & ~START_OR_IDLE == written:
            self._counters["bad_data"] += 1
        elif again == RESET_CONFIG:
            raise self._power_lost()
        else:
            raise TransferFailed(
                f"{self._name()} reads 0x{again:04X} after 0x{self._started:04X} was written; check wiring and supply",
                "data",
            )

    def _set_mark(self) -> None:
        """Write the mark, read it back, and find the other threshold at its reset value."""
        self._line.write16(LOW_THRESHOLD, MARK)
        for register, expected in ((LOW_THRESHOLD, MARK), (HIGH_THRESHOLD, RESET_HIGH)):
            if not self._holds(register, expected) and not self._holds(register, expected):
                raise self._wrong(f"doesn't hold 0x{expected:04X} in register {register}")

    def _holds(self, register: int, expected: int) -> bool:
        return self._line.read16(register) & THRESHOLD_BITS == expected & THRESHOLD_BITS

    def _config_of(self, number: int) -> int:
        return encode_config(self.kind, SINGLE_ENDED + number, self.range_v, self.kind.fastest_hz)

    def _name(self) -> str:
        return f"{self.kind.name} at {describe(self._line.place)}"

    def _power_lost(self) -> TransferFailed:
        return TransferFailed(
            f"{self._name()} started anew: its registers are as after power-on; check its supply and plugs", "power"
        )

    def _wrong(self, seen: str) -> WrongDevice:
        return WrongDevice(
            f"the chip at {describe(self._line.place)} is no {self.kind.name}: it {seen}; check the address straps and "
            f"which chip is fitted"
        )
