"""Where a trip or a part of one begins, as entries keep it: keys of parts change with every cut, begins don't.

Fields: shared/REVIEW.md, Entries.
"""

from __future__ import annotations

from dutylog.errors import LedgerError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_pieces import Place
from dutylog.ledger.trip_repairs import Repairs, read_repairs

_NUMBERS = range(1, 10**9)
_PLACES = range(2**53)


def start_of(ledger: Ledger, key: str | int) -> list[int]:
    """Return what tells a trip or a part of one from others whatever is cut later, for an entry to keep.

    That is its number, and epoch and minute of its begin where that is a cut.
    Raises:
        LedgerError: no such trip.
    """
    first = TripBook(ledger).find(key, read_repairs(ledger.database)).pieces[0]
    return [first.number, *(first.begin or ())]


def key_now(ledger: Ledger, key: str, start: object, repairs: Repairs) -> str | None:
    """Return by which key what was told of a part is found now, None where no trip begins there any more.

    Args:
        key: of the trip as it was called then. start: as `start_of` gave it, None where an entry has none; then, where
            it makes no sense, and of a whole trip, whose number stays, it is that key.
        repairs: those of the ledger, read once for many keys.
    """
    if "." not in key or (begin := _read_start(start)) is None:
        return key
    number, place = begin
    if place is None and not repairs.cuts.get(number):
        return str(number)
    try:
        found = TripBook(ledger).find(number, repairs)
    except LedgerError:
        return None
    for part, (first, *_) in enumerate(found.parts, 1):
        if (first.number, first.begin) == begin:
            return f"{found.key}.{part}" if len(found.parts) > 1 else found.key
    return None


def _read_start(start: object) -> tuple[int, Place | None] | None:
    """Return number and begin as an entry has them; None for what makes no sense, which may be anything."""
    if not isinstance(start, list) or len(start) not in (1, 3) or any(type(one) is not int for one in start):
        return None
    number, *place = start
    if number not in _NUMBERS or any(one not in _PLACES for one in place):
        return None
    return number, Place(*place) if place else None
