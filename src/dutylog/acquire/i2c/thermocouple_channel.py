"""A thermocouple of the vehicle: its converter's readings become a temperature or, with a reason in words, none."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable

from dutylog.acquire.driver import ChannelState
from dutylog.acquire.i2c.mcp960x import COLD_RANGE_C, Mcp960x, Status
from dutylog.acquire.i2c.tca9548a import ChipLine
from dutylog.acquire.i2c.timing import thermocouple_s
from dutylog.acquire.i2c.watch import ChipWatch
from dutylog.acquire.thermocouple import KINDS, range_c
from dutylog.clock import Clock
from dutylog.config.sensors import ThermocoupleSettings
from dutylog.recording.block import AMBIENT_TEMPERATURE, BODY_TEMPERATURE, Channel

HELD_NS = 1_000_000_000
"""A conversion may stand so long: hot and cold conversions together take up to 0.33 s (reference/10). Judgement."""
CHIP_RANGE_C = (-200.0, 1800.0)
"""Of the types that `thermocouple.py` doesn't know (reference/10: ranges)."""


class ThermocoupleChannel:
    """One thermocouple. hot_c, cold_c: last readings, NaN without; for `dutylog check`."""

    def __init__(
        self, settings: ThermocoupleSettings, line: ChipLine, clock: Clock, counters: Counter[str], used: Iterable[int]
    ) -> None:
        quantity = BODY_TEMPERATURE if settings.position else AMBIENT_TEMPERATURE
        self.channel = Channel(settings.position, quantity, "c")
        self.chip = Mcp960x(line, settings.kind, counters)
        self.watch = ChipWatch(line, clock, counters, used)
        self.cost_s = thermocouple_s(settings.place.multiplexer is not None)
        self.hot_c = self.cold_c = math.nan
        self._settings = settings
        self._clock = clock
        self._counters = counters
        self._range_c = range_c(settings.kind) if settings.kind in KINDS else CHIP_RANGE_C
        self._new_ns: int | None = None
        self._status: Status | None = None
        self._fault = ""

    def state(self) -> ChannelState:
        """Return how it is."""
        position, quantity = self.channel.name, self.channel.quantity
        if self.watch.word == "working" and self._fault:
            return ChannelState(position, quantity, "wrong", self._fault)
        return ChannelState(position, quantity, self.watch.word, self.watch.text)

    def read_c(self) -> float:
        """Return the temperature [°C], NaN without one; sets the chip up first. SourceLost when the bus fails."""
        if not self.watch.is_set_up:
            self.hot_c, self._new_ns = math.nan, None
            self.watch.set_up(self._set_up)
            return math.nan
        if not self.watch.attempt(self._read):
            return math.nan
        fault = self._find_fault()
        if fault and not self._fault:
            self._counters["thermocouple_faults"] += 1
        self._fault = fault
        return math.nan if fault else self.hot_c

    def _set_up(self) -> None:
        self.chip.set_up()
        self._new_ns, self._status, self._fault = self._clock.mono_ns(), None, ""

    def _read(self) -> None:
        reading = self.chip.read()
        # The bits of a fault belong to a conversion: what is read between two of them says nothing new.
        if reading.status.is_updated:
            self._status = reading.status
        if reading.cold_c is not None:
            self.cold_c = reading.cold_c
        if reading.hot_c is not None:
            self.hot_c, self._new_ns = reading.hot_c, self._clock.mono_ns()

    def _find_fault(self) -> str:
        """Return what is wrong with the last reading, '' when nothing is."""
        kind = self._settings.kind
        who, chip = f"thermocouple of {self._settings.position or 'the air'}", self.chip.name()
        if self._status is not None and self._status.is_open:
            return f"{who} is open ({chip}); check its plug and wire, let hot parts cool before touching them"
        if self._status is not None and self._status.is_short:
            return f"{who} is shorted ({chip}); look for a chafed or crushed wire, let hot parts cool first"
        if self._status is not None and self._status.is_out_of_range:
            return (
                f"{who} is out of range ({chip} can't tell an open wire from that); check its plug and wire, "
                f"and that it is of type {kind}"
            )
        low_c, high_c = self._range_c
        if not math.isnan(self.hot_c) and not low_c <= self.hot_c <= high_c:
            return (
                f"{who} reads {self.hot_c:.1f} °C, out of range {low_c:.0f} to {high_c:.0f} °C of type {kind} "
                f"({chip}); check its plug and wire, and its type"
            )
        if not math.isnan(self.cold_c) and not COLD_RANGE_C[0] <= self.cold_c <= COLD_RANGE_C[1]:
            return (
                f"cold junction of the {who} reads {self.cold_c:.1f} °C, out of range {COLD_RANGE_C[0]:.0f} to "
                f"{COLD_RANGE_C[1]:.0f} °C ({chip}); move the box to a cooler place"
            )
        if self._new_ns is not None and self._clock.mono_ns() - self._new_ns > HELD_NS:
            return (
                f"{who} has no new reading for {HELD_NS / 1e9:.0f} s ({chip} stopped); switch sensor supply off and on"
            )
        return ""
