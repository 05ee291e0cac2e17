"""Conditions that come and go, turned into alerts that are raised once and cleared once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from collections.abc import Set as AbstractSet

from dutylog.alerts.rules import RESTORED_CLEAR_S, RULES, Key
from dutylog.units import NS_PER_S

OPEN_LIMIT = 200
"""Alerts open at once; a vehicle of eight dampers with every fault there is has fewer."""
_HOLD_NS = {kind: round(rule.hold_s * NS_PER_S) for kind, rule in RULES.items()}
_CLEAR_NS = {kind: round(rule.clear_s * NS_PER_S) for kind, rule in RULES.items()}
_RESTORED_CLEAR_NS = round(RESTORED_CLEAR_S * NS_PER_S)


class Holds:
    """Remembers which alerts are open, and which conditions are changing since when."""

    def __init__(self, restored: Iterable[Key] = ()) -> None:
        """restored: what was open at the last stop; that of a damper is cleared later than what is raised anew."""
        self.open: set[Key] = set(restored)
        self._restored = {key for key in self.open if key[1]}
        self._changing: dict[Key, int] = {}

    def take(self, holding: AbstractSet[Key], unknown: AbstractSet[Key], now_ns: int) -> Iterator[tuple[Key, bool]]:
        """Yield each alert this moment raises (True) or clears (False), in the order of the keys.

        Args:
            holding: the conditions that hold. unknown: those of which nobody knows: what is open stays open.
            now_ns: a clock that never goes back [ns].
        """
        if self._restored:
            self._restored -= holding
        if not self._changing and holding == self.open:
            return
        for key in [k for k in self._changing if (k in holding) == (k in self.open) or k in unknown]:
            del self._changing[key]
        for key in sorted(holding - self.open):
            if self._has_lasted(key, now_ns, _HOLD_NS.get(key[0], 0)) and len(self.open) < OPEN_LIMIT:
                self.open.add(key)
                yield key, True
        for key in sorted(self.open - holding - unknown):
            clear_ns = _CLEAR_NS.get(key[0], 0)
            if self._has_lasted(key, now_ns, max(clear_ns, _RESTORED_CLEAR_NS) if key in self._restored else clear_ns):
                self.open.discard(key)
                self._restored.discard(key)
                yield key, False

    def _has_lasted(self, key: Key, now_ns: int, wanted_ns: int) -> bool:
        """Return whether a change has lasted; once it has, it is no change any more."""
        if now_ns - self._changing.setdefault(key, now_ns) < wanted_ns:
            return False
        del self._changing[key]
        return True
