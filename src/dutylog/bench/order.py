"""A work order: its stages, lines and approvals as the entries of a job tell them, and what may be done next.

The store's chain takes any word; here is what counts of it. A line that changes after the approval calls for another
one, and so does a signature after another word on the build sheet. Rules for people: shared/BENCH.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dutylog.bench.build_sheet import Sheet
from dutylog.bench.job_state import BUILDER, CHECKER, JobState, Told
from dutylog.bench.order_sum import Line, digest_lines, price_problem, standing_lines, sum_lines
from dutylog.errors import InputError

QUOTED, APPROVED, PARTS_HERE, IN_WORK, BUILT, CHECKED, HANDED_OVER = (
    "quoted",
    "approved",
    "parts_here",
    "in_work",
    "built",
    "checked",
    "handed_over",
)
CALLED_OFF = "called_off"
"""Ends an order from any stage before it is handed over; a reason stands with it."""
STAGES = (QUOTED, APPROVED, PARTS_HERE, IN_WORK, BUILT, CHECKED, HANDED_OVER)
STAGE_WORDS: Mapping[str, str] = {
    QUOTED: "quoted",
    APPROVED: "approved",
    PARTS_HERE: "parts here",
    IN_WORK: "in work",
    BUILT: "built",
    CHECKED: "checked",
    HANDED_OVER: "handed over",
    CALLED_OFF: "called off",
}
ENDED = (HANDED_OVER, CALLED_OFF)
PART, LABOUR, OTHER = "part", "labour", "other"
LINE_KINDS = (PART, LABOUR, OTHER)
HOW = ("in person", "phone", "message", "signed paper")
"""How a customer's word reached the shop."""
COUNT_LIMIT, PRICE_LIMIT_MINOR, LINES_LIMIT, TEXT_LIMIT = 1000.0, 100_000_000, 100, 200
REWORK_FROM = (BUILT, CHECKED, HANDED_OVER)
"""Stages from which a damper may go back to IN_WORK, with a reason; from the last one a manager takes it back."""


@dataclass(frozen=True, slots=True)
class Approval:
    """A customer's word. by: who wrote it down; by_customer: who gave it, `how` (HOW). lines_digest: for what."""

    entry: int
    utc: str
    by: str
    by_customer: str
    how: str
    amount_minor: int | None
    currency: str | None
    lines_digest: str
    note: str | None


@dataclass(frozen=True, slots=True)
class Step:
    """A stage that was reached. is_back: it went back to be worked on again."""

    stage: str
    entry: int
    utc: str
    by: str
    note: str | None
    is_back: bool = False


@dataclass(frozen=True, slots=True)
class Order:
    """A job's order as it stands.

    stage: None while it is drawn up. total_minor: sum of the lines, None where one has no price, or they have prices
    in two currencies. currency: of all prices, None where none is kept.
    approval: the newest one. is_approved: it was given for exactly the lines that stand.
    steps: all stages in their order. problems: words of the chain that don't count, one line each.
    next_stage: where it may go, None at the end; blocks: what is in the way there, one line each.
    """

    stage: str | None
    lines: tuple[Line, ...]
    lines_digest: str
    total_minor: int | None
    approvals: tuple[Approval, ...]
    is_approved: bool
    steps: tuple[Step, ...]
    problems: tuple[str, ...]
    next_stage: str | None
    blocks: tuple[str, ...]
    currency: str | None = None

    @property
    def approval(self) -> Approval | None:
        """Return the newest approval that was given for lines of then."""
        return self.approvals[-1] if self.approvals else None

    @property
    def is_priced(self) -> bool:
        """Return whether every line has a price."""
        return self.total_minor is not None


def make_order(state: JobState, sheet: Sheet | None = None) -> Order:
    """Return the order of a job.

    Args:
        state: the folded job. sheet: its build sheet, None: a step past 'in work' is in its way then.
    """
    lines = standing_lines(state)
    digest = digest_lines(lines)
    approvals = tuple(_approval(told) for told in state.approvals)
    is_approved = bool(approvals) and approvals[-1].lines_digest == digest
    steps, problems = _walk(state, approvals)
    stage = steps[-1].stage if steps else None
    following = next_of(stage)
    blocks = () if following is None else _blocks(following, lines, is_approved, state, sheet)
    return Order(
        stage,
        lines,
        digest,
        sum_lines(lines),
        approvals,
        is_approved,
        steps,
        problems,
        following,
        tuple(blocks),
        next((one.currency for one in lines if one.price_minor is not None), None),
    )


def next_of(stage: str | None) -> str | None:
    """Return the stage behind one, None at the end and where it was called off."""
    if stage == CALLED_OFF:
        return None
    place = -1 if stage is None else STAGES.index(stage)
    return STAGES[place + 1] if place + 1 < len(STAGES) else None


def check_step(order: Order, stage: str, note: str | None = None, is_manager: bool = False) -> dict[str, Any]:
    """Return the data of an entry `stage`.

    Args:
        is_manager: whether a manager asks, who alone takes back what was handed over.
    Raises:
        InputError: not the next stage, something is in its way, a way back or an end without a reason, or one that
            is a manager's.
    """
    if stage not in STAGE_WORDS:
        raise InputError(f"stage {stage!r:.40} is none of {', '.join(STAGE_WORDS)}")
    if order.stage is not None and stage == IN_WORK and order.stage in REWORK_FROM:
        if order.stage == HANDED_OVER and not is_manager:
            raise InputError("the order is handed over; a manager takes it back to be corrected, with a reason")
        if not note:
            raise InputError(f"from {STAGE_WORDS[order.stage]} back to in work: say why; both signatures are void then")
        return {"stage": stage, "note": note}
    if stage == CALLED_OFF and order.stage not in ENDED:
        if not note:
            raise InputError("called off: say why; the job is finished then")
        return {"stage": stage, "note": note}
    if stage == APPROVED:
        raise InputError("approved: a customer's approval makes it so; write down who gave it, and how")
    if order.next_stage is None:
        raise InputError(f"the order is {STAGE_WORDS[str(order.stage)]}; open another job for this damper")
    if stage != order.next_stage:
        here = "being drawn up" if order.stage is None else STAGE_WORDS[order.stage]
        raise InputError(f"stage {STAGE_WORDS[stage]}: the order is {here}; next is {STAGE_WORDS[order.next_stage]}")
    if order.blocks:
        raise InputError(f"stage {STAGE_WORDS[stage]}: {order.blocks[0]}")
    return {"stage": stage, "note": note}


def check_line(order: Order, data: Mapping[str, Any]) -> dict[str, Any]:
    """Return the data of an entry `line_put`, put in order.

    Raises:
        InputError: a kind, count, price or text that can't be meant, too many lines, or the order is handed over.
    """
    if order.stage in ENDED:
        raise InputError(f"the order is {STAGE_WORDS[str(order.stage)]}; its lines stay as they are")
    kind, text, count = data.get("kind"), data.get("text"), data.get("count", 1)
    line_id = _text(data.get("line_id"), "line_id", 64)
    if kind not in LINE_KINDS:
        raise InputError(f"line: kind {kind!r:.40} is none of {', '.join(LINE_KINDS)}")
    if isinstance(count, bool) or not isinstance(count, (int, float)) or not 0.0 < count <= COUNT_LIMIT:
        raise InputError(f"line: count {count!r:.40}, expected above 0 to {COUNT_LIMIT:g}")
    price = data.get("price_minor")
    if price is not None and (type(price) is not int or not 0 <= price <= PRICE_LIMIT_MINOR):
        raise InputError(f"line: price {price!r:.40}, expected whole minor units from 0 to {PRICE_LIMIT_MINOR}")
    if line_id not in {one.line_id for one in order.lines} and len(order.lines) >= LINES_LIMIT:
        raise InputError(f"an order has at most {LINES_LIMIT} lines")
    optional = {
        name: None if data.get(name) is None else _text(data[name], name, TEXT_LIMIT)
        for name in ("part_no", "need", "unit", "currency")
    }
    return {
        "line_id": line_id,
        "kind": kind,
        "text": _text(text, "text", TEXT_LIMIT),
        "count": count,
        "price_minor": price,
        "is_gone": data.get("is_gone") is True,
        **optional,
        "currency": None if price is None else optional["currency"],
    }


def check_approval(order: Order, data: Mapping[str, Any], currency: str | None) -> dict[str, Any]:
    """Return the data of an entry `approved`, for the lines that stand.

    Args:
        data: `by_customer`, `how`, `amount_minor` (None: no prices are kept), `note`. currency: the shop's.
    Raises:
        InputError: nothing to approve, not quoted yet, lines that have no sum though some have prices, or an amount
            that isn't that sum.
    """
    if order.stage is None:
        raise InputError("approval: quote the order first; lines can still change while it is drawn up")
    if order.stage in ENDED:
        raise InputError(f"approval: the order is {STAGE_WORDS[str(order.stage)]}")
    if not order.lines:
        raise InputError("approval: the order has no line")
    if problem := price_problem(order.lines):
        raise InputError(f"approval: {problem}")
    how, amount = data.get("how"), data.get("amount_minor")
    if how not in HOW:
        raise InputError(f"approval: how {how!r:.40} is none of {', '.join(HOW)}")
    if amount != order.total_minor or isinstance(amount, (bool, float)):
        said = "no amount" if amount is None else f"{amount!r:.40}"
        real = "no price" if order.total_minor is None else str(order.total_minor)
        raise InputError(f"approval: {said} said, the lines come to {real} (minor units); ask for what stands now")
    note = data.get("note")
    return {
        "by_customer": _text(data.get("by_customer"), "by_customer", TEXT_LIMIT),
        "how": how,
        "amount_minor": amount,
        "currency": None if amount is None else order.currency or currency,
        "lines_digest": order.lines_digest,
        "note": None if note is None else _text(note, "note", 2000),
    }


def _walk(state: JobState, approvals: Sequence[Approval]) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """Follow stages and approvals in the order of the chain; what may not follow is passed over and told."""
    told: list[tuple[int, str, Told | None, Approval | None]] = [
        (one.entry, str(one.data.get("stage")), one, None) for one in state.stages
    ]
    told += [(one.entry, APPROVED, None, one) for one in approvals]
    steps: list[Step] = []
    problems: list[str] = []
    for entry, stage, word, approval in sorted(told, key=lambda one: one[0]):
        here = steps[-1].stage if steps else None
        if approval is not None:
            if here == QUOTED:
                steps.append(Step(APPROVED, entry, approval.utc, approval.by, approval.note))
            elif here is None:
                problems.append(f"entry {entry}: an approval before the order was quoted")
            continue
        if word is None:
            continue
        note = None if word.data.get("note") is None else str(word.data["note"])
        is_back = stage == IN_WORK and here in REWORK_FROM
        is_end = stage == CALLED_OFF and here not in ENDED
        if stage == APPROVED or not (is_back or is_end or stage == next_of(here)):
            where = "drawn up" if here is None else STAGE_WORDS[here]
            problems.append(f"entry {entry}: {STAGE_WORDS.get(stage, repr(stage)[:40])} doesn't follow {where}")
            continue
        steps.append(Step(stage, entry, word.utc, word.by, note, is_back))
    return tuple(steps), tuple(problems)


def _blocks(
    following: str, lines: Sequence[Line], is_approved: bool, state: JobState, sheet: Sheet | None
) -> list[str]:
    """Return what is in the way of a stage."""
    if not lines:
        return ["the order has no line yet"]
    if following == QUOTED:
        return [problem] if (problem := price_problem(lines)) else []
    if not is_approved:
        again = "the lines have changed since; ask the customer again" if state.approvals else "nobody has approved it"
        return [again]
    if following in (BUILT, CHECKED, HANDED_OVER) and sheet is None:
        return ["the build sheet is needed"]
    found: list[str] = []
    if sheet is not None and following in (BUILT, CHECKED, HANDED_OVER):
        found += [f"the build sheet lacks {name}" for name in sheet.missing_names]
        found += list(sheet.refusals)
        if not sheet.is_signed(BUILDER):
            found.append("whoever built it has not signed the build sheet as it stands")
    if sheet is not None and following in (CHECKED, HANDED_OVER) and not sheet.is_signed(CHECKER):
        found.append("a second person has not signed the build sheet as it stands")
    if following == HANDED_OVER and not _has_record(state):
        found.append("the service record is not made yet")
    return found


def _has_record(state: JobState) -> bool:
    """Return whether a record was made after the last signature."""
    signed = max((one.entry for one in state.signatures.values()), default=0)
    return state.record is not None and state.record.entry > signed


def _approval(told: Told) -> Approval:
    data = told.data
    amount = data.get("amount_minor")
    return Approval(
        told.entry,
        told.utc,
        told.by,
        str(data["by_customer"]),
        str(data["how"]),
        None if amount is None else int(amount),
        None if data.get("currency") is None else str(data["currency"]),
        str(data["lines_digest"]),
        None if data.get("note") is None else str(data["note"]),
    )


def _text(value: object, what: str, limit: int) -> str:
    """Return printable, trimmed text of at most so many characters; InputError for anything else."""
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{what}: nothing there; write it down")
    text = " ".join(value.split())
    if not text.isprintable() or len(text) > limit:
        raise InputError(f"{what}: {len(text)} characters, expected at most {limit}, printable")
    return text
