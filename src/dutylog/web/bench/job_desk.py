"""A job as its pages need it: its entries folded, what is known of the damper, its list of points and its sheets."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from starlette.exceptions import HTTPException

from dutylog.bench.build_sheet import Sheet, make_sheet
from dutylog.bench.curve import compare
from dutylog.bench.curve_csv import BenchCurve
from dutylog.bench.facts import UnitFacts
from dutylog.bench.facts_card import profile_of
from dutylog.bench.findings import Finding
from dutylog.bench.inspection import ListedItem, make_list
from dutylog.bench.job_facts import read_intake
from dutylog.bench.job_state import JobState, fold
from dutylog.bench.order import Order, make_order
from dutylog.bench.record_make import BEFORE
from dutylog.bench.rules_book import Rules, parse_rules, shipped_rules
from dutylog.bench.store.queries import Reading
from dutylog.bench.triage import Triage, judge
from dutylog.domain.vehicle import Profile
from dutylog.domain.wear import AS_NEW
from dutylog.errors import ConfigError, InputError, one_line
from dutylog.web.bench.frame import Seen, number_in
from dutylog.web.bench.inspection_view import Point, make_points
from dutylog.web.bench.job_head import JobHead, read_job_head

CURVE_POINT = "damping_curve"
"""Its figures follow from the curve as found, where there is one."""
_OVER_TEXT = "job {job} is finished; take the damper in again to go on"


@dataclass(frozen=True, slots=True)
class JobDesk:
    """All of a job. profile: of the damper, None where nobody gave one. listed: points, in the order they are done.

    facts: as the intake page has them: with what is learned here, duty by radio, services of this bench.
    """

    head: JobHead
    state: JobState
    facts: UnitFacts
    profile: Profile | None
    listed: tuple[ListedItem, ...]

    @property
    def job_id(self) -> int:
        """Return the job's number."""
        return self.head.job_id

    @property
    def points(self) -> tuple[Point, ...]:
        """Return the points with their answers."""
        return make_points(self.listed, self.state.findings)

    @property
    def sheet(self) -> Sheet:
        """Return the build sheet as it stands."""
        damper = self.head.damper
        return make_sheet(self.state, damper.construction, damper.reservoir, damper.joints, self.profile)

    @property
    def order(self) -> Order:
        """Return the work order as it stands."""
        return make_order(self.state, self.sheet)

    @property
    def measured(self) -> tuple[Finding, ...]:
        """Return figures that triage counts beside what somebody put down: those of the curve as found."""
        told, lost = self.state.curves.get(BEFORE), lost_by_curve(self.state, self.profile)
        if told is None or not lost:
            return ()
        return (Finding(CURVE_POINT, AS_NEW, lost, by=told.by, utc=told.utc, entry=told.entry),)

    def judge(self, rules: Rules, today: date) -> Triage:
        """Return the triage by what was found, measured and worked out. today: from which weeks are counted."""
        return judge(self.facts, self.state.newest_findings, rules, today, self.measured)

    @property
    def is_over(self) -> bool:
        """Return whether it was handed over or called off: nothing of the job is written any more."""
        return not self.head.job.is_open


def open_desk(seen: Seen, name: str = "job") -> JobDesk:
    """Return the job of a path; HTTPException 404 where there is none."""
    number = number_in(seen.params, name, "job")
    with seen.store.snapshot() as reading:
        return read_desk(reading, number, seen.frame.today())


def read_desk(reading: Reading, job_id: int, today: date) -> JobDesk:
    """Return a job; HTTPException 404 where there is none. today: for calendars and what came by radio."""
    head = read_job_head(reading, job_id)
    state = fold(reading.entries_of_job(job_id))
    profile = None if head.damper.profile is None else profile_of(head.damper.profile)
    intake = read_intake(reading, head.job, head.damper, today)
    facts, likes = intake.facts, {one.part.key: one.like for one in intake.parts if one.like is not None}
    listed = make_list(facts, state.newest_findings, today, likes)
    return JobDesk(head, state, facts, facts.profile or profile, listed)


def lost_by_curve(state: JobState, profile: Profile | None) -> dict[str, float]:
    """Return the measures of CURVE_POINT by the curve as found, none without one or without a profile."""
    told = state.curves.get(BEFORE)
    if told is None or profile is None:
        return {}
    speeds, forces = (tuple(map(float, told.data[key])) for key in ("speeds_mps", "forces_n"))
    body_c = None if told.data.get("body_c") is None else float(told.data["body_c"])
    try:
        return compare(BenchCurve(speeds, forces, len(speeds)), profile, body_c).measures
    except InputError:
        return {}  # its page says why


def read_rules(reading: Reading) -> Rules:
    """Return the rules of triage that count; HTTPException 503 where this version can't read the bench's own."""
    rules, problems = find_rules(reading)
    if problems:
        raise HTTPException(
            503, f"the rules of triage can't be read: {one_line(problems[0], 200)}; mend them at /rules"
        )
    return rules


def find_rules(reading: Reading) -> tuple[Rules, tuple[str, ...]]:
    """Return the rules that count and what is wrong with them: a point they name may have gone since they were kept."""
    kept = reading.rules()
    if kept is None:
        return shipped_rules(), ()
    try:
        return parse_rules(kept.text, kept.version), ()
    except ConfigError as err:
        return Rules((), kept.text, kept.version), err.problems


def refuse_over(desk: JobDesk) -> None:
    """Raise HTTPException 409 where the job is finished."""
    if desk.is_over:
        raise HTTPException(409, _OVER_TEXT.format(job=desk.job_id))


def refuse_closed(reading: Reading, job_id: int) -> None:
    """Do the same by what is committed now, where the rest of the job isn't needed again."""
    job = reading.job(job_id)
    if job is None or not job.is_open:
        raise HTTPException(409, _OVER_TEXT.format(job=job_id))
