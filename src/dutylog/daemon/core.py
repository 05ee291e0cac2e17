"""Core: the one process that samples, logs, integrates and writes totals.

Order of every round (shared/LEDGER.md): raw frames to the log and fsync, engine, one transaction of
the ledger. What the engine sees is durable; so after a kill it sees the same again.
"""

from __future__ import annotations

import json
import signal
import sys
import uuid
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from dutylog import ENGINE
from dutylog.clock import Clock, SystemClock, read_boot_id
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.disk_trouble import DiskTrouble
from dutylog.daemon.endpoints import CommandEndpoint, LiveEndpoint
from dutylog.daemon.restore import Restored, restore_engine
from dutylog.daemon.snapshots import Moment, SourceState, make_snapshot
from dutylog.daemon.sources import open_source
from dutylog.daemon.units import pending_events, settle_units
from dutylog.daemon.wall_time import is_utc_trusted
from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.engine import is_named
from dutylog.engine.output import MinuteRow, TripRow
from dutylog.errors import DutylogError, LedgerCorrupt, LedgerError, RecordingError, SourceError
from dutylog.ledger.command import apply_command
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.lock import DataLock
from dutylog.ledger.rows import Commit, Epoch, Stamp
from dutylog.recording.frame import Frame
from dutylog.recording.log import LogWriter
from dutylog.recording.source import Batch, Source
from dutylog.recording.state import END
from dutylog.units import NS_PER_S

LOG_FOLDER = "log"
COMMIT_NS = NS_PER_S
"""Raw log and hot totals are made durable this often: the most a power cut costs, and what a card can bear."""
COLD_NS = 30 * NS_PER_S
PENDING_BYTES = 2 * 1024 * 1024
"""A source that runs faster than real time is committed by size instead."""
IDLE_S = 0.05
LOCK_NS = 5 * NS_PER_S


class Core:
    """Owns the source, the raw log, the engine and the ledger of one data folder."""

    def __init__(self, settings: CoreSettings, clock: Clock, say: Callable[[str], None]) -> None:
        """say: takes one line for people whenever something changes."""
        self._settings = settings
        self._clock = clock
        self._say = say
        self._stopping = False
        self._start_id = uuid.uuid4().hex
        self._boot_id = read_boot_id()
        self._seq = 0
        self._minutes: dict[tuple[str, int, int], MinuteRow] = {}
        self._trips: dict[tuple[int, int], TripRow] = {}
        self._store_all = False
        self._next_commit_ns = self._next_cold_ns = 0
        self._trouble = DiskTrouble(clock, say)
        self._source_state = SourceState(settings.source_kind, "", "running", "")

    def stop(self) -> None:
        """Ask `run` to end; safe from a signal handler."""
        self._stopping = True

    def run(self) -> None:
        """Work until stopped, or until the source ends where settings say so.

        Raises:
            DutylogError: the folder is in use, damaged, or the source can't be opened.
        """
        settings = self._settings
        settings.data_dir.mkdir(mode=0o750, parents=True, exist_ok=True)
        lock = self._lock()
        try:
            with Ledger.open(settings.data_dir / LEDGER_NAME, stamp=self._stamp) as ledger:
                self._ledger = ledger
                self._run_with_ledger()
        finally:
            lock.release()

    def _lock(self) -> DataLock:
        """Take the data folder; a daemon that was just killed may need a moment to end."""
        lock = DataLock(self._settings.data_dir)
        deadline_ns = self._clock.mono_ns() + LOCK_NS
        while True:
            try:
                lock.acquire()
            except LedgerError as err:
                is_held = isinstance(err.__cause__, BlockingIOError)
                if not is_held or self._clock.mono_ns() > deadline_ns:
                    raise
                self._clock.sleep(IDLE_S)
            else:
                return lock

    def _run_with_ledger(self) -> None:
        settings, ledger = self._settings, self._ledger
        ledger.put_vehicle(settings.vehicle)
        cursor = ledger.cursor()
        self._writer = LogWriter(
            settings.data_dir / LOG_FOLDER, settings.vehicle, self._boot_id, self._clock, cursor.hot_sequence + 1
        )
        restored = self._restore()
        self._engine = restored.engine
        self._hold = restored.hold_until
        self._hot_sequence = cursor.hot_sequence
        self._keep(restored.minutes, restored.trips)
        state = self._writer.state
        restored.adopter.reinstall(settings.vehicle, state.installs, state.next_sequence)
        for line in [*restored.notes, *restored.adopter.notes]:
            self._say(line)
        for line in settle_units(ledger, settings.vehicle, self._writer.state.next_sequence):
            self._say(line)
        self._live = LiveEndpoint(settings.data_dir)
        self._commands = CommandEndpoint(settings.data_dir)
        try:
            self._source = open_source(settings, self._clock)
            try:
                self._start_source(self._source)
                self._loop()
            finally:
                self._source.close()
        finally:
            self._commands.close()
            self._live.close()

    def _restore(self) -> Restored:
        settings = self._settings
        return restore_engine(
            self._ledger,
            settings.data_dir / LOG_FOLDER,
            settings.vehicle,
            self._load_duty,
            settings.grace_s,
            log_end=self._writer.found_sequence,
            resumable=settings.source_kind == "recording",
        )

    def _load_duty(self, unit_id: str) -> DamperDuty | None:
        state = self._ledger.cold_state(unit_id)
        with decoding(self._ledger.path, f"the state of damper {unit_id}"):
            return None if state is None else DamperDuty.from_dict(json.loads(zlib.decompress(state)))

    def _start_source(self, source: Source) -> None:
        """Begin the source's epoch, or go on with the one a kill interrupted."""
        state = self._writer.state
        self._source_state = SourceState(source.kind, source.text, "running", "")
        self._is_over = False
        last = max(state.epoch, self._ledger.last_epoch())
        if source.resumable and (number := self._epoch_of(source.text, last)) is not None:
            if number > state.epoch:
                self._finish_source("this recording was counted before its raw log was lost; it isn't counted twice")
                return
            if number < last or state.epoch_ended:
                self._finish_source("this recording is in the log already; it isn't counted twice")
                return
            epoch, next_index = number, dict(state.next_index)
        else:
            # A number that the ledger knows stands there for other minutes and trips, even if its log is gone.
            epoch, next_index = last + 1, {}
        self._writer.start_epoch(source.streams, source.kind, source.text, epoch)
        for kind, data in pending_events(self._ledger, self._writer.state):
            self._writer.event(kind, self._writer.state.time_ns, data)
        trusted = is_utc_trusted()
        self._writer.clock(trusted)
        source.start(epoch, next_index)
        if self._ledger.epoch(epoch) is None:
            now = self._stamp()
            mono_ns = 0 if source.kind == "recording" else now.mono_ns
            self._ledger.put_epoch(
                Epoch(epoch, source.kind, source.text, self._boot_id, mono_ns, now.utc_ns, trusted and mono_ns > 0)
            )
        self._say(f"running: {source.kind}, {source.text}")
        self._commit(store_all=True)

    def _epoch_of(self, text: str, last: int) -> int | None:
        """Return the number of the epoch that logged a resumable source, None when it is new."""
        for number in range(last, 0, -1):
            known = self._ledger.epoch(number)
            if known is not None and known.source_text == text:
                return number
        return None

    def _loop(self) -> None:
        while not self._stopping:
            self._live.poll()
            self._commands.poll(self._apply)
            if self._is_over:
                if self._settings.exit_at_end:
                    break
                self._clock.sleep(IDLE_S)
            else:
                self._take(self._read())
            if self._clock.mono_ns() >= self._next_commit_ns or self._is_much_pending():
                self._commit(store_all=False)
        self._stop_cleanly()

    def _is_much_pending(self) -> bool:
        """Return whether to commit ahead of time; a disk that takes nothing isn't asked more often for that."""
        return self._writer.pending_bytes > PENDING_BYTES and not self._trouble.lasts

    def _read(self) -> Batch | None:
        """Return the next batch; a source that fails ends, what came before stays."""
        try:
            return self._source.read_batch()
        except (SourceError, RecordingError) as err:
            self._commit(store_all=True)
            if self._settings.exit_at_end:
                raise
            self._finish_source(str(err), "lost")
            return Batch()

    def _take(self, batch: Batch | None) -> None:
        if batch is None:
            self._finish_source("the source has ended; nothing more will come")
            self._commit(store_all=True)
            return
        if batch.blocks or batch.events:
            self._writer.append(batch)
        if any(event.kind == END for event in batch.events):
            self._store_all = True

    def _finish_source(self, text: str, how: str = "ended") -> None:
        self._is_over = True
        state = self._source_state
        self._source_state = SourceState(state.kind, state.text, how, text)
        self._say(f"{state.kind}: {text}")

    def _stop_cleanly(self) -> None:
        """Put what isn't whole yet; a source that can't go on later has come to its end."""
        if not self._source.resumable and not self._is_over:
            self._writer.end("stop", self._writer.state.time_ns)
        dropped = self._writer.dropped_row_count
        try:
            self._feed(self._writer.close("stop"))
        finally:
            if lost := self._writer.dropped_row_count - dropped:
                self._say(f"{lost} rows that waited for the disk were not stored")
        self._store(store_all=True)
        self._publish()

    def _commit(self, *, store_all: bool) -> None:
        """Make durable what has come; a disk that is full or fails is tried again, sampling goes on."""
        # Kept until it is done: the next try may come without being asked for all.
        self._store_all |= store_all or self._clock.mono_ns() >= self._next_cold_ns
        try:
            self._feed(self._writer.commit())
            self._store(store_all=False)
        except LedgerCorrupt:
            raise
        except LedgerError as err:
            self._trouble.begin(err)
        else:
            self._trouble.end(self._writer.dropped_row_count)
        # From the end of the commit: on a disk slower than that, sampling would else get no turn.
        self._next_commit_ns = self._clock.mono_ns() + COMMIT_NS
        self._publish()

    def _feed(self, frames: tuple[Frame, ...]) -> None:
        for left, frame in zip(range(len(frames) - 1, -1, -1), frames, strict=True):
            step = self._engine.feed(frame, more=left > 0)
            self._keep(step.minutes, step.trips)
            self._store_all |= step.must_store_all

    def _keep(self, minutes: list[MinuteRow], trips: list[TripRow]) -> None:
        """Hold rows for the next transaction, those of named units; the newest of a key counts."""
        self._minutes |= {(m.unit_id, m.epoch, m.minute): m for m in minutes if is_named(m.unit_id)}
        for trip in trips:
            named = tuple(damper for damper in trip.dampers if is_named(damper.unit_id))
            self._trips[trip.epoch, trip.start_tile] = replace(trip, dampers=named)

    def _store(self, *, store_all: bool) -> None:
        """Write one transaction; after a truncated log not before all totals are reached again."""
        engine = self._engine
        totals = {unit_id: value for unit_id, value in engine.totals().items() if is_named(unit_id)}
        if self._hold is not None:
            if not all(totals[unit].reaches(value) for unit, value in self._hold.items() if unit in totals):
                return
            self._hold = None
        store_all |= self._store_all
        if store_all and (row := engine.open_trip()) is not None:
            self._keep([], [row])
        self._hot_sequence = max(self._hot_sequence, engine.sequence)
        self._ledger.commit(
            Commit(
                sequence=self._hot_sequence,
                engine=ENGINE,
                hot=totals,
                cold={u: _pack(duty) for u, duty in engine.duties().items() if u in totals} if store_all else None,
                checkpoint=engine.checkpoint() if store_all else None,
                minutes=tuple(self._minutes.values()),
                trips=tuple(self._trips.values()),
            )
        )
        self._minutes, self._trips = {}, {}
        if store_all:
            self._store_all = False
            self._next_cold_ns = self._clock.mono_ns() + COLD_NS

    def _apply(self, request: dict[str, Any]) -> dict[str, Any]:
        """Do a command between two batches and tell the engine through the log."""
        applied = apply_command(self._ledger, request, self._writer.state.next_sequence)
        for effect in applied.effects:
            self._writer.event(effect.kind, self._writer.state.time_ns, effect.data)
        if applied.effects:
            self._commit(store_all=True)
        return applied.reply

    def _publish(self) -> None:
        live = self._engine.live
        number = None if live is None or live.trip is None else self._number_of(live.trip)
        self._seq += 1
        drops = {"raw_rows": self._writer.dropped_row_count, "live_lines": self._live.dropped_count}
        moment = Moment(
            self._seq, self._start_id, self._clock.mono_ns(), self._clock.utc_ns(), is_utc_trusted(),
            self._source_now(), number, {name: count for name, count in drops.items() if count},
            self._trouble.standing_s,
        )  # fmt: skip
        self._live.publish(make_snapshot(self._settings.vehicle, live, moment))

    def _number_of(self, trip: TripRow) -> int | None:
        """Return the number the ledger gave the open trip; None before that, or while it can't be read."""
        try:
            newest = self._ledger.trips(1)
        except LedgerCorrupt:
            raise
        except LedgerError:
            return None
        if newest and (newest[0].row.epoch, newest[0].row.start_tile) == (trip.epoch, trip.start_tile):
            return newest[0].number
        return None

    def _source_now(self) -> SourceState:
        state, text = self._source_state, self._trouble.text
        return replace(state, state_text="; ".join(part for part in (text, state.state_text) if part))

    def _stamp(self) -> Stamp:
        return Stamp(self._clock.utc_ns(), is_utc_trusted(), self._clock.mono_ns(), self._boot_id)


def _pack(duty: DamperDuty) -> bytes:
    return zlib.compress(json.dumps(duty.to_dict(), allow_nan=False, separators=(",", ":")).encode(), 6)


def main() -> int:
    """Run core with the settings on the first line of standard input; SIGTERM ends it cleanly."""
    settings = CoreSettings.from_json(sys.stdin.readline())
    core = Core(settings, SystemClock(), lambda line: print(f"core: {line}", file=sys.stderr, flush=True))  # noqa: T201
    signal.signal(signal.SIGTERM, lambda *_: core.stop())
    signal.signal(signal.SIGINT, lambda *_: core.stop())
    try:
        core.run()
    except DutylogError as err:
        for line in str(err).splitlines():
            print(f"dutylog: {line}", file=sys.stderr, flush=True)  # noqa: T201
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
