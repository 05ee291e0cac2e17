"""What a trip's stored data was made from: another stamp means that it is made anew."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from dutylog import ENGINE
from dutylog.ledger.corrections import RECOUNTED

if TYPE_CHECKING:
    from dutylog.ledger.ledger import Ledger
    from dutylog.ledger.trip_book import BookTrip

ANALYSIS = 2
"""Raised when the analysis finds other things in the same log: then trips are read anew."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a review was made from.

    schema: of the files. spans: of the trip. shares: the ledger's sums, by unit and position. recounted: row of the
    newest entry `recounted`, 0 for none.
    """

    schema: int
    engine: str
    spans: tuple[tuple[int, ...], ...]
    is_open: bool
    shares: tuple[tuple[Any, ...], ...]
    recounted: int

    def to_dict(self) -> dict[str, Any]:
        """Return the stamp as JSON gives it back."""
        content: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return content

    def has_cut_of(self, kept: Mapping[str, Any]) -> bool:
        """Tell whether a stamp that was read holds the same stretch of time with the same sums.

        By which version it was read doesn't matter: comparisons must not lose all earlier trips by an upgrade.
        """
        return self.has_spans_of(kept) and bool(kept.get("shares") == self.to_dict()["shares"])

    def has_spans_of(self, kept: Mapping[str, Any]) -> bool:
        """Tell whether a stamp that was read holds the same stretch of time."""
        return isinstance(kept, Mapping) and bool(kept.get("spans") == self.to_dict()["spans"])


def make_stamp(ledger: Ledger, trip: BookTrip) -> Stamp:
    """Return what the data of a trip is made from, beside what people tell."""
    recounted = ledger.last_entry(RECOUNTED)
    return Stamp(
        ANALYSIS,
        ENGINE,
        make_spans(trip),
        trip.is_open,
        tuple((one.unit_id, one.position, *one.totals.as_row()) for one in trip.dampers),
        0 if recounted is None else recounted.row,
    )


def make_spans(trip: BookTrip) -> tuple[tuple[int, ...], ...]:
    """Return where a trip lies, as it is kept beside what was made of it."""
    return tuple((one.epoch, one.start_tile, one.start_ns, one.length_ns) for one in trip.spans)
