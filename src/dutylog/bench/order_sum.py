"""Lines of a work order, what they come to, and the digest by which an approval names them."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.bench.job_state import JobState, Told
from dutylog.recording.codec import encode_json


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the order that stands. count: of `unit`. price_minor: of one in `currency`, None: no price kept.

    amount_minor: count x price, to the whole minor unit, None without a price.
    """

    line_id: str
    kind: str
    text: str
    count: float
    unit: str | None
    part_no: str | None
    need: str | None
    price_minor: int | None
    entry: int
    by: str
    currency: str | None = None

    @property
    def amount_minor(self) -> int | None:
        """Return what the line comes to, half a minor unit counted up."""
        return None if self.price_minor is None else math.floor(self.count * self.price_minor + 0.5)


def standing_lines(state: JobState) -> tuple[Line, ...]:
    """Return the lines that were not taken out, in the order they were first told."""
    return tuple(_line(line_id, told) for line_id, told in state.open_lines.items())


def sum_lines(lines: Sequence[Line]) -> int | None:
    """Return the sum in minor units; None without a line, where one has no price, or with two currencies."""
    if len({one.currency for one in lines}) > 1:
        return None
    amounts = [one.amount_minor for one in lines]
    known = [one for one in amounts if one is not None]
    return sum(known) if known and len(known) == len(amounts) else None


def digest_lines(lines: Sequence[Line]) -> str:
    """Return SHA-256 in hex of what the lines say, which an approval names, with prices and their currency."""
    told = [
        [one.line_id, one.kind, one.text, f"{one.count:.6f}", one.unit, one.part_no, one.price_minor, one.currency]
        for one in sorted(lines, key=lambda line: line.line_id)
    ]
    return hashlib.sha256(encode_json({"lines": told})).hexdigest()


def price_problem(lines: Sequence[Line]) -> str:
    """Return why prices have no sum though there are some, '' where they have one or none is kept."""
    priced = [one for one in lines if one.price_minor is not None]
    if bare := [one for one in lines if one.price_minor is None and priced]:
        text = bare[0].text if len(bare[0].text) <= 60 else f"{bare[0].text[:59]}…"
        return f"line {text} has no price while others have one; a manager sets it, 0 for what costs nothing"
    currencies = sorted({one.currency or "the money of before" for one in priced})
    return f"prices in {' and '.join(currencies)}: a manager sets them all in one" if len(currencies) > 1 else ""


def _line(line_id: str, told: Told) -> Line:
    data = told.data
    names = ("unit", "part_no", "need", "currency")
    texts = {name: None if data.get(name) is None else str(data[name]) for name in names}
    price = data.get("price_minor")
    return Line(
        line_id=line_id,
        kind=str(data["kind"]),
        text=str(data["text"]),
        count=float(data["count"]),
        price_minor=None if price is None else int(price),
        entry=told.entry,
        by=told.by,
        **texts,
    )
