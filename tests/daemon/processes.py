"""Real processes of core, their recordings and their folders, for the tests of the daemon and of faults."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from dutylog import config
from dutylog.daemon.core_settings import CoreSettings

CASES = Path(__file__).parents[1] / "data" / "cases"
DEMO = Path(config.__file__).parents[1] / "sim" / "demo_vehicle.toml"
LIMIT_S = 60.0
CHILD = Path(__file__).with_name("core_child.py")


@pytest.fixture(scope="session")
def recording(tmp_path_factory):
    """The first 30 s of the desert case, with faults: (file, vehicle)."""
    case = CASES / "F_faults"
    file = tmp_path_factory.mktemp("recording") / "cut.parquet"
    pq.write_table(pq.read_table(case / "recording.parquet").slice(0, 30_000), file)
    return file, config.load(case / "truck.toml").vehicle


@pytest.fixture
def settings(recording, tmp_path):
    """Core settings for that recording, as fast as possible, in a folder of the test's own."""
    file, vehicle = recording
    return CoreSettings(vehicle, tmp_path / "data", "recording", file=file, pace=0, exit_at_end=True)


@pytest.fixture
def demo_settings(tmp_path):
    """Core settings for the simulated demo vehicle, faster than real."""
    return make_demo_settings(tmp_path / "data")


def make_demo_settings(data_dir):
    """Return those settings for any folder."""
    return CoreSettings(config.load(DEMO).vehicle, data_dir, "simulated", scenario="desert", seed=3, pace=6.0)


def wait_until(predicate, what, limit_s=LIMIT_S):
    """Return the first true value of the predicate."""
    deadline_s = time.monotonic() + limit_s
    while time.monotonic() < deadline_s:
        value = predicate()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"never happened: {what}")


class CoreChild:
    """One start of core_child.py; prefix: a command that runs it, such as one that makes calls fail."""

    def __init__(self, settings, side_log, prefix=(), env=None, **options):
        options |= {"settings": json.loads(replace(settings).to_json()), "side_log": str(side_log)}
        self.process = subprocess.Popen(
            [*prefix, sys.executable, str(CHILD), json.dumps(options)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env,
        )  # fmt: skip

    def wait_for(self, word):
        """Read lines until one holds the word; return them all."""
        lines = []
        for line in self.process.stdout:
            lines.append(line)
            if word in line:
                return lines
        raise AssertionError(f"core ended without saying {word!r}: {lines} {self.process.stderr.read()}")

    def finish(self, timeout_s=60):
        """Wait for the end; return (status, output, errors)."""
        out, err = self.process.communicate(timeout=timeout_s)
        return self.process.returncode, out, err


@pytest.fixture
def start_core():
    """Start children that are surely gone at the end of the test."""
    started = []

    def start(settings, side_log, **options):
        child = CoreChild(settings, side_log, **options)
        started.append(child)
        return child

    yield start
    for child in started:
        if child.process.poll() is None:
            child.process.kill()
        child.process.communicate()
