"""The book of alerts: one row for each from when it is raised until it is cleared, with who has seen it."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable
from dataclasses import replace

from dutylog.alerts.hold import Holds
from dutylog.alerts.judge import judge, say
from dutylog.alerts.rules import RULES, Key
from dutylog.alerts.view import VehicleView
from dutylog.errors import one_line
from dutylog.ledger.rows import Acknowledged, AlertRow

TEXT_LIMIT = 300


class AlertBook:
    """Turns successive moments into rows raised, cleared and acknowledged. Keeps no file and asks no clock."""

    def __init__(
        self, restored: Iterable[AlertRow] = (), new_id: Callable[[], str] = lambda: str(uuid.uuid4())
    ) -> None:
        """restored: rows that were open at the last stop."""
        self._rows = {key_of(row): row for row in restored}
        self._holds = Holds(self._rows)
        self._new_id = new_id

    @property
    def rows(self) -> list[AlertRow]:
        """Return what is open, the oldest first."""
        return list(self._rows.values())

    def take(
        self, view: VehicleView, now_ns: int, place: tuple[int, int], trip: tuple[int, int] | None
    ) -> list[AlertRow]:
        """Return the rows that this moment raises, or clears (those with `cleared`).

        Args:
            now_ns: a clock that never goes back, for how long something holds [ns].
            place: epoch and its monotonic time [ns], written beside what changes. trip: key of the open trip.
        """
        holding, unknown = judge(view, self._holds.open)
        changed = []
        for key, is_raised in self._holds.take(holding, unknown, now_ns):
            if is_raised:
                row = self._rows[key] = self._make(key, view, place, trip)
            else:
                row = replace(self._rows.pop(key), cleared=place)
            changed.append(row)
        return changed

    def acknowledge(self, alert_id: str, told: Acknowledged) -> AlertRow | None:
        """Note that a person has seen an open alert; None where none of that id is open. The first name stays."""
        for key, row in self._rows.items():
            if row.alert_id == alert_id:
                if row.acknowledged is None:
                    self._rows[key] = replace(row, acknowledged=told)
                return self._rows[key]
        return None

    def _make(self, key: Key, view: VehicleView, place: tuple[int, int], trip: tuple[int, int] | None) -> AlertRow:
        kind, position, subject = key
        words = say(key, view)
        return AlertRow(
            alert_id=self._new_id(),
            kind=kind,
            position=position or None,
            subject=subject or None,
            level=RULES[kind].level,
            text=one_line(words.text, TEXT_LIMIT),
            remedy=one_line(words.remedy, TEXT_LIMIT),
            raised=place,
            trip=trip,
        )


def key_of(row: AlertRow) -> Key:
    """Return what a row is about."""
    return row.kind, row.position or "", row.subject or ""
