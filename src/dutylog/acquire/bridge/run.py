"""One run of the board, from its `start` on: frames of samples in, rows with their instants out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.bridge.device_clock import DeviceClock, widen
from dutylog.acquire.bridge.messages import Identity, Samples
from dutylog.acquire.bridge.wheel_speed import WheelSpeed
from dutylog.acquire.driver import Rows
from dutylog.config.sensors import BridgeSettings
from dutylog.errors import FrameError, SourceLost

FULL_SCALE = 32767
RAW_FULL_SCALE = 65535
LEAST_REFERENCE_RAW = RAW_FULL_SCALE // 10
"""Less means that the supply of the potentiometers is off or its wire is broken (judgement): their readings are
then noise divided by noise, so they are a gap."""
TIME_ESTIMATED, LOST_BEFORE = 1, 2
_LONGEST_OFF_S = 1.0
"""How far ticks may leave the indices: an overrun skips indices, so they never do (judgement: half the watchdog)."""


def scale_counts(raw: NDArray[np.uint16], reference_raw: int) -> NDArray[np.int16]:
    """Return counts 0..32767 for the log, the share of the potentiometers' supply where that was measured.

    Args:
        raw: (n, channels) uint16, left-aligned.
        reference_raw: 0..65535, mean raw count of the supply, 0 where it isn't measured.
    Returns:
        (n, channels) int16.
    Source:
        shared/PROTOCOL.md: round(raw / reference * 32767) clipped, else raw >> 1.
    """
    if reference_raw == 0:
        return (raw >> 1).astype(np.int16)
    scaled = np.rint(raw * (FULL_SCALE / reference_raw))
    counts: NDArray[np.int16] = np.minimum(scaled, FULL_SCALE).astype(np.int16)
    return counts


class BridgeRun:
    """Indices, time and scaling of one run.

    clock: of this run. lost_rows: indices that never came, on the line or at the source. overruns: those of them
    the board counted itself. reference_raw: the last one, None before any.
    """

    def __init__(self, identity: Identity, settings: BridgeSettings) -> None:
        """Raises InputError where an input that is used isn't among the board's; the opening has looked."""
        self.identity = identity
        self.clock = DeviceClock(identity.tick_hz, settings.rate_hz)
        self.columns = [identity.inputs.index(number) for number, position in enumerate(settings.inputs) if position]
        has_wheel = settings.wheel_pulses_per_m is not None and identity.has_pulse_input
        self.wheel = WheelSpeed(settings.wheel_pulses_per_m or 1.0, settings.rate_hz) if has_wheel else None
        self._wheel_plan = 1 if self.columns else 0
        self._all_columns = self.columns == list(range(len(identity.inputs)))
        self._next_index = 0
        self._lost32 = 0
        self._is_hole = False
        self.lost_rows = 0
        self.overruns = 0
        self.reference_raw: int | None = None

    @property
    def has_supply(self) -> bool:
        """Return whether the supply of the potentiometers is there, as far as it is measured."""
        return not self.reference_raw or self.reference_raw >= LEAST_REFERENCE_RAW

    def take(self, samples: Samples, mono_ns: int, quality: int = 0) -> list[Rows]:
        """Return the rows of a frame that was read at `mono_ns`; quality: bits to add.

        Raises:
            SourceLost: the board began to count anew.
            FrameError: not the channels of its identity.
        """
        n, channels = samples.raw.shape
        if channels != len(self.identity.inputs):
            raise FrameError(f"samples of {channels} channels, the bridge's identity says {len(self.identity.inputs)}")
        index = widen(samples.first_index32, self._next_index)
        tick = widen(samples.tick32, self.clock.tick_near(mono_ns))
        self._check(index, tick)
        self._count_lost(index, samples.lost)
        self.clock.add_rows(index, tick)
        grid = self.clock.grid_at(index)
        self.reference_raw = samples.reference_raw
        out = []
        if self.columns and self.has_supply:
            raw = samples.raw if self._all_columns else samples.raw[:, self.columns]
            data = scale_counts(raw, samples.reference_raw)
            bits = quality | (LOST_BEFORE if self._is_hole else 0)
            out.append(Rows(0, index, grid.time_ns(index), grid.period_fs, data, bits))
        self._is_hole = not self.has_supply
        self._next_index = index + n
        self.clock.end_rows(self._next_index)
        if self.wheel is not None:
            speed = self.wheel.add(self._next_index - 1, samples.pulses32, grid)
            if speed is not None:
                t0_ns = speed.grid.time_ns(speed.index)
                out.append(Rows(self._wheel_plan, speed.index, t0_ns, speed.grid.period_fs, speed.data, quality))
        return out

    def _check(self, index: int, tick: int) -> None:
        """Raise SourceLost where index or tick don't go on."""
        if index < self._next_index:
            raise SourceLost(
                f"the bridge began anew (watchdog or power): row {index} came after row {self._next_index - 1}; "
                "if it happens again, check supply and plug"
            )
        off_s = self.clock.row_off_s(index, tick)
        if abs(off_s) > _LONGEST_OFF_S:
            raise SourceLost(
                f"the bridge's clock is {off_s:+.1f} s off what its rows say: it began anew (watchdog or power), or "
                "samples at another rate than it claims; if it happens again, put the firmware on it anew"
            )

    def _count_lost(self, index: int, lost32: int) -> None:
        """Count what is missing before a frame."""
        missing = index - self._next_index
        if missing:
            self._is_hole = True
            self.lost_rows += missing
        self.overruns += (lost32 - self._lost32) % (1 << 32)
        self._lost32 = lost32
