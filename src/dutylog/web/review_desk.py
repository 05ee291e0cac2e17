"""Has reviews of trips made beside the pages: a process of its own, slow, one at a time, each asked for once.

Going through ten hours of samples takes from seconds to minutes; the pages meanwhile say how far it is. What is under
way is ended with its helpers when its time is up or the pages stop.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import re
import signal
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from dutylog.errors import one_line
from dutylog.web.jobs import NICENESS, PROGRAM

NONE, WAITING, WORKING, DONE, FAILED = "none", "waiting", "working", "done", "failed"
MOST_WAITING = 8
MOST_KEPT = 64
STOPPING_TEXT = "the pages are stopping; open this page again"
_SAID_SIGNS = 300
_PROGRESS = re.compile(rb"progress (0(?:\.[0-9]{1,6})?|1(?:\.0{1,6})?)\s*", re.ASCII)


@dataclass(frozen=True, slots=True)
class DeskLimits:
    """What making a review may take. time_s: waiting for its turn left out. output_bytes: of what it says."""

    time_s: float = 1800.0
    output_bytes: int = 1_000_000


@dataclass(frozen=True, slots=True)
class DeskState:
    """How a review is coming along. ratio: done of the work, None where unknown. text: why it failed."""

    state: str
    ratio: float | None = None
    text: str = ""

    @property
    def is_busy(self) -> bool:
        """Return whether it will change by itself."""
        return self.state in (WAITING, WORKING)


class ReviewDesk:
    """Runs `dutylog trip review KEY` on one data folder. Everything is asked of it in the loop of the pages."""

    def __init__(
        self, data_dir: Path | None, limits: DeskLimits | None = None, program: Sequence[str] = PROGRAM
    ) -> None:
        self._data_dir = data_dir
        self._limits = limits or DeskLimits()
        self._program = tuple(program)
        self._turn = asyncio.Lock()
        self._states: OrderedDict[str, tuple[Hashable, DeskState]] = OrderedDict()
        self._tasks: set[asyncio.Task[None]] = set()
        self._running: asyncio.subprocess.Process | None = None
        self._is_closed = False

    @property
    def running_pid(self) -> int | None:
        """Return the number of the process under way."""
        return None if self._running is None else self._running.pid

    def state(self, key: str) -> DeskState:
        """Return how the review of a trip is coming along."""
        kept = self._states.get(key)
        return DeskState(NONE) if kept is None else kept[1]

    def want(self, key: str, version: Hashable, again: bool = False, whole: bool = False) -> DeskState:
        """Have a review made, unless it is under way, or was made of the same version; return its state.

        version: of all it depends on. again: also where that is the same. whole: go through the samples again.
        """
        kept = self._states.get(key)
        if kept is not None and (kept[1].is_busy or (kept[0] == version and not again)):
            return kept[1]
        if self._data_dir is None:
            return DeskState(FAILED, None, "these pages have no data folder, so no trip can be reviewed")
        if self._is_closed:
            return DeskState(FAILED, None, STOPPING_TEXT)
        busy_count = sum(state.is_busy for _, state in self._states.values())
        if busy_count >= MOST_WAITING:
            return DeskState(FAILED, None, "too many trips wait for their review; open this page again in a minute")
        self._keep(key, version, DeskState(WAITING if busy_count else WORKING))
        task = asyncio.create_task(self._work(key, version, whole))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return self.state(key)

    async def close(self) -> None:
        """End what is under way and start nothing more."""
        self._is_closed = True
        if self._running is not None:
            _kill(self._running)
        for task in list(self._tasks):
            with contextlib.suppress(asyncio.CancelledError):
                await task

    def _keep(self, key: str, version: Hashable, state: DeskState) -> None:
        self._states[key] = (version, state)
        self._states.move_to_end(key)
        idle = [each for each, (_, known) in self._states.items() if not known.is_busy]
        for each in idle[: max(0, len(self._states) - MOST_KEPT)]:
            del self._states[each]

    async def _work(self, key: str, version: Hashable, whole: bool) -> None:
        problem = STOPPING_TEXT
        try:
            async with self._turn:
                problem = STOPPING_TEXT if self._is_closed else await self._run(key, version, whole)
        finally:
            done = DeskState(FAILED, None, problem) if problem else DeskState(DONE, 1.0)
            self._keep(key, version, done)

    async def _run(self, key: str, version: Hashable, whole: bool) -> str:
        """Return '' once a review is made, else why it could not be."""
        try:
            process = await self._start(key, whole)
        except (OSError, ValueError) as err:
            return f"no process could be started to review this trip: {one_line(err)}"
        self._running = process
        if self._is_closed:
            # The pages stopped while it was being started.
            _kill(process)
        self._keep(key, version, DeskState(WORKING))
        lines = _Lines(self._limits.output_bytes)
        try:
            async with asyncio.timeout(self._limits.time_s):
                await self._listen(process, lines, key, version)
                status = await process.wait()
        except TimeoutError:
            return (
                f"the review took longer than {self._limits.time_s:g} s and was stopped; "
                f"`dutylog trip review {key}` in a terminal has no such limit"
            )
        finally:
            self._running = None
            await _end(process)
        if lines.is_too_much:
            return f"the review said more than {self._limits.output_bytes} bytes and was stopped"
        return self._explain(status, lines)

    async def _start(self, key: str, whole: bool) -> asyncio.subprocess.Process:
        nowhere = asyncio.subprocess.DEVNULL
        process = await asyncio.create_subprocess_exec(
            *self._program,
            *("trip", "review", "--progress", *(["--again"] if whole else []), f"--data={self._data_dir}", "--", key),
            stdin=nowhere,
            stdout=nowhere,
            stderr=asyncio.subprocess.PIPE,
            start_new_session=True,
        )
        # From here rather than in the child: code between fork and exec may hang where there are threads.
        with contextlib.suppress(ProcessLookupError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
        return process

    async def _listen(self, process: asyncio.subprocess.Process, lines: _Lines, key: str, version: Hashable) -> None:
        stream = process.stderr
        while stream is not None and (piece := await stream.read(65_536)):
            for line in lines.take(piece):
                found = _PROGRESS.fullmatch(line)
                if found is None:
                    lines.last = line
                elif math.isfinite(ratio := float(found[1])):
                    self._keep(key, version, replace(self.state(key), ratio=ratio))
            if lines.is_too_much:
                _kill(process)
                return

    def _explain(self, status: int, lines: _Lines) -> str:
        if status == 0:
            return ""
        if self._is_closed:
            return STOPPING_TEXT
        said = lines.last.decode("utf-8", "replace").strip().removeprefix("dutylog: ")
        ended = f"signal {-status} ended it" if status < 0 else f"it ended with status {status}"
        return one_line(said, _SAID_SIGNS) or f"this trip could not be reviewed: {ended}"


class _Lines:
    """Cuts what a process says into lines; keeps the last one that isn't about progress."""

    def __init__(self, most_bytes: int) -> None:
        self.last = b""
        self._left = most_bytes
        self._open = b""

    @property
    def is_too_much(self) -> bool:
        """Return whether more was said than is taken."""
        return self._left < 0

    def take(self, piece: bytes) -> list[bytes]:
        """Return the lines that a piece ends; blank ones left out."""
        self._left -= len(piece)
        *whole, self._open = (self._open + piece).splitlines(keepends=True) or [b""]
        if self._open.endswith((b"\n", b"\r")):
            whole, self._open = [*whole, self._open], b""
        if self._open and not _PROGRESS.fullmatch(self._open):
            self.last = self._open
        return [line for line in whole if line.strip()]


def _kill(process: asyncio.subprocess.Process) -> None:
    """End a process and the helpers it started, which are in its group."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)


async def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        _kill(process)
        # Its end is only seen once its pipe is read to its own.
        while process.stderr is not None and await process.stderr.read(65_536):
            pass
        await process.wait()
