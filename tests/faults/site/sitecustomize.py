"""On the path of a daemon under test, for all its processes: a wall clock that is vouched for; on demand a fast
clock for core, publisher and pages, and a sensor that costs nothing.

DUTYLOG_TEST_SPEED: how much faster than real. DUTYLOG_TEST_UTC0_NS: wall time [ns] at monotonic 0 of the fast clock.
DUTYLOG_TEST_COUNTS: file of tests/benchmark_source.py that core reads instead of its source.
"""

import os
import sys
import time

from dutylog import clock as clock_module
from dutylog.daemon import wall_time

wall_time.is_utc_trusted = lambda *_: True
MODULE = sys.orig_argv[sys.orig_argv.index("-m") + 1] if "-m" in sys.orig_argv else ""

if MODULE in ("dutylog.daemon.core", "dutylog.publish", "dutylog.web") and "DUTYLOG_TEST_SPEED" in os.environ:
    SPEED, UTC0_NS = int(os.environ["DUTYLOG_TEST_SPEED"]), int(os.environ["DUTYLOG_TEST_UTC0_NS"])

    class FastClock(clock_module.SystemClock):
        """The same in every process of one test."""

        def mono_ns(self):
            return time.monotonic_ns() * SPEED

        def utc_ns(self):
            return UTC0_NS + self.mono_ns()

        def sleep(self, seconds):
            time.sleep(max(0.0, seconds) / SPEED)

    clock_module.SystemClock = FastClock

if MODULE == "dutylog.daemon.core" and "DUTYLOG_TEST_COUNTS" in os.environ:
    from pathlib import Path

    from tests.benchmark_source import CountsSource

    from dutylog.daemon import sources

    sources.open_source = lambda settings, clock: CountsSource(
        settings.vehicle, 1e9, Path(os.environ["DUTYLOG_TEST_COUNTS"]), clock
    )
