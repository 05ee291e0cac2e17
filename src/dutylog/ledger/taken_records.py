"""Records of benches that a ledger took, and whether another one may follow them: its key, its turn, its visit.

Fields of the entries: shared/LEDGER.md; rules for people: shared/SERVICE_RECORD.md.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dutylog.errors import LedgerError
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Entry, Unit

SERVICE_RECORD = "service_record"
_NAMED_DIGITS = 16
"""First digits of a record's digest by which a person accepts that very record."""


@dataclass(frozen=True, slots=True)
class TakenRecord:
    """A record that was taken. sequence: at its bench. visit: of the damper at the bench, whatever its job's number.

    service, gas, profile: rows of its entries, None where it had none.
    """

    row: int
    unit_id: str
    digest: str
    bench_id: str
    bench: str
    key_id: str
    sequence: int
    job: int
    visit: str
    service: int | None
    gas: int | None
    profile: int | None


def read_records(ledger: Ledger) -> list[TakenRecord]:
    """Return all records that were taken, oldest first; LedgerCorrupt when one can't be read."""
    return [_read(ledger, one) for one in ledger.entries_of(SERVICE_RECORD)]


def is_same_visit(one: TakenRecord, unit_id: str, bench_id: str, visit: str) -> bool:
    """Return whether a record is of that visit of that damper; a job number may come twice, a visit's id doesn't."""
    return (one.unit_id, one.bench_id, one.visit) == (unit_id, bench_id, visit)


def check_key(records: Sequence[TakenRecord], request: Mapping[str, Any]) -> list[str]:
    """Return notices for a bench seen first; LedgerError for one whose key has changed and wasn't accepted."""
    of_bench = [one for one in records if one.bench_id == request["bench_id"]]
    name, key_id = request["bench"], request["key_id"]
    if not of_bench:
        first = (
            f"the first record of {name} here; its key {_words(key_id)} is trusted from now on, compare it with them"
        )
        return [first, *_say_namesake(records, name, key_id)]
    if any(one.key_id == key_id for one in of_bench[-1:]):
        return []
    if request["accept_key"] == key_id:
        return [f"{name} signs with another key than before, {_words(key_id)}; you accepted it"]
    raise LedgerError(
        f"{name} signed its records with key {_words(of_bench[-1].key_id)} so far, this one with {_words(key_id)}; "
        f"ask them whether they have a new key, then give --accept-key {key_id}"
    )


def _say_namesake(records: Sequence[TakenRecord], name: str, key_id: str) -> list[str]:
    """Return a notice where a bench seen first has the name of another one, which it may only claim to be."""
    alike = [one for one in records if one.bench.casefold() == name.casefold()]
    if not alike:
        return []
    key = f"with key {_words(alike[-1].key_id)}" if alike[-1].key_id != key_id else "with the same key"
    return [
        f"another bench called {name} sent records before, signed {key}; this one has a bench id of its own, so ask "
        f"them whether they set up a new bench, and withdraw what it told if they did not"
    ]


def check_turn(ledger: Ledger, unit: Unit, records: Sequence[TakenRecord], request: Mapping[str, Any]) -> list[str]:
    """Return a notice where records before weren't taken; LedgerError for one taken already or out of turn."""
    taken = next((one for one in records if one.digest == request["digest"]), None)
    if taken is not None:
        other = None if taken.unit_id == unit.unit_id else ledger.unit(taken.unit_id)
        whose = "" if other is None else f", for damper {other.label}; a record is of one damper"
        raise LedgerError(f"damper {unit.label}: this very record was taken already as entry {taken.row}{whose}")
    bench, number = request["bench"], request["sequence"]
    ours = [one for one in records if one.unit_id == unit.unit_id and one.bench_id == request["bench_id"]]
    if not ours:
        return [f"records of {bench} before {number} were never taken here; what they told is missing"] * (number > 1)
    # The newest by when it was taken: a bench put back from a copy counts on from what it knew then.
    last = ours[-1]
    complaint = _complain(last, request)
    if not complaint:
        missing = f"record {last.sequence + 1} of {bench} was never taken here; what it told is missing"
        return [missing] * (number > last.sequence + 1)
    named = request["digest"][:_NAMED_DIGITS]
    if request["accept_record"] == named:
        return [
            f"{bench} counts its records of this damper anew from {number} on; you accepted it. What record "
            f"{last.sequence} told, entry {last.row}, counts besides unless both are of one visit"
        ]
    raise LedgerError(
        f"damper {unit.label}: {complaint}; if they put their bench back from a copy and this one counts, give "
        f"--accept-record {named}"
    )


def _complain(last: TakenRecord, request: Mapping[str, Any]) -> str:
    """Return why a record can't follow the one that was taken last, empty where it can."""
    bench, number = request["bench"], request["sequence"]
    if number == last.sequence:
        return f"{bench} made two records {number}; ask them which one counts"
    if number < last.sequence:
        return f"record {number} of {bench} is older than record {last.sequence}, which was taken"
    if number == last.sequence + 1 and request["previous"] != last.digest:
        return (
            f"record {number} of {bench} follows another record than the one taken here as entry {last.row}; ask them "
            "for both"
        )
    return ""


def corrected_rows(
    unit: Unit, records: Sequence[TakenRecord], request: Mapping[str, Any], withdrawn: frozenset[int]
) -> tuple[int, ...]:
    """Return rows that an earlier record of the same visit wrote and that still count: this record stands for them."""
    same = [one for one in records if is_same_visit(one, unit.unit_id, request["bench_id"], request["visit"])]
    rows = [row for one in same for row in (one.service, one.gas) if row is not None]
    return tuple(row for row in rows if row not in withdrawn)


def _read(ledger: Ledger, entry: Entry) -> TakenRecord:
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        rows = (None if data[name] is None else int(data[name]) for name in ("service", "gas", "profile"))
        service, gas, profile = rows
        return TakenRecord(
            entry.row,
            str(entry.unit_id),
            str(data["digest"]),
            str(data["bench_id"]),
            str(data["bench"]),
            str(data["key_id"]),
            int(data["sequence"]),
            int(data["job"]),
            str(data["visit"]),
            service,
            gas,
            profile,
        )


def _words(key_id: str) -> str:
    """Return a key's name as people compare it: four groups of four."""
    return " ".join(key_id[at : at + 4] for at in range(0, len(key_id), 4))
