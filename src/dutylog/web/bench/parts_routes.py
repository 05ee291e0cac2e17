"""Parts: what the coming weeks take, the catalogue, the stock."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.board import WEEK_DAYS, WEEKS, last_day
from dutylog.bench.facts_card import profile_of
from dutylog.bench.part_needs import NEEDS, need_of
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.stock import MOST_LEAD_DAYS, PartDemand, make_demands, match
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import StockRow
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError, one_line
from dutylog.ledger.names import check_text
from dutylog.web.bench.frame import Done, Frame, Seen, Write
from dutylog.web.bench.prices import parse_price, price_text

NAME_SIGNS, WHY_SIGNS, NUMBER_SIGNS = 80, 160, 40
MOST_COUNT = 1_000_000
DELIVERED, TAKEN, COUNTED = "delivered", "taken", "counted"
CHANGES = {DELIVERED: "came in", TAKEN: "were taken out", COUNTED: "are there, as counted"}
"""How a stock changes, as one says it behind a number."""
_TAIL_WEEKS = 4
"""Of forecasts that begin so long after the days looked at a little may lie within them. Judgement."""
_NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+-]{0,39}", re.ASCII)


_FIELDS = ("part_no", "name", "need", "profile_name", "lead_days", "least_count", "price")
"""Of a part, as its form has them."""


def add_parts(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of parts and what is changed there."""

    @frame.page("/parts", least=VIEWER, here="parts")
    def parts(seen: Seen) -> Response:
        return _list_page(seen)

    @frame.page("/parts/{part_no}", least=VIEWER, here="parts")
    def part(seen: Seen) -> Response:
        return _part_page(seen)

    @frame.write("/parts", least=TECHNICIAN, here="parts")
    def put_part(write: Write) -> Done | Response:
        try:
            with write.store.write(write.who) as tx:
                data = _part(write, tx.read)
                tx.append("part_put", data)
        except InputError as err:
            return _list_page(write, str(err), 400)
        return Done(f"{data['part_no']} is written down", "/parts" if data["is_gone"] else f"/parts/{data['part_no']}")

    @frame.write("/parts/{part_no}/stock", least=TECHNICIAN, here="parts")
    def change_stock(write: Write) -> Done | Response:
        try:
            with write.store.write(write.who) as tx:
                row = _find(tx.read, write.params["part_no"])
                change, why = _change(write, row)
                tx.append("stock_change", {"part_no": row.part_no, "change": change, "why": why, "job": None})
        except InputError as err:
            return _part_page(write, str(err), 400)
        return Done(f"{row.count + change} of {row.part_no} are there", f"/parts/{row.part_no}")


def _part_page(seen: Seen, problem: str = "", status: int = 200) -> Response:
    """Return the page of a part. problem: why a change of its stock isn't kept; its form keeps its texts."""
    frame = seen.frame
    with seen.store.snapshot() as reading:
        row = _find(reading, seen.params["part_no"])
        found = [one for one in _read_demands(reading, frame.today()) if one.part == row]
        names = reading.profiles()
        changes = [one for one in reading.stock_changes(1000) if one.data["part_no"] == row.part_no][:50]
    given = seen.fields if isinstance(seen, Write) else {}
    stock = {name: given.get(name, "") for name in ("number", "way", "note")}
    values: dict[str, Any] = {
        "row": row,
        "shown": found[0] if found else None,
        "changes": changes,
        "stock": stock,
        "problem": problem,
    }
    values |= {"told": _as_told(row, frame.settings.currency), "ways": CHANGES, "stock": stock, "problem": problem}
    return seen.render("bench/part.html", status, **values, **_form_values(frame, list(names)))


def _list_page(seen: Seen, problem: str = "", status: int = 200) -> Response:
    frame = seen.frame
    with seen.store.snapshot() as reading:
        shown = _read_demands(reading, frame.today())
        names = reading.profiles()
    given = seen.fields if isinstance(seen, Write) else {"need": seen.query.get("need", "")}
    told = {name: given.get(name, "") for name in _FIELDS}
    return seen.render(
        "bench/parts.html",
        status,
        problem=problem,
        told=told,
        until=last_day(frame.today(), WEEKS),
        weeks=WEEKS,
        to_order=[one for one in shown if one.part and one.order_by],
        enough=[one for one in shown if one.part and not one.order_by],
        without=[one for one in shown if one.part is None],
        **_form_values(frame, list(names)),
    )


def _read_demands(reading: Reading, today: date) -> tuple[PartDemand, ...]:
    """Return the catalogue against what the coming weeks take, as far as its longest lead time lets one order."""
    rows, until = reading.stock_rows(), last_day(today, WEEKS)
    lead_days = max((min(one.lead_days, MOST_LEAD_DAYS) for one in rows), default=0)
    weeks = WEEKS + -(-lead_days // WEEK_DAYS)
    days = [today, *(last_day(today, week) for week in range(weeks + 1))]
    days = [one for place, one in enumerate(days) if place == 0 or one > today]
    specific = {(one.need, one.profile_name) for one in rows if one.need and one.profile_name}
    profiles = {name: found for name, text in reading.profiles().items() if (found := _profile(dict(text)))}
    # A little of a forecast lies before its early day, so somewhat more rows are asked for.
    asked = (days[-1] + timedelta(days=WEEK_DAYS * _TAIL_WEEKS)).isoformat()
    due = reading.due_rows(asked)
    demands = make_demands(due, days, specific, profiles, reading.renewed_since(due))
    return match(rows, demands, today, until)


def _profile(data: dict[str, Any]) -> Profile | None:
    """Return a profile, None where its text makes none: then its oil is counted as of one that nobody gave."""
    try:
        return profile_of(data)
    except (InputError, KeyError, TypeError, ValueError):
        return None


def _find(reading: Reading, part_no: str) -> StockRow:
    row = reading.stock_row(part_no) if len(part_no) <= NUMBER_SIGNS else None
    if row is None:
        raise HTTPException(404, f"no part {one_line(part_no, 40)!r} in the catalogue; see the list of parts")
    return row


def _form_values(frame: Frame, profile_names: list[str]) -> dict[str, Any]:
    return {
        "needs": NEEDS,
        "need_names": {one.key: one.name for one in NEEDS},
        "units": {one.key: one.unit for one in NEEDS},
        "profile_names": sorted(profile_names),
        "most_lead_days": MOST_LEAD_DAYS,
        "name_limit": NAME_SIGNS,
        "why_limit": WHY_SIGNS,
        "currency": frame.settings.currency,
    }


def _as_told(row: StockRow, currency: str) -> dict[str, str]:
    """Return a part as its form shows it."""
    return {
        "part_no": row.part_no,
        "name": row.name,
        "need": row.need or "",
        "profile_name": row.profile_name or "",
        "lead_days": str(row.lead_days),
        "least_count": str(row.least_count),
        "price": price_text(row.price_minor, currency),
    }


def _part(write: Write, reading: Reading) -> dict[str, Any]:
    """Return a part as it is to stand now; its price is a manager's to change."""
    part_no = write.field("part_no")
    if not _NUMBER.fullmatch(part_no):
        raise InputError(f"number {one_line(part_no, 40)!r}: letters, digits, spaces and . _ + -, at most 40")
    before = reading.stock_row(part_no)
    if before is not None and write.field("is_known") != "yes" and not before.is_gone:
        raise InputError(f"number {part_no}: is in the catalogue already, as {before.name}; open it there")
    profile_name = write.field("profile_name") or None
    if profile_name is not None and profile_name not in reading.profiles():
        raise InputError(f"profile {one_line(profile_name, 40)!r}: no damper here has it; leave it empty for all")
    price = None if before is None else before.price_minor
    if write.viewer.may(MANAGER):
        price = parse_price(write.field("price"), write.frame.settings.currency)
    return {
        "part_no": part_no,
        "name": check_text(write.field("name"), "name", NAME_SIGNS),
        "need": _need(write.field("need")),
        "profile_name": profile_name,
        "lead_days": _count(write.field("lead_days") or "0", "lead time in days", MOST_LEAD_DAYS),
        "price_minor": price,
        "least_count": _count(write.field("least_count") or "0", "least count", MOST_COUNT),
        "is_gone": write.field("is_gone") == "yes",
    }


def _need(text: str) -> str | None:
    return need_of(text).key if text else None


def _change(write: Write, row: StockRow) -> tuple[int, str]:
    """Return by how much a stock changes, and why."""
    way, number = write.field("way"), _count(write.field("number"), "number", MOST_COUNT)
    if way not in CHANGES:
        raise InputError(f"stock: {one_line(way, 20)!r}, give one of {', '.join(CHANGES)}")
    change = {DELIVERED: number, TAKEN: -number, COUNTED: number - row.count}[way]
    if change == 0:
        raise InputError(f"stock of {row.part_no}: {row.count} are there already, so nothing changes")
    if way == TAKEN and number > row.count:
        raise InputError(f"stock of {row.part_no}: {row.count} are there, {number} can't be taken out; count them anew")
    note = write.field("note")
    return change, check_text(f"{way}: {note}" if note else way, "note", WHY_SIGNS)


def _count(text: str, what: str, most: int) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 9 and int(text) <= most):
        raise InputError(f"{what}: {one_line(text, 20)!r}, give a whole number from 0 to {most}")
    return int(text)
