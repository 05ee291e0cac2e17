"""Core's alerts: judged with each snapshot, stored with the next commit, shown in the snapshot once they are stored.

So that a kill can't raise one a second time under another id. A disk that takes nothing is waited for no longer
than SHOWN_NS: people are told anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dutylog.alerts.book import AlertBook, key_of
from dutylog.alerts.rules import ACT_NOW, CLEARED, RAISED, say_over
from dutylog.alerts.view import BOTTOMED_NS, COVERAGE_NS, DamperView, RecentMotion, VehicleView
from dutylog.clock import Clock
from dutylog.daemon.bookkeeper import Bookkeeper
from dutylog.duty.totals import Totals
from dutylog.engine.output import Live, TripRow
from dutylog.ledger.command import Applied, acknowledged_reply
from dutylog.ledger.rows import Acknowledged, AlertRow, Stamp, StoredAlert
from dutylog.units import NS_PER_S

SHOWN_NS = 2 * NS_PER_S
"""So long a change waits to be stored before it is shown without (judgement)."""
SHOWN_CLEARED_NS = 60 * NS_PER_S
"""So long an alert that is over stays in the snapshot, so that nobody wonders where it went (judgement)."""
SHOWN_COUNT = 20
ACKNOWLEDGE = "acknowledge"


@dataclass(slots=True)
class _Change:
    """A row as it is to be shown, and since when it waits to be stored."""

    row: AlertRow
    since_ns: int


class AlertKeeper:
    """Owns the book of alerts of one core."""

    def __init__(self, books: Bookkeeper, stored: Iterable[StoredAlert], clock: Clock) -> None:
        """books: stores what changes. stored: what the ledger has open. clock: for how long things last."""
        rows = [alert.row for alert in stored]
        self._book = AlertBook(rows)
        self._books, self._clock = books, clock
        self._shown = {row.alert_id: row for row in rows}
        self._over_ns: dict[str, int] = {}
        self._waiting: dict[str, _Change] = {}
        self._motion: dict[str, RecentMotion] = {}
        self._told: list[dict[str, Any]] | None = None
        self._time_ns, self._seen = 0, (clock.mono_ns(), 0, 0)

    def take(self, snapshot: dict[str, Any], live: Live | None, epoch: int) -> bool:
        """Judge a snapshot and write its alerts into it; return whether something is to be stored soon.

        live: what it was made of. epoch: the source's present one, for the time before its first tile.
        """
        place = (epoch, round(snapshot["mono_s"] * NS_PER_S)) if live is None else (live.epoch, live.end_ns)
        now_ns = self._advance(place)
        trip = None if live is None else live.trip
        changed = self._book.take(
            self._view(snapshot, live, now_ns), now_ns, place, None if trip is None else (trip.epoch, trip.start_tile)
        )
        for row in changed:
            self._keep(row)
        self._show()
        if self._told is None:
            self._told = [_to_dict(row) for row in pick(self._shown.values())]
        snapshot["alerts"] = self._told
        return bool(changed)

    def acknowledge(self, request: Mapping[str, Any], applied: Applied, stamp: Stamp) -> Applied:
        """Let the book know of a command that may be an acknowledgement; return what it came to.

        applied: what the ledger said, which may not know the alert yet, or have no room. A name is kept anyway.
        """
        if request["command"] != ACKNOWLEDGE:
            return applied
        if not applied.reply["ok"]:
            row = self._book.acknowledge(self._find(request["alert"]), Acknowledged(request["by"], stamp))
            if row is None:
                return applied
            self._keep(row)
            if row.alert_id in self._shown:
                self._put(row)
            return Applied(acknowledged_reply(row, request["by"]))
        alert_id, told = applied.reply["alert"], Acknowledged(applied.reply["acknowledged_by"], stamp)
        self._book.acknowledge(alert_id, told)
        if (waiting := self._waiting.get(alert_id)) is not None:
            waiting.row = replace(waiting.row, acknowledged=told)
        if (row := self._shown.get(alert_id)) is not None:
            self._put(replace(row, acknowledged=told))
        return applied

    # within

    def _find(self, text: str) -> str:
        """Return the id of the one open alert that begins so, else the text itself."""
        found = [row.alert_id for row in self._book.rows if len(text) >= 4 and row.alert_id.startswith(text)]
        return found[0] if len(found) == 1 else text

    def _keep(self, row: AlertRow) -> None:
        """Have a row stored, and shown after that."""
        self._books.keep_alert(row)
        waiting = self._waiting.get(row.alert_id)
        since_ns = self._clock.mono_ns() if waiting is None else waiting.since_ns
        self._waiting[row.alert_id] = _Change(row, since_ns)

    def _show(self) -> None:
        """Show what is stored, or has waited for it long enough; let go of what has been over for long."""
        if not self._waiting and not self._over_ns:
            return
        mono_ns = self._clock.mono_ns()
        for alert_id, change in list(self._waiting.items()):
            if not self._books.has_alert(alert_id) or mono_ns - change.since_ns >= SHOWN_NS:
                del self._waiting[alert_id]
                self._put(change.row)
                if change.row.cleared is not None:
                    self._over_ns[alert_id] = mono_ns
        for alert_id, over_ns in list(self._over_ns.items()):
            if mono_ns - over_ns >= SHOWN_CLEARED_NS:
                del self._over_ns[alert_id]
                self._shown.pop(alert_id, None)
                self._told = None

    def _put(self, row: AlertRow) -> None:
        self._shown[row.alert_id] = row
        self._told = None

    def _advance(self, place: tuple[int, int]) -> int:
        """Return a clock for how long things last, which never goes back [ns].

        It goes with the source's time where that runs faster than the machine's, and with the machine's where
        readings stand still.
        """
        mono_ns, epoch, source_ns = self._seen
        now_ns = self._clock.mono_ns()
        step_ns = now_ns - mono_ns
        if epoch == place[0]:
            step_ns = max(step_ns, place[1] - source_ns)
        self._seen = (now_ns, *place)
        self._time_ns += max(0, step_ns)
        return self._time_ns

    def _view(self, snapshot: Mapping[str, Any], live: Live | None, now_ns: int) -> VehicleView:
        totals = {} if live is None else {damper.position: damper.totals for damper in live.dampers}
        bottom_outs = _bottom_outs(None if live is None else live.trip)
        dampers = {}
        for one in snapshot["dampers"]:
            position = one["position"]
            view = dampers[position] = _damper_view(one)
            if (sums := totals.get(position)) is not None and view.unit_id:
                self._fill_recent(view, sums, now_ns)
                view.trip_bottom_outs_count = bottom_outs.get((view.unit_id, position))
        return VehicleView(
            dampers=dampers,
            not_stored_s=max(snapshot["standing_s"], snapshot["not_storing_s"], snapshot["unsaved_s"]),
            source_text=snapshot["source"]["state_text"],
            utc_trusted=snapshot["utc_trusted"],
        )

    def _fill_recent(self, view: DamperView, sums: Totals, now_ns: int) -> None:
        motion = self._motion.get(view.position)
        if motion is None:
            motion = self._motion[view.position] = RecentMotion()
        motion.take(now_ns, view.unit_id, sums.moving_us, sums.moving_measured_us, sums.bottom_outs_count)
        view.recent_measured_ratio = motion.measured_ratio()
        view.recent_bottom_outs_count = motion.bottom_outs_count
        view.has_ten_minutes = motion.lasts(COVERAGE_NS)
        view.has_five_minutes = motion.lasts(BOTTOMED_NS)


def pick(rows: Iterable[AlertRow]) -> list[AlertRow]:
    """Return the rows for a snapshot, the newest first: where there are too many, what matters least is left out."""
    newest: Sequence[AlertRow] = sorted(rows, key=lambda row: row.raised, reverse=True)
    urgent_first = sorted(newest, key=lambda row: (row.cleared is not None, row.level != ACT_NOW))
    kept = {row.alert_id for row in urgent_first[:SHOWN_COUNT]}
    return [row for row in newest if row.alert_id in kept]


def _bottom_outs(trip: TripRow | None) -> dict[tuple[str, str], int]:
    if trip is None:
        return {}
    return {(part.unit_id, part.position): part.totals.bottom_outs_count for part in trip.dampers}


def _damper_view(one: Mapping[str, Any]) -> DamperView:
    get: Callable[[str], Any] = one.get
    return DamperView(
        one["position"], one["unit_id"], one["state"], one["state_text"], tuple(one["faults"]),
        one["body_c"], one["body_limit_c"], get("oil_c"), get("oil_limit_c"),
        get("forecast_kind"), get("to_limit_low_s"), get("forecast_text"),
        get("damping_state"), get("damping_text"), get("gas_leaking"), get("gas_text"),
    )  # fmt: skip


def _to_dict(row: AlertRow) -> dict[str, Any]:
    """Return an alert as the snapshot has it (shared/SNAPSHOT.md)."""
    is_over = row.cleared is not None
    return {
        "id": row.alert_id,
        "kind": row.kind,
        "position": row.position,
        "subject": row.subject,
        "state": CLEARED if is_over else RAISED,
        "level": row.level,
        "text": say_over(key_of(row)) if is_over else row.text,
        "remedy": "" if is_over else row.remedy,
        "raised_mono_s": row.raised[1] / NS_PER_S,
        "acknowledged_by": None if row.acknowledged is None else row.acknowledged.by,
    }
