"""Starts the processes, starts them again when they die or hang, and stops them in a fixed order.

The supervisor does nothing else, so nothing in it can stall sampling; and it holds no data, so it
may be killed at any time: the kernel then ends its children cleanly.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from dutylog.clock import Clock
from dutylog.daemon.life_signs import Sign, cpu_ticks
from dutylog.daemon.service_manager import ServiceManager
from dutylog.daemon.status_socket import StatusSocket
from dutylog.units import NS_PER_S

STOP_S = 10.0
"""A child that hasn't ended this long after SIGTERM is killed."""
BACKOFF_S = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
STEADY_NS = 30 * NS_PER_S
"""Alive this long, a child counts as well again."""
LOOP_FAILURES = 5
"""After so many failures in a row it is said that this is a loop."""
FINAL_STATUS = 2
"""Bad configuration or data: starting again wouldn't help."""
ASK_NS = 2 * NS_PER_S
HUNG_NS = 15 * NS_PER_S
"""A child that showed nothing for so long hangs. A snapshot comes each second, also while the disk stalls, and every
5 to 7.5 s while nobody looks; a full minute's work in one go takes a tenth of this. Judgement."""
START_HUNG_NS = 60 * NS_PER_S
"""A child that never showed anything hangs when it used no processor for so long: a slow card alone takes less."""
HUNG = "hung"
NICENESS = 19
"""The lowest priority there is: sampling goes first. Source: setpriority(2)."""
HEAP = {
    "MALLOC_ARENA_MAX": "1",
    "MALLOC_MMAP_THRESHOLD_": "32768",
    "MALLOC_TRIM_THRESHOLD_": "131072",
}
"""Unless told otherwise. With a heap for each thread, what short-lived threads left made memory grow by the hour;
and so did large pieces needed now and then, which tear the heap: those from 32 KiB on come from the system and go
back to it. Less, and a second's travel of four dampers would; more, and several seconds worked off together left a heap
1.3 MB larger. Source: glibc manual, Malloc Tunable Parameters; measured."""


@dataclass(slots=True)
class Child:
    """One process to keep alive. stdin_line: what it is told at its start. sign: asks what it shows of itself.

    is_changing: it must show something new each time, not merely something. restarts: how often it was
    started again, by reason.
    """

    name: str
    command: list[str]
    stdin_line: str | None = None
    is_vital: bool = False
    sign: Sign | None = None
    is_changing: bool = False
    process: subprocess.Popen[str] | None = field(default=None)
    started_ns: int = 0
    failures: int = 0
    retry_ns: int = 0
    shown: str | None = None
    shown_ns: int = 0
    asked_ns: int = 0
    used_ticks: int | None = None
    used_ns: int = 0
    restarts: dict[str, int] = field(default_factory=dict)


class Supervisor:
    """Keeps children alive until told to stop."""

    def __init__(
        self,
        children: list[Child],
        clock: Clock,
        say: Callable[[str], None],
        manager: ServiceManager | None = None,
        status_socket: StatusSocket | None = None,
        errands: Sequence[list[str]] = (),
    ) -> None:
        """children: in order of starting; they stop in the reverse order. say: takes lines for people.

        manager: told how it goes. status_socket: where whoever asks is answered. errands: commands that are run
        once with the lowest priority, as soon as all vital children are there, and whose end nobody waits for.
        """
        self._children = children
        self._clock = clock
        self._say = say
        self._manager = manager or ServiceManager({}, clock)
        self._status_socket = status_socket
        self._errands = list(errands)
        self._under_way: list[subprocess.Popen[str]] = []
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
                self._tell()
                self._run_errands()
                self._clock.sleep(0.1)
        finally:
            self._manager.stopping()
            self._end_errands()
            for child in reversed(self._children):
                stopped = self._end(child)
                status = stopped if child.is_vital and stopped else status
            if self._status_socket is not None:
                self._status_socket.close()
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
            self._listen(child)
            return None
        child.process = None
        if child.is_vital and status in (0, FINAL_STATUS):
            return status
        self._note_end(child, reason_of(status))
        return None

    def _note_end(self, child: Child, reason: str) -> None:
        """Count why a child ended, and say when it is started again."""
        child.restarts[reason] = child.restarts.get(reason, 0) + 1
        wait_s = BACKOFF_S[min(child.failures, len(BACKOFF_S) - 1)]
        child.failures += 1
        child.retry_ns = self._clock.mono_ns() + round(wait_s * NS_PER_S)
        loop = f" ({child.failures} times in a row now)" if child.failures >= LOOP_FAILURES else ""
        self._say(f"{child.name} {reason}{loop}; starting it again in {wait_s:g} s")

    def _listen(self, child: Child) -> None:
        """Ask a child for a sign of life; kill one that has given none for too long."""
        now_ns = self._clock.mono_ns()
        if child.sign is None or now_ns - child.asked_ns < ASK_NS:
            return
        child.asked_ns = now_ns
        shown = child.sign()
        if shown is not None and (shown != child.shown or not child.is_changing):
            child.shown, child.shown_ns = shown, self._clock.mono_ns()
            return
        if child.process is not None and self._is_hung(child, child.process.pid):
            child.process.kill()
            child.process.wait()
            child.process = None
            self._note_end(child, HUNG)

    def _is_hung(self, child: Child, pid: int) -> bool:
        """Return whether a child has shown nothing for too long.

        Before its first sign it may count a long log; whoever does that uses the processor.
        """
        now_ns = self._clock.mono_ns()
        if child.shown_ns:
            return now_ns - child.shown_ns > HUNG_NS
        used_ticks = cpu_ticks(pid)
        if used_ticks is None or used_ticks != child.used_ticks:
            child.used_ticks, child.used_ns = used_ticks, now_ns
        return now_ns - child.used_ns > START_HUNG_NS

    def _tell(self) -> None:
        """Give signs of life to the service manager, and answer whoever asks."""
        if self._is_ready():
            self._manager.ready()
            if self._status_socket is not None:
                self._status_socket.open()
        self._manager.status("; ".join(_describe(child) for child in self._children))
        self._manager.alive()
        if self._status_socket is not None:
            self._status_socket.answer(self._state)

    def _is_ready(self) -> bool:
        return all(child.shown_ns or child.sign is None for child in self._children if child.is_vital)

    def _run_errands(self) -> None:
        """Start what is to be done once, and bury what has ended."""
        while self._errands and self._is_ready():
            self._under_way.append(self._spawn(self._errands.pop(0), subprocess.DEVNULL))
            # From here, as the page does it with its jobs: setpriority(2) of a child that may have ended already.
            with contextlib.suppress(ProcessLookupError):
                os.setpriority(os.PRIO_PROCESS, self._under_way[-1].pid, NICENESS)
        self._under_way = [process for process in self._under_way if process.poll() is None]

    def _end_errands(self) -> None:
        for process in self._under_way:
            process.kill()
            process.wait()

    def _state(self) -> dict[str, object]:
        return {
            "schema": 1,
            "processes": [
                {
                    "name": child.name,
                    "state": _state_of(child),
                    "up_s": self._up_s(child),
                    "restarts_count": sum(child.restarts.values()),
                    "restarts": child.restarts,
                }
                for child in self._children
            ],
        }

    def _up_s(self, child: Child) -> float | None:
        return None if child.process is None else round((self._clock.mono_ns() - child.started_ns) / NS_PER_S, 1)

    def _start(self, child: Child) -> None:
        child.process = self._spawn(child.command, subprocess.PIPE if child.stdin_line else subprocess.DEVNULL)
        child.started_ns = child.asked_ns = self._clock.mono_ns()
        child.shown, child.shown_ns = None, 0
        child.used_ticks, child.used_ns = None, child.started_ns
        if child.stdin_line and child.process.stdin is not None:
            try:
                child.process.stdin.write(child.stdin_line + "\n")
                child.process.stdin.close()
            except BrokenPipeError:
                self._say(f"{child.name} ended before it was told what to do")

    def _spawn(self, command: list[str], stdin: int) -> subprocess.Popen[str]:
        return subprocess.Popen(command, stdin=stdin, text=True, env=HEAP | os.environ, preexec_fn=_die_with_parent)

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


def reason_of(status: int) -> str:
    """Return in words why a process is gone, by its exit status as subprocess gives it."""
    if status >= 0:
        return f"ended with status {status}"
    try:
        return f"crashed by {signal.Signals(-status).name}"
    except ValueError:
        return f"crashed by signal {-status}"


def _state_of(child: Child) -> str:
    if child.process is None:
        return "waiting"
    return "running" if child.shown_ns or child.sign is None else "starting"


def _describe(child: Child) -> str:
    restarts = sum(child.restarts.values())
    return f"{child.name} {_state_of(child)}" + (f", {restarts} restarts" if restarts else "")


def _die_with_parent() -> None:
    """Ask the kernel for SIGTERM when the supervisor is gone, even by kill -9.

    Source: prctl(2), PR_SET_PDEATHSIG = 1 (Linux).
    """
    ctypes.CDLL(None).prctl(1, signal.SIGTERM)


def python_module(name: str, *arguments: str) -> list[str]:
    """Return the command that runs one of our modules in a process of its own."""
    return [sys.executable, "-m", name, *arguments]
