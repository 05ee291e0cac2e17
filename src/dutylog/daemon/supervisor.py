"""Starts core and the page, starts them again when they die, and stops them in a fixed order.

The supervisor does nothing else, so nothing in it can stall sampling; and it holds no data, so it
may be killed at any time: the kernel then ends its children cleanly.
"""

from __future__ import annotations

import ctypes
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

from dutylog.clock import Clock

STOP_S = 10.0
"""A child that hasn't ended this long after SIGTERM is killed."""
BACKOFF_S = (0.2, 0.5, 1.0, 2.0, 5.0)
STEADY_NS = 30_000_000_000
"""Alive this long, a child counts as well again."""
FINAL_STATUS = 2
"""Bad configuration or data: starting again wouldn't help."""


@dataclass(slots=True)
class Child:
    """One process to keep alive. stdin_line: what it is told at its start."""

    name: str
    command: list[str]
    stdin_line: str | None = None
    is_vital: bool = False
    process: subprocess.Popen[str] | None = field(default=None)
    started_ns: int = 0
    failures: int = 0
    retry_ns: int = 0


class Supervisor:
    """Keeps children alive until told to stop."""

    def __init__(self, children: list[Child], clock: Clock, say: Callable[[str], None]) -> None:
        """children: in order of starting; they stop in the reverse order. say: takes lines for people."""
        self._children = children
        self._clock = clock
        self._say = say
        self._stopping = False

    def stop(self) -> None:
        """Ask `run` to end; safe from a signal handler."""
        self._stopping = True

    def run(self) -> int:
        """Watch until stopped, a vital child gives up, or one ends with 0; return the exit status."""
        status = 0
        try:
            while not self._stopping:
                for child in self._children:
                    ended = self._watch(child)
                    if ended is not None:
                        return ended
                self._clock.sleep(0.1)
        finally:
            for child in reversed(self._children):
                stopped = self._end(child)
                status = stopped if child.is_vital and stopped else status
        return status

    def _watch(self, child: Child) -> int | None:
        """Start a child where it is due; return a status where the whole should end."""
        now_ns = self._clock.mono_ns()
        if child.process is None:
            if now_ns >= child.retry_ns:
                self._start(child)
            return None
        status = child.process.poll()
        if status is None:
            if child.failures and now_ns - child.started_ns > STEADY_NS:
                child.failures = 0
            return None
        child.process = None
        if child.is_vital and status in (0, FINAL_STATUS):
            return status
        wait_s = BACKOFF_S[min(child.failures, len(BACKOFF_S) - 1)]
        child.failures += 1
        child.retry_ns = now_ns + round(wait_s * 1e9)
        self._say(f"{child.name} ended with status {status}; starting it again in {wait_s:g} s")
        return None

    def _start(self, child: Child) -> None:
        child.process = subprocess.Popen(
            child.command,
            stdin=subprocess.PIPE if child.stdin_line else subprocess.DEVNULL,
            text=True,
            preexec_fn=_die_with_parent,
        )
        child.started_ns = self._clock.mono_ns()
        if child.stdin_line and child.process.stdin is not None:
            try:
                child.process.stdin.write(child.stdin_line + "\n")
                child.process.stdin.close()
            except BrokenPipeError:
                self._say(f"{child.name} ended before it was told what to do")

    def _end(self, child: Child) -> int:
        process = child.process
        if process is None:
            return 0
        process.send_signal(signal.SIGTERM)
        try:
            status = process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self._say(f"{child.name} didn't end within {STOP_S:g} s and was killed")
            process.kill()
            status = process.wait()
        child.process = None
        # Ended by our own signal: it was so young that it hadn't yet learned to end cleanly, and held nothing.
        return 0 if status == -signal.SIGTERM else status


def _die_with_parent() -> None:
    """Ask the kernel for SIGTERM when the supervisor is gone, even by kill -9.

    Source: prctl(2), PR_SET_PDEATHSIG = 1 (Linux).
    """
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)


def python_module(name: str, *arguments: str) -> list[str]:
    """Return the command that runs one of our modules in a process of its own."""
    return [sys.executable, "-m", name, *arguments]
