"""Intake: a damper comes in by its card, by the code of one, or by what its owner tells; and the page of that."""

from __future__ import annotations

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.card_verify import ACCEPTABLE
from dutylog.bench.estimate import REMARKS_LIMIT, TEXT_LIMIT
from dutylog.bench.job_facts import read_intake
from dutylog.bench.owning import NAME_SIGNS, NEW_PERSON, NameKnown, Owner, give_owner
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.rows import Customer
from dutylog.bench.taking_in import TakenIn, take_card, take_statement, take_summary
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, RESERVOIRS
from dutylog.errors import CardRefused, InputError, one_line
from dutylog.life.gas import CAUTIONS
from dutylog.web.bench.frame import FILES, Done, Frame, Seen, Write, number_in
from dutylog.web.bench.held_cards import HeldCards, RefusedCard, refused_card
from dutylog.web.bench.intake_bars import make_intake_bars
from dutylog.web.bench.job_head import read_job_head
from dutylog.web.bench.statement_form import CONSTRUCTION_WORDS, JOINT_WORDS, MIX_WORDS, RESERVOIR_WORDS, read_statement
from dutylog.web.life_view import WORK_CAUTIONS

_KNOWN_TEXT = "this very card was taken in before; nothing was added"


def add_intake(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of intake and what is changed there."""
    held = HeldCards(frame.clock)
    _add_forms(frame, held)
    _add_card(frame, held)
    _add_accept(frame, held)
    _add_job(frame)


def _add_forms(frame: Frame, held: HeldCards) -> None:
    @frame.page("/intake", least=TECHNICIAN, here="intake")
    def intake(seen: Seen) -> Response:
        return _intake_page(seen, held)

    @frame.write("/intake/code", least=TECHNICIAN, here="intake")
    def take_code(write: Write) -> Done | Response:
        joints, reservoir = write.field("joints") or None, write.field("reservoir") or None
        try:
            job = take_summary(write.store, write.who, write.field("code"), frame.today(), joints, reservoir)
        except (CardRefused, InputError) as err:
            return _intake_page(write, held, 400, code_problem=str(err))
        return Done("taken in by its code", f"/jobs/{job}")

    @frame.write("/intake/told", least=TECHNICIAN, here="intake")
    def take_told(write: Write) -> Done | Response:
        try:
            with write.store.read() as reading:
                told = read_statement(write.fields, reading.next_tag())
            job = take_statement(write.store, write.who, told, frame.today(), owner=_owner(write))
        except NameKnown as err:
            return _intake_page(write, held, 400, told_problem=str(err), alike=err.customers)
        except InputError as err:
            return _intake_page(write, held, 400, told_problem=str(err))
        label = told.serial or f"tag {told.tag}: hang it on the damper"
        return Done(f"taken in, {label}", f"/jobs/{job}")


def _owner(write: Write) -> Owner:
    """Return what a form tells of whose a damper is."""
    ticks = {name: write.field(name) == "yes" for name in ("is_renamed", "is_alone")}
    return Owner(write.field("customer"), write.field("vehicle"), write.field("customer_is"), **ticks)


def _add_card(frame: Frame, held: HeldCards) -> None:
    @frame.write("/intake/card", least=TECHNICIAN, body=FILES, here="intake")
    def take(write: Write) -> Done | Response:
        chosen = write.files.get("card")
        if chosen is None:
            return _intake_page(write, held, 400, card_problem="no file was chosen; take NAME.card.json of the vehicle")
        try:
            found = take_card(write.store, write.who, chosen.data, frame.today(), name=chosen.name)
        except CardRefused as err:
            return write.render("bench/card_refused.html", 409, name=chosen.name, lines=[str(err)], card=None)
        if found.job_id is None:
            return _refused_page(write, _hold(held, refused_card(chosen.name, chosen.data, found, write.viewer.name)))
        return Done(_taken_text(found), f"/jobs/{found.job_id}")


def _add_accept(frame: Frame, held: HeldCards) -> None:
    @frame.page("/intake/held/{key}", least=MANAGER, here="intake")
    def waiting(seen: Seen) -> Response:
        kept = held.find(seen.params["key"])
        if kept is None:
            raise HTTPException(404, "this card isn't held any more; take its file in again at the intake")
        return _refused_page(seen, kept, 200)

    @frame.write("/intake/accept", least=MANAGER, here="intake")
    def accept(write: Write) -> Done | Response:
        key, why = write.field("key"), write.field("why")
        kept = held.find(key)
        if kept is None:
            raise HTTPException(409, "this card isn't held any more; take its file in again at the intake")
        codes = frozenset(name for name in ACCEPTABLE if write.field(f"accept_{name}") == "yes")
        if not codes or not why:
            return _refused_page(write, kept, 400, "it needs a tick at every reason and the cause in words")
        try:
            found = take_card(write.store, write.who, kept.data, frame.today(), name=kept.name, accept=codes, why=why)
        except InputError as err:
            return _refused_page(write, kept, 400, str(err))
        if found.job_id is None:
            again = _hold(held, refused_card(kept.name, kept.data, found, kept.by))
            return _refused_page(write, again, 409, "it is still refused: tick every reason that is left")
        held.drop(key)
        return Done("taken in although it would have been refused; the log says who and why", f"/jobs/{found.job_id}")


def _add_job(frame: Frame) -> None:
    @frame.page("/jobs/{job}", least=VIEWER, here="jobs")
    def job(seen: Seen) -> Response:
        return _job_page(seen)

    @frame.write("/jobs/{job}/owner", least=TECHNICIAN, here="jobs")
    def owner(write: Write) -> Done | Response:
        number = number_in(write.params, "job")
        try:
            with write.store.write(write.who) as tx:
                text = give_owner(tx, read_job_head(tx.read, number).damper, _owner(write))
        except NameKnown as err:
            return _job_page(write, 400, str(err), err.customers)
        except InputError as err:
            return _job_page(write, 400, str(err))
        return Done(one_line(text, 300), f"/jobs/{number}")


def _job_page(seen: Seen, status: int = 200, problem: str = "", alike: tuple[Customer, ...] = ()) -> Response:
    """Return the intake page of a job. problem: why what was told of its owner isn't kept; alike: who it may be."""
    with seen.store.snapshot() as reading:
        head = read_job_head(reading, number_in(seen.params, "job"))
        intake = read_intake(reading, head.job, head.damper, seen.frame.today())
        count = 0 if head.vehicle is None else len(reading.dampers_of(head.vehicle.vehicle_key))
    cautions = (*CAUTIONS, *WORK_CAUTIONS) if intake.facts.part("charge") else WORK_CAUTIONS
    return seen.render(
        "bench/job.html",
        status,
        job=head,
        step="intake",
        intake=intake,
        bars=make_intake_bars(intake),
        cautions=cautions,
        problem=problem,
        told=seen.fields if isinstance(seen, Write) else None,
        alike=alike,
        new_person=NEW_PERSON,
        dampers_count=count,
    )


def _intake_page(
    seen: Seen,
    held: HeldCards,
    status: int = 200,
    *,
    card_problem: str = "",
    code_problem: str = "",
    told_problem: str = "",
    alike: tuple[Customer, ...] = (),
) -> Response:
    told = seen.fields if isinstance(seen, Write) else {}
    return seen.render(
        "bench/intake.html",
        status,
        card_problem=card_problem,
        code_problem=code_problem,
        told_problem=told_problem,
        told=told,
        waiting=[(one, held.left_s(one)) for one in held.listed()] if seen.viewer.may(MANAGER) else [],
        alike=alike,
        new_person=NEW_PERSON,
        name_limit=NAME_SIGNS,
        constructions=[(one, CONSTRUCTION_WORDS[one]) for one in CONSTRUCTIONS],
        reservoirs=[(one, RESERVOIR_WORDS[one]) for one in RESERVOIRS],
        joints=[(one, JOINT_WORDS[one]) for one in JOINTS],
        mixes=MIX_WORDS,
        text_limit=TEXT_LIMIT,
        remarks_limit=REMARKS_LIMIT,
    )


def _hold(held: HeldCards, card: RefusedCard) -> RefusedCard:
    return held.hold(card) if card.is_acceptable else card


def _refused_page(seen: Seen, card: RefusedCard, status: int = 409, problem: str = "") -> Response:
    """Return the page of a card that was refused; what a manager filled in stays in it."""
    told = seen.fields if isinstance(seen, Write) else {}
    lines = [text for _, text in card.refusals]
    return seen.render(
        "bench/card_refused.html", status, name=card.name, lines=lines, card=card, told=told, problem=problem
    )


def _taken_text(found: TakenIn) -> str:
    if found.verdict.is_known:
        return _KNOWN_TEXT
    return f"card {found.card.sequence} of {found.card.label} taken in"
