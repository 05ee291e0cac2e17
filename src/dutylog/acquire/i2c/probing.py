"""What `dutylog check` finds on an I²C bus: who is there, whether readings agree, the rate reached, noise, battery."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from dutylog.acquire.driver import ChannelState, Finding
from dutylog.acquire.i2c.adc_channels import AdcChannels
from dutylog.acquire.i2c.bus import HIGHEST_ADDRESS, LOWEST_ADDRESS, Bus, TransferFailed
from dutylog.acquire.i2c.places import used_addresses
from dutylog.acquire.i2c.tca9548a import BRANCHES, Multiplexers, describe
from dutylog.acquire.i2c.thermocouple_channel import ThermocoupleChannel
from dutylog.acquire.i2c.timing import MOST_LOAD, Budget
from dutylog.clock import Clock
from dutylog.config.sensors import ChipPlace
from dutylog.errors import WrongDevice
from dutylog.recording.block import BATTERY_VOLTAGE, TRAVEL

SETTLE_ROUNDS, SETTLE_S = 12, 0.1
"""Long enough to set all up and for a dozen conversions of the thermocouples."""
ROUNDS = 50
AGREE_K = 3.0
"""Cold dampers and the box differ by less: twice the converter's worst error of 1.5 K (reference/10: accuracy)."""
NOISY_COUNTS = 33.0
"""0.1 % of full scale; judgement."""
USUAL_V = ((11.5, 15.5), (23.0, 31.0))
"""Of 12 V and 24 V vehicles, engine off to charging; common practice, no published source."""


@dataclass(frozen=True, slots=True)
class Parts:
    """What of a driver is looked at."""

    bus: Bus
    multiplexers: Multiplexers
    places: tuple[ChipPlace, ...]
    thermocouples: tuple[ThermocoupleChannel, ...]
    adcs: tuple[AdcChannels, ...]
    budget: Budget


class Probe:
    """One look at a bus, which nobody else uses meanwhile. `run` may raise SourceLost when the bus fails."""

    def __init__(
        self,
        parts: Parts,
        take_round: Callable[[], list[list[int] | None]],
        slow: Sequence[Callable[[], float]],
        clock: Clock,
    ) -> None:
        self._parts = parts
        self._take_round = take_round
        self._slow = slow
        self._clock = clock

    def run(self) -> list[Finding]:
        """Return all findings."""
        for _ in range(SETTLE_ROUNDS):
            for read in self._slow:
                read()
            self._clock.sleep(SETTLE_S)
        rows, round_s = self._take_rounds()
        found = self._look_at_chips()
        found += self._look_for_strangers()
        found += self._compare_temperatures()
        if rows:
            found += [self._judge_rate(round_s), *self._judge_noise(rows)]
        return [*found, *self._judge_slow_inputs()]

    def _take_rounds(self) -> tuple[list[list[list[int] | None]], float]:
        """Return rows of travel by round and converter, and the time a round took [s]."""
        if not self._parts.budget.rate_hz:
            return [], 0.0
        began_ns = self._clock.mono_ns()
        rows = [self._take_round() for _ in range(ROUNDS)]
        return rows, (self._clock.mono_ns() - began_ns) / 1e9 / ROUNDS

    def _look_at_chips(self) -> list[Finding]:
        found = []
        for thermocouple in self._parts.thermocouples:
            part = thermocouple.chip.part
            text = f"{part} answers, {thermocouple.hot_c:.1f} °C, its cold junction {thermocouple.cold_c:.1f} °C"
            found.append(_finding([thermocouple.state()], text))
        for adc in self._parts.adcs:
            found.append(_finding(adc.states(), f"{adc.name} answers and keeps what is written to it"))
        return found

    def _look_for_strangers(self) -> list[Finding]:
        """Return what answers where nothing is meant to be. A read of one byte is the gentlest question there is."""
        parts = self._parts
        counters = parts.bus.counters.copy()
        used = used_addresses(parts.places)
        trunk = self._scan(set(range(LOWEST_ADDRESS, HIGHEST_ADDRESS + 1)) - used)
        strangers = [ChipPlace(parts.bus.number, address) for address in sorted(trunk)]
        on_trunk = {place.address for place in parts.places if place.multiplexer is None} | trunk
        multiplexers = {place.multiplexer for place in parts.places if place.multiplexer is not None}
        for multiplexer in sorted(multiplexers):
            for branch in range(BRANCHES):
                meant = {
                    each.address for each in parts.places if (each.multiplexer, each.branch) == (multiplexer, branch)
                }
                try:
                    parts.multiplexers.select(multiplexer, branch)
                except (TransferFailed, WrongDevice):
                    break  # the chips behind it tell of it
                free = set(range(LOWEST_ADDRESS, HIGHEST_ADDRESS + 1)) - meant - on_trunk - multiplexers
                strangers += [
                    ChipPlace(parts.bus.number, each, multiplexer, branch) for each in sorted(self._scan(free))
                ]
        parts.multiplexers.forget()
        parts.bus.counters.clear()
        parts.bus.counters.update(counters)
        bus, remedy = f"I²C bus {parts.bus.number}", "check address straps, or add it"
        text = "something answers at {} that isn't in the vehicle file"
        return [Finding(bus, "look", text.format(describe(place)), remedy) for place in strangers]

    def _scan(self, addresses: set[int]) -> set[int]:
        found = set()
        for address in addresses:
            try:
                self._parts.bus.read_byte(address, attempts=1)
            except TransferFailed:
                continue
            found.add(address)
        return found

    def _compare_temperatures(self) -> list[Finding]:
        readings = [
            (f"{each.channel.name or 'air'}{end}", value)
            for each in self._parts.thermocouples
            for end, value in (("", each.hot_c), (" (cold junction)", each.cold_c))
            if math.isfinite(value) and each.state().word == "working"
        ]
        if not readings:
            return []
        coldest, hottest = min(readings, key=lambda pair: pair[1]), max(readings, key=lambda pair: pair[1])
        apart_k = hottest[1] - coldest[1]
        text = (
            f"{len(readings)} readings within {apart_k:.1f} K: {coldest[0]} {coldest[1]:.1f} °C to "
            f"{hottest[0]} {hottest[1]:.1f} °C"
        )
        if apart_k <= AGREE_K:
            return [Finding("temperatures", "pass", text)]
        remedy = "with everything cold they should agree to 3 K: then check type, polarity of the wires and the plug"
        return [Finding("temperatures", "look", text, remedy)]

    def _judge_rate(self, round_s: float) -> Finding:
        rate_hz, planned_s = self._parts.budget.rate_hz, self._parts.budget.round_s
        text = (
            f"a round takes {round_s * 1e3:.1f} ms, planned {planned_s * 1e3:.1f}; {rate_hz} Hz, wires busy "
            f"{self._parts.budget.busy_ratio:.0%}"
        )
        if round_s * rate_hz <= MOST_LOAD:
            return Finding("travel rate", "pass", text)
        remedy = "check that the bus runs at 100 kHz (dtparam=i2c_arm_baudrate), or use the bridge for travel"
        return Finding("travel rate", "look", text, remedy)

    def _judge_noise(self, rounds: list[list[list[int] | None]]) -> list[Finding]:
        found = []
        travel = [adc for adc in self._parts.adcs if adc.travel]
        for column, adc in enumerate(travel):
            rows = np.array([each[column] for each in rounds if each[column] is not None], dtype=np.float64)
            if len(rows) < 2:
                continue  # its chip's finding says why
            for number, each in enumerate(adc.travel):
                mean, noise = rows[:, number].mean(), rows[:, number].std()
                text = f"{mean:.0f} counts, noise {noise:.1f}"
                is_quiet = noise <= NOISY_COUNTS
                remedy = "" if is_quiet else "with the vehicle standing still: check shield, ground and supply"
                verdict: Literal["pass", "look"] = "pass" if is_quiet else "look"
                subject = f"noise of travel {each.position}"
                found.append(Finding(subject, verdict, text, remedy, each.position, float(noise)))
        return found

    def _judge_slow_inputs(self) -> list[Finding]:
        found = []
        for adc in self._parts.adcs:
            for each in adc.slow:
                value = adc.read_slow(each)
                if math.isnan(value):
                    continue  # its chip's finding says why
                if each.quantity != BATTERY_VOLTAGE:
                    found.append(Finding(f"pressure of {each.position}", "pass", f"{value / 1e3:.0f} kPa"))
                elif any(low <= value <= high for low, high in USUAL_V):
                    found.append(Finding("battery", "pass", f"{value:.2f} V"))
                else:
                    remedy = "check the battery, the divider and the scale of its input"
                    found.append(Finding("battery", "look", f"{value:.2f} V is unusual", remedy))
        return found


def _finding(states: Sequence[ChannelState], text: str) -> Finding:
    """Return the finding of one chip: the first fault of its channels, or `text`."""
    subject = ", ".join(dict.fromkeys(f"{state.quantity} {state.position}".strip() for state in states))
    for state in states:
        if state.word != "working":
            what, _, remedy = (state.text or "no reading yet; wait a moment and ask again").partition("; ")
            return Finding(subject, "fail", what, remedy)
    return Finding(subject or TRAVEL, "pass", text)
