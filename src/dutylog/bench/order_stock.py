"""Parts of an order against the stock: what is still to be taken out of it, and what goes back (shared/BENCH.md)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from dutylog.bench.order import BUILT, CHECKED, HANDED_OVER, IN_WORK
from dutylog.bench.order_sum import Line
from dutylog.bench.store.rows import StockRow
from dutylog.errors import InputError

TAKEN_FROM = (IN_WORK, BUILT, CHECKED, HANDED_OVER)
"""Stages in which the parts of an order are in the damper, or on the bench beside it."""


class StockEntry(Protocol):
    """An entry `stock_change` of the bench's chain."""

    @property
    def data(self) -> Mapping[str, Any]:
        """Return the fields of its kind."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A part of the catalogue that an order names.

    asked_count: on its lines. taken_count: out of the stock for this job so far. there_count: in the stock now.
    """

    part_no: str
    name: str
    asked_count: int
    taken_count: int
    there_count: int

    @property
    def change(self) -> int:
        """Return what the stock changes by so that it follows the order: below 0 taken out, above 0 put back."""
        return self.taken_count - self.asked_count


def find_outgoing(
    lines: Sequence[Line], rows: Sequence[StockRow], changes: Iterable[StockEntry], job: int
) -> tuple[tuple[Outgoing, ...], tuple[Line, ...]]:
    """Return the parts whose stock doesn't follow the order, by number; and lines whose count is no whole number.

    Args:
        lines: those that stand. rows: the catalogue. changes: of the stock, those of other jobs among them.
    """
    known = {row.part_no: row for row in rows}
    asked: dict[str, float] = {}
    broken = []
    for line in lines:
        if line.part_no not in known:
            continue
        if line.count != int(line.count):
            broken.append(line)
            continue
        asked[line.part_no] = asked.get(line.part_no, 0) + line.count
    taken: dict[str, int] = {}
    for one in changes:
        if one.data.get("job") == job:
            part_no = str(one.data["part_no"])
            taken[part_no] = taken.get(part_no, 0) - int(one.data["change"])
    by_hand = {line.part_no for line in broken}
    found = [
        Outgoing(part_no, known[part_no].name, int(asked.get(part_no, 0)), taken.get(part_no, 0), known[part_no].count)
        for part_no in sorted({*asked, *taken} - by_hand)
        if part_no in known
    ]
    return tuple(one for one in found if one.change), tuple(broken)


def stock_entries(found: Sequence[Outgoing], stage: str | None, seen: str, job: int) -> list[dict[str, Any]]:
    """Return the data of an entry `stock_change` for each part.

    Args:
        stage: of the order. seen: `outgoing_mark` of what whoever pressed had before them.
    Raises:
        InputError: work hasn't begun, nothing is left to take out, it has changed since, or more than is there.
    """
    if stage not in TAKEN_FROM:
        raise InputError("parts are taken out of the stock once the order is in work")
    if not found:
        raise InputError("the stock follows this order already")
    if seen != outgoing_mark(found):
        raise InputError("a line or the stock has changed since the page was opened; look at the parts again")
    if short := next((one for one in found if one.there_count + one.change < 0), None):
        there = f"{-short.change} asked for, {short.there_count} there by the stock"
        raise InputError(f"part {short.part_no:.40}: {there}; count it on its page first")
    why = {True: f"job {job}: taken for it", False: f"job {job}: put back"}
    return [{"part_no": one.part_no, "change": one.change, "why": why[one.change < 0], "job": job} for one in found]


def outgoing_mark(found: Sequence[Outgoing]) -> str:
    """Return what a page sends so that only what was seen is taken out."""
    return " ".join(f"{one.part_no}:{one.change}" for one in found)
