"""A slowly sampled quantity (temperature, speed) as tiles need it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Times = NDArray[np.int64]


class SlowChannel:
    """Believed samples newer than `last`, and `last`, the newest of those let go.

    low, high: believable range. A sample outside it or NaN is unbelievable.
    """

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high
        self.last: tuple[int, float] | None = None
        self.seen_ns = -(2**62)
        self._times: list[int] = []
        self._values: list[float] = []

    def add(self, times_ns: list[int], values: list[float]) -> list[tuple[int, bool]]:
        """Take samples in order of time; return (time, believable) of those not seen before."""
        news = []
        newest = self._times[-1] if self._times else self.last[0] if self.last else -(2**62)
        for time_ns, value in zip(times_ns, values, strict=True):
            good = self.low <= value <= self.high
            if good and time_ns > newest:
                self._times.append(time_ns)
                self._values.append(value)
            if time_ns > self.seen_ns:
                self.seen_ns = time_ns
                news.append((time_ns, good))
        return news

    def interpolate(self, times_ns: Times, until_ns: int) -> Array:
        """Return values at the given instants from samples not after until_ns; held at the ends, NaN if none."""
        times, values = self._known(until_ns)
        if not times:
            return np.full(len(times_ns), np.nan)
        # Relative times keep float64 exact to well under a nanosecond.
        base = times[-1]
        xs = np.array([t - base for t in times], dtype=np.float64)
        held: Array = np.interp((times_ns - base).astype(np.float64), xs, np.array(values))
        return held

    def within(self, start_ns: int, end_ns: int) -> list[float]:
        """Return believed samples in [start_ns, end_ns)."""
        return [v for t, v in zip(self._times, self._values, strict=True) if start_ns <= t < end_ns]

    def latest(self, end_ns: int, within_ns: int) -> float | None:
        """Return the newest believed sample before end_ns, None if it is older than within_ns."""
        times, values = self._known(end_ns)
        if not times or end_ns - times[-1] > within_ns:
            return None
        return values[-1]

    def let_go_before(self, time_ns: int) -> None:
        """Forget samples before time_ns but the newest of them."""
        count = sum(t < time_ns for t in self._times)
        if count:
            self.last = (self._times[count - 1], self._values[count - 1])
            del self._times[:count], self._values[:count]

    def to_dict(self) -> dict[str, Any]:
        """Return what a checkpoint must keep; newer samples come again from the log."""
        return {"last": self.last, "seen_ns": self.seen_ns}

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave."""
        self.last = None if data["last"] is None else (int(data["last"][0]), float(data["last"][1]))
        self.seen_ns = int(data["seen_ns"])

    def _known(self, until_ns: int) -> tuple[list[int], list[float]]:
        count = sum(t <= until_ns for t in self._times)
        times, values = self._times[:count], self._values[:count]
        if self.last is not None:
            return [self.last[0], *times], [self.last[1], *values]
        return times, values
