"""What counting again needs to know beforehand: which corrections, whose duty, whether the log reaches far enough."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from dutylog import ENGINE
from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.engine import Engine, is_named
from dutylog.errors import LedgerError, RecordingError
from dutylog.ledger.corrections import (
    CorrectedLog,
    Correction,
    Recount,
    find_corrections,
    find_pending,
    merge,
    read_calibrated,
    read_recounts,
)
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.log_survey import Survey, find_corrected_units, survey_log
from dutylog.ledger.rows import Cursor
from dutylog.recording.reader import LogReader
from dutylog.units import NS_PER_S

START_AND_STOP = "start dutylog once, stop it in good order, then try again"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done. cursor: of the ledger. applied: corrections taken in before and now. units: concerned."""

    log: Path
    cursor: Cursor
    survey: Survey
    pending: tuple[Correction, ...]
    applied: tuple[Correction, ...]
    recounts: tuple[Recount, ...]
    units: frozenset[str]
    labels: dict[str, str]
    grace_ns: int

    def corrected_log(self) -> CorrectedLog:
        """Return a fresh one with every correction."""
        return CorrectedLog(self.applied, self.recounts)


def make_plan(ledger: Ledger, log: Path, grace_s: float) -> Plan:
    """Return what is to be done; nothing where `pending` is empty.

    log: folder of the raw log. grace_s: of trips [s].
    Raises:
        RecordingError: there is something to do and no log, or it can't be read.
    """
    cursor, recounts = ledger.cursor(), tuple(read_recounts(ledger))
    known = read_calibrated(ledger)
    labels = {unit.unit_id: unit.label for unit in ledger.units()}
    if not log.is_dir() and not find_pending(find_corrections(known), recounts):
        return Plan(log, cursor, Survey(), (), (), recounts, frozenset(), labels, 0)
    survey = survey_log(log, cursor.hot_sequence)
    corrections = tuple(find_corrections(merge(known, survey.told)))
    pending = tuple(find_pending(corrections, recounts))
    # Newer than the latest recount or not: what was taken in stays in, in its place of the chain.
    by_log = find_corrected_units(survey, CorrectedLog(pending, recounts))
    units = frozenset((by_log & labels.keys()) | (_find_lost_units(ledger, survey, pending) if pending else set()))
    grace_ns = round(grace_s * NS_PER_S)
    return Plan(log, cursor, survey, pending, corrections, recounts, units, labels, grace_ns)


def _find_lost_units(ledger: Ledger, survey: Survey, pending: Sequence[Correction]) -> set[str]:
    """Return the units that by the ledger sat where a correction reaches while there is no log of it any more."""
    found = set()
    for unit in ledger.units():
        for stay in ledger.installs_of(unit.unit_id):
            for one in pending:
                since = 0 if one.mounted is None else one.mounted.sequence
                until = min(one.made.sequence, survey.begin - 1 if survey.begin else one.made.sequence)
                is_there = stay.from_sequence <= until and (stay.to_sequence is None or stay.to_sequence > since)
                if stay.position == one.made.position and is_there and since < until:
                    found.add(unit.unit_id)
    return found


def refuse_gaps(ledger: Ledger, plan: Plan) -> None:
    """Raise where the ledger isn't settled or the log lacks what totals rest on."""
    survey, last = plan.survey, plan.cursor.hot_sequence
    if ledger.is_recovering():
        raise LedgerError(f"ledger {ledger.path} was just put right and has yet to follow the log; {START_AND_STOP}")
    if survey.last < last:
        raise RecordingError(
            f"raw log {plan.log}: it ends at frame {survey.last}, the ledger has counted to {last}; "
            "duty of frames that are lost can't be counted again"
        )
    for unit_id in sorted(plan.units, key=lambda unit: plan.labels[unit]):
        stays = ledger.installs_of(unit_id)
        first = stays[0].from_sequence if stays else 1
        if not survey.is_whole_from(first):
            raise RecordingError(
                f"raw log {plan.log}: {survey.begin_text()} ({survey.flaw or 'it begins there'}), but damper "
                f"{plan.labels[unit_id]} has been in use since frame {first}; its earlier duty can't be counted "
                "again, so nothing was changed"
            )


class Settled:
    """The ledger's own counting, brought to its last frame: what must stay as it is comes from here.

    engine: as the next start of the daemon would have it. totals: as they are stored.
    """

    def __init__(self, ledger: Ledger, plan: Plan) -> None:
        self._ledger = ledger
        self.totals = ledger.all_counted()
        cursor = plan.cursor
        if cursor.checkpoint is None or cursor.engine != ENGINE:
            raise LedgerError(
                f"ledger {ledger.path}: what the engine stored of itself is of version {cursor.engine or 'none'}, this "
                f"is {ENGINE}; {START_AND_STOP}"
            )
        with decoding(ledger.path, "the engine's checkpoint"):
            self.engine, needed_from = Engine.restore(
                cursor.checkpoint, load_duty=self.load_duty, grace_s=plan.grace_ns / NS_PER_S
            )
        if cursor.cold_sequence < cursor.hot_sequence:
            self._catch_up(plan, needed_from)
        for unit_id, totals in self.engine.totals().items():
            if is_named(unit_id) and self.totals.get(unit_id) != totals:
                raise LedgerError(
                    f"damper {plan.labels.get(unit_id, unit_id)}: state and totals in ledger {ledger.path} differ; "
                    f"{START_AND_STOP}"
                )

    def _catch_up(self, plan: Plan, needed_from: int) -> None:
        """Count what was counted since states were stored last (the daemon was killed)."""
        cursor = plan.cursor
        for frame in LogReader(plan.log).frames(after_sequence=needed_from - 1):
            if frame.sequence > cursor.hot_sequence:
                break
            if frame.sequence <= cursor.cold_sequence:
                self.engine.warm(frame)
            else:
                self.engine.feed(frame, more=True)
        self.engine.work_off()

    def load_duty(self, unit_id: str) -> DamperDuty | None:
        """Return a stored state."""
        state = self._ledger.cold_state(unit_id)
        with decoding(self._ledger.path, f"the state of damper {unit_id}"):
            return None if state is None else DamperDuty.from_dict(json.loads(zlib.decompress(state)))

    def duty_of(self, unit_id: str) -> DamperDuty | None:
        """Return a unit's state at the last frame."""
        return self.engine.duties().get(unit_id) or self.load_duty(unit_id)

    def first_frame_of(self, unit_id: str) -> int:
        """Return from which frame on a unit has been counted."""
        stays = self._ledger.installs_of(unit_id)
        return stays[0].from_sequence if stays else 1
