"""Core with a sensor that costs nothing and a stopwatch, for the benchmark.

Settings on standard input; the times of rounds and commits go to a file at the end.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from tests.benchmark_source import CountsSource

from dutylog.clock import Clock
from dutylog.daemon import core
from dutylog.daemon.core_settings import CoreSettings
from dutylog.ledger.ledger import Ledger
from dutylog.recording.segment_files import SegmentFiles
from dutylog.recording.source import Batch


def timed(method: Callable[..., Any], taken_ns: list[int]) -> Callable[..., Any]:
    """Return the method with its time kept in a list."""

    def call(*arguments: Any, **options: Any) -> Any:
        began_ns = time.perf_counter_ns()
        try:
            return method(*arguments, **options)
        finally:
            taken_ns.append(time.perf_counter_ns() - began_ns)

    return call


class TimedSource:
    """A source that notes how long core is busy with each batch until it asks for the next.

    sensor_ns: processor time that the benchmark's own sensor takes, which isn't core's.
    """

    def __init__(self, inner: CountsSource, busy_ns: list[int], sensor_ns: list[int]) -> None:
        self._inner, self._busy_ns, self._sensor_ns = inner, busy_ns, sensor_ns
        self.kind, self.text, self.resumable, self.streams = inner.kind, inner.text, inner.resumable, inner.streams
        self._given_ns: int | None = None

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:
        self._inner.start(epoch, next_index)

    def read_batch(self) -> Batch | None:
        if self._given_ns is not None:
            self._busy_ns.append(time.perf_counter_ns() - self._given_ns)
        began_ns = time.thread_time_ns()
        batch = self._inner.read_batch()
        self._sensor_ns.append(time.thread_time_ns() - began_ns)
        self._given_ns = time.perf_counter_ns()
        return batch

    def close(self) -> None:
        self._inner.close()


def main() -> int:
    """Run core until SIGTERM, then write lists of times [ns] for each "block", the "sensor", "log" and "ledger"."""
    times: dict[str, list[int]] = {"block": [], "sensor": [], "log": [], "ledger": []}
    SegmentFiles.commit = timed(SegmentFiles.commit, times["log"])  # type: ignore[method-assign]
    Ledger.commit = timed(Ledger.commit, times["ledger"])  # type: ignore[method-assign]

    def open_source(settings: CoreSettings, clock: Clock) -> TimedSource:
        return TimedSource(
            CountsSource(settings.vehicle, 1e6, Path(sys.argv[2]), clock), times["block"], times["sensor"]
        )

    core.open_source = open_source  # type: ignore[assignment]
    status = core.main()
    Path(sys.argv[1]).write_text(json.dumps(times), encoding="utf-8")
    return status


if __name__ == "__main__":
    sys.exit(main())
