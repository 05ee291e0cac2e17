"""A slowly sampled quantity (temperature, speed) as tiles need it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from math import isnan
from typing import Any

Spans = Sequence[tuple[int, int]]
"""Start and end [ns] of tiles."""


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

    def add(self, times_ns: list[int], values: list[float]) -> list[int]:
        """Take samples in order of time; return when those were taken that can't be believed, each once."""
        if not times_ns:
            return []
        is_plain = self.is_plain(times_ns, values)
        seen_ns, self.seen_ns = self.seen_ns, max(self.seen_ns, times_ns[-1])
        if is_plain:
            self._times += times_ns
            self._values += values
            return []
        low, high, newest, bad = self.low, self.high, self._newest_ns(), []
        for time_ns, value in zip(times_ns, values, strict=True):
            if not low <= value <= high:
                if time_ns > seen_ns:
                    bad.append(time_ns)
            elif time_ns > newest:
                newest = time_ns
                self._times.append(time_ns)
                self._values.append(value)
        return bad

    def is_plain(self, times_ns: list[int], values: list[float]) -> bool:
        """Return whether samples in order of time, one at least, are all new and believable, as nearly always."""
        within = self.low <= min(values) and max(values) <= self.high
        return within and times_ns[0] > self._newest_ns() and not isnan(sum(values))

    def _newest_ns(self) -> int:
        """Return when the newest believed sample was taken."""
        return self._times[-1] if self._times else self.last[0] if self.last else -(2**62)

    def at(self, time_ns: int, until_ns: int) -> float | None:
        """Return the value at an instant from samples not after until_ns; held at the ends, None if none."""
        count = bisect_right(self._times, until_ns)
        after = bisect_left(self._times, time_ns, 0, count)
        before = (self._times[after - 1], self._values[after - 1]) if after else self.last
        if after == count:
            return None if before is None else before[1]
        if before is None:
            return self._values[after]
        share = (time_ns - before[0]) / (self._times[after] - before[0])
        return before[1] + share * (self._values[after] - before[1])

    def cut(self, spans_ns: Spans) -> list[list[float]]:
        """Return the believed samples in each of many spans, those at an end left out."""
        if not self._times:
            return [[] for _ in spans_ns]
        times, values = self._times, self._values
        return [values[bisect_left(times, start) : bisect_left(times, end)] for start, end in spans_ns]

    def latest(self, end_ns: int, within_ns: int) -> float | None:
        """Return the newest believed sample not after end_ns, None if it is older than within_ns."""
        count = bisect_right(self._times, end_ns)
        newest = (self._times[count - 1], self._values[count - 1]) if count else self.last
        if newest is None or end_ns - newest[0] > within_ns:
            return None
        return newest[1]

    def let_go_before(self, time_ns: int) -> None:
        """Forget samples before time_ns but the newest of them."""
        count = bisect_left(self._times, time_ns)
        if count:
            self.last = (self._times[count - 1], self._values[count - 1])
            del self._times[:count], self._values[:count]

    def means(self, spans_ns: Spans) -> list[float | None]:
        """Return the mean of the samples in each of many spans, None without any."""
        return [mean_of(values) for values in self.cut(spans_ns)]

    def to_dict(self) -> dict[str, Any]:
        """Return what a checkpoint must keep; newer samples come again from the log."""
        return {"last": self.last, "seen_ns": self.seen_ns}

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave."""
        self.last = None if data["last"] is None else (int(data["last"][0]), float(data["last"][1]))
        self.seen_ns = int(data["seen_ns"])


def mean_of(values: Sequence[float]) -> float | None:
    """Return the mean of values, None without any."""
    return sum(values) / len(values) if values else None
