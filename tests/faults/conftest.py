"""Real processes of core with what the machine under them does wrong on purpose."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daemon.conftest import CASES, CoreChild
from dutylog import config
from dutylog.daemon.core_settings import CoreSettings

DEMO = Path(config.__file__).parents[1] / "sim" / "demo_vehicle.toml"
LIMIT_S = 60.0
FAST = {"commit_ns": 100_000_000, "cold_ns": 700_000_000}
"""Ten commits a second, so that a short test sees many."""


def wait_until(predicate, what, limit_s=LIMIT_S):
    """Return the first true value of the predicate."""
    deadline_s = time.monotonic() + limit_s
    while time.monotonic() < deadline_s:
        value = predicate()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"never happened: {what}")


def needs(*tools):
    """Mark tests that are skipped where a tool is missing."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    return pytest.mark.skipif(bool(missing), reason=f"not installed: {', '.join(missing)}")


def run_core(settings, prefix=(), limit_s=LIMIT_S):
    """Run core itself, as the supervisor does, to its end: (status, lines said)."""
    done = subprocess.run(
        [*prefix, sys.executable, "-m", "dutylog.daemon.core"],
        input=settings.to_json() + "\n", capture_output=True, text=True, timeout=limit_s,
    )  # fmt: skip
    return done.returncode, done.stderr.splitlines()


def assert_one_line(status, lines, *words):
    """Core gave up as it should: status 2 and one line that holds the words."""
    assert "Traceback" not in "\n".join(lines)
    said = [line for line in lines if line.startswith("dutylog: ")]
    assert (status, len(said)) == (2, 1), lines
    for word in words:
        assert word in said[0]


def make_demo_settings(data_dir):
    """Return core settings for the simulated demo vehicle, faster than real."""
    return CoreSettings(config.load(DEMO).vehicle, data_dir, "simulated", scenario="desert", seed=3, pace=6.0)


@pytest.fixture
def demo_settings(tmp_path):
    """Those settings with a folder of the test's own."""
    return make_demo_settings(tmp_path / "data")


@pytest.fixture(scope="session")
def recording(tmp_path_factory):
    """The first 30 s of the desert case, with faults: (file, vehicle)."""
    import pyarrow.parquet as pq

    case = CASES / "F_faults"
    file = tmp_path_factory.mktemp("recording") / "cut.parquet"
    pq.write_table(pq.read_table(case / "recording.parquet").slice(0, 30_000), file)
    return file, config.load(case / "truck.toml").vehicle


@pytest.fixture
def start_core():
    """Start children that are surely gone at the end of the test."""
    started = []

    def start(settings, side_log, **options):
        started.append(CoreChild(settings, side_log, **options))
        return started[-1]

    yield start
    for child in started:
        if child.process.poll() is None:
            child.process.kill()
        child.process.communicate()


class Said:
    """Follows the lines of a child that goes on running."""

    def __init__(self, child):
        import threading

        self.lines = []
        self._child = child
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self):
        for line in self._child.process.stdout:
            self.lines.append(line.rstrip("\n"))

    def with_word(self, word):
        """Return the lines that hold a word."""
        return [line for line in self.lines if word in line]

    def finish(self, limit_s=LIMIT_S):
        """Wait for the end of the child: (status, lines, errors)."""
        errors = self._child.process.stderr.read()
        status = self._child.process.wait(limit_s)
        self._thread.join(limit_s)
        self._child.process.stdout.close()
        self._child.process.stderr.close()
        return status, self.lines, errors
