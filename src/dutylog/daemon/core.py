"""Core: the one process that samples, logs, integrates and writes totals.

Order of every round (shared/LEDGER.md): raw frames to the log and fsync, engine, one transaction of
the ledger. So after a kill the engine sees the same again. Each of the three is waited for by a thread of
its own; a disk that takes nothing for long is left behind by readings and totals (disk_trouble.py).
"""

from __future__ import annotations

import gc
import select
import signal
import sys
import uuid
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from dutylog.acquire.driver import DriverState
from dutylog.acquire.sensors import RawTravel, SensorSource
from dutylog.clock import Clock, SystemClock, read_boot_id
from dutylog.daemon.adjusters import Adjusters
from dutylog.daemon.alert_keeper import AlertKeeper
from dutylog.daemon.bookkeeper import WHOLE, Bookkeeper
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.counting import REST_NS, Counting
from dutylog.daemon.disk_trouble import AHEAD_S, SILENT_S, DiskTrouble
from dutylog.daemon.endpoints import CommandEndpoint, LiveEndpoint, look
from dutylog.daemon.epochs import EpochBook
from dutylog.daemon.heal import Folder, mark_suspect, open_ledger
from dutylog.daemon.kept_states import KeptStates
from dutylog.daemon.restore import Restored, restore_engine
from dutylog.daemon.snapshots import Moment, SourceState, make_snapshot
from dutylog.daemon.sources import open_source
from dutylog.daemon.units import pending_events, settle_units, vehicle_in_force
from dutylog.daemon.upkeep import Upkeep, make_rule
from dutylog.daemon.wall_time import dated_epochs, is_utc_trusted
from dutylog.errors import DutylogError, LedgerCorrupt, LedgerError, RecordingError, SourceError
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.ledger.calibrations import ENTRY_KIND
from dutylog.ledger.command import apply_command
from dutylog.ledger.lock import DataLock
from dutylog.ledger.rows import Stamp
from dutylog.ledger.trip_book import TripBook
from dutylog.memory import keep_what_is_loaded
from dutylog.recording import log as raw_log
from dutylog.recording.frame import Frame
from dutylog.recording.log import LogWriter
from dutylog.recording.segment_files import unanswered
from dutylog.recording.segments import LOG_FOLDER
from dutylog.recording.source import Batch, Source
from dutylog.recording.state import END
from dutylog.units import NS_PER_S

EXIT_AGAIN = 3
COMMIT_NS = NS_PER_S
"""Raw log and hot totals are made durable this often: the most a power cut costs, and what a card can bear."""
SHOW_NS = 5 * NS_PER_S // 4
"""Without news a snapshot goes out after this, or REST_NS more. News comes each second: each would go out twice."""
PENDING_BYTES = 2 * 1024 * 1024
"""A source that runs faster than real time is committed by size instead."""
IDLE_S = 0.05
LOCK_NS = 5 * NS_PER_S
GARBAGE_OBJECTS = 20_000
"""New objects between two searches for garbage: some seconds of data, of which next to nothing is left in cycles."""
SWITCH_S = 0.0005
"""So long at most one of core's threads keeps the others from running: the default, 5 ms, is what a block may take at
the longest. Beside a thread busy for 10 ms at a time 1 in 100 rounds took 10.5 ms with it, 5.5 with this (measured)."""
STOP_S = 4.0
"""Log and ledger each get so long at a stop: together less than the supervisor waits (10 s)."""

UPKEEP_STOP_NS = 9 * NS_PER_S
"""The last copy of the ledger has so long from the begin of a stop on."""


class Core:
    """Owns the source, the raw log, the engine and the ledger of one data folder."""

    def __init__(self, settings: CoreSettings, clock: Clock, say: Callable[[str], None]) -> None:
        """say: takes one line for people whenever something changes."""
        self._settings = settings
        self._clock = clock
        self._say = say
        self._stopping = False
        self.is_running = False
        """Whether the start is over and no stop has begun: what goes wrong then may be better at another start."""
        self._start_id = uuid.uuid4().hex
        self._boot_id = read_boot_id()
        self._seq = 0
        self._next_commit_ns = self._next_publish_ns = 0
        self._is_dated = self._is_quiet = False
        self._anew_reason = ""
        self._begun_ns = clock.mono_ns()
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
        lock = DataLock(settings.data_dir)
        # A daemon that was just killed may need a moment to end.
        lock.acquire_within(self._clock, LOCK_NS)
        try:
            folder = Folder(settings.data_dir, settings.data_dir / LOG_FOLDER, self._stamp, self._say)
            self._upkeep = Upkeep(folder, self._clock, make_rule(settings.keep))
            with open_ledger(folder) as ledger:
                self._ledger = ledger
                self._run_with_ledger()
        except LedgerCorrupt:
            mark_suspect(settings.data_dir)
            raise
        finally:
            lock.release()

    def _run_with_ledger(self) -> None:
        settings, ledger = self._settings, self._ledger
        ledger.put_vehicle(settings.vehicle)
        cursor = ledger.cursor()
        self._vehicle, notes = vehicle_in_force(settings.vehicle, ledger)
        self._writer = LogWriter(
            settings.data_dir / LOG_FOLDER, self._vehicle, self._boot_id, self._clock, cursor.hot_sequence + 1
        )
        self._epochs = EpochBook(ledger, self._stamp)
        self._kept = KeptStates(ledger.path)
        self._heat = VehicleHeat(self._kept.heat)
        restored = self._restore()
        self._engine = restored.engine
        self._books = Bookkeeper(
            ledger.path,
            self._stamp,
            self._clock,
            self._trouble.ledger,
            self._heat,
            cursor.hot_sequence,
            restored.hold_until,
        )
        self._books.keep(restored.minutes, restored.trips)
        self._counting = Counting(
            self._engine, self._heat, self._books, self._trouble, self._clock, waits=settings.pace == 0
        )
        self._alerts = AlertKeeper(self._books, ledger.open_alerts(), self._clock)
        self._adjusters = Adjusters(ledger, settings, self._clock, self._say)
        self._not_driven = ledger.not_driven()
        state = self._writer.state
        restored.adopter.reinstall(self._vehicle, state.installs, state.next_sequence)
        unread = TripBook(ledger).unread_lines()
        for line in [*notes, *restored.notes, *restored.adopter.notes, *self._heat.notes, *unread]:
            self._say(line)
        for line in settle_units(ledger, self._vehicle, self._writer.state.next_sequence):
            self._say(line)
        self._doors = select.poll()
        self._live = LiveEndpoint(settings.data_dir, self._doors)
        self._commands = CommandEndpoint(settings.data_dir, self._doors)
        try:
            self._source = open_source(settings, self._clock)
            try:
                self._start_source(self._source)
                self._follow_ledger()
                self._loop()
            finally:
                self._source.close()
        finally:
            self._commands.close()
            self._live.close()
            self._counting.close()

    def _restore(self) -> Restored:
        settings = self._settings
        return restore_engine(
            self._ledger,
            settings.data_dir / LOG_FOLDER,
            self._vehicle,
            self._kept.duty,
            settings.grace_s,
            heat=self._heat,
            log_end=self._writer.found_sequence,
            resumable=settings.source_kind == "recording",
        )

    def _start_source(self, source: Source) -> None:
        """Begin the source's epoch, or go on with the one a kill interrupted."""
        state = self._writer.state
        self._source_state = SourceState(source.kind, source.text, "running", "")
        self._is_over = False
        last = max(state.epoch, self._epochs.last())
        if source.resumable and (number := self._epochs.find(source.text, last)) is not None:
            if number > state.epoch:
                self._finish_source("this recording was counted before its raw log was lost; it isn't counted twice")
                return
            if number < last or state.epoch_ended:
                self._finish_source("this recording is in the log already; it isn't counted twice")
                return
            epoch, next_index = number, dict(state.next_index)
        else:
            epoch, next_index = last + 1, {}
        self._writer.start_epoch(source.streams, source.kind, source.text, epoch)
        for kind, data in pending_events(self._ledger, self._writer.state):
            self._writer.event(kind, self._writer.state.time_ns, data)
        self._is_dated = is_utc_trusted()
        self._writer.clock(self._is_dated)
        self._epochs.put(source, epoch)
        # Last: whatever waits for the disk at a start must not hold up the first samples.
        self._begun_ns = self._clock.mono_ns()
        source.start(epoch, next_index)
        self._say(f"running: {source.kind}, {source.text}")
        self._commit_soon()

    def _start_anew(self, reason: str) -> None:
        """Begin a new epoch of the same source: the clock of one of its devices began anew."""
        source, epoch = self._source, self._writer.state.epoch + 1
        self._writer.start_epoch(source.streams, source.kind, source.text, epoch)
        self._epochs.put(source, epoch)
        source.start(epoch, {})
        self._say(f"{source.kind}: {reason}; a new stretch of the log begins")
        self._commit_soon()

    def _loop(self) -> None:
        self.is_running = True
        while not self._stopping:
            self._answer()
            if self._is_over:
                if self._settings.exit_at_end and not self._writer.pending_bytes:
                    break
                self._clock.sleep(IDLE_S)
            elif self._anew_reason:
                if not self._books.is_busy:
                    self._start_anew(self._anew_reason)
                    self._anew_reason = ""
                else:
                    self._clock.sleep(IDLE_S)
            elif self._may_read():
                self._take(self._read())
            self._write()
        self.is_running = False
        self._stop_cleanly()

    def _answer(self) -> None:
        """See to whoever reads snapshots or has a command."""
        ready = look(self._doors)
        if ready or self._live.is_sending:
            self._live.serve(ready)
        if ready and not self._books.is_busy:
            # What is wrong with a batch is no answer to a command.
            self._writer.settle()
            self._commands.serve(ready, self._apply)

    def _may_read(self) -> bool:
        """Return whether to ask the source; one that runs as fast as it can waits for the disk instead."""
        if self._settings.pace != 0 or self._writer.pending_bytes <= PENDING_BYTES:
            return True
        self._writer.wait(IDLE_S)
        if self._trouble.log.lasts:
            self._clock.sleep(IDLE_S)
        return not self._writer.is_committing and not self._trouble.log.lasts

    def _read(self) -> Batch | None:
        """Return the next batch; a source that fails ends, what came before stays."""
        try:
            return self._source.read_batch()
        except (SourceError, RecordingError) as err:
            self._commit_soon()
            if self._settings.exit_at_end:
                raise
            self._finish_source(str(err), "lost")
            return Batch()

    def _take(self, batch: Batch | None) -> None:
        if batch is None:
            self._finish_source("the source has ended; nothing more will come")
            self._commit_soon()
            return
        if batch.blocks or batch.events or batch.gaps:
            self._writer.append(batch)
        if batch.ends_epoch:
            self._writer.end(batch.ends_epoch, self._writer.state.time_ns)
            self._anew_reason = batch.ends_epoch
        if any(event.kind == END for event in batch.events):
            self._books.want_all()

    def _finish_source(self, text: str, how: str = "ended") -> None:
        self._is_over = True
        self._writer.settle()  # what is still to be stored shows in its pending bytes
        state = self._source_state
        self._source_state = SourceState(state.kind, state.text, how, text)
        self._say(f"{state.kind}: {text}")

    def _stop_cleanly(self) -> None:
        """Put what isn't whole yet; a source that can't go on later has come to its end."""
        writer, until_ns = self._writer, self._clock.mono_ns() + UPKEEP_STOP_NS
        if not self._source.resumable and not self._is_over:
            writer.end("stop", writer.state.time_ns)
        dropped, failed = writer.dropped_row_count, []
        durable: tuple[Frame, ...] = ()
        try:
            durable = writer.close("stop", STOP_S)
        except LedgerError as err:
            failed.append(err)
        # Not within: what goes wrong while counting must end this before a state is stored that lacks frames.
        self._feed(durable)
        if not self._source.resumable:
            self._counting.add(writer.take_ahead())
        if lost := writer.dropped_row_count - dropped:
            self._say(f"{lost} rows that waited for the disk were not stored")
        self._counting.count_all()
        try:
            self._books.close(self._counting.pack(WHOLE), STOP_S)
        except LedgerCorrupt:
            raise
        except LedgerError as err:
            failed.append(err)
        self._publish()
        self._upkeep.close(until_ns)
        if failed:
            raise failed[0]

    # -- log and ledger -------------------------------------------------------------------------

    def _commit_soon(self) -> None:
        """Let the next round commit everything."""
        self._books.want_all()
        self._next_commit_ns = 0

    def _write(self) -> None:
        """See to what is under way and begin what is due; waits for nothing. Most rounds have neither."""
        self._look_who_looks()
        if self._is_quiet and self._clock.mono_ns() < self._next_commit_ns and not self._is_much_pending():
            return
        self._finish_log()
        is_due = self._clock.mono_ns() >= self._next_commit_ns or self._is_much_pending()
        # A commit that ended since `_finish_log` looked is seen to first.
        if is_due and not self._writer.is_open:
            self._date()
            self._writer.start_commit()
            # A disk slower than this is asked again as soon as it has answered.
            self._next_commit_ns = self._clock.mono_ns() + COMMIT_NS
        if not self._counting.is_busy:
            if self._counting.finish():
                self._next_publish_ns = 0
            self._show()
            if not self._books.is_busy:
                self._adjusters.poll(self._stamp, self._apply)
            self._counting.begin(is_due=is_due)
        is_open = self._writer.is_open or self._counting.is_open or self._books.is_open
        self._is_quiet = not (is_open or self._trouble.log.lasts)

    def _look_who_looks(self) -> None:
        """Let counting rest while nobody looks and all is well; whoever begins to look gets a snapshot at once."""
        rests = self._settings.pace == 1 and not (self._live.is_watched or self._trouble.lasts)
        if rests != self._counting.rests:
            self._counting.rests, self._is_quiet = rests, self._is_quiet and rests
            if rests:
                self._next_publish_ns += REST_NS
            elif not self._counting.waiting_count:
                self._next_publish_ns = 0

    def _is_much_pending(self) -> bool:
        """Return whether to commit ahead of time; a disk that takes nothing isn't asked more often for that."""
        return self._writer.pending_bytes > PENDING_BYTES and not self._trouble.log.lasts

    def _finish_log(self) -> None:
        """Hand on what became durable; where the disk takes nothing for long, what is still to be stored."""
        writer, trouble = self._writer, self._trouble
        if writer.committing_s > SILENT_S:
            trouble.log.begin(unanswered(writer.place, writer.committing_s), writer.committing_s)
        try:
            durable = writer.finish_commit()
        except LedgerError as err:
            trouble.log.begin(err)
        else:
            if durable is not None:
                self._feed(durable)
                if trouble.end_log(writer.dropped_row_count, writer.dropped_s):
                    # The log may lack rows that were counted: what was counted must not hang on it for long.
                    self._books.want_all()
        is_long = trouble.log.seconds > AHEAD_S or writer.pending_bytes > raw_log.MAX_PENDING_BYTES // 2
        if is_long and self._settings.pace != 0:
            if not trouble.log.lasts:
                trouble.log.begin(unanswered(writer.place, writer.committing_s), writer.committing_s)
            trouble.go_ahead()
            self._counting.add(writer.take_ahead())

    def _feed(self, durable: tuple[Frame, ...]) -> None:
        self._counting.add(durable)

    def _apply(self, request: dict[str, Any]) -> dict[str, Any]:
        """Do a command between two batches and tell the engine through the log."""
        applied = apply_command(self._ledger, request, self._writer.state.next_sequence)
        applied = self._alerts.acknowledge(request, applied, self._stamp())
        if str(request.get("command")).startswith("trip_") and applied.reply["ok"]:
            self._not_driven = self._ledger.not_driven()
        for effect in applied.effects:
            self._writer.event(effect.kind, self._writer.state.time_ns, effect.data)
            if effect.kind == ENTRY_KIND:
                self._recalibrate(effect.data)
        if applied.reply["ok"]:
            self._follow_ledger()
        if applied.effects:
            self._commit_soon()
            self._adjusters.look_soon()
        return applied.reply

    def _recalibrate(self, data: Mapping[str, Any]) -> None:
        """Count with a new calibration from here on; rows of a sensor that was mounted anew begin a new epoch."""
        writer = self._writer
        self._follow_ledger()
        if data["is_remounted"] and isinstance(self._source, SensorSource) and not self._is_over:
            reason = f"the sensor at {data['position']} was mounted anew"
            writer.end(reason, writer.state.time_ns)
            self._anew_reason = reason

    def _follow_ledger(self) -> None:
        """Count from here on with the calibrations, and the profiles of revalved dampers, that the ledger has now."""
        vehicle, _ = vehicle_in_force(self._settings.vehicle, self._ledger)
        if vehicle != self._vehicle:
            self._vehicle = vehicle
            self._writer.config(vehicle, self._writer.state.time_ns)

    def _date(self) -> None:
        """Once somebody vouches for the wall clock, date all of this boot that wasn't dated so far."""
        if self._is_dated or self._settings.source_kind == "recording" or not is_utc_trusted():
            return
        self._is_dated = True
        self._writer.clock(True)
        self._books.refine(dated_epochs(self._ledger, self._boot_id, self._clock))
        self._say("the clock is set: what this boot recorded before has its date now")

    # -- outlets --------------------------------------------------------------------------------

    def _show(self) -> None:
        """Publish whenever readings have moved on, else after a while; look after what may wait that long."""
        if self._clock.mono_ns() < self._next_publish_ns:
            return
        self._next_publish_ns = self._clock.mono_ns() + (SHOW_NS + REST_NS if self._counting.rests else SHOW_NS)
        self._publish()
        self._upkeep.poll()

    def _publish(self) -> None:
        live = self._engine.live
        number = None if live is None or live.trip is None else self._epochs.trip_number(live.trip)
        self._seq += 1
        drops = {
            "raw_rows": self._writer.dropped_row_count,
            "live_lines": self._live.dropped_count,
            "minute_rows": self._books.dropped_minutes_count,
        }
        moment = Moment(
            self._seq, self._start_id, self._begun_ns, self._clock.utc_ns(), is_utc_trusted(),
            self._source_now(), number, {name: count for name, count in drops.items() if count},
            self._trouble.state(self._writer.committing_s, self._writer.dropped_s),
            *self._sensors_now(), self._heat.now, self._not_driven,
        )  # fmt: skip
        snapshot = make_snapshot(self._vehicle, live, moment)
        if self._alerts.take(snapshot, live, self._writer.epoch):
            self._counting.store_soon()
        self._live.publish(snapshot)

    def _source_now(self) -> SourceState:
        state, text = self._source_state, self._trouble.text
        return replace(state, state_text="; ".join(part for part in (text, state.state_text) if part))

    def _sensors_now(self) -> tuple[tuple[DriverState, ...], Mapping[str, RawTravel]]:
        source = self._source
        return (source.devices(), source.raw_travel()) if isinstance(source, SensorSource) else ((), {})

    def _stamp(self) -> Stamp:
        return Stamp(self._clock.utc_ns(), is_utc_trusted(), self._clock.mono_ns(), self._boot_id)


def main() -> int:
    """Run core with the settings on the first line of standard input; SIGTERM ends it cleanly."""
    settings = CoreSettings.from_json(sys.stdin.readline())
    core = Core(settings, SystemClock(), lambda line: print(f"core: {line}", file=sys.stderr, flush=True))  # noqa: T201
    signal.signal(signal.SIGTERM, lambda *_: core.stop())
    signal.signal(signal.SIGINT, lambda *_: core.stop())
    keep_what_is_loaded()  # measured: searched over and over, it would be a seventh of what core costs
    gc.set_threshold(GARBAGE_OBJECTS)
    sys.setswitchinterval(SWITCH_S)
    try:
        core.run()
    except DutylogError as err:
        for line in str(err).splitlines():
            print(f"dutylog: {line}", file=sys.stderr, flush=True)  # noqa: T201
        # Damage met while running is put right by a start, and so may be a ledger that couldn't be read just then;
        # the supervisor makes one for any status but 0 and 2.
        is_curable = isinstance(err, LedgerCorrupt) or (isinstance(err, LedgerError) and core.is_running)
        return EXIT_AGAIN if is_curable else 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
