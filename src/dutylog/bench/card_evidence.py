"""Whether a card's evidence holds in itself: hashes, order, numbers of cards, and that its body says the same.

Hashes of the vehicle's chain stand on the card from row 1 to its head, entries of the damper in full. The last entry
is that of the card itself and holds the digest of its body.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dutylog.bench.canonical import Kind, encode
from dutylog.bench.card_read import Card
from dutylog.bench.keys import key_words
from dutylog.bench.strict_json import read_object
from dutylog.duty.totals import SUMS
from dutylog.errors import CardRefused, one_line
from dutylog.ledger.card_entries import CARD_ISSUED, CARD_KEY
from dutylog.ledger.chain import DATA_LIMIT, FIRST_PREV_HASH, compute_hash
from dutylog.ledger.life_entries import GAS_READING, SERVICE, SHAFT_MARK, STATED_USE, WITHDRAW, known_day
from dutylog.ledger.rows import Entry

CHAIN, ENTRY_CHANGED, ENTRY_ORDER, ENTRY_FOREIGN = "chain", "entry_changed", "entry_order", "entry_foreign"
ISSUES, ISSUE_DIFFERS, TOTALS_FELL, TOLD_DIFFERS = "issues", "issue_differs", "totals_fell", "told_differs"
UNIT_ADD = "unit_add"
TEXT_LIMIT = 370
"""Signs of a line that says why. Source: judgement."""
_DATA = Kind("data of an entry", "", b"", DATA_LIMIT * 4, 12)


@dataclass(frozen=True, slots=True)
class Break:
    """Why evidence doesn't hold. text: one line."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class _Told:
    """An entry with its data read."""

    entry: Entry
    data: Mapping[str, Any]


class _Broken(Exception):
    """Evidence doesn't hold."""

    def __init__(self, code: str, text: str) -> None:
        # Names and data on a card may hold signs that no page should show.
        self.found = Break(code, one_line(text, TEXT_LIMIT))


def check_evidence(card: Card) -> Break | None:
    """Return the first thing that doesn't hold, None where all does."""
    try:
        entries = _check_entries(card)
        _check_begin(card, entries)
        issues = _check_issues(card, entries)
        _check_keys(card, entries, issues)
        _check_falls(issues)
        told = {one.entry.row: one for one in _read_standing(entries)}
        _check_told(card, told)
        _check_references(card, entries, told)
    except _Broken as err:
        return err.found
    except (LookupError, TypeError, ValueError, ArithmeticError, AttributeError, CardRefused) as err:
        # Data of an entry of another shape than ledgers write: its hash is right, so somebody made it.
        text = f"an entry of damper {card.label} has data that no ledger writes ({err!r:.80})"
        return Break(ENTRY_CHANGED, one_line(text, TEXT_LIMIT))
    return None


def name_fallen(now: Mapping[str, int | None], before: Mapping[str, int | None]) -> str:
    """Return the first sum that is less than before with both values, '' where none is. Peaks may come down."""
    for name in SUMS:
        was, is_now = before.get(name) or 0, now.get(name) or 0
        if is_now < was:
            return f"{name} {is_now} is below {was}"
    return ""


def _check_entries(card: Card) -> list[Entry]:
    """Return the damper's entries, each of which is a link of the chain on the card, in its order."""
    evidence = card.body["evidence"]
    chain = evidence["chain"]
    if len(chain) != card.head_row:
        raise _Broken(CHAIN, f"the chain of hashes has {len(chain)} rows, its head is {card.head_row}; it was cut")
    if chain[0] != card.ledger_id:
        raise _Broken(CHAIN, "the chain of hashes isn't that of the vehicle named: its first row is another")
    found: list[Entry] = []
    for written in evidence["entries"]:
        entry = _read_entry(written)
        _check_entry(card, entry, chain, found[-1].row if found else 0)
        found.append(entry)
    return found


def _check_entry(card: Card, entry: Entry, chain: Sequence[str], before: int) -> None:
    row = entry.row
    if row <= before:
        raise _Broken(ENTRY_ORDER, f"entry {row} stands behind entry {before}; entries were swapped or repeated")
    if row > card.head_row:
        raise _Broken(ENTRY_ORDER, f"entry {row} is beyond the chain's head {card.head_row}; it was added")
    if entry.unit_id != card.unit_id and not (entry.unit_id is None and entry.kind == CARD_KEY):
        raise _Broken(ENTRY_FOREIGN, f"entry {row} is of another damper than {card.label}; it was put in")
    prev_hash = FIRST_PREV_HASH.hex() if row == 1 else chain[row - 2]
    if entry.prev_hash.hex() != prev_hash or entry.hash.hex() != chain[row - 1]:
        raise _Broken(ENTRY_ORDER, f"entry {row} isn't the link that the chain has there; it was changed or moved")
    if compute_hash(entry) != entry.hash:
        raise _Broken(ENTRY_CHANGED, f"entry {row} ({entry.kind}) isn't as it was written: its hash is another")


def _read_entry(written: Mapping[str, Any]) -> Entry:
    return Entry(
        row=written["row"],
        revision=written["revision"],
        sequence=written["sequence"],
        utc_ns=int(written["utc_ns"]),
        utc_trusted=written["utc_trusted"],
        mono_ns=int(written["mono_ns"]),
        boot_id=written["boot_id"],
        kind=written["kind"],
        unit_id=written["unit_id"],
        data=written["data"],
        prev_hash=bytes.fromhex(written["prev_hash"]),
        hash=bytes.fromhex(written["hash"]),
    )


def _check_begin(card: Card, entries: Sequence[Entry]) -> None:
    """Refuse a history that doesn't begin with the damper's coming into the ledger, under the name on the card."""
    own = [entry for entry in entries if entry.kind != CARD_KEY]
    if not own or own[0].kind != UNIT_ADD:
        raise _Broken(ENTRY_ORDER, f"the history of damper {card.label} doesn't begin with its first entry; it was cut")
    added = _read(own[0]).data
    if any(added[name] != card.body["damper"][name] for name in ("serial", "tag")):
        raise _Broken(
            TOLD_DIFFERS, f"serial or tag of damper {card.label} isn't what its first entry says; it was changed"
        )


def _check_issues(card: Card, entries: Sequence[Entry]) -> list[_Told]:
    """Return the entries of this damper's cards, which count from 1 to this one, the last entry of all."""
    issues = [_read(entry) for entry in entries if entry.kind == CARD_ISSUED]
    numbers = [one.data["sequence"] for one in issues]
    # Counted first: a card may say any number. As canonical text: to Python true is 1.
    if len(numbers) != card.sequence or encode(numbers) != encode(list(range(1, card.sequence + 1))):
        raise _Broken(
            ISSUES,
            f"cards of damper {card.label} don't count 1 to {card.sequence} in its entries; some were cut or put in",
        )
    head = issues[-1]
    if head.entry.row != card.head_row or entries[-1].row != card.head_row:
        raise _Broken(ISSUES, f"the last entry isn't that of card {card.sequence}; the end was cut or changed")
    said = {
        "body_digest": card.body_digest,
        "totals": card.body["totals"],
        "revision": card.revision,
        "by": card.body["issued"]["by"],
    }
    for name, value in said.items():
        if encode(head.data[name]) != encode(value):
            raise _Broken(
                ISSUE_DIFFERS, f"its {name} isn't what its vehicle wrote down when it issued it; it was changed"
            )
    return issues


def _check_keys(card: Card, entries: Sequence[Entry], issues: Sequence[_Told]) -> None:
    """Refuse cards that weren't issued with the key that the vehicle's history has in force there."""
    keys = [_read(entry) for entry in entries if entry.kind == CARD_KEY]
    if not keys:
        raise _Broken(ISSUE_DIFFERS, f"the history of damper {card.label} has no key that its cards were issued with")
    at = -1
    for issue in issues:
        while at + 1 < len(keys) and keys[at + 1].entry.row < issue.entry.row:
            at += 1
        if at < 0 or issue.data["key_id"] != keys[at].data["key_id"]:
            number = issue.data["sequence"]
            raise _Broken(ISSUE_DIFFERS, f"card {number} was issued with a key that the vehicle's history doesn't have")
    if keys[-1].data["public_key"] != card.public_key or keys[-1].data["key_id"] != card.key_id:
        raise _Broken(
            ISSUE_DIFFERS,
            f"signed by key {key_words(card.key_id)}, but its vehicle issued it with another; somebody signed it anew",
        )


def _check_falls(issues: Sequence[_Told]) -> None:
    """Refuse cards whose totals or revision fell from one to the next."""
    for before, now in pairwise(issues):
        number = now.data["sequence"]
        if now.data["revision"] < before.data["revision"]:
            raise _Broken(TOTALS_FELL, f"the revision of totals fell between cards {number - 1} and {number}")
        fallen = name_fallen(now.data["totals"], before.data["totals"])
        if fallen and now.data["revision"] == before.data["revision"]:
            raise _Broken(TOTALS_FELL, f"totals fell between cards {number - 1} and {number}: {fallen}")


def _read_standing(entries: Sequence[Entry]) -> list[_Told]:
    """Return the entries that people told and that weren't withdrawn."""
    gone, rows = {_read(entry).data["row"] for entry in entries if entry.kind == WITHDRAW}, {one.row for one in entries}
    if not gone <= rows:
        raise _Broken(TOLD_DIFFERS, f"entry {min(gone - rows)}, which was withdrawn later, is missing; it was cut")
    kinds = (SERVICE, GAS_READING, STATED_USE, SHAFT_MARK)
    return [_read(entry) for entry in entries if entry.kind in kinds and entry.row not in gone]


def _check_told(card: Card, told: Mapping[int, _Told]) -> None:
    """Compare services, gauge readings and stated use of the body with the entries they come from."""
    lists: tuple[tuple[str, str, Callable[[_Told], dict[str, Any]]], ...] = (
        (SERVICE, "services", _as_service),
        (GAS_READING, "gas", _as_gas),
        (STATED_USE, "stated_use", _as_use),
    )
    for kind, name, shape in lists:
        expected = [shape(one) for one in told.values() if one.entry.kind == kind]
        if sorted(map(encode, expected)) != sorted(map(encode, card.body[name])):
            raise _Broken(TOLD_DIFFERS, f"{name} of damper {card.label} aren't those of its entries; they were changed")


def _check_references(card: Card, entries: Sequence[Entry], told: Mapping[int, _Told]) -> None:
    """Compare marks with their entries, and see that what a part counts since is there."""
    for mark in card.body["marks"]:
        one = told.get(mark["entry"])
        names = {"mark": "kind", "distance_mm": "distance_mm", "size_mm": "size_mm", "is_sharp": "is_sharp"}
        if one is None or one.entry.kind != SHAFT_MARK or any(one.data[a] != mark[b] for a, b in names.items()):
            raise _Broken(TOLD_DIFFERS, f"the mark of entry {mark['entry']} isn't what that entry says; it was changed")
    rows = {entry.row for entry in entries}
    for part in card.body["parts"]:
        if part["since_entry"] is not None and part["since_entry"] not in rows:
            text = f"{part['name']} counts since entry {part['since_entry']}, which isn't among those of the damper"
            raise _Broken(TOLD_DIFFERS, text)


def _as_service(one: _Told) -> dict[str, Any]:
    told = {name: one.data[name] for name in ("by", "replaced", "found", "note")}
    return {"entry": one.entry.row, "day": _day(one), **told}


def _as_gas(one: _Told) -> dict[str, Any]:
    names = ("what", "gauge_pa", "body_c", "oil_c", "air_c", "travel_mm", "altitude_m", "by")
    return {"day": _day(one), **{name: one.data[name] for name in names}}


def _as_use(one: _Told) -> dict[str, Any]:
    names = ("distance_m", "mix", "kind", "from_day", "to_day", "by")
    return {"entry": one.entry.row, **{name: one.data[name] for name in names}}


def _day(one: _Told) -> str | None:
    """Return the day that was said, else the clock's where it was ever set."""
    if one.data["on"] is not None:
        return str(one.data["on"])
    day = known_day(one.entry.utc_ns)
    return None if day is None else day.isoformat()


def _read(entry: Entry) -> _Told:
    return _Told(entry, read_object(entry.data.encode("utf-8"), _DATA))
