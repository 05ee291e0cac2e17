"""Duty cards that were issued, and the keys they were signed with, as entries of the chain (shared/DUTY_CARD.md).

The card itself is made and signed elsewhere: here stand its number, what it said and whose key it was.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.duty.totals import SUMS, TOTALS_COLUMNS, Totals
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.chain import append_entry
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Entry, EntryDraft, Unit

CARD_KEY, CARD_ISSUED = "card_key", "card_issued"
FIRST, CHANGED = "first", "changed"
"""Why a `card_key` was written: the ledger's first key, or another than the one before."""
KEY_ID_SIGNS = 16
_HEX_32_BYTES = re.compile(r"[0-9a-f]{64}", re.ASCII)
_MOST_TOTAL = 2**53
"""Canonical JSON has whole numbers up to here exactly. Source: RFC 8785, 3.2.2.3; IEEE 754 double."""


@dataclass(frozen=True, slots=True)
class IssuedCard:
    """A card that was issued. row: of its entry. number: of this unit's cards, from 1.

    revision, totals: what the card says of the unit's life. body_digest: SHA-256 in hex, see shared/DUTY_CARD.md.
    """

    row: int
    unit_id: str
    number: int
    key_id: str
    body_digest: str
    revision: int
    totals: Totals
    by: str
    utc_ns: int
    utc_trusted: bool


@dataclass(frozen=True, slots=True)
class CardKey:
    """A key that cards of this ledger were signed with. row: of its entry. why: FIRST or CHANGED."""

    row: int
    key_id: str
    public_key: str
    why: str
    utc_ns: int
    utc_trusted: bool


def check_hex(value: object, what: str) -> str:
    """Return 32 bytes in lower-case hex; InputError for anything else."""
    if not isinstance(value, str) or not _HEX_32_BYTES.fullmatch(value):
        raise InputError(f"{what}: {value!r:.40} is no 64 hexadecimal digits in lower case")
    return value


def check_totals(value: object, what: str) -> dict[str, int | None]:
    """Return totals by the columns of duty.totals; InputError for anything else."""
    if not isinstance(value, dict) or set(value) != set(TOTALS_COLUMNS):
        raise InputError(f"{what}: expected exactly the columns of a damper's totals")
    for name, number in value.items():
        if number is None and name == "peak_body_mc":
            continue
        least = -_MOST_TOTAL if name == "peak_body_mc" else 0
        if type(number) is not int or not least <= number <= _MOST_TOTAL:
            raise InputError(f"{what}: {name} {number!r:.40} is no whole number from {least} to 2^53")
    return {name: value[name] for name in TOTALS_COLUMNS}


def key_id_of(public_key: str) -> str:
    """Return the id of an Ed25519 key: the first signs of the SHA-256 of its 32 bytes, given in hex."""
    return hashlib.sha256(bytes.fromhex(public_key)).hexdigest()[:KEY_ID_SIGNS]


def store(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> IssuedCard:
    """Write the entry of a checked request `card_issued`, and before it that of its key where that is new.

    Both go into one transaction; the entry of the card is the newest of the chain then.
    Raises:
        LedgerError: no such unit, or the chain, the number or the totals are not those the card was made from.
    """
    unit = ledger.find_unit(request["unit"])
    totals = Totals(**request["totals"])
    at = ledger.cursor().hot_sequence if sequence is None else sequence
    with ledger.database.write() as connection:
        _refuse_other(ledger, unit, request, totals)
        stamp, known = ledger.stamp(), last_key(ledger)
        key_id = key_id_of(request["public_key"])
        if known is None or known.public_key != request["public_key"]:
            key = {
                "key_id": key_id,
                "public_key": request["public_key"],
                "why": FIRST if known is None else CHANGED,
            }
            append_entry(ledger.database, connection, stamp, EntryDraft(CARD_KEY, None, key), at)
        data = {
            "sequence": request["number"],
            "key_id": key_id,
            "body_digest": request["body_digest"],
            "revision": request["revision"],
            "totals": request["totals"],
            "by": request["by"],
        }
        entry = append_entry(ledger.database, connection, stamp, EntryDraft(CARD_ISSUED, unit.unit_id, data), at)
    return _read_issued(ledger, entry)


def last_issued(ledger: Ledger, unit_id: str) -> IssuedCard | None:
    """Return the newest card of a unit, None before the first."""
    entries = [entry for entry in ledger.entries_of(CARD_ISSUED) if entry.unit_id == unit_id]
    return _read_issued(ledger, entries[-1]) if entries else None


def last_key(ledger: Ledger) -> CardKey | None:
    """Return the key that the newest cards were signed with, None before the first card."""
    entry = ledger.last_entry(CARD_KEY)
    if entry is None:
        return None
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        public_key = check_hex(data["public_key"], "public_key")
        return CardKey(entry.row, str(data["key_id"]), public_key, str(data["why"]), entry.utc_ns, entry.utc_trusted)


def head_row(ledger: Ledger) -> int:
    """Return the number of the chain's newest entry, 0 before the first."""
    newest = ledger.entries(limit=1)
    return newest[0].row if newest else 0


def _refuse_other(ledger: Ledger, unit: Unit, request: Mapping[str, Any], totals: Totals) -> None:
    """Refuse a card of another state of the ledger than the present one."""
    head = head_row(ledger)
    if request["head_row"] != head:
        raise LedgerError(
            f"the ledger was told something while the card was made (entry {head}, not {request['head_row']}); "
            "make it again"
        )
    last = last_issued(ledger, unit.unit_id)
    number = 1 if last is None else last.number + 1
    if request["number"] != number:
        raise LedgerError(f"the next card of damper {unit.label} is {number}, not {request['number']}; make it again")
    counted = ledger.counted(unit.unit_id)
    more = [name for name in SUMS if getattr(totals, name) > getattr(counted, name)]
    if more:
        raise LedgerError(f"a card of damper {unit.label} can't say {more[0]} is more than was counted; make it again")
    if last is not None and last.revision == request["revision"]:
        fallen = [name for name in SUMS if getattr(totals, name) < getattr(last.totals, name)]
        if fallen:
            raise LedgerError(
                f"a card of damper {unit.label} can't say less than its card {last.number} ({fallen[0]}); make it again"
            )


def _read_issued(ledger: Ledger, entry: Entry) -> IssuedCard:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        columns: dict[str, Any] = dict(check_totals(data["totals"], "totals"))
        return IssuedCard(
            row=entry.row,
            unit_id=str(entry.unit_id),
            number=int(data["sequence"]),
            key_id=str(data["key_id"]),
            body_digest=check_hex(data["body_digest"], "body_digest"),
            revision=int(data["revision"]),
            totals=Totals(**columns),
            by=str(data["by"]),
            utc_ns=entry.utc_ns,
            utc_trusted=entry.utc_trusted,
        )
