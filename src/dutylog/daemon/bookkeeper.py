"""What the engine made, on its way to the ledger: gathered, and written by a thread that may wait for the disk."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from dutylog import ENGINE
from dutylog.clock import Clock
from dutylog.daemon.disk_trouble import SILENT_S, Trouble
from dutylog.duty.totals import Totals
from dutylog.engine.engine import is_named
from dutylog.engine.output import MinuteRow, TripRow
from dutylog.errors import LedgerCorrupt, LedgerError, LedgerFull
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import AlertRow, Commit, Epoch, Stamp
from dutylog.recording.errand import Errand
from dutylog.recording.segment_files import unanswered
from dutylog.units import NS_PER_S

COLD_NS = 30 * NS_PER_S
HEAT_NS = 120 * NS_PER_S
"""What is known of heat is kept this often at most: it is large while little has been learned, and a kill costs no
more than the same time bridged."""
MOST_MINUTES = 20_000
"""Minute rows that may wait for a ledger without room, three and a half days of four dampers; then the oldest go."""


K = TypeVar("K")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of a state is wanted beside its totals. everything: states of units and checkpoint. heat: what is known."""

    everything: bool
    heat: bool


WHOLE = Wanted(everything=True, heat=True)


@dataclass(frozen=True, slots=True)
class EngineState:
    """What the ledger keeps of the engine at one moment, by unit_id; named units only.

    sequence: of the last frame counted. trip: the open one. cold, checkpoint, heat: packed; None where not wanted,
    heat empty then.
    """

    sequence: int
    hot: dict[str, Totals]
    trip: TripRow | None
    cold: dict[str, bytes] | None
    checkpoint: bytes | None
    heat: dict[tuple[str, str], bytes]


@dataclass(frozen=True, slots=True)
class _Written:
    """What one commit stored: the commit, or the part of it there was room for, and clocks of epochs."""

    change: Commit
    epochs: tuple[Epoch, ...]
    is_whole: bool


class Bookkeeper:
    """Commits totals, rows and states to the ledger, one commit at a time.

    path: the ledger, opened once more for the thread. stamp: the time beside every change. trouble:
    told what fails. heat: told what of it is kept. hot_sequence: how far the ledger has counted. hold_until:
    totals to be reached again before anything is stored, None where nothing is behind.
    """

    def __init__(
        self,
        path: Path,
        stamp: Callable[[], Stamp],
        clock: Clock,
        trouble: Trouble,
        heat: VehicleHeat,
        hot_sequence: int,
        hold_until: dict[str, Totals] | None,
    ) -> None:
        self._path, self._stamp, self._clock, self._trouble = path, stamp, clock, trouble
        self._heat = heat
        self._hot_sequence = hot_sequence
        self._hold = hold_until
        self._errand: Errand[_Written] = Errand("ledger", clock)
        self._ledger: Ledger | None = None
        self._minutes: dict[tuple[str, int, int], MinuteRow] = {}
        self._trips: dict[tuple[int, int], TripRow] = {}
        self._epochs: dict[int, Epoch] = {}
        self._alerts: dict[str, AlertRow] = {}
        self._wants_all = True
        self._next_cold_ns = self._next_heat_ns = 0
        self.dropped_minutes_count = 0

    @property
    def is_busy(self) -> bool:
        """Return whether a commit is under way."""
        return self._errand.is_busy

    @property
    def is_open(self) -> bool:
        """Return whether a commit is still to be finished."""
        return self._errand.is_open

    @property
    def wants_all(self) -> bool:
        """Return whether everything was asked for and hasn't been begun."""
        return self._wants_all

    def keep(self, minutes: list[MinuteRow], trips: list[TripRow]) -> None:
        """Hold rows for the next commit, those of named units; the newest of a key counts."""
        self._minutes |= {(m.unit_id, m.epoch, m.minute): m for m in minutes if is_named(m.unit_id)}
        while len(self._minutes) > MOST_MINUTES:
            del self._minutes[next(iter(self._minutes))]
            self.dropped_minutes_count += 1
        for trip in trips:
            named = tuple(damper for damper in trip.dampers if is_named(damper.unit_id))
            self._trips[trip.epoch, trip.start_tile] = replace(trip, dampers=named)

    def keep_alert(self, row: AlertRow) -> None:
        """Hold an alert for the next commit; the newest of an id counts."""
        self._alerts[row.alert_id] = row

    def has_alert(self, alert_id: str) -> bool:
        """Return whether an alert still waits to be stored."""
        return alert_id in self._alerts

    def refine(self, epochs: list[Epoch]) -> None:
        """Hold better clocks of epochs for the next commit."""
        self._epochs |= {epoch.epoch: epoch for epoch in epochs}

    def want_all(self) -> None:
        """Let the next commit store states, too."""
        self._wants_all = True

    def wanted(self) -> Wanted:
        """Return what the next state to be stored must hold; a state that isn't stored is asked for again."""
        now_ns = self._clock.mono_ns()
        wanted = Wanted(
            self._wants_all or now_ns >= self._next_cold_ns, self._wants_all or now_ns >= self._next_heat_ns
        )
        self._wants_all = False
        return wanted

    def store(self, state: EngineState) -> None:
        """Begin a commit of what the engine had come to; none may be under way. Nothing while totals are behind."""
        if (change := self._make(state)) is None:
            self._wants_all |= state.cold is not None
            return
        epochs = tuple(self._epochs.values())
        self._errand.start(lambda: self._write(change, epochs))

    def finish(self) -> bool:
        """See to a commit begun: return whether one has succeeded.

        Raises:
            LedgerCorrupt: the ledger is damaged. Whatever else it fails for is trouble and is tried again.
        """
        if self._errand.busy_s > SILENT_S:
            self._trouble.begin(unanswered(self._path, self._errand.busy_s), self._errand.busy_s)
        try:
            written = self._errand.take()
        except LedgerCorrupt:
            raise
        except LedgerError as err:
            self._trouble.begin(err)
            self._wants_all = True
            return False
        if written is None:
            return False
        self._forget(written)
        self._trouble.end("no total was lost")
        return True

    def close(self, state: EngineState, limit_s: float) -> None:
        """Store everything for the last time and let go of the ledger. state: packed whole.

        Raises:
            LedgerError: it couldn't be written, or not within `limit_s`.
        """
        end_ns = self._clock.mono_ns() + round(limit_s * NS_PER_S)
        try:
            if self._wait(end_ns):
                self.finish()
                self.store(state)
            if not self._wait(end_ns):
                raise unanswered(self._path, limit_s)
            if (written := self._errand.take()) is not None:
                self._forget(written)
        finally:
            if not self._errand.is_open and self._ledger is not None:
                self._errand.start(self._close_ledger)
            self._errand.close(max(0.1, (end_ns - self._clock.mono_ns()) / NS_PER_S))

    def _wait(self, end_ns: int) -> bool:
        return self._errand.wait(max(0.0, (end_ns - self._clock.mono_ns()) / NS_PER_S))

    def _make(self, state: EngineState) -> Commit | None:
        """Return the commit of a moment; after a truncated log not before all totals are reached again."""
        if self._hold is not None:
            if not all(state.hot[unit].reaches(value) for unit, value in self._hold.items() if unit in state.hot):
                return None
            self._hold = None
        if state.trip is not None:
            self.keep([], [state.trip])
        self._hot_sequence = max(self._hot_sequence, state.sequence)
        return Commit(
            sequence=self._hot_sequence,
            engine=ENGINE,
            hot=state.hot,
            cold=state.cold,
            checkpoint=state.checkpoint,
            heat=state.heat,
            minutes=tuple(self._minutes.values()),
            trips=tuple(self._trips.values()),
            alerts=tuple(self._alerts.values()),
        )

    # In the thread of the ledger.

    def _write(self, change: Commit, epochs: tuple[Epoch, ...]) -> _Written:
        """Write as much of a commit as there is room for; return what was written.

        Totals alone need no new page, so they go on where nothing else does.
        """
        if self._ledger is None:
            self._ledger = Ledger.open(self._path, stamp=self._stamp)
        rows_only = replace(change, cold=None, checkpoint=None, heat={})
        try:
            self._ledger.commit(change)
        except LedgerFull:
            change = self._write_part(self._ledger, rows_only)
            return _Written(change, (), is_whole=False)
        for epoch in epochs:
            self._ledger.put_epoch(epoch)
        return _Written(change, epochs, is_whole=True)

    @staticmethod
    def _write_part(ledger: Ledger, rows_only: Commit) -> Commit:
        try:
            ledger.commit(rows_only)
        except LedgerFull:
            totals_only = replace(rows_only, minutes=(), trips=(), alerts=())
            ledger.commit(totals_only)
            return totals_only
        return rows_only

    def _close_ledger(self) -> _Written:
        if self._ledger is not None:
            self._ledger.close()
            self._ledger = None
        return _Written(Commit(0, ENGINE, {}), (), is_whole=True)

    # In core's own.

    def _forget(self, written: _Written) -> None:
        """Let go of rows that are stored, unless newer ones of their key have come."""
        self._minutes = _without(self._minutes, written.change.minutes)
        self._trips = _without(self._trips, written.change.trips)
        self._alerts = _without(self._alerts, written.change.alerts)
        self._epochs = _without(self._epochs, written.epochs)
        if not written.is_whole:
            self._next_cold_ns = self._clock.mono_ns() + COLD_NS // 3
            return
        if written.change.heat:
            self._heat.forget_left(written.change.heat)
            self._next_heat_ns = self._clock.mono_ns() + HEAT_NS
        if written.change.cold is not None:
            self._next_cold_ns = self._clock.mono_ns() + COLD_NS


def _without(held: dict[K, V], written: tuple[V, ...]) -> dict[K, V]:
    done = {id(row) for row in written}
    return {key: row for key, row in held.items() if id(row) not in done}
