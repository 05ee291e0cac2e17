"""The thermocouple converters MCP9600 and MCP9601: words, identity, one reading.

They measure the thermocouple, compensate its cold junction and compute the temperature themselves. A reading
starts with the identity, so neither a dead data line (zeros would be 0.0 °C) nor another chip at the address
passes for a temperature; and the registers set up are looked at in turn, so a lost supply is noticed within
three readings.

Source: tests/data/reference/10_i2c_devices.json, "mcp960x": registers, bits and identities as in the open drivers named
there; times of conversion and reset values from memory.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from dutylog.acquire.i2c.bus import TransferFailed
from dutylog.acquire.i2c.tca9548a import ChipLine, describe
from dutylog.errors import InputError, WrongDevice

HOT, COLD, STATUS, SENSOR_CONFIG, DEVICE_CONFIG, DEVICE_ID = 0x00, 0x02, 0x04, 0x05, 0x06, 0x20
IDENTITIES = {0x40: "MCP9600", 0x41: "MCP9601"}
TYPE_CODES = {"K": 0, "J": 1, "T": 2, "N": 3, "S": 4, "E": 5, "B": 6, "R": 7}
STEP_C = 0.0625
BITS_CODES = {18: 0, 16: 1, 14: 2, 12: 3}
UPDATED, SHORT, OPEN_OR_RANGE = 0x40, 0x20, 0x10
RESET_DEVICE_CONFIG = 0x00
ADC_BITS = 16
"""80 ms a conversion, so each of ten readings a second is a new one; 18 bits take 320 ms."""
FILTER = 2
"""Averages over about two conversions; a damper's body takes minutes. Judgement."""
COLD_RANGE_C = (-40.0, 125.0)
JUMP_C = 10.0
"""No damper's body changes so much in a tenth of a second: such a value is read again. Judgement."""
AGREE_C = 1.0
"""Two readings of the same register, at most one conversion apart; judgement."""


@dataclass(frozen=True, slots=True)
class Status:
    """Bits of the status register; None where the part doesn't have one."""

    is_burst_complete: bool
    is_updated: bool
    is_short: bool | None
    is_open: bool | None
    is_out_of_range: bool | None
    alerts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One look at the chip. hot_c: None while no new conversion came. cold_c: None when it wasn't its turn."""

    status: Status
    hot_c: float | None
    cold_c: float | None


def decode_temperature_c(raw: int) -> float:
    """Return a 16-bit temperature register as °C: two's complement, 1/16 K a step, hot and cold alike."""
    return (raw - 0x10000 if raw & 0x8000 else raw) * STEP_C


def decode_status(raw: int, part: str) -> Status:
    """Return the meaning of the status byte of an 'MCP9600' or 'MCP9601'."""
    has_detector = part == "MCP9601"
    is_bit4 = bool(raw & OPEN_OR_RANGE)
    return Status(
        is_burst_complete=bool(raw & 0x80),
        is_updated=bool(raw & UPDATED),
        is_short=bool(raw & SHORT) if has_detector else None,
        is_open=is_bit4 if has_detector else None,
        is_out_of_range=None if has_detector else is_bit4,
        alerts=tuple(number for number in (1, 2, 3, 4) if raw & 1 << number - 1),
    )


def encode_sensor_config(kind: str, filter_code: int) -> int:
    """Return the byte for a thermocouple type (letter) and filter 0 (off) to 7; InputError for others."""
    if kind not in TYPE_CODES or not 0 <= filter_code <= 7:
        raise InputError(f"MCP960x has no type {kind!r} with filter {filter_code}")
    return TYPE_CODES[kind] << 4 | filter_code


def encode_device_config(adc_bits: int, cold_step_c: float = STEP_C, burst: int = 1, mode: int = 0) -> int:
    """Return the byte for resolution (18, 16, 14, 12 bits), cold junction's step (0.0625, 0.25 K), burst, mode 0..2.

    Raises:
        InputError: a value the chip doesn't have.
    """
    bursts = [1 << n for n in range(8)]
    if adc_bits not in BITS_CODES or cold_step_c not in (0.0625, 0.25) or burst not in bursts or mode not in (0, 1, 2):
        raise InputError(f"MCP960x has no {adc_bits} bits, cold step {cold_step_c} K, burst {burst}, mode {mode}")
    return (cold_step_c == 0.25) << 7 | BITS_CODES[adc_bits] << 5 | bursts.index(burst) << 2 | mode


class Mcp960x:
    """One converter.

    Its methods raise TransferFailed (no answer, bits changed, or registers as after power-on), WrongDevice (something
    else is at the address) and SourceLost (the bus hangs).
    """

    def __init__(self, line: ChipLine, kind: str, counters: Counter[str]) -> None:
        self.part = ""
        self._line = line
        self._counters = counters
        self._sensor_config = encode_sensor_config(kind, FILTER)
        self._device_config = encode_device_config(ADC_BITS)
        self._last_hot_c: float | None = None
        self._turn = 0

    def set_up(self) -> None:
        """Check the identity, set type, filter and resolution, read them back."""
        self.part = self._check_identity()
        self._last_hot_c = None
        for register, value in ((SENSOR_CONFIG, self._sensor_config), (DEVICE_CONFIG, self._device_config)):
            self._line.write8(register, value)
            seen = self._line.read8(register)
            if seen != value:
                raise TransferFailed(
                    f"{self.name()} reads 0x{seen:02X} after 0x{value:02X} was written to register {register}; "
                    f"check wiring and supply",
                    "data",
                )
        self._line.write8(STATUS, 0)

    def read(self) -> Reading:
        """Look at identity, status, the temperature if it is new, and one of the other registers in turn."""
        self.part = self._check_identity()
        self._turn = (self._turn + 1) % 3
        cold_c = self._read_cold_c() if self._turn == 0 else None
        if self._turn == 1:
            self._check_config(SENSOR_CONFIG, self._sensor_config)
        elif self._turn == 2:
            self._check_config(DEVICE_CONFIG, self._device_config)
        raw = self._line.read8(STATUS)
        status = decode_status(raw, self.part)
        hot_c = None
        if status.is_updated:
            hot_c = self._read_hot_c()
            self._line.write8(STATUS, raw & ~UPDATED)
        return Reading(status, hot_c, cold_c)

    def name(self) -> str:
        """Return 'MCP9601 at 0x67 on I²C bus 1'."""
        return f"{self.part or 'thermocouple converter'} at {describe(self._line.place)}"

    def _check_identity(self) -> str:
        for _ in range(2):  # one bit changed on the way must not look like another chip
            raw = self._line.read16(DEVICE_ID)
            if raw >> 8 in IDENTITIES:
                return IDENTITIES[raw >> 8]
            self._counters["bad_data"] += 1
        raise WrongDevice(
            f"the chip at {describe(self._line.place)} is no MCP9600 or MCP9601: identity 0x{raw >> 8:02X}, expected "
            f"0x40 or 0x41; check the address straps and which chip is fitted"
        )

    def _check_config(self, register: int, expected: int) -> None:
        seen = self._line.read8(register)
        if seen != expected and self._line.read8(register) == expected:
            self._counters["bad_data"] += 1
            return
        if seen == expected:
            return
        if self._line.read8(DEVICE_CONFIG) == RESET_DEVICE_CONFIG:
            raise TransferFailed(
                f"{self.name()} started anew: its registers are as after power-on; check its supply and plugs", "power"
            )
        raise TransferFailed(
            f"{self.name()} reads 0x{seen:02X} in register {register}, 0x{expected:02X} was written; check wiring "
            f"and supply",
            "data",
        )

    def _read_cold_c(self) -> float:
        return decode_temperature_c(self._line.read16(COLD))

    def _read_hot_c(self) -> float | None:
        """Return the hot junction; a jump must show twice, because nothing guards these bits on their way."""
        hot_c = decode_temperature_c(self._line.read16(HOT))
        last_c = self._last_hot_c
        if last_c is None or abs(hot_c - last_c) > JUMP_C:
            again_c = decode_temperature_c(self._line.read16(HOT))
            if abs(again_c - hot_c) > AGREE_C:
                self._counters["bad_data"] += 1
                if last_c is None or abs(again_c - last_c) > JUMP_C:
                    return None
            hot_c = again_c
        self._last_hot_c = hot_c
        return hot_c
