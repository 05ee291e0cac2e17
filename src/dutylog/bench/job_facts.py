"""What is known of the damper of a job: from the newest card, the code of one, or what was told; and its intake."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from dutylog.bench.estimate import Statement, facts_of_statement
from dutylog.bench.facts import SUMMARY, UnitFacts
from dutylog.bench.facts_card import facts_of_card, facts_of_summary, profile_of
from dutylog.bench.intake import Intake, make_intake
from dutylog.bench.intake_notices import Trust
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Damper, Job
from dutylog.bench.summary_check import newest_code
from dutylog.bench.summary_read import NOT_CHECKED
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError

CODE_NEWER = "code_newer"
"""Code of the notice that a newer card than those here was made."""


@dataclass(frozen=True, slots=True)
class JobFacts:
    """What a job rests on. trust: what checking its card said. card_row: entry of that card, None without one."""

    facts: UnitFacts
    trust: Trust
    card_row: int | None


def read_job_facts(reading: Reading, job: Job, damper: Damper) -> JobFacts:
    """Return what is known of a job's damper.

    While the job is under way the newest card counts, also one that came later; afterwards the one it began with.
    """
    card_row = _card_row(reading, job)
    if card_row is not None:
        known = _of_card(reading, card_row)
        return replace(known, trust=_with_newer_code(reading, job, damper, known.trust)) if job.is_open else known
    if job.basis == SUMMARY:
        return _of_summary(reading, damper)
    entry = reading.entry(job.opened_row)
    told = None if entry is None else entry.data["statement"]
    if told is None:
        raise InputError(f"job {job.job_id}: nothing is known of its damper; take it in again")
    statement, day = Statement.from_dict(told), date.fromisoformat(job.opened_utc[:10])
    return JobFacts(facts_of_statement(statement, day, _fitting(damper, statement)), Trust(), None)


def read_intake(reading: Reading, job: Job, damper: Damper, today: date) -> Intake:
    """Return all that the intake page of a job shows."""
    known = read_job_facts(reading, job, damper)
    name = None if known.facts.profile is None else known.facts.profile.name
    own = () if damper.vehicle_key is None else tuple(one.damper_id for one in reading.dampers_of(damper.vehicle_key))
    return make_intake(
        known.facts,
        () if name is None else reading.like_units(name),
        () if name is None else reading.findings_of_profile(name),
        reading.radio(damper.damper_id),
        today=today,
        trust=known.trust,
        own_dampers=own,
        # What this visit did itself, or a later one, was not done when the damper came in.
        services=[one for one in reading.services_of(damper.damper_id) if one.number < job.job_id],
    )


def _card_row(reading: Reading, job: Job) -> int | None:
    if job.is_open:
        cards = reading.cards_of(job.damper_id)
        if cards:
            return cards[0].row
    return job.card_row


def _of_card(reading: Reading, row: int) -> JobFacts:
    entry = reading.entry(row)
    if entry is None:
        raise InputError(f"card of entry {row} isn't here any more; dutylog bench verify tells more")
    notices = tuple((str(one["code"]), str(one["text"])) for one in entry.data["notices"])
    accepted = tuple(str(one) for one in entry.data["accepted"])
    trust = Trust(notices, accepted, entry.who if accepted else None)
    return JobFacts(facts_of_card(entry.data["card"]), trust, row)


def _with_newer_code(reading: Reading, job: Job, damper: Damper, trust: Trust) -> Trust:
    """Add to what checking a card said that somebody has shown the code of a newer one."""
    cards = reading.cards_of(job.damper_id)
    # Where another history was accepted, its cards count anew, and codes of before mean nothing.
    after_row = cards[0].row if trust.accepted else 0
    code = None if damper.unit_id is None else newest_code(reading, damper.unit_id, after_row)
    if code is None or code.data["sequence"] <= cards[0].sequence:
        return trust
    checked = "" if code.data["key_id"] else " (not checked)"
    text = (
        f"a code was read of card {code.data['sequence']}, of {code.data['summary']['d']}{checked}; the newest here is "
        f"{cards[0].sequence}, and what follows is by that: ask for the newer one"
    )
    return replace(trust, notices=(*trust.notices, (CODE_NEWER, text)))


def _of_summary(reading: Reading, damper: Damper) -> JobFacts:
    seen: Mapping[str, Any] | None = reading.newest_summary(damper.damper_id)
    if seen is None:
        raise InputError(f"no code of a card is kept of {damper.label}; scan it again")
    profile = None if damper.profile is None else profile_of(damper.profile)
    facts = facts_of_summary(seen["summary"], profile, damper.joints, damper.reservoir)
    notices = () if seen["key_id"] else (("not_checked", NOT_CHECKED),)
    return JobFacts(facts, Trust(notices), None)


def _fitting(damper: Damper, told: Statement) -> Profile | None:
    """Return the profile of a damper where its build is as told."""
    build = (damper.construction, damper.reservoir, damper.joints)
    if damper.profile is None or build != (told.construction, told.reservoir, told.joints):
        return None
    return profile_of(damper.profile)
