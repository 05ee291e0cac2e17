"""Pages of the work order: stages, lines, proposals, the customer's approval, and the order on paper."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response

from dutylog.bench.order import (
    CALLED_OFF,
    ENDED,
    HANDED_OVER,
    HOW,
    IN_WORK,
    LINE_KINDS,
    OTHER,
    REWORK_FROM,
    STAGE_WORDS,
    STAGES,
    Order,
    check_approval,
    check_line,
    check_step,
)
from dutylog.bench.order_lines import ProposedLine, Wanted, plan_work, propose_lines
from dutylog.bench.order_pdf import A4, make_pdf
from dutylog.bench.order_stock import TAKEN_FROM, Outgoing, find_outgoing, outgoing_mark, stock_entries
from dutylog.bench.order_sum import Line
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.queries import Reading
from dutylog.errors import DutylogError, InputError, one_line
from dutylog.web.bench.frame import Done, Frame, Seen, Write
from dutylog.web.bench.job_desk import JobDesk, open_desk, read_desk, read_rules, refuse_over
from dutylog.web.bench.order_paper import make_paper
from dutylog.web.bench.prices import parse_price, price_text
from dutylog.web.bench.typed_number import parse_number

TAKE = "take_"
"""Start of the names of the ticks beside proposed lines."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A proposed line. mark: what its tick sends, so that only what was seen is put on the order."""

    mark: str
    line: ProposedLine


@dataclass(frozen=True, slots=True)
class StageShown:
    """A stage as the strip above the order shows it."""

    words: str
    is_done: bool
    is_here: bool


def add_order(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of the work order."""

    @frame.page("/jobs/{job}/order", least=VIEWER, here="jobs")
    def order(seen: Seen) -> Response:
        return _show(seen, open_desk(seen))

    @frame.page("/jobs/{job}/order.pdf", least=VIEWER, here="jobs")
    def paper(seen: Seen) -> Response:
        desk = open_desk(seen)
        try:
            data = make_pdf(make_paper(seen, desk), seen.query.get("paper", A4))
        except InputError as err:
            return _show(seen, desk, str(err))
        except DutylogError as err:
            return _show(seen, desk, one_line(err, 400), status=503)
        name = f'inline; filename="work-order-{desk.job_id}.pdf"'
        return Response(data, media_type="application/pdf", headers={"Content-Disposition": name})

    @frame.write("/jobs/{job}/order/propose", least=TECHNICIAN, here="jobs")
    def propose(write: Write) -> Done | Response:
        currency = write.frame.settings.currency
        taken = {value for name, value in write.fields.items() if name.startswith(TAKE)}

        def put(desk: JobDesk, reading: Reading) -> list[tuple[str, dict[str, Any]]]:
            chosen = [one.line for one in _proposals(desk, reading, write.frame.today())[0] if one.mark in taken]
            if not chosen:
                raise InputError("no line is ticked, or the proposal has changed; look at it again")
            return [
                ("line_put", check_line(desk.order, {**line.as_data(uuid.uuid4().hex), "currency": currency}))
                for line in chosen
            ]

        return _write(write, put, "the lines are on the order")

    @frame.write("/jobs/{job}/order/line", least=TECHNICIAN, here="jobs")
    def line(write: Write) -> Done | Response:
        def put(desk: JobDesk, reading: Reading) -> list[tuple[str, dict[str, Any]]]:
            return [("line_put", check_line(desk.order, _line_data(write, desk.order, reading)))]

        return _write(write, put, "the line is taken out" if write.field("do") == "out" else "the line is kept")

    @frame.write("/jobs/{job}/order/approval", least=TECHNICIAN, here="jobs")
    def approval(write: Write) -> Done | Response:
        def put(desk: JobDesk, _reading: Reading) -> list[tuple[str, dict[str, Any]]]:
            if write.field("digest") != desk.order.lines_digest:
                raise InputError("a line has changed since the page was opened; ask the customer for what stands now")
            asked = {name: write.field(name) or None for name in ("by_customer", "how", "note")}
            asked_for = {**asked, "amount_minor": desk.order.total_minor}
            return [("approved", check_approval(desk.order, asked_for, write.frame.settings.currency))]

        return _write(write, put, "the approval is kept")

    @frame.write("/jobs/{job}/order/stock", least=TECHNICIAN, here="jobs")
    def stock(write: Write) -> Done | Response:
        desk = open_desk(write)
        try:
            # Written also when the job is finished: what lies on the shelf is so all the same.
            with write.store.write(write.who) as tx:
                desk = read_desk(tx.read, desk.job_id, write.frame.today())
                found, _ = _outgoing(desk, tx.read)
                for data in stock_entries(found, desk.order.stage, write.field("seen"), desk.job_id):
                    tx.append("stock_change", data)
        except InputError as err:
            return _show(write, desk, one_line(err, 400))
        return Done("the stock follows the order", f"/jobs/{desk.job_id}/order#stock")

    @frame.write("/jobs/{job}/order/stage", least=TECHNICIAN, here="jobs")
    def stage(write: Write) -> Done | Response:
        asked = write.field("stage")

        def put(desk: JobDesk, reading: Reading) -> list[tuple[str, dict[str, Any]]]:
            is_manager = write.viewer.may(MANAGER)
            data = check_step(desk.order, asked, write.field("note") or None, is_manager)
            if desk.is_over:
                _refuse_second_job(desk, reading)
            return [("stage", data)]

        # Whoever takes a damper back to be corrected writes to a job that is finished, and nobody else does.
        takes_back = asked == IN_WORK and write.viewer.may(MANAGER)
        return _write(write, put, f"now {STAGE_WORDS.get(asked, asked)}", takes_back=takes_back)


def _write(write: Write, put: Any, text: str, *, takes_back: bool = False) -> Done | Response:
    """Append what a function makes of the job as it stands within the transaction, or show why not."""
    desk = open_desk(write)
    try:
        with write.store.write(write.who) as tx:
            desk = read_desk(tx.read, desk.job_id, write.frame.today())
            if not (takes_back and desk.order.stage == HANDED_OVER):
                refuse_over(desk)
            for kind, data in put(desk, tx.read):
                tx.append(kind, data, job_id=desk.job_id)
    except InputError as err:
        return _show(write, desk, one_line(err, 400), sent=write.fields)
    return Done(text, f"/jobs/{desk.job_id}/order")


def _refuse_second_job(desk: JobDesk, reading: Reading) -> None:
    """Raise InputError where the damper is on the bench again in another job."""
    if other := next((one for one in reading.jobs_of(desk.head.damper_id) if one.is_open), None):
        raise InputError(f"job {other.job_id} of this damper is under way; finish that one first, or correct it there")


def _show(
    seen: Seen, desk: JobDesk, problem: str = "", status: int = 400, sent: Mapping[str, str] | None = None
) -> Response:
    order, reading = desk.order, seen.store.read()
    can_edit = seen.viewer.may(TECHNICIAN) and not desk.is_over
    proposals, wanted = _proposals(desk, reading, seen.frame.today()) if can_edit else ((), ())
    edited = next((one for one in order.lines if one.line_id == seen.query.get("line")), None)
    has_stock = order.stage in TAKEN_FROM and seen.viewer.may(TECHNICIAN)
    outgoing, by_hand = _outgoing(desk, reading) if has_stock else ((), ())
    return seen.render(
        "bench/order.html",
        status if problem else 200,
        job=desk.head,
        step="order",
        order=order,
        stages=_stages(order),
        stage_words=STAGE_WORDS,
        has_prices=any(one.price_minor is not None for one in order.lines),
        can_edit=can_edit,
        can_rework=order.stage in REWORK_FROM and (can_edit or _can_take_back(seen, order)),
        can_call_off=can_edit and order.stage not in ENDED,
        called_off=next((one for one in order.steps if one.stage == CALLED_OFF), None),
        proposals=proposals,
        wanted=wanted,
        line_kinds=LINE_KINDS,
        edited=edited,
        typed=_typed(edited, sent, seen.frame.settings.currency),
        catalogue=[one for one in reading.stock_rows() if not one.is_gone],
        hows=HOW,
        outgoing=outgoing,
        outgoing_mark=outgoing_mark(outgoing),
        by_hand=by_hand,
        problem=problem,
    )


def _outgoing(desk: JobDesk, reading: Reading) -> tuple[tuple[Outgoing, ...], tuple[Line, ...]]:
    """Return the parts whose stock doesn't follow the order yet, and lines that are changed by hand."""
    opened = desk.state.opened
    changes = reading.stock_changes_since(0 if opened is None else opened.entry)
    return find_outgoing(desk.order.lines, reading.stock_rows(), changes, desk.job_id)


def _can_take_back(seen: Seen, order: Order) -> bool:
    return order.stage == HANDED_OVER and seen.viewer.may(MANAGER)


def _stages(order: Order) -> tuple[StageShown, ...]:
    stood = [one.stage for one in order.steps if one.stage != CALLED_OFF]
    place = STAGES.index(stood[-1]) if stood else -1
    return tuple(StageShown(STAGE_WORDS[one], at < place, at == place) for at, one in enumerate(STAGES))


def _proposals(desk: JobDesk, reading: Reading, today: date) -> tuple[tuple[Proposal, ...], tuple[Wanted, ...]]:
    """Return lines that findings, triage and measured use call for and that aren't on the order, and why."""
    judged = desk.judge(read_rules(reading), today)
    plan = plan_work(desk.facts, desk.state.newest_findings, today, judged.reasons)
    catalogue = [one for one in reading.stock_rows() if not one.is_gone]
    there = {(one.need or one.text) for one in desk.order.lines}
    lines = [one for one in propose_lines(desk.facts, plan, catalogue) if (one.need or one.text) not in there]
    return tuple(Proposal(_mark(one), one) for one in lines), plan.wanted


def _mark(line: ProposedLine) -> str:
    told = repr((line.kind, line.text, line.count, line.unit, line.need, line.part_no, line.price_minor))
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def _line_data(write: Write, order: Order, reading: Reading) -> dict[str, Any]:
    """Return a line as a form told it; its price is a manager's word or the catalogue's."""
    line_id = write.field("line_id")
    before = next((one for one in order.lines if one.line_id == line_id), None)
    if line_id and before is None:
        raise InputError("that line is on the order no longer; look at the lines again")
    if write.field("do") == "out" and before is not None:
        told = {
            name: getattr(before, name)
            for name in ("kind", "text", "count", "unit", "part_no", "need", "price_minor", "currency")
        }
        return {**told, "line_id": line_id, "is_gone": True}
    part_no, part = write.field("part_no") or None, None
    if part_no is not None:
        part = next((one for one in reading.stock_rows() if one.part_no == part_no and not one.is_gone), None)
        if part is None:
            raise InputError(
                f"part {part_no:.40}: the catalogue has none of that number; leave it empty for a bought piece"
            )
    currency = write.frame.settings.currency
    if write.viewer.may(MANAGER) and "price" in write.fields:
        price = parse_price(write.field("price"), currency)
        price = price if price is not None or part is None or before is not None else part.price_minor
    else:
        price = _kept_price(part, before, part_no)
        if before is not None and before.part_no == part_no:
            currency = before.currency or currency
    return {
        "line_id": line_id or uuid.uuid4().hex,
        "kind": write.field("kind") or OTHER,
        "text": write.field("text") or (part.name if part is not None else ""),
        "count": _count(write.field("count")),
        "unit": write.field("unit") or None,
        "part_no": part_no,
        "need": part.need if part is not None else (before.need if before is not None else None),
        "price_minor": price,
        "currency": currency,
        "is_gone": False,
    }


def _kept_price(part: Any, before: Any, part_no: str | None) -> int | None:
    """Return the price where nobody may set one: as it was, or the catalogue's for another part."""
    if before is not None and before.part_no == part_no:
        kept: int | None = before.price_minor
        return kept
    found: int | None = None if part is None else part.price_minor
    return found


def _count(text: str) -> float:
    count = parse_number(text, "line: count")
    return float("nan") if count is None else count


def _typed(edited: Any, sent: Mapping[str, str] | None, currency: str) -> Mapping[str, str]:
    """Return what stands in the form of a line."""
    names = ("line_id", "kind", "text", "count", "unit", "part_no", "price")
    if sent is not None and "text" in sent:
        return {name: sent.get(name, "") for name in names}
    if edited is None:
        return {**dict.fromkeys(names, ""), "kind": OTHER, "count": "1"}
    texts = {name: getattr(edited, name) or "" for name in ("line_id", "kind", "text", "unit", "part_no")}
    # A price in other money isn't offered as if it were in this one.
    price = "" if edited.currency not in (None, currency) else price_text(edited.price_minor, currency)
    return {**texts, "count": f"{edited.count:g}", "price": price}
