"""The inputs of one analogue converter: travel in counts, pressure and battery in SI, the potentiometers' supply."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise

import numpy as np

from dutylog.acquire.driver import ChannelState
from dutylog.acquire.i2c.ads1x15 import KINDS, Ads1x15, compute_volts
from dutylog.acquire.i2c.tca9548a import ChipLine, describe
from dutylog.acquire.i2c.timing import conversion_s, register_s
from dutylog.acquire.i2c.watch import ChipWatch
from dutylog.clock import Clock
from dutylog.config.sensors import AdcInput, AdcSettings
from dutylog.errors import InputError
from dutylog.recording.block import BATTERY_VOLTAGE, RESERVOIR_PRESSURE, TRAVEL, Channel

REFERENCE = "reference"
UNITS = {TRAVEL: "count", RESERVOIR_PRESSURE: "pa", BATTERY_VOLTAGE: "v"}
FULL_SCALE = 32767
REFERENCE_LEAST_V = 0.5
"""A supply of potentiometers below this is none; judgement."""
REFERENCE_HELD_NS = 500_000_000
"""The supply is read ten times a second and may be so old; judgement."""
BEYOND_RATIO = 0.05
"""A sensor may read so much of its span beyond the ends of its scale; further out it is broken. Judgement."""
BELOW_GROUND_RATIO = 0.01
"""More of the range than this below ground is a fault of wiring, not the converter's offset; judgement."""


class AdcChannels:
    """One converter and what its inputs mean."""

    def __init__(
        self, settings: AdcSettings, line: ChipLine, clock: Clock, counters: Counter[str], used: Iterable[int]
    ) -> None:
        check_inputs(settings)
        self.settings = settings
        self.chip = Ads1x15(line, KINDS[settings.chip], settings.range_v, clock, counters)
        self.watch = ChipWatch(line, clock, counters, used)
        self.travel = tuple(each for each in settings.inputs if each.quantity == TRAVEL)
        self.slow = tuple(each for each in settings.inputs if each.quantity in (RESERVOIR_PRESSURE, BATTERY_VOLTAGE))
        self.reference = next((each for each in settings.inputs if each.quantity == REFERENCE), None)
        is_behind = settings.place.multiplexer is not None
        self.cost_s = conversion_s(self.chip.conversion_s, is_behind)
        self.tend_s = register_s(is_behind)
        self.name = f"{settings.chip} at {describe(settings.place)}"
        self._clock = clock
        self._reference_count = 0
        self._reference_ns: int | None = None
        self._reference_text = ""
        self._texts: dict[int, str] = {}
        self._row: list[int] | None = None

    def channels(self, inputs: Iterable[AdcInput]) -> tuple[Channel, ...]:
        """Return the columns of some inputs."""
        return tuple(Channel(each.position, each.quantity, UNITS[each.quantity]) for each in inputs)

    def states(self) -> list[ChannelState]:
        """Return how each input is, the potentiometers' supply told with the travel that needs it."""
        found = []
        for each in (*self.travel, *self.slow):
            word, text = self.watch.word, self.watch.text
            if word == "working":
                text = (self._reference_text if each.quantity == TRAVEL else "") or self._texts.get(each.number, "")
                word = "wrong" if text else "working"
            found.append(ChannelState(each.position, each.quantity, word, text))
        return found

    def tend(self) -> float:
        """Set the chip up, or see whether it still is; NaN, so that it may stand among readings."""
        if self.watch.is_set_up:
            self.watch.attempt(self.chip.check_mark, is_reading=False)
        else:
            self._reference_ns = None
            self.watch.set_up(self.chip.set_up)
        return math.nan

    def read_reference(self) -> float:
        """Read the potentiometers' supply; NaN, since it is no channel of its own."""
        assert self.reference is not None  # noqa: S101 - asked only where there is one
        count = self._convert(self.reference.number)
        if count is None:
            self._reference_ns = None
            return math.nan
        self._reference_text = self._judge_reference(count)
        self._reference_count, self._reference_ns = count, None if self._reference_text else self._clock.mono_ns()
        return math.nan

    def read_slow(self, of: AdcInput) -> float:
        """Return pressure [Pa] or battery voltage [V]; NaN without a reading or outside the sensor's scale."""
        count = self._convert(of.number)
        if count is None:
            return math.nan
        volts = compute_volts(count, self.settings.range_v)
        value = scale_volts(volts, of.scale)
        self._texts[of.number] = ""
        if math.isnan(value):
            self._texts[of.number] = (
                f"input {of.number} of {self.name} reads {volts:.3f} V, out of range {of.scale[0][0]:g} to "
                f"{of.scale[-1][0]:g} V; check the sensor's supply, plug and wire"
            )
        return value

    def begin_row(self) -> None:
        """Begin a row of travel; there will be none without a chip that is set up and a supply that is known."""
        now_ns = self._clock.mono_ns()
        is_ready = self.watch.is_set_up and self.watch.is_due()
        if self.reference is not None:
            is_ready &= self._reference_ns is not None and now_ns - self._reference_ns <= REFERENCE_HELD_NS
        self._row = [] if is_ready else None

    def start_step(self, step: int) -> bool:
        """Start the conversion of travel input `step`; return whether one runs."""
        if self._row is None or step >= len(self.travel):
            return False
        if not self.watch.attempt(lambda: self.chip.start(self.travel[step].number), is_reading=False):
            self._row = None
        return self._row is not None

    def finish_step(self, step: int) -> None:
        """Take the conversion of travel input `step` into the row."""
        counts: list[int] = []
        if self._row is None or not self.watch.attempt(lambda: counts.append(self.chip.finish())):
            self._row = None
            return
        number = self.travel[step].number
        self._texts[number] = self._judge_travel(number, counts[0])
        reference = self._reference_count if self.reference is not None else None
        self._row.append(compute_travel_count(counts[0], reference))

    def end_row(self) -> list[int] | None:
        """Return the row, None where it isn't whole."""
        return self._row

    def _convert(self, number: int) -> int | None:
        """Return the signed counts of an input, None where there are none."""
        if not self.watch.is_set_up:
            return None
        counts: list[int] = []

        def do() -> None:
            self.chip.start(number)
            counts.append(self.chip.finish())

        return counts[0] if self.watch.attempt(do) else None

    def _judge_reference(self, count: int) -> str:
        number = self.reference.number if self.reference is not None else 0
        volts = compute_volts(count, self.settings.range_v)
        if volts < REFERENCE_LEAST_V:
            return (
                f"supply of the potentiometers reads {volts:.3f} V at input {number} of {self.name}; "
                f"check its fuse, plug and wire"
            )
        if count >= FULL_SCALE - self.chip.kind.unused_bits:
            return (
                f"supply of the potentiometers at input {number} of {self.name} is out of range "
                f"({self.settings.range_v:g} V); choose a larger range_v"
            )
        return ""

    def _judge_travel(self, number: int, count: int) -> str:
        """Return what a person should know of a reading; its counts are handed on, the engine judges them."""
        volts = compute_volts(count, self.settings.range_v)
        if count < -BELOW_GROUND_RATIO * FULL_SCALE:
            return f"input {number} of {self.name} reads {volts:.3f} V, below ground; check the ground wire"
        top = self._reference_count if self.reference is not None else FULL_SCALE - self.chip.kind.unused_bits
        if count >= top and count > 0:
            return (
                f"input {number} of {self.name} reads {volts:.3f} V, the end of its range; check the potentiometer's "
                f"ground wire, plug and range_v"
            )
        return ""


def check_inputs(settings: AdcSettings) -> None:
    """Refuse settings that can't be meant; InputError with the place."""
    at = f"{settings.chip} at {describe(settings.place)}"
    if settings.chip not in KINDS:
        raise InputError(f"{at}: no such converter, known are {', '.join(KINDS)}")
    numbers = [each.number for each in settings.inputs]
    if len(set(numbers)) < len(numbers) or not set(numbers) <= {0, 1, 2, 3}:
        raise InputError(f"{at}: inputs {numbers}, each of 0 to 3 may stand once")
    if sum(each.quantity == REFERENCE for each in settings.inputs) > 1:
        raise InputError(f"{at}: more than one input reads the potentiometers' supply")
    for each in settings.inputs:
        if each.quantity not in (*UNITS, REFERENCE):
            raise InputError(f"{at}: input {each.number} can't read {each.quantity!r}")
        volts = [pair[0] for pair in each.scale]
        is_slow = each.quantity in (RESERVOIR_PRESSURE, BATTERY_VOLTAGE)
        if is_slow and (len(volts) < 2 or any(b <= a for a, b in pairwise(volts))):
            raise InputError(f"{at}: input {each.number} needs a scale of two or more rising voltages, has {volts}")


def compute_travel_count(count: int, reference: int | None) -> int:
    """Return travel in counts, 0..32767: a share of the potentiometer's supply, or of the range without one.

    Args:
        count: signed counts of the input. reference: of the supply, positive; None: not measured.
    Source:
        Both at the same scale, so the supply's voltage and the converter's own error cancel.
    """
    share = count if reference is None else math.floor(count * FULL_SCALE / reference + 0.5)
    return max(0, min(FULL_SCALE, share))


def scale_volts(volts: float, scale: tuple[tuple[float, float], ...]) -> float:
    """Return the value a sensor's voltage stands for, straight between its pairs; NaN far outside them."""
    at, values = [pair[0] for pair in scale], [pair[1] for pair in scale]
    slack = BEYOND_RATIO * (at[-1] - at[0])
    if not at[0] - slack <= volts <= at[-1] + slack:
        return math.nan
    ends = (0, 1) if volts < at[0] else (-2, -1)
    if at[0] <= volts <= at[-1]:
        return float(np.interp(volts, at, values))
    (low_v, low), (high_v, high) = scale[ends[0]], scale[ends[1]]
    return low + (volts - low_v) * (high - low) / (high_v - low_v)
