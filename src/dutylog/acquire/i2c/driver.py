"""The driver of one I²C bus: what is read when, and how its parts are (shared/I2C.md).

Travel has a grid of its own, one row of every converter a slot. All that is slow has a cycle of a tenth of a second:
its readings are fitted one by one between two rounds of travel. Nothing is read twice to make up for a slot missed.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from dutylog.acquire.driver import ChannelState, DriverState, Finding, Plan, Rows, Word
from dutylog.acquire.i2c import timing
from dutylog.acquire.i2c.adc_channels import AdcChannels
from dutylog.acquire.i2c.bus import Bus, Smbus, open_system_smbus
from dutylog.acquire.i2c.places import check_places, used_addresses
from dutylog.acquire.i2c.probing import Parts, Probe
from dutylog.acquire.i2c.slots import RunBuilder, Slots
from dutylog.acquire.i2c.tca9548a import ChipLine, Multiplexers
from dutylog.acquire.i2c.thermocouple_channel import ThermocoupleChannel
from dutylog.clock import Clock
from dutylog.config.sensors import AdcSettings, ChipPlace, ThermocoupleSettings
from dutylog.errors import SourceLost
from dutylog.recording.block import Channel

SLOW_PERIOD_FS = 10**15 // timing.SLOW_HZ
COUNTED = (
    "set_ups", "back_offs", "resumed", "power_losses", "bad_data", "wrong_chips", "thermocouple_faults", "reopened",
    "travel_slots_missed", "travel_rows_left_out", "slow_slots_missed", "slow_readings_late",
)  # fmt: skip
"""What the driver counts beside its bus (shared/I2C.md)."""
STARVED_NS = 50_000_000
"""A slow reading that waited so long is done even where it costs a slot of travel: heat is told live. Judgement."""
SILENT_NS = 5_000_000_000
"""With no answer from anyone for so long the bus device is opened anew, to see whether it is still there. Judgement."""


@dataclass(frozen=True, slots=True)
class Slow:
    """One slow reading. column: builder's number and column, None where it fills none."""

    cost_ns: int
    read: Callable[[], float]
    column: tuple[int, int] | None


class I2cDriver:
    """All chips of one bus. A chip that fails is asked again by itself; only the bus can be lost as a whole."""

    is_clocked = False

    def __init__(
        self,
        bus_number: int,
        thermocouples: tuple[ThermocoupleSettings, ...],
        adcs: tuple[AdcSettings, ...],
        clock: Clock,
        open_bus: Callable[[int], Smbus] = open_system_smbus,
    ) -> None:
        """InputError: places that clash, inputs that can't be meant, or more than the bus has time for."""
        places = [*(each.place for each in thermocouples), *(each.place for each in adcs)]
        check_places(bus_number, places)
        self._places = tuple(places)
        self.name = f"i2c-{bus_number}"
        self.bus = Bus(bus_number, clock, open_bus)
        used = used_addresses(places)
        self._muxes = Multiplexers(self.bus, {place.multiplexer for place in places if place.multiplexer is not None})
        self._clock = clock
        self._counters: Counter[str] = Counter(dict.fromkeys(COUNTED, 0))
        self.thermocouples = tuple(
            ThermocoupleChannel(each, self._line(each.place, "thermocouple converter"), clock, self._counters, used)
            for each in thermocouples
        )
        self.adcs = tuple(
            AdcChannels(each, self._line(each.place, each.chip), clock, self._counters, used) for each in adcs
        )
        self._watches = (*(each.watch for each in self.thermocouples), *(each.watch for each in self.adcs))
        self._travel = tuple(adc for adc in self.adcs if adc.travel)
        self.budget = self._plan_budget()
        self.plans = self._make_plans()
        self._builders = [RunBuilder(number, plan) for number, plan in enumerate(self.plans)]
        self._slow = self._list_slow()
        self._queue: deque[Slow] = deque()
        self._cycle: int | None = None
        self._values: list[list[float]] = []
        self._slow_ns = self._missed_before = 0
        self._grids: tuple[Slots, Slots | None] | None = None
        self._loss: SourceLost | None = None
        self._is_lost = False
        self._state = self._make_state()

    def _line(self, place: ChipPlace, what: str) -> ChipLine:
        return ChipLine(self.bus, self._muxes, place, what)

    def open(self, t0_ns: int) -> None:
        """Open the bus device. Chips are set up one by one afterwards, so this succeeds without any of them."""
        try:
            self.bus.open()
        except SourceLost as err:
            self._loss = err
            self._state = self._make_state()
            raise
        self._is_lost = False
        self._muxes.forget()
        for watch in self._watches:
            watch.start_anew()
        now_ns = self._clock.mono_ns()
        slow = Slots(t0_ns, SLOW_PERIOD_FS, SLOW_PERIOD_FS // 2_000_000, now_ns)
        travel = None
        if self.budget.rate_hz:
            period_fs = 10**15 // self.budget.rate_hz
            # A quarter of a slot: what begins later would lie too far from the instant its row is given.
            travel = Slots(t0_ns, period_fs, period_fs // 4_000_000, now_ns)
        self._grids = slow, travel
        self._cycle, self._slow_ns = None, now_ns
        self._state = self._make_state()

    def read(self, limit_s: float) -> list[Rows]:
        """Read what falls due within `limit_s`; SourceLost when the bus fails, after what came before was handed on."""
        if self._grids is None or self._is_lost:
            raise self._loss or SourceLost(f"{self.name} isn't open")
        end_ns = self._clock.mono_ns() + round(limit_s * 1e9)
        try:
            while self._clock.mono_ns() < end_ns:
                self._step(end_ns)
            if self._clock.mono_ns() - self.bus.last_good_ns > SILENT_NS:
                self._counters["reopened"] += 1
                self.bus.open()
                self._muxes.forget()
        except SourceLost as err:
            self._loss, self._is_lost = err, True
        else:
            # Until the lines have moved again the last loss stands: each `open` would else look like a recovery.
            self._loss = None if self.bus.is_moving else self._loss
        self._state = self._make_state()
        rows = [run for builder in self._builders for run in builder.flush()]
        if self._is_lost and self._loss is not None and not rows:
            raise self._loss
        return rows

    def close(self) -> None:
        """Let go of the bus device; safe to call twice, never raises."""
        self.bus.close()
        self._grids = None

    def state(self) -> DriverState:
        """Return how it was after the last `read`."""
        return self._state

    def probe(self) -> list[Finding]:
        """Look at bus and chips; takes about two seconds."""
        parts = Parts(self.bus, self._muxes, self._places, self.thermocouples, self.adcs, self.budget)
        return Probe(parts, self._take_round, [slow.read for slow in self._slow], self._clock).run()

    def _take_round(self) -> list[list[int] | None]:
        """Take one row of travel of every converter that has such inputs, at once; None where it isn't whole."""
        for adc in self._travel:
            adc.begin_row()
        for step in range(max((len(adc.travel) for adc in self._travel), default=0)):
            for adc in [adc for adc in self._travel if adc.start_step(step)]:
                adc.finish_step(step)
        return [adc.end_row() for adc in self._travel]

    def _step(self, end_ns: int) -> None:
        """Do what is due now, or wait for it."""
        assert self._grids is not None  # noqa: S101 - for the type checker, `read` looked
        slow, travel = self._grids
        now_ns = self._clock.mono_ns()
        travel_ns = travel.due_ns() if travel is not None else None
        if travel is not None and travel_ns is not None and now_ns >= travel_ns:
            self._take_travel(travel, now_ns)
        elif not self._take_slow(slow, now_ns, travel_ns):
            wake_ns = min(at for at in (end_ns, travel_ns, None if self._queue else slow.due_ns()) if at is not None)
            self._clock.sleep(max(0, wake_ns - now_ns) / 1e9)

    def _take_travel(self, slots: Slots, now_ns: int) -> None:
        missed = slots.missed_count
        index = slots.take(now_ns)
        self._missed_before += slots.missed_count - missed
        self._counters["travel_slots_missed"] += slots.missed_count - missed
        if index is None:
            return
        for number, row in enumerate(self._take_round()):
            if row is None:
                self._counters["travel_rows_left_out"] += 1
            else:
                self._builders[number].add(index, slots.time_ns(index), row, self._missed_before > 0)
        self._missed_before = 0

    def _take_slow(self, slots: Slots, now_ns: int, travel_ns: int | None) -> bool:
        """Do one piece of the slow cycle; return whether there was one to do now."""
        if self._cycle is None:
            return self._begin_cycle(slots, now_ns)
        if self._queue and now_ns >= slots.time_ns(self._cycle + 1):
            self._counters["slow_readings_late"] += len(self._queue)
            self._queue.clear()
        if not self._queue:
            self._end_cycle(slots)
            return True
        fits = travel_ns is None or now_ns + self._queue[0].cost_ns <= travel_ns
        if not fits and now_ns - self._slow_ns < STARVED_NS:
            return False
        slow = self._queue.popleft()
        value = slow.read()
        self._slow_ns = self._clock.mono_ns()
        if slow.column is not None:
            self._values[slow.column[0]][slow.column[1]] = value
        return True

    def _begin_cycle(self, slots: Slots, now_ns: int) -> bool:
        if not self._slow or now_ns < slots.due_ns():
            return False
        missed = slots.missed_count
        self._cycle = slots.take(now_ns)
        self._counters["slow_slots_missed"] += slots.missed_count - missed
        if self._cycle is not None:
            self._queue.extend(self._slow)
            self._values = [[math.nan] * len(plan.channels) for plan in self.plans]
        return True

    def _end_cycle(self, slots: Slots) -> None:
        assert self._cycle is not None  # noqa: S101 - for the type checker
        for number in range(len(self._travel), len(self.plans)):
            self._builders[number].add(self._cycle, slots.time_ns(self._cycle), self._values[number], False)
        self._cycle = None

    def _plan_budget(self) -> timing.Budget:
        travel = [
            (len(adc.travel), adc.chip.conversion_s, adc.settings.place.multiplexer is not None) for adc in self._travel
        ]
        slow_s = [channel.cost_s for channel in self.thermocouples]
        bits = sum(timing.THERMOCOUPLE) * len(self.thermocouples)
        for adc in self.adcs:
            count = len(adc.slow) + (adc.reference is not None)
            slow_s += [adc.tend_s, *[adc.cost_s] * count]
            bits += timing.READ16 + (timing.WRITE16 + 2 * timing.READ16) * count
        behind = sum(place.multiplexer is not None for place in self._places)
        return timing.plan_budget(travel, slow_s, bits + behind * sum(timing.MULTIPLEXER))

    def _make_plans(self) -> tuple[Plan, ...]:
        """One plan for each converter with travel, so that one that fails leaves the others; then what is slow."""
        plans: list[Plan] = []
        for adc in self._travel:
            name = "travel" if len(self._travel) == 1 else f"travel_{len(plans) + 1}"
            offsets_ns = [round(at_s * 1e9) for at_s in self.budget.sample_s]
            channels = zip(adc.channels(adc.travel), offsets_ns, strict=False)
            shifted = tuple(replace(channel, offset_ns=offset_ns) for channel, offset_ns in channels)
            plans.append(Plan(name, "i2", 10**15 // self.budget.rate_hz, shifted))
        if self.thermocouples:
            plans.append(Plan("temperatures", "f4", SLOW_PERIOD_FS, tuple(each.channel for each in self.thermocouples)))
        slow: list[Channel] = [channel for adc in self.adcs for channel in adc.channels(adc.slow)]
        if slow:
            plans.append(Plan("slow", "f4", SLOW_PERIOD_FS, tuple(slow)))
        return tuple(plans)

    def _list_slow(self) -> list[Slow]:
        """Return all slow readings in the order they are taken."""
        found = []
        number = len(self._travel)
        for column, thermocouple in enumerate(self.thermocouples):
            found.append(Slow(round(thermocouple.cost_s * 1e9), thermocouple.read_c, (number, column)))
        number, column = len(self.plans) - 1, 0
        for adc in self.adcs:
            cost_ns = round(adc.cost_s * 1e9)
            found.append(Slow(round(adc.tend_s * 1e9), adc.tend, None))
            if adc.reference is not None:
                found.append(Slow(cost_ns, adc.read_reference, None))
            for each in adc.slow:
                found.append(Slow(cost_ns, lambda adc=adc, each=each: adc.read_slow(each), (number, column)))  # type: ignore[misc]
                column += 1
        return found

    def _make_state(self) -> DriverState:
        channels = [each.state() for each in self.thermocouples]
        channels += [state for adc in self.adcs for state in adc.states()]
        word, text = _sum_up(channels)
        if self._loss is not None:
            word, text = "lost", str(self._loss)
            channels = [ChannelState(each.position, each.quantity, word, text) for each in channels]
        counters = {**self.bus.counters, **self._counters}
        return DriverState(self.name, word, text, counters, tuple(channels))


def _sum_up(channels: list[ChannelState]) -> tuple[Word, str]:
    """Return the bus's state from its channels': it works while any does."""
    bad = [channel for channel in channels if channel.word in ("lost", "wrong")]
    text = f"{len(bad)} of {len(channels)} channels without readings: {bad[0].text}" if bad else ""
    words = {channel.word for channel in channels}
    order: tuple[Word, ...] = ("working", "waiting", "wrong", "lost")
    return next((word for word in order if word in words), "waiting"), text
