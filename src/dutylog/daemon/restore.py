"""The engine as it was, and what the raw log holds beyond it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from dutylog import ENGINE
from dutylog.daemon.adopt import Adopter
from dutylog.domain.vehicle import Vehicle
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import Totals
from dutylog.engine.engine import Engine
from dutylog.engine.output import MinuteRow, Step, TripRow
from dutylog.errors import LedgerCorrupt
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader


@dataclass(slots=True)
class Restored:
    """An engine that has seen all of the log.

    heat: told of every tile on the way. hold_until: totals that must be reached before anything is stored
    again, None when nothing is behind. adopter: what the ledger lacked. notes: lines for people. minutes,
    trips: rows of frames the ledger may not have.
    """

    engine: Engine
    heat: VehicleHeat
    adopter: Adopter
    hold_until: dict[str, Totals] | None = None
    notes: list[str] = field(default_factory=list)
    minutes: list[MinuteRow] = field(default_factory=list)
    trips: list[TripRow] = field(default_factory=list)


def restore_engine(
    ledger: Ledger,
    log_folder: Path,
    vehicle: Vehicle,
    load_duty: Callable[[str], DamperDuty | None],
    grace_s: float,
    *,
    heat: VehicleHeat,
    log_end: int,
    resumable: bool,
) -> Restored:
    """Restore the checkpoint and feed the log beyond it.

    heat: told of the tiles it may not have.
    log_end: sequence of the log's last frame, 0 for none. resumable: the source will hand out lost rows
    once more, so totals come back by themselves.
    A checkpoint of another engine version, or none beside totals, isn't gone on from: totals stay as they
    are stored and a fresh engine goes on behind them.
    """
    cursor = ledger.cursor()
    if cursor.hot_sequence and (cursor.checkpoint is None or cursor.engine != ENGINE):
        return _start_fresh(ledger, log_folder, vehicle, load_duty, grace_s, heat=heat, log_end=log_end)
    if cursor.checkpoint is None:
        engine, needed_from = Engine(vehicle, load_duty=load_duty, grace_s=grace_s), 1
    else:
        with decoding(ledger.path, "the engine's checkpoint"):
            engine, needed_from = Engine.restore(cursor.checkpoint, load_duty=load_duty, grace_s=grace_s)
    restored = Restored(engine, heat, Adopter(ledger))
    if log_end:
        _replay(restored, log_folder, needed_from, ledger)
        if log_end == cursor.hot_sequence:
            _compare(restored, ledger)
    if log_end < cursor.hot_sequence:
        _take_loss(restored, ledger, log_end, resumable=resumable)
    return restored


def _start_fresh(
    ledger: Ledger,
    log_folder: Path,
    vehicle: Vehicle,
    load_duty: Callable[[str], DamperDuty | None],
    grace_s: float,
    *,
    heat: VehicleHeat,
    log_end: int,
) -> Restored:
    """Begin with the stored totals and feed a fresh engine what the log holds behind them."""
    cursor, stored = ledger.cursor(), ledger.all_counted()
    engine = Engine(vehicle, load_duty=lambda unit_id: _stored_duty(unit_id, stored, load_duty), grace_s=grace_s)
    restored = Restored(engine, heat, Adopter(ledger))
    # Its row stays as it was counted; a trip that still goes on becomes a new one.
    restored.trips += [replace(trip.row, is_open=False) for trip in ledger.trips(1) if trip.row.is_open]
    if log_end:
        reader = LogReader(log_folder)
        for frame in reader.frames(after_sequence=reader.segment_start(cursor.hot_sequence + 1) - 1):
            if frame.sequence <= cursor.hot_sequence and frame.type in (FrameType.SAMPLES, FrameType.GAP):
                continue
            if frame.sequence > cursor.hot_sequence:
                restored.adopter.follow(frame)
            _take(restored, engine.feed(frame, more=True))
        _take(restored, engine.work_off())
    if log_end < cursor.hot_sequence:
        _take_loss(restored, ledger, log_end, resumable=False)
    why = "it can't be read" if cursor.checkpoint is None else f"it is of engine {cursor.engine}, this is {ENGINE}"
    ledger.append_entry("engine_fresh", None, {"engine_was": cursor.engine, "engine": ENGINE}, cursor.hot_sequence)
    restored.notes.append(
        f"what the engine had stored of itself isn't gone on from ({why}): all totals stay, "
        f"it goes on fresh behind frame {cursor.hot_sequence}; a second or two around there may be missing"
    )
    return restored


def _stored_duty(
    unit_id: str, stored: dict[str, Totals], load_duty: Callable[[str], DamperDuty | None]
) -> DamperDuty | None:
    """Return what a unit has done as far as it can be read, raised to its stored totals."""
    if unit_id not in stored:
        return None
    try:
        duty = load_duty(unit_id)
    except LedgerCorrupt:
        duty = None
    duty = DamperDuty(0) if duty is None else duty
    duty.break_off()
    duty.correct(stored[unit_id])
    return duty


def _replay(restored: Restored, folder: Path, needed_from: int, ledger: Ledger) -> None:
    """Feed the log to the engine; where the hot group ends, totals must come out as they were stored."""
    cursor, engine = ledger.cursor(), restored.engine
    reader = LogReader(folder)
    is_compared = False
    for frame in reader.frames(after_sequence=needed_from - 1):
        if frame.sequence <= cursor.cold_sequence:
            engine.warm(frame)
            continue
        if frame.sequence > cursor.hot_sequence and not is_compared:
            # Not at that very frame: it may be the one that is lost.
            _take(restored, engine.work_off())
            _compare(restored, ledger)
            is_compared = True
        restored.adopter.follow(frame)
        _take(restored, engine.feed(frame, more=True))
    _take(restored, engine.work_off())
    if reader.damage:
        restored.notes.append(
            f"raw log {folder}: {len(reader.damage)} damaged place(s) passed over; `dutylog recording check` lists them"
        )


def _take(restored: Restored, step: Step) -> None:
    restored.minutes += step.minutes
    restored.trips += step.trips
    restored.heat.take(restored.engine.vehicle, step.heat)


def _compare(restored: Restored, ledger: Ledger) -> None:
    """Say where replayed totals differ from the stored ones, and let the larger stand."""
    stored = ledger.all_counted()
    totals = restored.engine.totals()
    wrong = [unit_id for unit_id, value in totals.items() if unit_id in stored and value != stored[unit_id]]
    if not wrong:
        return
    restored.engine.correct({unit_id: stored[unit_id] for unit_id in wrong}, None)
    for unit_id in wrong:
        data = {"stored": stored[unit_id].as_row(), "replayed": totals[unit_id].as_row()}
        ledger.append_entry("replay_differs", unit_id, data)
        restored.notes.append(
            f"damper {unit_id}: the log doesn't give the stored totals again; the larger ones stand. "
            "Look at `dutylog recording check`"
        )


def _take_loss(restored: Restored, ledger: Ledger, last: int, *, resumable: bool) -> None:
    """The log ends before what the ledger counted: totals stay, the loss is said."""
    stored = ledger.all_counted()
    if resumable:
        restored.hold_until = stored
    else:
        open_trips = [t.row for t in ledger.trips(1) if t.row.is_open]
        restored.engine.correct(stored, open_trips[0] if open_trips else None)
    if ledger.record_raw_loss(last) is not None:
        restored.notes.append(
            f"the raw log ends at frame {last}, the ledger had counted to {ledger.cursor().hot_sequence}: "
            "totals stay, what lay between can't be reviewed"
        )
