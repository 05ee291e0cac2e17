"""The due board: every known damper by forecast over the coming weeks, and how likely each part is due by a day.

Pure functions over the store's rows. Words of urgency are those of life/urgency.py.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

from dutylog.bench.store.rows import DueRow
from dutylog.life.parts import part_names
from dutylog.life.urgency import OVER, Urgency, judge_part

WEEKS, MOST_WEEKS = 12, 52
"""Ahead of today: as one sees it first, and at most. Source: judgement."""
WEEK_DAYS = 7
_NEVER = date.max.isoformat()
NAMES: Mapping[str, str] = part_names(None)
"""Of wear parts, by key, of any damper."""


@dataclass(frozen=True, slots=True)
class DuePart:
    """A part on the board. early, likely, late: due by then in 1, 5 and 9 of 10 cases, None: not foreseen."""

    key: str
    early: date | None
    likely: date | None
    late: date | None
    order_by: date | None
    used_ratio: float | None
    urgency: Urgency

    @property
    def name(self) -> str:
        """Return what people call it."""
        return NAMES.get(self.key, self.key)

    @property
    def day(self) -> date:
        """Return the day it stands under: when it is as likely due as not, else its early one."""
        return self.likely or self.early or date.max


@dataclass(frozen=True, slots=True)
class DueDamper:
    """A damper on the board. row: whose it is and how it is built. parts: due within the weeks, most urgent first.

    made: day of the forecast. is_here: a job of it is under way.
    """

    row: DueRow
    parts: tuple[DuePart, ...]
    made: date
    is_here: bool

    @property
    def state(self) -> str:
        """Return the word of its most urgent part."""
        return self.parts[0].urgency.state

    @property
    def day(self) -> date:
        """Return the first day on which one of its parts is as likely due as not."""
        return min(part.day for part in self.parts)


@dataclass(frozen=True, slots=True)
class Group:
    """Dampers of one week, the most urgent first. start: its Monday; None: now, or `is_later` beyond the weeks."""

    start: date | None
    dampers: tuple[DueDamper, ...]
    is_later: bool = False

    @property
    def end(self) -> date | None:
        """Return its Sunday."""
        return None if self.start is None else self.start + timedelta(days=WEEK_DAYS - 1)

    @property
    def key(self) -> str:
        """Return what an address calls it."""
        return "later" if self.is_later else "now" if self.start is None else self.start.isoformat()


@dataclass(frozen=True, slots=True)
class Asked:
    """Which dampers are asked for. text: in label, vehicle or customer. '' or None: all."""

    text: str = ""
    state: str = ""
    part: str = ""
    customer_id: str = ""


def make_board(
    rows: Iterable[DueRow],
    today: date,
    weeks: int = WEEKS,
    renewed: Mapping[str, Collection[str]] | None = None,
    here: Collection[str] = (),
    asked: Asked | None = None,
) -> tuple[Group, ...]:
    """Return the board: now, then week by week, then those that may be due within the weeks but likely are later.

    Args:
        rows: of Reading.due_rows until the last day of the weeks. renewed: parts replaced here since their forecast;
        they are left out. here: damper_ids with a job under way. asked: which of them; None: all.
    """
    until = last_day(today, weeks)
    last = until.isoformat()
    by_damper: dict[str, list[DueRow]] = {}
    for row in rows:
        if row.part not in (renewed or {}).get(row.damper_id, ()):
            by_damper.setdefault(row.damper_id, []).append(row)
    groups: dict[tuple[bool, date], list[DueDamper]] = {}
    for damper_id, its in by_damper.items():
        if asked is not None and not _is_asked_row(its[0], asked):
            continue
        due = [one for one in its if (one.early or one.likely or _NEVER) <= last or (one.used_ratio or 0.0) >= 1.0]
        if not due:
            continue
        parts = sorted((read_part(one, today) for one in due), key=lambda one: one.urgency.order)
        made = _day(max(one.day for one in its)) or today
        damper = DueDamper(its[0], tuple(parts), made, damper_id in here)
        if asked is None or _is_asked(damper, asked):
            groups.setdefault(_group_of(damper, today, until), []).append(damper)
    return tuple(
        Group(None if start == date.min else start, tuple(sorted(groups[later, start], key=_order)), later)
        for later, start in sorted(groups)
    )


def read_part(row: DueRow, today: date) -> DuePart:
    """Return a row of the store as a part of the board."""
    early, likely, late, order_by = (_day(one) for one in (row.early, row.likely, row.late, row.order_by))
    calendar = likely if row.used_ratio is None else None
    urgency = judge_part(row.used_ratio, early, likely, calendar, today)
    return DuePart(row.part, early, likely, late, order_by, row.used_ratio, urgency)


def last_day(today: date, weeks: int) -> date:
    """Return the last day of the weeks: a Sunday."""
    return monday(today) + timedelta(days=WEEK_DAYS * weeks + WEEK_DAYS - 1)


def monday(day: date) -> date:
    """Return the Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def _group_of(damper: DueDamper, today: date, until: date) -> tuple[bool, date]:
    """Return whether it is likely later, and the Monday it stands under; today's date stands for now."""
    if damper.day <= today or damper.state == OVER:
        return False, date.min
    return (True, date.min) if damper.day > until else (False, monday(damper.day))


def _order(damper: DueDamper) -> tuple[object, ...]:
    # those whose customer nobody knows come last
    return (*damper.parts[0].urgency.order, damper.row.customer_name or "\uffff", damper.row.label)


def _is_asked_row(row: DueRow, asked: Asked) -> bool:
    if asked.customer_id and row.customer_id != asked.customer_id:
        return False
    words = asked.text.casefold().split()
    if not words:
        return True
    told = " ".join(one for one in (row.label, row.tag, row.vehicle_label, row.customer_name, row.profile_name) if one)
    return all(word in told.casefold() for word in words)


def _is_asked(damper: DueDamper, asked: Asked) -> bool:
    return (not asked.state or damper.state == asked.state) and (
        not asked.part or any(one.key == asked.part for one in damper.parts)
    )


@lru_cache(maxsize=8192)
def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
