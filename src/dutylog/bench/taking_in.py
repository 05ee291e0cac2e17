"""A damper comes in: by its card, by the code of one, or by what its owner tells. All of it in one transaction."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from dutylog.bench.card_read import Card, read_card
from dutylog.bench.card_trust import keep_key
from dutylog.bench.card_verify import ACCEPTABLE, Verdict, judge_against, judge_evidence
from dutylog.bench.estimate import Statement, facts_of_statement
from dutylog.bench.facts import CARD, STATED, SUMMARY, UnitFacts
from dutylog.bench.facts_card import facts_of_card, facts_of_summary, profile_of
from dutylog.bench.intake import OWN_SERVICE, due_entries
from dutylog.bench.likes import with_learned
from dutylog.bench.owning import Owner, damper_data, give_owner
from dutylog.bench.radio_use import RADIO_BASIS, with_radio
from dutylog.bench.roles import MANAGER, reaches
from dutylog.bench.same_damper import CALLED_OFF, find_same, join, look_at_serial
from dutylog.bench.store.append import Transaction
from dutylog.bench.store.chain import Who
from dutylog.bench.store.rows import Damper, Job
from dutylog.bench.store.store import Store
from dutylog.bench.summary_check import check_summary
from dutylog.bench.summary_read import Summary, read_summary
from dutylog.errors import CardRefused, InputError, one_line

_NAME_SIGNS = 120
_MORE = ("unit_id", "serial", "tag", "vehicle_key", "profile")
"""What one of two joined dampers has of the other where it has none itself."""


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What came of a card. job_id, damper_id: None where it was refused. card: as read."""

    verdict: Verdict
    card: Card
    damper_id: str | None
    job_id: int | None


def take_card(
    store: Store,
    who: Who,
    data: bytes,
    today: date,
    *,
    name: str = "",
    accept: frozenset[str] = frozenset(),
    why: str = "",
    opens_job: bool = True,
) -> TakenIn:
    """Take a duty card in, or write down why not.

    Args:
        data: bytes of its file. name: of that file. opens_job: whether the damper is on the bench.
        accept, why: codes of card_verify.ACCEPTABLE that a manager accepts, and the reason.
    Raises:
        CardRefused: it can't be read or its signature is wrong. InputError: somebody accepts who may not.
    """
    try:
        card = read_card(data)
    except CardRefused as err:
        with store.write(who) as tx:
            _refuse(tx, None, name, [{"code": err.code, "text": str(err)}])
        raise
    if accept and not (reaches(who.role, MANAGER) and why.strip() and accept <= ACCEPTABLE):
        raise InputError("accepting a card that would be refused needs a manager and a reason; write the reason down")
    # Before anybody has to wait for the head of the chain: a long history takes its time.
    refused = judge_evidence(card)
    with store.write(who) as tx:
        seen = tx.read.card_seen(card.ledger_id, card.unit_id)
        verdict = refused or judge_against(card, seen, accept)
        if not verdict.is_accepted:
            _refuse(tx, card.digest, name, [{"code": one.code, "text": one.text} for one in verdict.refusals])
            return TakenIn(verdict, card, None, None)
        if verdict.is_known:
            damper = _known_damper(tx, card)
        else:
            keep_key(tx, card, seen, verdict, why)
            verdict = _with_serial(tx, card, verdict)
            damper = _keep_card(tx, card, verdict, accept, today)
        job_id = _open_job(tx, damper.damper_id, CARD, card.digest) if opens_job else None
        return TakenIn(verdict, card, damper.damper_id, job_id)


def take_summary(store: Store, who: Who, text: str, today: date, joints: str | None, reservoir: str | None) -> int:
    """Take a damper in by the text of its card's QR code and return the job.

    Args:
        joints, reservoir: as seen on the damper, where the bench doesn't know its profile.
    Raises:
        CardRefused: no such text, garbled, signed by none of the keys that are known of its vehicle, of another vehicle
            than this damper is known from, or older than what is here.
    """
    with store.write(who) as tx:
        summary = _read_summary(tx, text)
        check_summary(tx.read, summary)
        damper = tx.read.find_damper(unit_id=summary.unit_id)
        profile = None if damper is None or damper.profile is None else profile_of(damper.profile)
        facts = facts_of_summary(summary.fields, profile, joints, reservoir)
        if damper is None:
            damper = _put_damper(tx, None, _of_facts(facts, None))
        data = {"sequence": summary.sequence, "key_id": summary.key_id, "summary": dict(summary.fields)}
        tx.append("summary_seen", data, damper.damper_id)
        if tx.read.newest_card(damper.damper_id) is None:
            put_due(tx, damper.damper_id, facts, today)
        return _open_job(tx, damper.damper_id, SUMMARY, None)


def take_statement(
    store: Store,
    who: Who,
    told: Statement,
    today: date,
    vehicle_key: str | None = None,
    owner: Owner | None = None,
) -> int:
    """Take a damper in by what its owner tells and return the job.

    Told anew before anybody worked on it, the job of before is called off.

    Args:
        told: with a serial, or with the bench's own tag ('' takes the next one). vehicle_key: whose, None unknown.
        owner: whose it is by name, where that is told.
    Raises:
        InputError: a job of this damper is under way, or as that of give_owner; then nothing is kept.
    """
    with store.write(who) as tx:
        read = tx.read
        damper = read.find_damper(serial=told.serial) if told.serial else read.find_damper(tag=told.tag)
        facts = facts_of_statement(told, today, _same_build(damper, told))
        _call_off_unused(tx, damper)
        if damper is None or damper.profile is None:
            known_key = None if damper is None else damper.vehicle_key
            damper = _put_damper(tx, damper, _of_facts(facts, vehicle_key or known_key))
        elif vehicle_key is not None and damper.vehicle_key != vehicle_key:
            damper = _put_damper(tx, damper, {**damper_data(damper), "vehicle_key": vehicle_key})
        if read.newest_card(damper.damper_id) is None:
            put_due(tx, damper.damper_id, facts, today)
        data = {"basis": STATED, "digest": None, "statement": told.to_dict(), "note": None}
        job_id = _number(tx.append("job_opened", data, damper.damper_id).job_id)
        if owner is not None and owner.is_told:
            give_owner(tx, damper, owner)
        return job_id


def join_dampers(tx: Transaction, one: Damper, other: Damper, why: str, today: date) -> Damper:
    """Make two dampers one (same_damper.join) and return it, with what only the other one had and a new forecast.

    Raises:
        InputError: as that of same_damper.join.
    """
    keeps = join(tx, one, other, why)
    goes = other if keeps is one else one
    more = {name: getattr(keeps, name) or getattr(goes, name) for name in _MORE}
    if keeps.profile is None:
        more["profile_name"] = goes.profile_name
    damper = _put_damper(tx, keeps, {**damper_data(keeps), **more})
    card = tx.read.newest_card(damper.damper_id)
    if card is not None:
        put_due(tx, damper.damper_id, facts_of_card(card), today)
    return damper


def _keep_card(tx: Transaction, card: Card, verdict: Verdict, accept: frozenset[str], today: date) -> Damper:
    """Write down a card that was accepted, and all that it makes known."""
    facts = facts_of_card(card.body)
    vehicle_key = _keep_vehicle(tx, card, facts)
    told = {**_of_facts(facts, vehicle_key), "profile": card.body["profile"]}
    damper = _put_damper(tx, find_same(tx.read, card, facts), told)
    tx.append(
        "card_imported",
        {
            "ledger_id": card.ledger_id,
            "unit_id": card.unit_id,
            "sequence": card.sequence,
            "digest": card.digest,
            "key_id": card.key_id,
            "head_row": card.head_row,
            "notices": [{"code": one.code, "text": one.text} for one in verdict.notices],
            "accepted": sorted(accept),
            "card": card.body,
        },
        damper.damper_id,
    )
    put_due(tx, damper.damper_id, facts, today)
    return damper


def _keep_vehicle(tx: Transaction, card: Card, facts: UnitFacts) -> str:
    """Return the key of a card's vehicle, written down where it is new; what people called it here stays."""
    known = tx.read.find_vehicle(card.ledger_id)
    if known is not None:
        return known.vehicle_key
    key, told = str(uuid.uuid4()), card.body["vehicle"]
    tx.append(
        "vehicle_put",
        {
            "vehicle_key": key,
            "label": facts.vehicle_name or told["vehicle_id"],
            "customer_id": None,
            "ledger_id": card.ledger_id,
            "vehicle_id": told["vehicle_id"],
            "radio_agreed_by": None,
            "note": None,
        },
    )
    return key


def _with_serial(tx: Transaction, card: Card, verdict: Verdict) -> Verdict:
    """Return a verdict that also says where the damper may be known from another vehicle."""
    found = look_at_serial(tx.read, card, facts_of_card(card.body))
    return verdict if found is None else replace(verdict, findings=(*verdict.findings, found))


def _known_damper(tx: Transaction, card: Card) -> Damper:
    damper = tx.read.find_damper(unit_id=card.unit_id)
    if damper is None:
        raise InputError(f"card {card.sequence} of {card.label} was taken in before, but its damper isn't here")
    return damper


def _of_facts(facts: UnitFacts, vehicle_key: str | None) -> dict[str, Any]:
    return {
        "unit_id": facts.unit_id,
        "serial": facts.serial,
        "tag": facts.tag,
        "vehicle_key": vehicle_key,
        "position": facts.position,
        "construction": facts.construction,
        "reservoir": facts.reservoir,
        "joints": facts.joints,
        "profile_name": None if facts.profile is None else facts.profile.name,
        "profile": None,
    }


def _put_damper(tx: Transaction, before: Damper | None, data: Mapping[str, Any]) -> Damper:
    """Write down a damper where anything of it is new; a tag the bench gave it stays."""
    whole = dict(data)
    if before is not None:
        whole["tag"] = whole["tag"] or before.tag
        whole["unit_id"] = whole["unit_id"] or before.unit_id
        if whole == damper_data(before):
            return before
    damper_id = str(uuid.uuid4()) if before is None else before.damper_id
    tx.append("damper_put", whole, damper_id)
    return Damper(damper_id=damper_id, **whole)


def put_due(tx: Transaction, damper_id: str, facts: UnitFacts, today: date) -> None:
    """Write down when a damper's parts are due: with duty that came by radio since, by the budgets believed here."""
    renewed = _renewed(tx, damper_id, facts)
    facts, is_moved = with_radio(facts, tx.read.radio(damper_id), today, renewed)
    if facts.profile is not None:
        damper = tx.read.damper(damper_id)
        alike = () if damper is None or damper.vehicle_key is None else tx.read.dampers_of(damper.vehicle_key)
        looks = tx.read.findings_of_profile(facts.profile.name)
        facts, _ = with_learned(facts, looks, today, {one.damper_id for one in alike})
    rows = [one for one in due_entries(facts, today) if one["part"] not in renewed]
    basis = RADIO_BASIS if is_moved else facts.basis
    tx.append("due_put", {"day": today.isoformat(), "basis": basis, "rows": rows}, damper_id)


def _renewed(tx: Transaction, damper_id: str, facts: UnitFacts) -> set[str]:
    """Return the parts this bench replaced that facts know nothing of: when they are due, nobody can say yet."""
    own = [one for one in tx.read.services_of(damper_id) if one.source == OWN_SERVICE]
    if facts.basis == STATED:
        return set()
    if facts.basis == CARD:
        return {part for one in own if one.digest not in facts.taken_records for part in one.replaced}
    return {part for one in own if (one.day or "") >= facts.day.isoformat() for part in one.replaced}


def _open_job(tx: Transaction, damper_id: str, basis: str, digest: str | None) -> int:
    """Return the job of a damper that is under way, or a new one."""
    under_way = [one for one in tx.read.jobs_of(damper_id) if one.is_open]
    if under_way:
        return under_way[0].job_id
    data = {"basis": basis, "digest": digest, "statement": None, "note": None}
    return _number(tx.append("job_opened", data, damper_id).job_id)


def _call_off_unused(tx: Transaction, damper: Damper | None) -> None:
    """End a job that nobody worked on; InputError where somebody did."""
    for job in () if damper is None else tx.read.jobs_of(damper.damper_id):
        if job.is_open:
            if not _is_unused(job):
                raise InputError(f"job {job.job_id} of {damper and damper.label} is under way; go on there")
            note = "what is known of it was told anew"
            tx.append("stage", {"stage": CALLED_OFF, "note": note}, job_id=job.job_id)


def _is_unused(job: Job) -> bool:
    return job.basis == STATED and job.newest_row == job.opened_row


def _same_build(damper: Damper | None, told: Statement) -> Any:
    """Return the profile the bench knows of a damper, where what was told of its build doesn't speak against it."""
    if damper is None or damper.profile is None:
        return None
    told_build = (told.construction, told.reservoir, told.joints)
    return profile_of(damper.profile) if told_build == (damper.construction, damper.reservoir, damper.joints) else None


def _read_summary(tx: Transaction, text: str) -> Summary:
    """Return a summary, held against the keys that are trusted for its vehicle."""
    first = read_summary(text, {})
    return read_summary(text, tx.read.trusted_keys(first.ledger_start))


def _refuse(tx: Transaction, digest: str | None, name: str, reasons: list[dict[str, str]]) -> None:
    tx.append("card_refused", {"digest": digest, "name": one_line(name, _NAME_SIGNS) or None, "reasons": reasons})


def _number(job_id: int | None) -> int:
    if job_id is None:
        raise InputError("the job got no number; try again")
    return job_id
