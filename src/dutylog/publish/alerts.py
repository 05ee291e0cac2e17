"""Alerts as they are told to a broker: core's, from its snapshots and the ledger, and our own of outputs.

Each change is told at least once, also what happened while we weren't running. Reads no clock and no file.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace

from dutylog.alerts.hold import Holds
from dutylog.alerts.rules import CLEARED, OUTPUT_REFUSED, RAISED, RULES, Key, say_over
from dutylog.errors import one_line
from dutylog.ledger.rows import AlertRow, Stamp, StoredAlert
from dutylog.publish.output import OutputHealth
from dutylog.publish.points import Moment
from dutylog.publish.snapshot import AlertNow, Snapshot
from dutylog.units import NS_PER_S

OVER_KEPT = 100
"""Alerts told as over that are remembered: a snapshot may show them a little longer than the ledger has them open."""


@dataclass(frozen=True, slots=True)
class Alert:
    """One message; id is the alert's, the same when it is raised, acknowledged and cleared.

    mono_s, boot_id: when that was, clock of this machine's boot. subject: which fault or output, None where the kind
    says it all. text: what is the matter; remedy: what someone can do, addressed to co-driver or crew.
    """

    id: str
    kind: str
    position: str | None
    subject: str | None
    level: str
    state: str
    text: str
    remedy: str
    acknowledged_by: str | None
    boot_id: str
    mono_s: float
    utc_ns: int | None


@dataclass(frozen=True, slots=True)
class Told:
    """What a receiver has heard of an alert last."""

    kind: str
    position: str | None
    subject: str | None
    level: str
    state: str
    acknowledged_by: str | None

    @property
    def key(self) -> Key:
        """Return what it is about."""
        return self.kind, self.position or "", self.subject or ""


class CoreAlerts:
    """Tells what core and the ledger say of core's alerts, each change once.

    number: of the newest row of the ledger that was looked at; None before the first look, which tells what is open
    and nothing of what was.
    """

    def __init__(self, number: int | None = None, told: dict[str, Told] | None = None) -> None:
        self.number = number
        self._told = dict(told or {})

    @property
    def told(self) -> dict[str, Told]:
        """Return what was told, by id."""
        return dict(self._told)

    @property
    def open_ids(self) -> list[str]:
        """Return the alerts that receivers believe to be open."""
        return [alert_id for alert_id, told in self._told.items() if told.state == RAISED]

    def take_snapshot(self, snapshot: Snapshot, now: Moment) -> list[Alert]:
        """Return what a snapshot brings; one that is over and was never told is left to the ledger, which has all."""
        found = []
        for one in snapshot.alerts:
            if one.state == RAISED or one.id in self._told:
                found += self._tell(_from_snapshot(one, now))
        return found

    def take_ledger(self, rows: Iterable[StoredAlert], number: int, snapshot: Snapshot, now: Moment) -> list[Alert]:
        """Return what rows of the ledger bring: those above our number, and those of `open_ids` that it knows.

        What we told as open and neither ledger nor snapshot know was lost with a kill: it is told as over.

        Args:
            number: up to which newer rows have been looked at with these.
        """
        found, there = [], {one.id for one in snapshot.alerts}
        for stored in rows:
            row = stored.row
            there.add(row.alert_id)
            if row.cleared is None or self._told.get(row.alert_id) is None:
                found += self._tell(_from_row(row, RAISED, stored.raised_at, now))
            if row.cleared is not None:
                found += self._tell(_from_row(row, CLEARED, stored.cleared_at, now))
        self.number = number
        is_believed = snapshot.unsaved_s == 0.0
        for alert_id in self.open_ids if is_believed else ():
            if alert_id not in there:
                told = self._told[alert_id]
                found += self._tell(_message(alert_id, replace(told, state=CLEARED), say_over(told.key), "", now))
        return found

    def _tell(self, alert: Alert) -> list[Alert]:
        """Return the message where it is news; what is over stays over, a name stays."""
        known = self._told.get(alert.id)
        if known is not None:
            is_news = known.state == RAISED and (
                alert.state == CLEARED or (alert.acknowledged_by is not None and known.acknowledged_by is None)
            )
            if not is_news:
                return []
        self._told[alert.id] = Told(
            alert.kind, alert.position, alert.subject, alert.level, alert.state, alert.acknowledged_by
        )
        over = [alert_id for alert_id, told in self._told.items() if told.state == CLEARED]
        for alert_id in over[:-OVER_KEPT]:
            del self._told[alert_id]
        return [alert]


class OutputAlerts:
    """Raises and clears our own alert: a receiver that answers, but refuses us."""

    def __init__(
        self, ids: dict[str, str] | None = None, new_id: Callable[[], str] = lambda: str(uuid.uuid4())
    ) -> None:
        """ids: of what was open at the last stop, by output."""
        self.ids = dict(ids or {})
        self._new_id = new_id
        self._holds = Holds((OUTPUT_REFUSED, "", name) for name in self.ids)

    def take(self, outputs: Iterable[OutputHealth], now: Moment) -> list[Alert]:
        """Return what this moment raises or clears."""
        refused = {(OUTPUT_REFUSED, "", output.name): output for output in outputs if output.is_refused}
        rule, found = RULES[OUTPUT_REFUSED], []
        for key, is_raised in self._holds.take(set(refused), frozenset(), now.mono_ns):
            name = key[2]
            told = Told(OUTPUT_REFUSED, None, name, rule.level, RAISED if is_raised else CLEARED, None)
            if is_raised:
                self.ids[name] = self._new_id()
                text = one_line(refused[key].problem or f"{name} refuses us", 300)
                found.append(_message(self.ids[name], told, text, rule.remedy, now))
            else:
                found.append(_message(self.ids.pop(name), told, say_over(key), "", now))
        return found


class AlertTeller:
    """All that is told as alerts, and the note that is kept of it between two starts."""

    def __init__(self, kept: str | None = None, new_id: Callable[[], str] = lambda: str(uuid.uuid4())) -> None:
        """kept: what `kept` returned last."""
        number, told, ids = _parse_kept(kept)
        self.core = CoreAlerts(number, told)
        self._outputs = OutputAlerts(ids, new_id)

    def kept(self) -> str:
        """Return as a line what has to be known after a restart."""
        told = {alert_id: asdict(one) for alert_id, one in self.core.told.items()}
        note = {"number": self.core.number, "told": told, "outputs": self._outputs.ids}
        return json.dumps(note, separators=(",", ":"))

    def take(self, snapshot: Snapshot | None, outputs: Iterable[OutputHealth], now: Moment) -> list[Alert]:
        """Return what a moment brings. snapshot: core's newest word, None before the first."""
        found = [] if snapshot is None else self.core.take_snapshot(snapshot, now)
        return found + self._outputs.take(outputs, now)


def _message(alert_id: str, told: Told, text: str, remedy: str, now: Moment) -> Alert:
    return Alert(
        alert_id, told.kind, told.position, told.subject, told.level, told.state, text, remedy, told.acknowledged_by,
        now.boot_id, now.mono_ns / NS_PER_S, now.utc_ns,
    )  # fmt: skip


def _from_snapshot(one: AlertNow, now: Moment) -> Alert:
    told = Told(one.kind, one.position, one.subject, one.level, one.state, one.acknowledged_by)
    return _message(one.id, told, one.text, one.remedy, now)


def _from_row(row: AlertRow, state: str, stamp: Stamp | None, now: Moment) -> Alert:
    """Return a row as a message of when it was raised or cleared; of now where nobody knows when that was."""
    by = None if row.acknowledged is None else row.acknowledged.by
    told = Told(row.kind, row.position, row.subject, row.level, state, by)
    if stamp is not None and stamp.boot_id:
        now = Moment(stamp.boot_id, stamp.mono_ns, stamp.utc_ns if stamp.utc_trusted else None)
    is_raised = state == RAISED
    return _message(
        row.alert_id, told, row.text if is_raised else say_over(told.key), row.remedy if is_raised else "", now
    )


def _parse_kept(text: str | None) -> tuple[int | None, dict[str, Told], dict[str, str]]:
    """Return a kept note; one that can't be read counts as none: what is open is told again."""
    try:
        note = json.loads(text or "{}")
        told = {str(alert_id): _parse_told(one) for alert_id, one in dict(note.get("told", {})).items()}
        number = note.get("number")
        ids = {str(name): str(alert_id) for name, alert_id in dict(note.get("outputs", {})).items()}
        return None if number is None else int(number), told, ids
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None, {}, {}


def _parse_told(one: dict[str, object]) -> Told:
    def text(name: str) -> str | None:
        value = one[name]
        return None if value is None else str(value)

    return Told(
        str(one["kind"]), text("position"), text("subject"), str(one["level"]), str(one["state"]),
        text("acknowledged_by"),
    )  # fmt: skip
