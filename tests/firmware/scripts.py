"""Runs a few lines of MicroPython with the firmware's modules at hand."""

from __future__ import annotations

import subprocess

from firmware.board import FIRMWARE, HEAP, micropython


def run_script(code: str, *arguments: str, text: str = "") -> str:
    """Return what the script prints. text: its standard input.

    Raises:
        AssertionError: it ended with a traceback.
    """
    head = f"import sys\nsys.path.insert(0, {str(FIRMWARE)!r})\n"
    command = [micropython(), "-X", f"heapsize={HEAP}", "-c", head + code, *arguments]
    done = subprocess.run(command, input=text, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout
