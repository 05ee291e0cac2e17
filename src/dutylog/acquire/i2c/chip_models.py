"""Models of the chips, true to their registers, for tests and for runs without hardware.

A chip model takes what the bus carries: bytes written after its address, and a number of bytes to hand out. What it
measures is a function of time, so a test knows the truth. Not modelled: noise, the converters' errors, clock
stretching, alerts, burst mode, how coarse fewer than 18 bits are, and continuous conversion with a pending setting;
types S, B and R give the cold junction's temperature.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Protocol

from dutylog.acquire.i2c import ads1x15, mcp960x
from dutylog.acquire.thermocouple import KINDS as KNOWN_TYPES
from dutylog.acquire.thermocouple import compute_emf_mv, compute_hot_c
from dutylog.clock import Clock

OfTime = Callable[[float], float]
"""A quantity by the clock's monotonic time [s]."""
FILTER_MEMORY = 64
"""Conversions that a model catches up with after a long time without a question."""
CONVERSION_NS = {18: 320_000_000, 16: 80_000_000, 14: 20_000_000, 12: 5_000_000}
"""Of the thermocouple converter by its resolution (reference/10: conversion_time_ms, from memory)."""


class ChipModel(Protocol):
    """A chip as the bus sees it."""

    def write(self, data: bytes) -> None:
        """Take the bytes behind the address; the first is the register's number where the chip has such."""
        ...

    def read(self, count: int) -> bytes:
        """Hand out bytes, from the register named last."""
        ...

    def lose_power(self) -> None:
        """Put all registers at what they are after power-on."""
        ...


class ModelMcp960x:
    """A thermocouple converter. identity: 0x40 MCP9600, 0x41 MCP9601. wire: the true type of the thermocouple.

    is_open, is_short, is_stalled: set by a test. The MCP9600 can't tell a short from a cold thermocouple.
    """

    def __init__(
        self, clock: Clock, hot_c: OfTime, cold_c: OfTime = lambda _: 25.0, identity: int = 0x41, wire: str = "K"
    ) -> None:
        self.hot_c, self.cold_c, self.wire = hot_c, cold_c, wire
        self.is_open = self.is_short = self.is_stalled = False
        self._clock = clock
        self._identity = identity
        self.lose_power()

    def lose_power(self) -> None:
        self.registers = {mcp960x.SENSOR_CONFIG: 0, mcp960x.DEVICE_CONFIG: 0, mcp960x.STATUS: 0}
        self._words = {mcp960x.HOT: 0, 0x01: 0, mcp960x.COLD: 0, mcp960x.DEVICE_ID: self._identity << 8 | 0x10}
        self._pointer = 0
        self._filtered_c: float | None = None
        self._next_ns = self._clock.mono_ns() + CONVERSION_NS[18]

    def write(self, data: bytes) -> None:
        self._convert()
        self._pointer = data[0]
        if len(data) > 1 and self._pointer == mcp960x.STATUS:  # only its upper two bits can be cleared
            self.registers[mcp960x.STATUS] &= data[1] | 0x3F
        elif len(data) > 1 and self._pointer in self.registers:
            self.registers[self._pointer] = data[1]
            if self._pointer == mcp960x.DEVICE_CONFIG:
                self._next_ns = self._clock.mono_ns() + self._conversion_ns()

    def read(self, count: int) -> bytes:
        self._convert()
        if self._pointer in self._words:
            return (self._words[self._pointer].to_bytes(2, "big") + bytes(count))[:count]
        return (bytes([self.registers.get(self._pointer, 0)]) + bytes(count))[:count]

    def _conversion_ns(self) -> int:
        code = self.registers[mcp960x.DEVICE_CONFIG] >> 5 & 3
        return next(CONVERSION_NS[bits] for bits, at in mcp960x.BITS_CODES.items() if at == code)

    def _convert(self) -> None:
        """Do the conversions that have ended by now."""
        step_ns, now_ns = self._conversion_ns(), self._clock.mono_ns()
        if self.is_stalled or now_ns < self._next_ns:
            return
        due = (now_ns - self._next_ns) // step_ns + 1
        for back in range(min(due, FILTER_MEMORY) - 1, -1, -1):
            self._finish_conversion((self._next_ns + (due - 1 - back) * step_ns) / 1e9)
        self._next_ns += due * step_ns

    def _finish_conversion(self, at_s: float) -> None:
        cold_c = self.cold_c(at_s)
        hot_c, is_in_range = self._seen_c(self.hot_c(at_s), cold_c)
        exponent = self.registers[mcp960x.SENSOR_CONFIG] & 7
        weight = 1.0 if exponent == 0 else 2 / (2**exponent + 1)
        before_c = hot_c if self._filtered_c is None else self._filtered_c
        self._filtered_c = before_c + weight * (hot_c - before_c)
        self._words[mcp960x.HOT] = encode_temperature(self._filtered_c)
        self._words[mcp960x.COLD] = encode_temperature(cold_c)
        self._words[0x01] = encode_temperature(self._filtered_c - cold_c)
        status = self.registers[mcp960x.STATUS] & ~(mcp960x.SHORT | mcp960x.OPEN_OR_RANGE) | mcp960x.UPDATED
        if self._identity == 0x41:
            status |= self.is_short * mcp960x.SHORT | self.is_open * mcp960x.OPEN_OR_RANGE
        elif not is_in_range or self.is_open:
            status |= mcp960x.OPEN_OR_RANGE
        self.registers[mcp960x.STATUS] = status

    def _seen_c(self, hot_c: float, cold_c: float) -> tuple[float, bool]:
        """Return what the chip makes of the thermocouple's voltage, by the type it is set to."""
        code = self.registers[mcp960x.SENSOR_CONFIG] >> 4 & 7
        kind = next(letter for letter, at in mcp960x.TYPE_CODES.items() if at == code)
        if self.is_open or self.is_short or kind not in KNOWN_TYPES:
            return cold_c, True
        if kind == self.wire:
            return hot_c, math.isfinite(float(compute_emf_mv(kind, hot_c)))
        emf_mv = compute_emf_mv(self.wire, hot_c) - compute_emf_mv(self.wire, cold_c)
        seen_c = float(compute_hot_c(kind, emf_mv, cold_c))
        return (seen_c, True) if math.isfinite(seen_c) else (cold_c, False)


def encode_temperature(value_c: float) -> int:
    """Return the register of a temperature, steps of 1/16 K, held at the ends of 16 bits."""
    steps = round(value_c / mcp960x.STEP_C)
    return max(-0x8000, min(0x7FFF, steps)) & 0xFFFF


class ModelAds1x15:
    """An analogue converter. volts: voltage at inputs 0..3 by time; others are 0 V. speed: of its oscillator."""

    def __init__(self, clock: Clock, volts: Mapping[int, OfTime], kind: str = "ADS1115", speed: float = 1.0) -> None:
        self.volts = dict(volts)
        self._clock = clock
        self._kind = ads1x15.KINDS[kind]
        self._speed = speed
        self.lose_power()

    def lose_power(self) -> None:
        self.registers = [0, ads1x15.RESET_CONFIG & ~ads1x15.START_OR_IDLE, ads1x15.RESET_LOW, ads1x15.RESET_HIGH]
        self._pointer = 0
        self._end_ns: int | None = None

    def write(self, data: bytes) -> None:
        self._convert()
        self._pointer = data[0] & 3
        if len(data) < 3 or self._pointer == ads1x15.CONVERSION:
            return
        word = int.from_bytes(data[1:3], "big")
        if self._pointer == ads1x15.CONFIG:
            if word & ads1x15.START_OR_IDLE and word & 0x0100 and self._end_ns is None:
                self._end_ns = self._clock.mono_ns() + self._conversion_ns(word)
            word &= ~ads1x15.START_OR_IDLE
        elif self._kind.unused_bits:  # the 12-bit chip's last four bits are fixed (from memory)
            word = word & 0xFFF0 | (0x000F if self._pointer == ads1x15.HIGH_THRESHOLD else 0)
        self.registers[self._pointer] = word

    def read(self, count: int) -> bytes:
        self._convert()
        word = self.registers[self._pointer]
        if self._pointer == ads1x15.CONFIG and self._end_ns is None:
            word |= ads1x15.START_OR_IDLE
        return (word.to_bytes(2, "big") + bytes(count))[:count]

    def _conversion_ns(self, config: int) -> int:
        rates_hz = self._kind.rates_hz
        return round(1e9 / rates_hz[min(config >> 5 & 7, len(rates_hz) - 1)] / self._speed)

    def _convert(self) -> None:
        config, now_ns = self.registers[ads1x15.CONFIG], self._clock.mono_ns()
        if not config & 0x0100:
            step_ns = self._conversion_ns(config)
            self._take(config, now_ns - now_ns % step_ns - step_ns // 2)
        elif self._end_ns is not None and now_ns >= self._end_ns:
            self._take(config, self._end_ns - self._conversion_ns(config) // 2)
            self._end_ns = None

    def _take(self, config: int, middle_ns: int) -> None:
        """Convert the voltage in the middle of the conversion."""
        pairs = {0: (0, 1), 1: (0, 3), 2: (1, 3), 3: (2, 3)}
        code = config >> 12 & 7
        plus, minus = pairs.get(code, (code - ads1x15.SINGLE_ENDED, None))
        volts = self._volts(plus, middle_ns) - (0.0 if minus is None else self._volts(minus, middle_ns))
        self.registers[ads1x15.CONVERSION] = encode_conversion(
            volts, ads1x15.RANGES_V[min(config >> 9 & 7, 5)], self._kind
        )

    def _volts(self, number: int, at_ns: int) -> float:
        return self.volts[number](at_ns / 1e9) if number in self.volts else 0.0


def encode_conversion(volts: float, range_v: float, kind: ads1x15.Kind) -> int:
    """Return the conversion register of a voltage, held at the ends of the range, left-aligned."""
    step = kind.unused_bits + 1
    counts = math.floor(volts / range_v * 32768 / step + 0.5) * step
    return max(-0x8000, min(0x8000 - step, counts)) & 0xFFFF


class ModelForeign:
    """Some other chip with 16-bit registers that can't be written, all alike."""

    def __init__(self, word: int) -> None:
        self._word = word

    def write(self, data: bytes) -> None:
        """Take nothing over."""

    def read(self, count: int) -> bytes:
        return (self._word.to_bytes(2, "big") * count)[:count]

    def lose_power(self) -> None:
        """Stay as it is."""
