"""The due board, and the text for an owner."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from urllib.parse import urlencode

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.board import MOST_WEEKS, NAMES, WEEKS, Asked, DueDamper, Group, last_day, make_board
from dutylog.bench.owner_text import Source, owner_text, read_miles, read_source
from dutylog.bench.roles import VIEWER
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Damper
from dutylog.errors import one_line
from dutylog.life.urgency import STATES
from dutylog.web.bench.frame import Frame, Seen
from dutylog.web.bench.radio_listener import RadioState

AHEAD = (4, 8, WEEKS, 26, MOST_WEEKS)
"""Weeks one may choose."""
SHOWN_AT_FIRST, SHOWN_AT_ONCE, LEAST_SHOWN = 12, 100, 3
"""Dampers of a week among others, of one that was opened and of the whole board, and of a week where weeks are many."""
MOST_TEXT = 80


@dataclass(frozen=True, slots=True)
class GroupShown:
    """A group on the page. dampers: those shown. count: of all of it. more: address of the rest, '' without one."""

    group: Group
    dampers: tuple[DueDamper, ...]
    count: int
    more: str


def add_board(app: FastAPI, frame: Frame) -> None:
    """Add the due board. app.state.radio: how listening to radio goes, None where nothing listens."""
    if not hasattr(app.state, "radio"):
        app.state.radio = None

    @frame.page("/board", least=VIEWER, here="board")
    def board(seen: Seen) -> Response:
        weeks, asked = _weeks(seen), _asked(seen)
        until = last_day(frame.today(), weeks)
        with seen.store.snapshot() as reading:
            groups = _read_board(reading, frame, weeks, asked)
            known, customer = reading.damper_count(), reading.customer(asked.customer_id) if asked.customer_id else None
        radio: RadioState | None = app.state.radio() if app.state.radio else None
        return seen.render(
            "bench/board.html",
            groups=_shown(groups, seen, weeks, asked),
            only=seen.query.get("group", ""),
            back=_address(weeks, asked),
            due_count=sum(len(one.dampers) for one in groups if not one.is_later),
            later_count=sum(len(one.dampers) for one in groups if one.is_later),
            known=known,
            customer=customer,
            until=until,
            weeks=weeks,
            ahead=AHEAD,
            asked=asked,
            states=STATES[::-1],
            names=NAMES,
            radio=radio,
            text_limit=MOST_TEXT,
        )

    @frame.page("/board/owner/{damper}", least=VIEWER, here="board")
    def owner(seen: Seen) -> Response:
        key, weeks = seen.params["damper"], _weeks(seen)
        with seen.store.snapshot() as reading:
            damper = reading.damper(key) if len(key) <= MOST_TEXT else None
            if damper is None:
                raise HTTPException(404, f"no damper {one_line(key, 40)!r}; open it from the due board")
            dampers = _of_vehicle(reading, frame, damper, weeks)
            miles, sources = {}, {}
            for one in dampers:
                key, card = one.row.damper_id, reading.newest_card(one.row.damper_id)
                miles[key] = {} if card is None else read_miles(card)
                code = reading.newest_summary(key) if card is None else None
                if card is not None:
                    sources[key] = read_source(card)
                elif code is not None:
                    sources[key] = Source(date.fromisoformat(code["summary"]["d"]))
            customer = next((one.row.customer_id for one in dampers if one.row.customer_id), None)
            told = None if customer is None else reading.customer(customer)
        text = owner_text(dampers, frame.settings.name, frame.today(), miles, sources) if dampers else ""
        return seen.render("bench/owner_text.html", damper=damper, text=text, customer=told, weeks=weeks)


def _read_board(reading: Reading, frame: Frame, weeks: int, asked: Asked) -> tuple[Group, ...]:
    today = frame.today()
    until = last_day(today, weeks).isoformat()
    here = {one.job.damper_id for one in reading.open_jobs()}
    rows = reading.due_rows(until)
    return make_board(rows, today, weeks, reading.renewed_since(rows), here, asked)


def _of_vehicle(reading: Reading, frame: Frame, damper: Damper, weeks: int) -> list[DueDamper]:
    """Return the dampers of a vehicle that may be due within the weeks."""
    today = frame.today()
    its = (damper,) if damper.vehicle_key is None else reading.dampers_of(damper.vehicle_key)
    rows = [row for one in its for row in reading.due_of(one.damper_id)]
    groups = make_board(rows, today, weeks, reading.renewed_since(rows))
    return [one for group in groups for one in group.dampers]


def _shown(groups: tuple[Group, ...], seen: Seen, weeks: int, asked: Asked) -> list[GroupShown]:
    """Return what the page shows: the first dampers of each group, or a page of the one that was opened."""
    key = seen.query.get("group", "")
    if not key:
        first = max(LEAST_SHOWN, min(SHOWN_AT_FIRST, SHOWN_AT_ONCE // max(1, len(groups))))
        return [_first_of(one, first, weeks, asked) for one in groups]
    found = [one for one in groups if one.key == key]
    start = _number(seen.query.get("from", ""), 0, 1_000_000)
    shown = []
    for one in found:
        end = start + SHOWN_AT_ONCE
        more = _address(weeks, asked, key, end) if end < len(one.dampers) else ""
        shown.append(GroupShown(one, one.dampers[start:end], len(one.dampers), more))
    return shown


def _first_of(group: Group, first: int, weeks: int, asked: Asked) -> GroupShown:
    count = len(group.dampers)
    more = _address(weeks, asked, group.key) if count > first else ""
    return GroupShown(group, group.dampers[:first], count, more)


def _address(weeks: int, asked: Asked, group: str = "", start: int = 0) -> str:
    """Return the board with these choices."""
    told = {"weeks": weeks if weeks != WEEKS else "", "q": asked.text, "state": asked.state, "part": asked.part}
    told |= {"customer": asked.customer_id, "group": group, "from": start or ""}
    query = urlencode({name: value for name, value in told.items() if value != ""})
    return f"/board?{query}" if query else "/board"


def _weeks(seen: Seen) -> int:
    return _number(seen.query.get("weeks", ""), WEEKS, MOST_WEEKS) or WEEKS


def _asked(seen: Seen) -> Asked:
    state, part = seen.query.get("state", ""), seen.query.get("part", "")
    text = " ".join(seen.query.get("q", "").split())[:MOST_TEXT]
    customer = seen.query.get("customer", "")[:MOST_TEXT]
    return Asked(text, state if state in STATES else "", part if part in NAMES else "", customer)


def _number(text: str, otherwise: int, most: int) -> int:
    """Return a whole number of an address, `otherwise` for anything that is none."""
    return min(int(text), most) if text.isascii() and text.isdigit() and len(text) < 9 else otherwise
