"""Pages of triage: a job's row with its reasons and what was decided, and the table of rules with its history."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.figures import say
from dutylog.bench.items_inside import INSIDE
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.rule_conditions import say_condition
from dutylog.bench.rules_book import Edit, history, make_edit, rule_lines
from dutylog.bench.store.queries import Reading
from dutylog.bench.triage import Triage
from dutylog.bench.triage_words import ROW_WORDS, ROWS
from dutylog.errors import ConfigError, InputError, one_line
from dutylog.web.bench.frame import Done, Frame, Seen, Write
from dutylog.web.bench.job_desk import JobDesk, find_rules, open_desk, read_desk, read_rules, refuse_over
from dutylog.web.bench.limit_form import FAR_UNITS, read_limit, typed_limit

WHY_LIMIT = 200
"""As bench.entry_kinds has it for a text."""


def add_triage(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of triage and of its rules."""

    @frame.page("/jobs/{job}/triage", least=VIEWER, here="jobs")
    def triage(seen: Seen) -> Response:
        return _show(seen, open_desk(seen))

    @frame.write("/jobs/{job}/triage", least=TECHNICIAN, here="jobs")
    def agree(write: Write) -> Done | Response:
        desk = open_desk(write)
        row, why = write.field("row"), " ".join(write.field("why").split())
        try:
            # Judged within the transaction: what is agreed to is what stands in the chain before it.
            with write.store.write(write.who) as tx:
                desk = read_desk(tx.read, desk.job_id, write.frame.today())
                refuse_over(desk)
                if write.field("seen") != str(desk.state.looked_row):
                    raise InputError("something was answered or measured since the page was opened; look, then decide")
                judged = _judge(write, desk, tx.read)
                agreement = make_agreement(judged, row, why)
                limit = read_limit(write.fields, judged, row, why, write.frame.today())
                tx.append("triage_agreed", {**agreement, "limit": limit}, job_id=desk.job_id)
        except InputError as err:
            return _show(write, desk, one_line(err, 400), row, why)
        return Done(f"decided: {ROW_WORDS[row]}", f"/jobs/{desk.job_id}/triage")

    @frame.page("/rules", least=VIEWER, here="settings")
    def rules(seen: Seen) -> Response:
        return _show_rules(seen)

    @frame.write("/rules", least=MANAGER, here="settings")
    def change(write: Write) -> Done | Response:
        text = write.fields.get("text", "").replace("\r\n", "\n").removeprefix("\n")
        why = write.field("why")
        try:
            with write.store.write(write.who) as tx:
                current, _ = find_rules(tx.read)
                if write.field("version") != str(current.version):
                    raise HTTPException(
                        409, f"the table is at version {current.version} by now; open it and look again"
                    )
                tx.append("rules_put", make_edit(current, text, why))
        except ConfigError as err:
            return _show_rules(write, err.problems, text, why)
        except InputError as err:
            return _show_rules(write, (str(err),), text, why)
        return Done(f"the rules are at version {current.version + 1}", "/rules")


def make_agreement(judged: Triage, row: str, why: str) -> dict[str, Any]:
    """Return the data of an entry `triage_agreed`.

    Args:
        judged: what the rules say now. row: what a technician decides. why: '' where it is the rules' own row.
    Raises:
        InputError: no row was chosen, or another one than the rules' without a word why.
    """
    if row not in ROWS:
        raise InputError("choose a row")
    if row != judged.row and not why:
        raise InputError(
            f"the rules say “{ROW_WORDS[judged.row]}”, you say “{ROW_WORDS[row]}”: write down why, the order shows both"
        )
    if len(why) > WHY_LIMIT:
        raise InputError(f"why: {len(why)} characters, at most {WHY_LIMIT} are kept; shorten it")
    reasons = [
        {"rule": one.rule.key, "row": one.row, "says": one.rule.says, "seen": [say(seen) for seen in one.seen]}
        for one in judged.reasons
    ]
    version = judged.rules_version
    return {"row": row, "judged_row": judged.row, "reasons": reasons, "rules_version": version, "why": why or None}


def _judge(seen: Seen, desk: JobDesk, reading: Reading) -> Triage:
    return desk.judge(read_rules(reading), seen.frame.today())


def _show(seen: Seen, desk: JobDesk, problem: str = "", row: str = "", why: str = "") -> Response:
    judged, state = _judge(seen, desk, seen.store.read()), desk.state
    chosen = row or (str(state.agreed.data["row"]) if state.agreed and not state.is_agreed_old else judged.row)
    return seen.render(
        "bench/triage.html",
        400 if problem else 200,
        job=desk.head,
        step="triage",
        triage=judged,
        conditions={one.rule.key: say_condition(one.rule.when) for one in judged.reasons},
        rows=ROWS,
        row_words=ROW_WORDS,
        agreed=state.agreed,
        is_old=state.is_agreed_old,
        earlier=tuple(reversed(state.agreements[:-1])),
        looked_row=state.looked_row,
        is_opened=any(point.item.step == INSIDE and point.answer for point in desk.points),
        chosen=chosen,
        typed_why=why,
        typed_limit=typed_limit(seen),
        far_units=FAR_UNITS,
        problem=problem,
        is_over=desk.is_over,
    )


def _show_rules(seen: Seen, problems: Sequence[str] = (), text: str = "", why: str = "") -> Response:
    reading = seen.store.read()
    rules, broken = find_rules(reading)
    return seen.render(
        "bench/rules.html",
        400 if problems else 200,
        rules=rules,
        lines={rule.key: rule_lines(rule)[1:] for rule in rules.rules},
        row_words=ROW_WORDS,
        edits=_edits(reading),
        problems=problems or broken,
        typed_text=text or rules.text,
        typed_why=why,
    )


def _edits(reading: Reading) -> tuple[Edit, ...]:
    """Return what was changed, nothing where an older table can't be read by this version."""
    try:
        return history(reading.rules_history())
    except ConfigError:
        return ()
