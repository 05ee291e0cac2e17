"""Real processes of core with what the machine under them does wrong on purpose."""

from __future__ import annotations

import shutil
import subprocess
import sys
import threading

import pytest

from daemon.processes import LIMIT_S, demo_settings, recording, start_core

__all__ = ["demo_settings", "recording", "start_core"]

FAST = {"commit_ns": 100_000_000, "cold_ns": 700_000_000}
"""Ten commits a second, so that a short test sees many."""


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


class Said:
    """Follows the lines of a child that goes on running."""

    def __init__(self, child):
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
