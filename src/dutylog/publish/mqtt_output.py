"""Tells a broker: status, live values, duty, alerts (shared/TOPICS.md). Subscribes to nothing.

Alerts rest on the outbox and duty on the ledger, not on the client library's or the broker's memory: a
broker that was killed forgets what it acknowledged, so on each connection all of duty is told again.
"""

from __future__ import annotations

import contextlib
import random
import threading
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from dutylog.clock import Clock
from dutylog.duty.totals import Totals
from dutylog.errors import OutputDown, OutputError
from dutylog.ledger.rows import UnitDuty
from dutylog.publish import topics
from dutylog.publish.backoff import REFUSED_S, Backoff
from dutylog.publish.board import Board, Known
from dutylog.publish.broker import Connect, Connection, Delivered, Event, Lost, Message, Refused
from dutylog.publish.outbox import Counts, Item, Outbox
from dutylog.publish.output import STOP_S, OutputHealth
from dutylog.publish.topics import OFFLINE, ONLINE, StatusNow
from dutylog.units import NS_PER_S

NAME = "mqtt"
PERIOD_S = 30.0
STATUS_NS = 30 * NS_PER_S
DUTY_NS = 10 * NS_PER_S
TURN_S = 1.0
STEADY_NS = 30 * NS_PER_S
"""A connection that lasted so long was sound; shorter ones are followed by longer and longer pauses."""
ALERTS_AT_ONCE = 10
LIVE_IN_LINE = 64
"""Live messages not yet on the line; beyond it newer ones are skipped: the line is stuck."""
CURSOR = "mqtt/duty"

Order = tuple[int, int]
"""(revision, seq): readers keep the highest."""
FIRST_REVISION = 1
"""Of a damper whose past nobody ever put right: zeros with a later one are what is left of it."""


@dataclass(frozen=True, slots=True)
class _DutySent:
    unit_id: str
    order: Order
    content: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class _State:
    """What health tells; replaced whole, so that other threads see one moment."""

    started_ns: int
    acked_ns: int | None = None
    is_refused: bool = False
    problem: str = ""


class MqttOutput:
    """Output over an MQTT broker (publish/output.py)."""

    def __init__(
        self,
        connect: Connect,
        vehicle_id: str,
        board: Board,
        outbox: Outbox,
        clock: Clock,
        *,
        output_names: Iterable[str] = (NAME,),
        chance: random.Random | None = None,
        say: Callable[[str], None] = lambda _line: None,
    ) -> None:
        """output_names: whose counts stand in the status. say: takes a line for people at each change."""
        self._connect = connect
        self._vehicle_id = vehicle_id
        self._board = board
        self._outbox = outbox
        self._clock = clock
        self._output_names = tuple(output_names)
        self._say = say
        self._backoff = Backoff(chance or random.Random())  # noqa: S311 - jitter, no secret
        self._changed = threading.Condition()
        self._events: deque[Event] = deque()
        self._is_woken = False
        self._state = _State(clock.mono_ns())
        self._acked_ids: set[int] = set()
        self._counts: dict[str, Counts] = {name: Counts() for name in self._output_names}
        self._best: dict[str, Order] = {}
        self._unsaved: set[str] = set()
        self._behind: set[str] = set()
        self._forget_connection()

    @property
    def name(self) -> str:
        """Return the word in the outbox, in health and in alerts."""
        return NAME

    def wake(self) -> None:
        """Look at board and outbox at once."""
        with self._changed:
            self._is_woken = True
            self._changed.notify()

    def health(self) -> OutputHealth:
        """Return how it is doing; a status is due every half minute, so something always is."""
        state = self._state
        last_ns = state.started_ns if state.acked_ns is None else state.acked_ns
        age_s = (self._clock.mono_ns() - last_ns) / NS_PER_S
        return OutputHealth(NAME, PERIOD_S, age_s, state.acked_ns is not None, True, state.is_refused, state.problem)

    def run(self, stop: threading.Event) -> None:
        """Connect, tell, and after every failure try again, until `stop`."""
        while not stop.is_set():
            try:
                self._forget_connection()
                connection = self._connect(self._offline(), self._take_event)
            except OutputDown as err:
                self._note_down(str(err), err.is_refused)
                self._pause(self._wait_s(err), stop)
                continue
            try:
                self._serve(connection, stop)
            except OutputDown as err:
                self._note_down(str(err), err.is_refused)
            finally:
                connection.close()
                self._save_orders()
            if not stop.is_set():
                refused = OutputDown("", is_refused=self._state.is_refused)
                self._pause(self._wait_s(refused), stop)

    # one connection

    def _forget_connection(self) -> None:
        """What was under way on the old connection is sent anew: at least once."""
        self._connected_ns = self._clock.mono_ns()
        with self._changed:
            self._events.clear()
        self._alerts: dict[int, int] = {}
        self._urgent: set[bytes] = set()
        self._duties: dict[int, _DutySent] = {}
        self._status_number: int | None = None
        self._acked_content: dict[str, tuple[object, ...]] = {}
        self._live_numbers: set[int] = set()
        self._shown_number = 0
        self._next_duty_ns = 0
        self._next_status_ns = 0
        self._last_status: StatusNow | None = None
        self._last_counts: tuple[tuple[int, int], ...] = ()

    def _serve(self, connection: Connection, stop: threading.Event) -> None:
        # A line that already stands: what was wrong before is over once something is acknowledged.
        while not stop.is_set():
            self._turn(connection)
            self._wait(TURN_S)
        self._finish(connection)

    def _turn(self, connection: Connection) -> None:
        self._work_events()
        known = self._board.look()
        now_ns = self._clock.mono_ns()
        self._tell_alerts(connection, known)
        if now_ns >= self._next_duty_ns and known.duties:
            self._tell_duty(connection, known)
            self._next_duty_ns = now_ns + DUTY_NS
            self._save_orders()
        self._tell_live(connection, known)
        self._tell_status(connection, self._status(ONLINE, known), now_ns)

    def _finish(self, connection: Connection) -> None:
        """Tell the last duty and alerts, then that we go; wait for the broker's word, but not long."""
        known = self._board.look()
        self._tell_alerts(connection, known)
        self._tell_duty(connection, known)
        deadline_ns = self._clock.mono_ns() + round((STOP_S - 2.0) * NS_PER_S)
        self._await_answers(deadline_ns)
        self._status_number = connection.publish(self._offline())
        self._await_answers(deadline_ns)

    def _await_answers(self, deadline_ns: int) -> None:
        while (self._alerts or self._duties or self._status_number is not None) and (
            (left_ns := deadline_ns - self._clock.mono_ns()) > 0
        ):
            self._wait(min(TURN_S, left_ns / NS_PER_S))
            self._work_events()

    # telling

    def _tell_alerts(self, connection: Connection, known: Known) -> None:
        """Hand over what waits; an alert leaves the outbox when the broker has acknowledged it.

        One that the disk doesn't take is told at once and, with the same id, again from the outbox later.
        """
        topic = topics.alert_topic(self._vehicle_id)
        done = self._acked_ids.union(self._alerts.values())
        for item in self._peek(ALERTS_AT_ONCE + len(done)):
            if item.id not in done and len(self._alerts) < ALERTS_AT_ONCE:
                self._alerts[connection.publish(Message(topic, item.payload, 1, False))] = item.id
        for payload in known.unstored_alerts:
            if payload not in self._urgent:
                self._urgent.add(payload)
                connection.publish(Message(topic, payload, 1, False))

    def _peek(self, limit: int) -> list[Item]:
        """Return what waits in the outbox, nothing while its disk gives nothing: duty must go on."""
        try:
            return self._outbox.peek(NAME, limit)
        except OutputError:
            return []

    def _ack(self) -> None:
        """Take what was acknowledged out of the outbox; what its disk doesn't let go is kept in mind."""
        try:
            self._outbox.ack(self._acked_ids)
            self._acked_ids.clear()
        except OutputError:
            return

    def _tell_duty(self, connection: Connection, known: Known) -> None:
        """Tell each damper's newest totals where they changed since the broker acknowledged them here.

        One that never counted has nothing to tell: zeros would look like a loss. And what lies behind
        what was told before (a file put back by hand) waits until it has caught up, which is said.
        """
        under_way = {sent.unit_id: sent.content for sent in self._duties.values()}
        for unit in known.duties:
            topic = topics.duty_topic(self._vehicle_id, unit.unit_id)
            order = (unit.revision, unit.sequence)
            is_first = unit.revision == FIRST_REVISION or not unit.has_counted
            if topic is None or (unit.totals == Totals() and is_first):
                continue
            if order < self._best_order(unit.unit_id):
                self._say_behind(unit)
                continue
            self._behind.discard(unit.unit_id)
            content = _content(unit)
            if content in (self._acked_content.get(unit.unit_id), under_way.get(unit.unit_id)):
                continue
            number = connection.publish(Message(topic, topics.encode(topics.duty_object(unit)), 1, True))
            self._duties[number] = _DutySent(unit.unit_id, order, content)

    def _say_behind(self, unit: UnitDuty) -> None:
        """Say once that a damper waits; a recovery gives a higher revision, so somebody laid an older file there."""
        if unit.unit_id in self._behind:
            return
        self._behind.add(unit.unit_id)
        self._say(
            f"{NAME}: damper {unit.label}: the ledger is behind what the broker was told "
            f"(revision {unit.revision}, frame {unit.sequence}); its duty is told again when it has caught up"
        )

    def _tell_live(self, connection: Connection, known: Known) -> None:
        arrived = known.arrived
        if arrived is None or arrived.number <= self._shown_number:
            return
        self._shown_number = arrived.number
        if len(self._live_numbers) > LIVE_IN_LINE:
            return
        snapshot, moment = arrived.snapshot, arrived.moment
        dampers = topics.told_as_live(self._vehicle_id, snapshot)
        places = [damper.position for _, damper in dampers]
        # Told also while readings stand still: it says why, and how long already.
        told = topics.vehicle_object(snapshot, places, moment.mono_ns / NS_PER_S)
        self._tell_newest(connection, topics.vehicle_topic(self._vehicle_id), told)
        if not arrived.is_news or known.link != "live":
            return
        for topic, damper in dampers:
            self._tell_newest(connection, topic, topics.live_object(snapshot, damper, moment.utc_ns))

    def _tell_newest(self, connection: Connection, topic: str, told: dict[str, Any]) -> None:
        self._live_numbers.add(connection.publish(Message(topic, topics.encode(told), 0, False)))

    def _tell_status(self, connection: Connection, status: StatusNow, now_ns: int) -> None:
        with contextlib.suppress(OutputError):
            self._counts = {name: self._outbox.counts(name) for name in self._output_names}
        counts = self._counts
        lost = tuple((c.dropped_count, c.rejected) for c in counts.values())
        # Times pass by themselves; a change of anything else is told at once.
        same = replace(status, utc_ns=None, standing_s=None, not_storing_s=None, not_stored_s=None, unsaved_s=None)
        if now_ns < self._next_status_ns and (same, lost) == (self._last_status, self._last_counts):
            return
        payload = topics.encode(topics.status_object(self._vehicle_id, status, counts))
        self._status_number = connection.publish(
            Message(topics.status_topic(self._vehicle_id), payload, 1, is_retained=True)
        )
        self._last_status, self._last_counts = same, lost
        self._next_status_ns = now_ns + STATUS_NS

    def _status(self, state: str, known: Known) -> StatusNow:
        arrived = known.arrived
        if arrived is None:
            return StatusNow(state, link=known.link)
        snapshot = arrived.snapshot
        return StatusNow(
            state=state,
            utc_ns=arrived.moment.utc_ns,
            utc_trusted=snapshot.utc_trusted,
            link=known.link,
            source_state=snapshot.source.state,
            source_text=snapshot.source.text,
            source_state_text=snapshot.source.state_text,
            standing_s=snapshot.standing_s,
            not_storing_s=snapshot.not_storing_s,
            not_stored_s=snapshot.not_stored_s,
            unsaved_s=snapshot.unsaved_s,
        )

    def _offline(self) -> Message:
        """Return the word that we are gone; the broker says it for us when we just vanish."""
        payload = topics.encode(topics.status_object(self._vehicle_id, StatusNow(OFFLINE), {}))
        return Message(topics.status_topic(self._vehicle_id), payload, 1, is_retained=True)

    # what becomes of it

    def _take_event(self, event: Event) -> None:
        """Take an event of the connection, from its thread."""
        with self._changed:
            self._events.append(event)
            self._is_woken = self._is_woken or not isinstance(event, Delivered)
            self._changed.notify()

    def _work_events(self) -> None:
        """Book what came; a number that is unknown or comes twice does no harm.

        Raises:
            OutputDown: the connection has ended.
        """
        with self._changed:
            events = list(self._events)
            self._events.clear()
        try:
            for event in events:
                if isinstance(event, Lost):
                    raise OutputDown(event.text, is_refused=event.is_refused)
                if isinstance(event, Refused):
                    self._book_refused(event)
                else:
                    self._book_delivered(event.number)
        finally:
            self._ack()

    def _book_delivered(self, number: int) -> None:
        if number in self._live_numbers:
            self._live_numbers.discard(number)
            return
        item_id = self._alerts.pop(number, None)
        if item_id is not None:
            self._acked_ids.add(item_id)
        sent = self._duties.pop(number, None)
        if sent is not None:
            self._acked_content[sent.unit_id] = sent.content
            self._best[sent.unit_id] = max(sent.order, self._best_order(sent.unit_id))
            self._unsaved.add(sent.unit_id)
        elif number == self._status_number:
            self._status_number = None
        elif item_id is None:
            return
        self._note_acked()

    def _book_refused(self, event: Refused) -> None:
        """A message the broker will never take is set aside; else all is kept and tried on a new connection."""
        item_id = self._alerts.pop(event.number, None)
        sent = self._duties.pop(event.number, None)
        if event.is_for_good and item_id is not None:
            with contextlib.suppress(OutputError):
                self._outbox.set_aside([item_id], event.text)
        elif event.is_for_good and sent is not None:
            self._acked_content[sent.unit_id] = sent.content
        else:
            raise OutputDown(event.text, is_refused=True)
        self._say(f"{NAME}: {event.text}")

    def _note_acked(self) -> None:
        if self._state.problem or self._state.acked_ns is None:
            self._say(f"{NAME}: the broker takes what we tell")
        self._state = _State(self._state.started_ns, self._clock.mono_ns())
        if self._state.acked_ns is not None and self._clock.mono_ns() - self._connected_ns > STEADY_NS:
            self._backoff.reset()

    def _note_down(self, text: str, is_refused: bool) -> None:
        if text and text != self._state.problem:
            self._say(f"{NAME}: {text}")
        self._state = replace(self._state, problem=text or self._state.problem, is_refused=is_refused)

    def _best_order(self, unit_id: str) -> Order:
        """Return the highest order the broker ever acknowledged of a damper, also before the last start."""
        if unit_id not in self._best:
            self._best[unit_id] = self._kept_order(unit_id)
        return self._best[unit_id]

    def _kept_order(self, unit_id: str) -> Order:
        try:
            revision, sequence = (self._outbox.cursor(f"{CURSOR}/{unit_id}") or "0 0").split()
            return int(revision), int(sequence)
        except (OutputError, ValueError):
            return (0, 0)

    def _save_orders(self) -> None:
        notes = {f"{CURSOR}/{unit_id}": "{} {}".format(*self._best[unit_id]) for unit_id in self._unsaved}
        try:
            self._outbox.put(NAME, (), notes)
        except OutputError:
            return  # the next time; until then only a restart could forget them
        self._unsaved.clear()

    # waiting

    def _wait_s(self, err: OutputDown) -> float:
        return REFUSED_S if err.is_refused else self._backoff.next_s(err.retry_after_s)

    def _wait(self, seconds: float) -> None:
        """Wait until woken, for an event, or so long."""
        with self._changed:
            if not self._is_woken and not self._events:
                self._changed.wait(seconds)
            self._is_woken = False

    def _pause(self, seconds: float, stop: threading.Event) -> None:
        """Leave the broker alone; only `stop` ends it early."""
        deadline_ns = self._clock.mono_ns() + round(seconds * NS_PER_S)
        while not stop.is_set() and (left_ns := deadline_ns - self._clock.mono_ns()) > 0:
            with self._changed:
                self._changed.wait(left_ns / NS_PER_S)


def _content(unit: UnitDuty) -> tuple[object, ...]:
    """Return what makes a message worth telling; the sequence alone rises each second."""
    return (unit.revision, unit.serial, unit.label, unit.position, unit.totals.as_row())
