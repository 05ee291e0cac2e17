"""`dutylog ledger recount`: after a corrected calibration the past is counted again from the raw log.

Nothing is written before all of the log has been counted and everything that had to stay the same has: totals,
states, minutes and shares of trips of the dampers concerned go into the ledger in one transaction, as a new
revision. Rules and refusals: shared/LEDGER.md, Counting again.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.engine import EnergyTile, Engine, is_named
from dutylog.errors import LedgerError, RecordingError
from dutylog.ledger.corrections import Correction
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.lock import DataLock
from dutylog.ledger.recount_plan import START_AND_STOP, Plan, Settled, make_plan, refuse_gaps
from dutylog.ledger.revisions import QUERY_LIMIT_S, Counted, Revision, UnitChange, open_revision
from dutylog.ledger.rows import Stamp, system_stamp
from dutylog.ledger.trip_shares import BootClocks, Place, TripShares, patch_shares
from dutylog.recording.ahead import read_frames
from dutylog.recording.frame import Frame, FrameType
from dutylog.units import NS_PER_S

LOG_FOLDER = "log"
OF_MOTION = ("moving_us", "moving_measured_us")
"""Whether the vehicle was in motion is judged by the strokes of all dampers together (shared/CONVENTIONS.md)."""
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What counting again changed, or would change. corrections: taken in now, in the order of the chain.

    labels: what people call each unit. backup: the copy made before, None where nothing was written.
    """

    corrections: tuple[Correction, ...]
    changes: tuple[UnitChange, ...] = ()
    labels: dict[str, str] = field(default_factory=dict)
    sequences: tuple[int, int] = (0, 0)
    backup: Path | None = None


def recount(
    data_dir: Path,
    *,
    grace_s: float = 600.0,
    is_dry: bool = False,
    progress: Progress = lambda _: None,
    stamp: Callable[[], Stamp] = system_stamp,
) -> Outcome:
    """Count the past again with the corrections that totals don't have in them yet.

    Args:
        data_dir: data folder of a vehicle; no daemon may run on it.
        grace_s: of trips, as the vehicle file has it [s]: strokes that end with a run belong to a trip only so long.
        is_dry: write nothing. progress: told the share of the log done. stamp: the time beside what is written.
    Raises:
        LedgerError: a daemon runs, or the ledger and the log don't agree; nothing was written.
        RecordingError: the log isn't whole as far back as it is needed; nothing was written.
    """
    with _locked(data_dir, is_dry=is_dry), _open(data_dir, stamp, is_dry=is_dry) as ledger:
        plan = make_plan(ledger, data_dir / LOG_FOLDER, grace_s)
        if not plan.pending:
            return Outcome(())
        refuse_gaps(ledger, plan)
        settled = Settled(ledger, plan)
        with open_revision(ledger.path, plan.units, is_dry=is_dry) as revision:
            counted = _Counter(plan, settled, revision).count(progress)
            # Only now that it will be changed, and still as it was: what is in the transaction isn't in the copy.
            backup = None if is_dry else ledger.rotate_backup()
            revision.finish(counted, stamp())
    return Outcome(plan.pending, tuple(counted.changes), plan.labels, counted.sequences, backup)


@contextmanager
def _locked(data_dir: Path, *, is_dry: bool) -> Iterator[None]:
    """Hold the data folder; one that only looks needs a still ledger, too, but must leave no file."""
    if is_dry and not data_dir.is_dir():
        raise LedgerError(f"there is no data folder {data_dir}; name another with --data")
    lock = DataLock(data_dir)
    try:
        lock.acquire()
    except LedgerError as err:
        if not isinstance(err.__cause__, BlockingIOError):
            raise
        raise LedgerError(
            f"{err}: counting again needs the ledger for itself; stop the daemon first: systemctl stop dutylog"
        ) from err
    try:
        yield
    finally:
        lock.release()


def _open(data_dir: Path, stamp: Callable[[], Stamp], *, is_dry: bool) -> Ledger:
    path = data_dir / LEDGER_NAME
    if not path.exists():
        raise LedgerError(f"there is no ledger {path}; name another data folder, or start the daemon once")
    return Ledger.open(path, read_only=is_dry, stamp=stamp, query_limit_s=QUERY_LIMIT_S)


class _Counter:
    """Counts the log once, as corrected."""

    def __init__(self, plan: Plan, settled: Settled, revision: Revision) -> None:
        self._plan, self._settled, self._revision = plan, settled, revision
        self._shares = TripShares(revision, settled.engine.open_trip(), plan.grace_ns)
        self._corrected = plan.corrected_log()
        self._clocks = BootClocks()
        self._engine: Engine | None = None
        self._counted: dict[str, Totals] = {}

    def count(self, progress: Progress) -> Counted:
        """Read the log to the ledger's last frame; return what came out, everything else proved unchanged."""
        plan, rows, frames = self._plan, 0, 0
        last = plan.cursor.hot_sequence
        with closing(_frames(plan.log)) as log:
            for frame in log:
                if frame.sequence > last:
                    break
                if frame.sequence < plan.survey.begin:
                    self._corrected.take(frame)
                    continue
                self._take(frame)
                frames += 1
                rows += frame.n if frame.type is FrameType.SAMPLES else 0
                progress(min(1.0, rows / max(1, plan.survey.row_count)))
        if frames != plan.survey.frame_count or self._engine is None:
            raise RecordingError(
                f"raw log {plan.log}: {plan.survey.frame_count - frames} frames can't be decoded; nothing was changed. "
                "Look at `dutylog recording check`"
            )
        for row in self._engine.work_off().minutes:
            self._revision.put_minute(row)
        return self._finish(self._engine)

    def _take(self, frame: Frame) -> None:
        given = self._corrected.take(frame)
        if self._engine is None:
            self._engine = self._begin()
        before = self._seats(self._engine)
        for one in given:
            for row in self._engine.feed(one, more=True).minutes:
                self._revision.put_minute(row)
        if frame.type not in (FrameType.SAMPLES, FrameType.GAP):
            self._settle(self._engine, before)
            self._clocks.take(frame)

    def _begin(self) -> Engine:
        """Return the engine before the first frame, with the configuration that is in force there."""
        ahead = self._plan.corrected_log()
        for frame in self._plan.survey.telling:
            ahead.take(frame)
            if frame.sequence >= self._plan.survey.begin and ahead.vehicle is not None:
                break
        if ahead.vehicle is None:
            raise RecordingError(f"raw log {self._plan.log}: no configuration in it; nothing was changed")
        return Engine(ahead.vehicle, observer=self._observe, grace_s=self._plan.grace_ns / NS_PER_S)

    def _seats(self, engine: Engine) -> dict[str, str]:
        return {unit: position for position, unit in engine.units().items()}

    def _observe(self, tile: EnergyTile) -> None:
        if self._engine is None:
            return
        prepared, seats = tile.prepared, self._engine.units()
        gains = [((seats[p], p), gain.totals) for p, gain in zip(seats, tile.gains, strict=True)]
        for (unit_id, _), gained in gains:
            self._counted.setdefault(unit_id, Totals()).merge(gained)
        self._clocks.take_tile()
        place = Place(prepared.epoch, prepared.tile, prepared.start_ns, prepared.end_ns, self._clocks.shift_ns)
        self._shares.take(place, gains)

    def _settle(self, engine: Engine, seats: dict[str, str]) -> None:
        """Hand on what units gained beside their tiles: strokes and time that became certain as a run ended."""
        totals = engine.totals()
        for unit_id, position in seats.items():
            if unit_id not in totals:
                continue
            counted = self._counted.setdefault(unit_id, Totals())
            gained = totals[unit_id].since(counted)
            if any(getattr(gained, name) for name in SUMS):
                gained.peak_compression_umps, gained.peak_rebound_umps, gained.peak_body_mc = 0, 0, None
                self._shares.settle((unit_id, position), gained)
                counted.merge(gained)

    def _finish(self, engine: Engine) -> Counted:
        plan, settled = self._plan, self._settled
        open_shares = self._shares.finish()
        left_over = self._revision.find_left_over()
        if left_over is not None:
            raise LedgerError(f"{left_over} of the ledger don't come out of the raw log again; nothing was changed")
        duties = {unit: duty for unit, duty in engine.duties().items() if is_named(unit)}
        for unit_id, duty in duties.items():
            if unit_id not in plan.units and plan.survey.is_whole_from(settled.first_frame_of(unit_id)):
                self._refuse_difference(unit_id, duty)
        missing = sorted(plan.labels[unit] for unit in plan.units - duties.keys())
        if missing:
            raise LedgerError(f"damper {missing[0]} isn't in the raw log; nothing was changed")
        changes = [
            UnitChange(unit, settled.totals[unit], duties[unit].totals())
            for unit in sorted(plan.units, key=lambda unit: plan.labels[unit])
        ]
        cold = {unit: duties[unit] for unit in plan.units}
        if plan.cursor.cold_sequence < plan.cursor.hot_sequence:
            others = {unit: duty for unit, duty in settled.engine.duties().items() if is_named(unit)}
            cold = {**others, **cold}
        checkpoint = _join_checkpoints(engine.checkpoint(), settled.engine.checkpoint(), open_shares, plan.units)
        keys = [one.made.key for one in plan.pending]
        return Counted(keys, (plan.survey.begin, plan.cursor.hot_sequence), changes, cold, checkpoint)

    def _refuse_difference(self, unit_id: str, duty: DamperDuty) -> None:
        """Raise where a damper that has nothing to do with the correction comes out otherwise than it is stored."""
        plan, stored = self._plan, self._settled.duty_of(unit_id)
        if stored is None or unit_id not in self._settled.totals:
            raise LedgerError(f"damper {unit_id} is in the raw log but not in the ledger; {START_AND_STOP}")
        if _without_motion(stored) != _without_motion(duty):
            raise LedgerError(
                f"damper {plan.labels[unit_id]} has nothing to do with the correction, but the raw log doesn't give "
                "its stored duty again (counted by another version, or a part of the log was lost and made good "
                "otherwise); nothing was changed"
            )


def _frames(log: Path) -> Generator[Frame, None, None]:
    yield from read_frames(log)


def _without_motion(duty: DamperDuty) -> dict[str, Any]:
    """Return a state without the time in motion, which the strokes of any damper decide."""
    state = duty.to_dict()
    sums = Totals(*state["sums"])
    for name in OF_MOTION:
        setattr(sums, name, 0)
    return {**state, "sums": sums.as_row()}


def _join_checkpoints(
    counted: bytes, stored: bytes, open_shares: Sequence[tuple[tuple[str, str], Totals, Totals]], units: frozenset[str]
) -> bytes:
    """Return the engine's state as counted again, with the trip and the minute under way of all other dampers."""
    new, old = (json.loads(zlib.decompress(one)) for one in (counted, stored))
    new["trips"] = {**old["trips"], "shares": patch_shares(old["trips"]["shares"], open_shares, units)}
    if new["minutes"]["minute"] == old["minutes"]["minute"]:
        kept = {tuple(one[:2]): one for one in old["minutes"]["dampers"] if one[0] not in units}
        new["minutes"]["dampers"] = [kept.get(tuple(one[:2]), one) for one in new["minutes"]["dampers"]]
    return zlib.compress(json.dumps(new, allow_nan=False, separators=(",", ":")).encode(), 6)
