"""What the frames of travel tell of the sampling clock: its period, and how evenly it beats."""

from __future__ import annotations

from typing import Any

import numpy as np

from dutylog.recording.block import STAMP, Stream
from dutylog.recording.frame import Frame
from dutylog.units import FS_PER_NS, FS_PER_S

_UNEVEN = 0.02
"""Share of the period from which jitter is worth a line. Judgement."""
_OTHER_RATE = 1e-3
"""Periods that differ by less are one rate, fitted anew to a device's clock. Judgement: a crystal, five times."""
_DRIFT_PPM = 50.0
"""A crystal keeps within this; a clock that strays further from its own first minute is said. Judgement."""
_DRIFT_ROWS = 60_000
"""Fewer rows tell drift no better than the stamps themselves do. Judgement."""


class SampleClock:
    """Period of the fastest travel and rms of its stamps about the even grid; from frames alone."""

    def __init__(self) -> None:
        self._periods_fs: list[int] = []
        self._count = 0
        self._sum_ns = self._square_ns2 = 0
        self._first: tuple[int, int, int] | None = None
        self._drift_ppm = 0.0
        self._stream: Stream | None = None
        # Of that stream, those with stamps.
        self._columns: list[int] = []

    def take(self, frame: Frame) -> None:
        """Take a frame; only samples of travel matter."""
        block = frame.block
        if block is None or not block.stream.has_travel:
            return
        if block.stream is not self._stream:
            self._stream = block.stream
            columns = enumerate(block.stream.channels)
            self._columns = [column for column, channel in columns if channel.quantity == STAMP]
        if block.period_fs not in self._periods_fs:
            self._periods_fs.append(block.period_fs)
        self._note_drift(frame.epoch, block.first_index, block.t0_ns, block.period_fs)
        for column in self._columns:
            stamps = np.rint(block.data[:, column].astype(np.float64)).astype(np.int64)
            self._count += len(stamps)
            self._sum_ns += int(stamps.sum())
            self._square_ns2 += int(np.dot(stamps, stamps))

    def _note_drift(self, epoch: int, index: int, t0_ns: int, period_fs: int) -> None:
        """Compare the time since the epoch's first frame with its rows times the period."""
        if self._first is None or self._first[0] != epoch:
            self._first = (epoch, index, t0_ns)
        rows = index - self._first[1]
        if rows >= _DRIFT_ROWS:
            off_ns = t0_ns - self._first[2] - rows * period_fs / FS_PER_NS
            self._drift_ppm = off_ns / (rows * period_fs / FS_PER_NS) * 1e6

    @property
    def rate_hz(self) -> float | None:
        """Return samples a second [Hz] of the latest travel, None before any."""
        return FS_PER_S / self._periods_fs[-1] if self._periods_fs else None

    @property
    def jitter_rms_us(self) -> float | None:
        """Return rms [us] of rows about the even grid, None where the source gives no stamps of its own."""
        if not self._count:
            return None
        mean_ns = self._sum_ns / self._count
        return float(np.sqrt(max(0.0, self._square_ns2 / self._count - mean_ns**2))) * 1e-3

    def to_dict(self) -> dict[str, Any] | None:
        """Return the JSON form (shared/INTEGRATE.md), None where there was no travel at all."""
        if not self._periods_fs:
            return None
        period_fs, jitter_us = self._periods_fs[-1], self.jitter_rms_us
        notes = []
        if max(self._periods_fs) > (1 + _OTHER_RATE) * min(self._periods_fs):
            rates = ", ".join(f"{FS_PER_S / p:.6g}" for p in self._periods_fs)
            notes.append(f"sampled at different rates one after the other: {rates} Hz")
        if jitter_us is not None and jitter_us > _UNEVEN * period_fs * 1e-9:
            notes.append(f"rows lie {jitter_us:.0f} us rms off an even spacing; each was moved to its place on it")
        if abs(self._drift_ppm) > _DRIFT_PPM:
            word = "slower" if self._drift_ppm > 0 else "faster"
            notes.append(f"the clock ran {abs(self._drift_ppm):.0f} ppm {word} over the whole than at the beginning")
        return {
            "rate_hz": FS_PER_S / period_fs,
            "period_fs": period_fs,
            "jitter_rms_us": jitter_us,
            "notes": notes,
        }
