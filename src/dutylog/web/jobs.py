"""Runs one `dutylog` command beside the pages: a process of its own, slow, one at a time.

Working out years of minutes takes seconds on a small board; in the pages' own process it would delay the live stream.
So the command runs with the lowest priority, and the request alone waits for it. It is ended by its own number when
its time is up or the pages stop.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from dutylog.clock import Clock, SystemClock
from dutylog.errors import LedgerError, one_line
from dutylog.units import NS_PER_S

PROGRAM = (sys.executable, "-m", "dutylog.cli.main")
NICENESS = 19
"""The lowest there is: core and the live stream go first. Source: setpriority(2)."""
MOST_WAITING = 8
MOST_KEPT = 32
MOST_KEPT_BYTES = 16_000_000
"""Of all answers kept. Source: judgement, four of the longest."""
_SAID_SIGNS = 300


class JobFailed(LedgerError):
    """A command gave no answer; the text is one line for people."""


@dataclass(frozen=True, slots=True)
class JobLimits:
    """What a job may take. time_s: of its own, waiting for its turn left out. output_bytes: of each of its two
    outputs.

    kept_s: how long an answer is given again, where nobody has told the ledger anything since. Judgement all: a
    shop's dampers are worked out within seconds, and wear doesn't change within half a minute.
    """

    time_s: float = 60.0
    output_bytes: int = 4_000_000
    kept_s: float = 30.0


class Runs(Protocol):
    """Whatever answers for commands."""

    async def ask(self, words: Sequence[str], names: Sequence[str], version: int) -> str:
        """Return what `dutylog WORDS --data=DIR -- NAMES` prints; JobFailed says why it can't."""
        ...

    async def close(self) -> None:
        """End what is under way and start nothing more."""
        ...


class Jobs:
    """Runs commands on one data folder, each in its turn."""

    def __init__(
        self,
        data_dir: Path | None,
        limits: JobLimits | None = None,
        clock: Clock | None = None,
        program: Sequence[str] = PROGRAM,
    ) -> None:
        self._data_dir = data_dir
        self._limits = limits or JobLimits()
        self._clock = clock or SystemClock()
        self._program = tuple(program)
        self._turn = asyncio.Lock()
        self._asking = 0
        self._running: asyncio.subprocess.Process | None = None
        self._is_closed = False
        self._kept: OrderedDict[tuple[tuple[str, ...], int], tuple[int, str]] = OrderedDict()

    @property
    def running_pid(self) -> int | None:
        """Return the number of the process under way."""
        return None if self._running is None else self._running.pid

    async def ask(self, words: Sequence[str], names: Sequence[str], version: int) -> str:
        """Return what a command prints, or printed a short while ago.

        Args:
            words: command and options. names: its arguments, which may begin with anything and are never options.
            version: of what it depends on; another one asks anew.
        Raises:
            JobFailed: refused, out of time, too much output, too many ask, or the pages stop.
        """
        if self._data_dir is None:
            raise JobFailed("these pages have no data folder, so nothing can be worked out")
        call = (*words, f"--data={self._data_dir}", "--", *names)
        kept = self._find(call, version)
        if kept is not None:
            return kept
        if self._asking >= MOST_WAITING:
            raise JobFailed("too many ask for this at once; open the page again in a minute")
        self._asking += 1
        try:
            async with self._turn:
                kept = self._find(call, version)
                return self._keep(call, version, await self._run(call)) if kept is None else kept
        finally:
            self._asking -= 1

    async def close(self) -> None:
        """End what is under way and start nothing more."""
        self._is_closed = True
        if self._running is not None:
            _kill(self._running)

    def _find(self, call: tuple[str, ...], version: int) -> str | None:
        kept = self._kept.get((call, version))
        if kept is None or self._clock.mono_ns() - kept[0] > self._limits.kept_s * NS_PER_S:
            return None
        return kept[1]

    def _keep(self, call: tuple[str, ...], version: int, text: str) -> str:
        self._kept[call, version] = (self._clock.mono_ns(), text)
        self._kept.move_to_end((call, version))
        while len(self._kept) > MOST_KEPT or self._kept_bytes() > MOST_KEPT_BYTES:
            self._kept.popitem(last=False)
        return text

    def _kept_bytes(self) -> int:
        return sum(sys.getsizeof(text) for _, text in self._kept.values())

    async def _run(self, call: Sequence[str]) -> str:
        if self._is_closed:
            raise JobFailed("the pages are stopping; open this page again")
        process = await self._start(call)
        self._running = process
        try:
            async with asyncio.timeout(self._limits.time_s):
                said, complaint = await self._read_both(process)
                status = await process.wait()
        except TimeoutError as err:
            raise JobFailed(
                f"working this out took longer than {self._limits.time_s:g} s and was stopped; `dutylog "
                f"{' '.join(call[:2])}` in a terminal has no such limit"
            ) from err
        finally:
            self._running = None
            if process.returncode is None:
                _kill(process)
                # Its end is only seen once its pipes are read to theirs.
                await self._read_both(process)
                await process.wait()
        if said is None or complaint is None:
            raise JobFailed(f"the answer was longer than {self._limits.output_bytes} bytes and was stopped")
        if status != 0:
            raise JobFailed(self._explain(status, complaint))
        return said.decode("utf-8", "replace")

    async def _start(self, call: Sequence[str]) -> asyncio.subprocess.Process:
        pipe = asyncio.subprocess.PIPE
        try:
            process = await asyncio.create_subprocess_exec(
                *self._program, *call, stdin=asyncio.subprocess.DEVNULL, stdout=pipe, stderr=pipe
            )
        except (OSError, ValueError) as err:
            raise JobFailed(f"no process could be started to work this out: {one_line(err)}") from err
        # From here rather than in the child: code between fork and exec may hang where there are threads.
        with contextlib.suppress(ProcessLookupError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
        return process

    async def _read_both(self, process: asyncio.subprocess.Process) -> tuple[bytes | None, bytes | None]:
        said, complaint = await asyncio.gather(self._read(process, process.stdout), self._read(process, process.stderr))
        return said, complaint

    async def _read(self, process: asyncio.subprocess.Process, stream: asyncio.StreamReader | None) -> bytes | None:
        """Read to the end; None where it was too much, and the process is ended then."""
        got = bytearray()
        while stream is not None and (piece := await stream.read(65_536)):
            if len(got) <= self._limits.output_bytes:
                got += piece
                if len(got) > self._limits.output_bytes:
                    _kill(process)
        return bytes(got) if len(got) <= self._limits.output_bytes else None

    def _explain(self, status: int, complaint: bytes) -> str:
        if self._is_closed:
            return "the pages are stopping; open this page again"
        lines = complaint.decode("utf-8", "replace").strip().splitlines()
        said = one_line(lines[-1].removeprefix("dutylog: "), _SAID_SIGNS) if lines else ""
        ended = f"signal {-status} ended it" if status < 0 else f"it ended with status {status}"
        return said or f"this could not be worked out: {ended}"


def _kill(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.kill()
