"""Wrong passwords for the log: one entry for each address, account and minute, so that guessing doesn't fill it."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, replace

from dutylog.clock import Clock
from dutylog.units import NS_PER_S
from dutylog.web.access_limit import address_key

APART_S = 60.0
MOST_KEPT = 256
"""Places and accounts that are counted at once; the oldest is written down before its time. Judgement, as the other."""


@dataclass(frozen=True, slots=True)
class Tries:
    """Wrong passwords to write down. name: the account's, None where it is nobody's: people type a password there.

    count: since the entry before.
    """

    address: str
    name: str | None
    count: int


class WrongTries:
    """Counts them; the first of a minute is written at once, those after it with the next entry."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._since_ns: OrderedDict[str, int] = OrderedDict()
        self._more: dict[str, Tries] = {}

    def add(self, address: str, name: str | None) -> list[Tries]:
        """Count one, and return what is to be written down now."""
        due = self.over()
        key = f"{address_key(address)}\n{name or ''}"
        if key in self._since_ns:
            before = self._more.get(key, Tries(address, name, 0))
            self._more[key] = replace(before, count=before.count + 1)
            return due
        self._since_ns[key] = self._clock.mono_ns()
        if len(self._since_ns) > MOST_KEPT:
            due += self._end(next(iter(self._since_ns)))
        return [*due, Tries(address, name, 1)]

    def over(self) -> list[Tries]:
        """Return what was counted in minutes that are over."""
        start_ns = self._clock.mono_ns() - round(APART_S * NS_PER_S)
        return [one for key in [key for key, ns in self._since_ns.items() if ns <= start_ns] for one in self._end(key)]

    def _end(self, key: str) -> list[Tries]:
        del self._since_ns[key]
        found = self._more.pop(key, None)
        return [] if found is None else [found]
