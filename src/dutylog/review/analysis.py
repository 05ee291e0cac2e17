"""A trip's raw samples read once, as the ledger counted them: rows, histograms, contacts, kinds of road.

Reading begins before the trip, so far that every signal and every open stroke is as it was when the trip was counted;
whether it was far enough shows in the sums, which must be the ledger's. Rules: shared/REVIEW.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from dutylog.duty.totals import SUMS
from dutylog.errors import LedgerError
from dutylog.ledger.corrections import RECOUNTED, CorrectedLog
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.log_survey import survey_log
from dutylog.ledger.trip_book import BookTrip
from dutylog.recording.bounds import read_start
from dutylog.recording.scan import find_segments
from dutylog.recording.segments import LOG_FOLDER
from dutylog.review.assembly import Context, assemble, has_lost_begin
from dutylog.review.borders import Cut, ends_with_its_trip, find_cut
from dutylog.review.pass_job import Part, PassJob
from dutylog.review.pieces import WORTH_S, has_two_processors, run_pass, run_two
from dutylog.review.trip_data import TripData
from dutylog.units import NS_PER_S

BEFORE_NS = 300 * NS_PER_S
"""Reading begins so long before the end of the trip before: its strokes and signals settle everything. A stroke shows
at least every some minutes of a trip, and a filter's window is a second. Judgement."""
SHORT_NS = 600 * NS_PER_S
"""Where there were hours of rest before a trip, so much of it is tried first. Judgement."""
LONG_NS = 7200 * NS_PER_S
BEFORE_CUT_NS = 90 * NS_PER_S
"""The second piece begins so long before a cut: the busy minute before it, and signals that settle. Judgement."""
GRACE_S = 600.0
"""As TripSettings has it where nobody says otherwise."""

Progress = Callable[[float], None]
Start = tuple[int, int]
"""An epoch and an instant on its clock [ns]."""


def analyse(
    data_dir: Path,
    ledger: Ledger,
    trip: BookTrip,
    *,
    grace_s: float = GRACE_S,
    in_pieces: bool | None = None,
    progress: Progress = lambda _: None,
) -> TripData:
    """Return all that the raw log has of a trip.

    Args:
        data_dir: data folder; its log may be written to meanwhile. grace_s: of trips, as they were counted [s].
        in_pieces: by two processes at once; None: where that pays. progress: told the share done, 0..1.
    Raises:
        LedgerError: the trip has no place in the log. RecordingError: the log can't be read.
    """
    if not trip.spans:
        raise LedgerError(f"trip {trip.key} in ledger {ledger.path} has no place in the raw log; it can't be reviewed")
    context = Context(trip, {unit.unit_id: unit.label for unit in ledger.units()}, ledger.vehicle())
    planner = _Planner(data_dir / LOG_FOLDER, ledger, trip, round(grace_s * NS_PER_S))
    if not planner.is_there:
        return assemble(None, context)
    length_s = sum(span.length_ns for span in trip.spans) / NS_PER_S
    is_long = length_s >= WORTH_S and has_two_processors()
    cut = find_cut(ledger, trip) if (is_long if in_pieces is None else in_pieces) else None
    told = _Told(progress, max(1.0, length_s if cut is None else cut.done_s))
    for start in planner.starts():
        job = planner.job(start)
        second = None if cut is None else planner.second_job(cut)
        part = run_pass(job, progress=told.show) if second is None else run_two(job, second, told.show)
        part, problem = _settle_late(part, trip)
        # Where samples are missing no other start brings them back.
        if problem is None or part.damage or not len(part.t_s) or has_lost_begin(part.t_s):
            break
    return assemble(part, context, problem)


def _settle_late(part: Part, trip: BookTrip) -> tuple[Part, str | None]:
    """Return a part with or without what ended behind the last motion, as the ledger has it; and what still differs.

    How long a trip stayed open then stands in the vehicle file of that day, which nobody kept.
    """
    problem = find_difference(part, trip)
    if problem is not None:
        late = replace(part, seats=tuple(seat.with_late() for seat in part.seats))
        if find_difference(late, trip) is None:
            return late, None
    return part, problem


def find_difference(part: Part, trip: BookTrip) -> str | None:
    """Return in which place and sum a part differs from the ledger, None where all are equal."""
    counted = {seat.seat: seat.totals for seat in part.seats}
    for damper in trip.dampers:
        mine = counted.get((damper.unit_id, damper.position))
        for name in SUMS:
            stored = getattr(damper.totals, name)
            found = 0 if mine is None else getattr(mine, name)
            if stored != found:
                return f"{damper.position}, {name}: {found} of {stored}"
    return None


@dataclass(frozen=True, slots=True)
class _Told:
    """Turns seconds of a trip into a share."""

    progress: Progress
    whole_s: float

    def show(self, done_s: float) -> None:
        self.progress(min(1.0, done_s / self.whole_s))


class _Planner:
    """Says where to begin to read."""

    def __init__(self, log: Path, ledger: Ledger, trip: BookTrip, grace_ns: int) -> None:
        self._log, self._ledger, self._trip, self._grace_ns = log, ledger, trip, grace_ns
        self._files = find_segments(log) if log.is_dir() else []
        self._until = ledger.cursor().hot_sequence
        self._takes_late = ends_with_its_trip(ledger, trip)
        # Nearly always there is none, and then nobody needs to look through all of the log.
        self._survey = survey_log(log, self._until) if self._files and ledger.entries_of(RECOUNTED) else None

    @property
    def is_there(self) -> bool:
        """Return whether there is any log."""
        return bool(self._files)

    def starts(self) -> list[Start]:
        """Return from where on to read, the cheapest first; the last one is surely early enough."""
        first = self._trip.spans[0]
        full: Start = first.epoch, -1
        before = self._ledger.trips(1, self._trip.numbers[0])
        if before and before[0].row.epoch == first.epoch and before[0].row.end_ns <= first.start_ns:
            full = first.epoch, before[0].row.end_ns - BEFORE_NS
        starts = [full] if full[1] < 0 else [full, (first.epoch, -1)]
        if first.start_ns - self._known_ns(full) <= LONG_NS:
            return starts
        return [(first.epoch, first.start_ns - SHORT_NS), *starts]

    def _known_ns(self, start: Start) -> int:
        """Return the instant at which reading from a start begins: where that is the epoch's, by its rows."""
        epoch = self._ledger.epoch(start[0])
        return start[1] if start[1] >= 0 or epoch is None else self._epoch_begin_ns(start[0], epoch.mono_ns)

    def _epoch_begin_ns(self, number: int, otherwise_ns: int) -> int:
        """Return the begin of an epoch by its first minute row."""
        begins = [
            minutes[0].row.start_ns
            for damper in self._trip.dampers
            if (minutes := self._ledger.minutes(damper.unit_id, number))
        ]
        return min(begins, default=otherwise_ns)

    def job(self, start: Start) -> PassJob:
        """Return the job that reads a trip from a start on."""
        after = self._find_segment(start) - 1
        return PassJob(
            self._log,
            after,
            self._until,
            start,
            self._trip.spans,
            self._corrected(after),
            self._takes_late,
            self._grace_ns,
        )

    def second_job(self, cut: Cut) -> PassJob:
        """Return the job of the piece behind a cut."""
        job = self.job((cut.epoch, cut.near_ns - BEFORE_CUT_NS))
        return replace(job, since=(cut.epoch, cut.tile))

    def _corrected(self, after_sequence: int) -> CorrectedLog:
        if self._survey is None:
            return CorrectedLog(())
        corrected = CorrectedLog.of_ledger(self._ledger, self._survey.told)
        for frame in self._survey.telling:
            if frame.sequence <= after_sequence:
                corrected.take(frame)
        return corrected

    def _find_segment(self, start: Start) -> int:
        """Return the first frame of the last segment that begins before a start, or of the first one there is."""
        low, high = 0, len(self._files)
        found = 1
        while low < high:
            middle = (low + high) // 2
            # A head that can't be read says nothing: the next one that can speaks for it.
            place = next(
                ((n, head) for n in range(middle, high) if (head := read_start(self._files[n])) is not None), None
            )
            if place is None:
                high = middle
            elif (place[1].epoch, place[1].t0_ns) <= start:
                found, low = place[1].sequence, place[0] + 1
            else:
                high = middle
        return found
