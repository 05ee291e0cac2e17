"""What the intake knows now, for outputs that look when it suits them: newest wins, nobody waits."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

from dutylog.ledger.rows import UnitDuty
from dutylog.publish.core_link import WAITING
from dutylog.publish.points import Moment
from dutylog.publish.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Arrived:
    """A snapshot with its number in this process and when it came; is_news: its readings are newer than the last."""

    number: int
    snapshot: Snapshot
    moment: Moment
    is_news: bool


@dataclass(frozen=True, slots=True)
class Known:
    """One look at the board.

    link: to core, `live`, `stale` or `waiting`. duties: empty until core is ready. unstored_alerts:
    those the outbox's disk hasn't taken yet.
    """

    arrived: Arrived | None
    link: str
    duties: tuple[UnitDuty, ...] = ()
    unstored_alerts: tuple[bytes, ...] = ()


class Board:
    """Written by the intake, read by any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known = Known(None, WAITING)

    def put(self, arrived: Arrived | None, link: str) -> None:
        """Show the newest snapshot and the state of the link."""
        with self._lock:
            self._known = replace(self._known, arrived=arrived, link=link)

    def put_duties(self, duties: tuple[UnitDuty, ...]) -> None:
        """Show the totals as the ledger has them."""
        with self._lock:
            self._known = replace(self._known, duties=duties)

    def put_unstored(self, payloads: tuple[bytes, ...]) -> None:
        """Show the alerts that couldn't be stored; empty once they are."""
        with self._lock:
            self._known = replace(self._known, unstored_alerts=payloads)

    def look(self) -> Known:
        """Return all of it, of one moment."""
        with self._lock:
            return self._known
