"""Faults as intervals: opened, prolonged and closed tile by tile, reported once when closed."""

from __future__ import annotations

from typing import Any

from dutylog.engine.output import Fault

SHORTEST_NS = {"travel_open": 20_000_000, "gap": 10_000_000, "thermocouple_open": 200_000_000}
"""Shorter ones are dropped from the list (their time still counts as unmeasured where it was). Judgement."""


class FaultTracker:
    """Open faults by (position, kind); an interval that begins within `join_ns` of the last end goes on."""

    def __init__(self, join_ns: int) -> None:
        self._join_ns = join_ns
        self._open: dict[tuple[str, str], tuple[int, int]] = {}

    def note(self, position: str, kind: str, start_ns: int, end_ns: int) -> list[Fault]:
        """Take an interval; return the older one of that kind if it is over."""
        key = (position, kind)
        known = self._open.get(key)
        if known is not None and start_ns <= known[1] + self._join_ns:
            self._open[key] = (known[0], max(known[1], end_ns))
            return []
        self._open[key] = (start_ns, end_ns)
        return [] if known is None else _keep([Fault(position, kind, *known)])

    def close_before(self, time_ns: int) -> list[Fault]:
        """Return and forget the faults that ended so long before time_ns that nothing can join them."""
        over = [key for key, (_, end_ns) in self._open.items() if end_ns + self._join_ns < time_ns]
        return _keep([Fault(*key, *self._open.pop(key)) for key in over])

    def close_all(self) -> list[Fault]:
        """Return and forget all faults: the epoch is over."""
        faults = [Fault(*key, *span) for key, span in self._open.items()]
        self._open.clear()
        return _keep(faults)

    def active(self, position: str, at_ns: int) -> tuple[str, ...]:
        """Return the kinds that hold for a position at an instant."""
        return tuple(
            sorted(kind for (where, kind), (_, end_ns) in self._open.items() if where == position and end_ns >= at_ns)
        )

    def to_list(self) -> list[Any]:
        """Return the state in JSON types."""
        return [[*key, *span] for key, span in self._open.items()]

    def restore(self, data: list[Any]) -> None:
        """Take back what `to_list` gave."""
        self._open = {(p, k): (int(a), int(b)) for p, k, a, b in data}


def _keep(faults: list[Fault]) -> list[Fault]:
    return [f for f in faults if (f.end_ns or 0) - f.start_ns >= SHORTEST_NS.get(f.kind, 0)]
