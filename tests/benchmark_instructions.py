"""Instructions that a second of data costs core, counted by valgrind's callgrind: the same on any machine.

Started with a number of seconds it is what is counted: core's own round without its waiting, on a sensor that
costs nothing. Two lengths are counted and subtracted, so that starting up is out of it.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

from tests.benchmark_source import CountsSource, write_counts, write_vehicle

SHORT_S, LONG_S = 20, 60
ARM_HZ = 1e9


def work(folder: Path, seconds: int, dampers: int) -> None:
    """Do core's rounds for so many seconds of data, as fast as it goes."""
    # Here, not above: whoever counts needs none of it.
    from dutylog import config
    from dutylog.clock import Clock, SystemClock
    from dutylog.daemon import core as core_module
    from dutylog.daemon.core_settings import CoreSettings

    vehicle = config.load(write_vehicle(folder, dampers)).vehicle
    settings = CoreSettings(
        vehicle=vehicle, data_dir=folder / "data", source_kind="benchmark", pace=1.0, exit_at_end=True
    )

    def open_source(settings: CoreSettings, clock: Clock) -> CountsSource:
        return CountsSource(settings.vehicle, seconds, folder / "counts.npy")

    class SourceClock(SystemClock):
        """Runs on with each batch, so that core commits once a second of data."""

        def __init__(self) -> None:
            self.now_ns = SystemClock().mono_ns()

        def mono_ns(self) -> int:
            return self.now_ns

        def sleep(self, seconds: float) -> None:
            self.now_ns += round(seconds * 1e9)

    clock = SourceClock()
    core = core_module.Core(settings, clock, lambda _line: None)
    plain_take = core._take

    def take(batch: object) -> None:
        clock.now_ns += 100_000_000
        plain_take(batch)  # type: ignore[arg-type]
        # The disk's threads get their turn as they would in a tenth of a second.
        core._writer.wait(5.0)
        core._counting._errand.wait(5.0)
        core._books._errand.wait(5.0)

    core._take = take  # type: ignore[method-assign, assignment]
    core_module.open_source = open_source  # type: ignore[assignment]
    core.run()


def instruction_lines(folder: Path) -> list[str]:
    """Count for four and eight dampers; return lines for people."""
    if shutil.which("valgrind") is None:
        return ["not counted: no valgrind here (apt-get install valgrind)"]
    lines = []
    for dampers in (4, 8):
        counts = {seconds: _count(folder, seconds, dampers) for seconds in (SHORT_S, LONG_S)}
        each = (counts[LONG_S] - counts[SHORT_S]) / (LONG_S - SHORT_S)
        lines.append(
            f"{dampers} dampers: {each / 1e6:.1f} million instructions for a second of data; "
            f"{each / ARM_HZ:.2%} of a 1 GHz core that does one in a cycle"
        )
    return lines


def _count(folder: Path, seconds: int, dampers: int) -> int:
    place = folder / f"{dampers}-{seconds}"
    place.mkdir()
    write_counts(place)
    # fmt: off
    done = subprocess.run(
        ["valgrind", "--tool=callgrind", f"--callgrind-out-file={place / 'counts'}", sys.executable, "-m",
         "tests.benchmark_instructions", json.dumps([str(place), seconds, dampers])],
        check=True, capture_output=True, text=True,
    )
    # fmt: on
    found = re.search(r"Collected : (\d+)", done.stderr)
    if found is None:
        raise SystemExit(f"callgrind said no count: {done.stderr[-500:]}")
    return int(found[1])


if __name__ == "__main__":
    where, length, many = json.loads(sys.argv[1])
    work(Path(where), length, many)
