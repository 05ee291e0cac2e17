"""The one place where snapshots and the ledger become alerts, live values, totals and dated points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from dutylog.clock import Clock
from dutylog.errors import LedgerError, OutputError
from dutylog.publish import core_link
from dutylog.publish.alerts import Alert, AlertTeller
from dutylog.publish.board import Arrived, Board
from dutylog.publish.ledger_now import LedgerNow, read_ledger
from dutylog.publish.outbox import ALERT, LIVE, Draft, Outbox
from dutylog.publish.output import Output
from dutylog.publish.points import CURSOR, PointMaker
from dutylog.publish.snapshot import Snapshot
from dutylog.publish.timekeeper import Timekeeper
from dutylog.publish.topics import alert_object, encode
from dutylog.units import NS_PER_S

MQTT = "mqtt"
INFLUXDB = "influxdb"
COMMIT_NS = 10 * NS_PER_S
"""Points are gathered so long before they are stored: what a memory card can bear, and what a kill may cost."""
PENDING_LIMIT = 5000
"""Points held while the outbox's disk takes nothing; beyond it the oldest live ones go, counted."""
ALERTS_KEPT = "alerts/told"


class Intake(core_link.CoreWord):
    """Takes core's lines and looks at the ledger; all calls from one thread.

    Nothing is told of the ledger until core has said its first word on this connection: before, core may
    still be putting the ledger back together, and half a total is worse than an old one.
    """

    def __init__(
        self, data_dir: Path, outbox: Outbox, board: Board, clock: Clock, timekeeper: Timekeeper, told_to: str = ""
    ) -> None:
        """told_to: whose points go to which database; another one is told anew."""
        super().__init__(clock)
        self.ledger_problem = ""
        self.dropped_count = 0
        self._data_dir = data_dir
        self._outbox = outbox
        self._board = board
        self._timekeeper = timekeeper
        self._boot_id = timekeeper.moment(0).boot_id
        self._outputs: Sequence[Output] = ()
        self._kept_alerts = outbox.cursor(ALERTS_KEPT)
        self._teller = AlertTeller(self._kept_alerts)
        self._told_to = told_to
        self._points: PointMaker | None = None
        self._kept_cursor: str | None = None
        self._damaged_count = outbox.damaged_count
        self._arrived: Arrived | None = None
        self._connection = 0
        self._pending: list[Draft] = []
        self._alerts: list[Draft] = []
        self._next_commit_ns = clock.mono_ns() + COMMIT_NS
        self._next_ledger_ns = 0
        self._must_date = False

    def serve(self, outputs: Sequence[Output]) -> None:
        """Say who is to be told; before the first line."""
        self._outputs = outputs
        if any(output.name == INFLUXDB for output in outputs):
            self._kept_cursor = self._outbox.cursor(CURSOR)
            self._points = PointMaker(self._kept_cursor, self._boot_id, self._told_to)

    def _take(self, received: core_link.Received, before: core_link.Received | None) -> None:
        snapshot, now_ns = received.snapshot, received.received_ns
        is_first = self._connection != self.counters.connects_count
        self._connection = self.counters.connects_count
        if self._timekeeper.take(snapshot, now_ns, is_first):
            self._must_date = True
            self.commit()
        old = None if before is None else (before.snapshot.boot_id, before.snapshot.mono_s)
        is_news = old != (snapshot.boot_id, snapshot.mono_s)
        self._arrived = Arrived(received.number, snapshot, self._timekeeper.moment(now_ns), is_news)
        self._take_snapshot(self._arrived)
        self.tick()

    def tick(self) -> None:
        """Do what time brings; about once a second, also while core is silent."""
        now_ns = self._clock.mono_ns()
        link = self.link()
        self._board.put(self._arrived, link)
        if self._is_told_of_alerts:
            snapshot = self._arrived.snapshot if self._arrived else None
            health = [output.health() for output in self._outputs]
            self._put_alerts(self._teller.take(snapshot, health, self._timekeeper.moment(now_ns)))
        if self.is_core_ready and now_ns >= self._next_ledger_ns:
            self.look_at_ledger()
        if now_ns >= self._next_commit_ns:
            self.commit()
        self._wake()

    @property
    def is_core_ready(self) -> bool:
        """Return whether core has spoken on the present connection, so that the ledger can be believed."""
        return self.connected and self._arrived is not None and self._connection == self.counters.connects_count

    def look_at_ledger(self, is_last: bool = False) -> None:
        """Read the ledger and hand on what it says; where it can't be read now, the next time will do."""
        now_ns = self._clock.mono_ns()
        self._next_ledger_ns = now_ns + COMMIT_NS
        try:
            core = self._teller.core
            ledger = read_ledger(self._data_dir, core.number, core.open_ids)
        except LedgerError as err:
            self.ledger_problem = str(err)
            return
        self.ledger_problem = ""
        if ledger is not None:
            self._take_ledger(ledger, now_ns, is_last)

    def commit(self) -> None:
        """Store what was gathered; what the disk doesn't take is held, bounded, and tried again."""
        self._next_commit_ns = self._clock.mono_ns() + COMMIT_NS
        if self._points is None:
            return
        if self._outbox.damaged_count != self._damaged_count:
            self._damaged_count, self._kept_cursor = self._outbox.damaged_count, None
            self._points.forget()
        self._date_pending()
        try:
            # First: a note that says "dated" must not be there before that is true.
            self._date_stored()
            cursor = self._points.cursor("" if self._timekeeper.offset_ns is not None else self._boot_id)
            self._outbox.put(INFLUXDB, self._pending, {} if cursor == self._kept_cursor else {CURSOR: cursor})
            self._pending, self._kept_cursor = [], cursor
            for output in self._outputs:
                output.wake()
        except OutputError as err:
            self.last_problem = str(err)
            self._bound_pending()

    def finish(self) -> None:
        """Take the last of everything: the ledger as core left it, the live values begun, all stored."""
        if self._arrived is not None:
            self.look_at_ledger(is_last=True)
        if self._points is not None:
            moment = self._timekeeper.moment(self._clock.mono_ns())
            self._pending += self._points.close_live(moment, is_last=True)
        self.commit()
        self._wake()

    # within

    def _take_snapshot(self, arrived: Arrived) -> None:
        if self._points is not None and self._is_telling(arrived.snapshot):
            self._pending += self._points.take(arrived.snapshot, arrived.moment)

    def _take_alerts(self, ledger: LedgerNow, now_ns: int) -> None:
        if self._arrived is not None:
            moment, snapshot = self._timekeeper.moment(now_ns), self._arrived.snapshot
            self._put_alerts(self._teller.core.take_ledger(ledger.alerts, ledger.alert_number, snapshot, moment))

    @staticmethod
    def _is_telling(snapshot: Snapshot) -> bool:
        """Return whether core has readings at all; before its first tile everything is empty."""
        return any(damper.unit_id for damper in snapshot.dampers)

    def _take_ledger(self, ledger: LedgerNow, now_ns: int, is_last: bool) -> None:
        if self._is_told_of_alerts:
            self._board.put_duties(ledger.units)
            self._take_alerts(ledger, now_ns)
        if self._points is not None:
            self._pending += self._points.take_ledger(ledger, self._timekeeper.moment(now_ns), is_last)

    @property
    def _is_told_of_alerts(self) -> bool:
        return any(output.name == MQTT for output in self._outputs)

    def _put_alerts(self, found: Sequence[Alert]) -> None:
        """Store alerts at once, with the note of what was told; what the disk doesn't take is shown meanwhile."""
        self._alerts += [
            Draft(ALERT, a.boot_id, round(a.mono_s * NS_PER_S), a.utc_ns, encode(alert_object(a))) for a in found
        ]
        kept = self._teller.kept()
        if not self._alerts and kept == self._kept_alerts:
            return
        try:
            self._outbox.put(MQTT, self._alerts, {ALERTS_KEPT: kept})
            self._alerts, self._kept_alerts = [], kept
        except OutputError as err:
            self.last_problem = str(err)
            self._alerts = self._alerts[-PENDING_LIMIT:]
        self._board.put_unstored(tuple(draft.payload for draft in self._alerts))

    def _date_pending(self) -> None:
        """Give a time to gathered points that arose before it was known."""
        offset_ns = self._timekeeper.offset_ns
        if offset_ns is not None:
            self._pending = [
                replace(draft, utc_ns=draft.mono_ns + offset_ns) if draft.utc_ns is None else draft
                for draft in self._pending
            ]

    def _date_stored(self) -> None:
        """Give a time to stored points that arose before it was known; once, tried until the disk takes it."""
        offset_ns = self._timekeeper.offset_ns
        if offset_ns is not None and self._must_date:
            self._outbox.date(self._boot_id, offset_ns)
            self._must_date = False

    def _bound_pending(self) -> None:
        over = len(self._pending) - PENDING_LIMIT
        if over <= 0:
            return
        live = [i for i, draft in enumerate(self._pending) if draft.kind == LIVE][:over]
        gone = set(live)
        self._pending = [draft for i, draft in enumerate(self._pending) if i not in gone]
        self.dropped_count += len(gone)

    def _wake(self) -> None:
        for output in self._outputs:
            if output.name == MQTT:
                output.wake()
