"""A disk that takes nothing for a while: said once, shown for as long as it lasts, said again when it is over."""

from __future__ import annotations

from collections.abc import Callable

from dutylog.clock import Clock
from dutylog.errors import LedgerError
from dutylog.units import NS_PER_S


class DiskTrouble:
    """Remembers since when nothing could be written, and why.

    clock: for how long it has lasted. say: takes one line for people.
    """

    def __init__(self, clock: Clock, say: Callable[[str], None]) -> None:
        self._clock = clock
        self._say = say
        self._reason = ""
        self._since_ns = 0

    @property
    def lasts(self) -> bool:
        """Return whether the latest try failed."""
        return bool(self._reason)

    @property
    def text(self) -> str:
        """Return one line for the page, empty while all is well.

        The engine sees only what is durable, so what the page shows stands still meanwhile; it must say so.
        """
        if not self._reason:
            return ""
        return f"Readings and totals stand still for {self.standing_s:.0f} s now: {self._reason}"

    @property
    def standing_s(self) -> float:
        """Return for how long nothing could be written [s], 0 while all is well."""
        return (self._clock.mono_ns() - self._since_ns) / NS_PER_S if self._reason else 0.0

    def begin(self, err: LedgerError) -> None:
        """Note a try that failed; only the first of a row is said."""
        if not self._reason:
            self._since_ns = self._clock.mono_ns()
            self._say(f"{err}; samples wait in memory, trying again every second")
        self._reason = str(err)

    def end(self, dropped_row_count: int) -> None:
        """Note a try that succeeded; dropped_row_count: rows that didn't fit in memory, since the start of core."""
        if not self._reason:
            return
        seconds = self.standing_s
        lost = f"{dropped_row_count} rows lost since the start" if dropped_row_count else "nothing was lost"
        self._reason = ""
        self._say(f"the disk takes data again after {seconds:.1f} s, {lost}")
