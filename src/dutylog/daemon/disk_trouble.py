"""A disk that takes nothing for a while: said once, shown for as long as it lasts, said again when it is over.

Two parties write: the raw log and the ledger. The log's trouble holds up readings for AHEAD_S only;
then they go on and samples wait in memory alone.
"""

from __future__ import annotations

from collections.abc import Callable

from dutylog.clock import Clock
from dutylog.daemon.snapshots import DiskState
from dutylog.errors import LedgerError
from dutylog.units import NS_PER_S

AHEAD_S = 5.0
"""So long readings wait for a disk that takes nothing: longer than the stalls of a worn card, which last 1 to 2 s
(common practice, no published source), shorter than anybody at the page has patience for. Judgement."""
SILENT_S = 3.0
"""A write that takes longer is trouble, too, though nothing has failed. Judgement."""
HELD_UP_S = 0.9
"""A write that takes longer is told as readings that stand still: nearly as long as they come one after the other."""


class Trouble:
    """Remembers since when nothing could be written, and why.

    clock: for how long it has lasted. say: takes one line for people. who, what_waits:
    for these lines.
    """

    def __init__(self, clock: Clock, say: Callable[[str], None], who: str, what_waits: str) -> None:
        self._who = who
        self._clock = clock
        self._say = say
        self._what_waits = what_waits
        self._since_ns = 0
        self.reason = ""

    @property
    def lasts(self) -> bool:
        """Return whether the latest try failed, or hasn't been answered."""
        return bool(self.reason)

    @property
    def seconds(self) -> float:
        """Return for how long nothing could be written [s], 0 while all is well."""
        return (self._clock.mono_ns() - self._since_ns) / NS_PER_S if self.reason else 0.0

    def begin(self, err: LedgerError, already_s: float = 0.0) -> None:
        """Note a try that failed; only the first of a row is said. already_s: how long it has lasted by now."""
        if not self.reason:
            self._since_ns = self._clock.mono_ns() - round(already_s * NS_PER_S)
            self._say(f"{err}; {self._what_waits}, trying again every second")
        self.reason = str(err)

    def end(self, outcome: str) -> None:
        """Note a try that succeeded. outcome: what became of what had waited."""
        if not self.reason:
            return
        seconds = self.seconds
        self.reason = ""
        self._say(f"{self._who} takes data again after {seconds:.1f} s, {outcome}")


class DiskTrouble:
    """Trouble of the raw log and of the ledger, and what the page says of it."""

    def __init__(self, clock: Clock, say: Callable[[str], None]) -> None:
        """clock: for how long it lasts. say: takes one line for people."""
        self.log = Trouble(clock, say, "the disk", "samples wait in memory")
        self.ledger = Trouble(clock, say, "the ledger", "totals wait in memory")
        self._say = say
        self.is_ahead = False

    def go_ahead(self) -> None:
        """Note that readings no longer wait for the disk."""
        if not self.is_ahead:
            self.is_ahead = True
            self._say("readings and totals go on without the raw log; samples wait in memory for the disk")

    def end_log(self, dropped_row_count: int, dropped_s: float) -> bool:
        """Note that the log is written again; return whether readings had gone on without it.

        dropped_row_count, dropped_s: what didn't fit in memory, since the start of core.
        """
        was_ahead, self.is_ahead = self.is_ahead, False
        lost = f"{dropped_row_count} rows ({dropped_s:.0f} s) lost since the start, counted but not stored"
        self.log.end(lost if dropped_row_count else "nothing was lost")
        return was_ahead

    @property
    def lasts(self) -> bool:
        """Return whether log or ledger can't be written."""
        return self.log.lasts or self.ledger.lasts

    def state(self, waited_s: float, dropped_s: float) -> DiskState:
        """Return how the disk is doing. waited_s: for how long the log's present write has lasted. dropped_s: as above.

        A write that takes long holds up readings before it is called trouble.
        """
        held_up_s = max(self.log.seconds, waited_s if waited_s > HELD_UP_S else 0.0)
        standing_s, not_storing_s = (0.0, self.log.seconds) if self.is_ahead else (held_up_s, 0.0)
        return DiskState(standing_s, not_storing_s, dropped_s, self.ledger.seconds)

    @property
    def text(self) -> str:
        """Return one line for the page, empty while all is well."""
        parts = []
        if self.is_ahead:
            parts.append(f"Not storing for {self.log.seconds:.0f} s now; readings and totals go on: {self.log.reason}")
        elif self.log.lasts:
            parts.append(f"Readings and totals stand still for {self.log.seconds:.0f} s now: {self.log.reason}")
        if self.ledger.lasts:
            parts.append(f"Totals not saved for {self.ledger.seconds:.0f} s now: {self.ledger.reason}")
        return "; ".join(parts)
