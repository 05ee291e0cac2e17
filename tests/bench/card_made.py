"""Real duty cards of a ledger that has lived: what tests of cards share. Names are invented."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from dutylog.bench.canonical import CARD, digest_of_body, encode_file, key_id_of, sign
from dutylog.bench.card_make import issue_card
from dutylog.bench.card_read import Card, read_card
from dutylog.bench.card_verify import Seen
from dutylog.bench.keys import CARD_KEY_FILE, make_private_key, read_key
from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.ledger.chain import compute_hash, encode_canonical
from dutylog.ledger.rows import Commit, Entry, Stamp
from ledger.builders import POSITIONS
from life.lived import Lived, noon_ns

Json = dict[str, Any]
Place = tuple[str | int, ...]
CARD_DAY = date(2026, 11, 2)


class Yard:
    """A vehicle's data folder whose dampers have a life worth telling; issues cards of it."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.lived = Lived(folder)
        self.lived.drive(date(2026, 3, 1), 20)
        self.lived.trip(1, 20)
        gas = {"gauge_pa": 1.38e6, "what": "fill", "body_c": 21.0, "oil_c": None, "air_c": 20.5, "travel_mm": 0.0}
        gas |= {"altitude_m": 250.0, "hose_ml": 4.0, "note": None}
        for unit in ("SN-1", "SN-2"):
            self.tell("gas_reading", unit=unit, on="2026-03-02", **gas)
            self.tell("service", unit=unit, on="2026-03-03", note="blüht", replaced=["oil"], found={"oil": "worn"})
            self.tell("service", unit=unit, on="2026-03-04", note=None, replaced=["hose"], found={})
        use = {"distance_m": 4.0e6, "mix": "desert", "kind": "before_install", "factor": 2.0, "note": None}
        self.tell("stated_use", unit="SN-1", from_day="2024-01-01", to_day=None, **use)
        self.lived.keep_passes(0, 40.0, 5)
        mark = {"mark": "nick", "distance_mm": 40.0, "size_mm": 1.5, "is_sharp": True, "note": None, "on": None}
        self.tell("shaft_mark", unit="SN-1", **mark)
        gone = self.tell("service", unit="SN-1", on="2026-03-05", note="wrong one", replaced=["joints"], found={})
        self.tell("withdraw", entry=gone["entry"], why="told of the wrong damper")
        self.lived.drive(date(2026, 5, 9), 15)
        self._trip_with_shares(2, 15)
        trip = {"trip": 2, "what": "mud", "washed": False, "note": None}
        self.tell("dirt", **trip)
        self.lived.close()

    def _trip_with_shares(self, epoch: int, minutes: int) -> None:
        """Make a trip of an epoch's drive that holds what its minutes hold."""
        gained = Totals()
        for _ in range(minutes):
            gained.merge(self.lived._minute(200.0))
        shares = tuple(TripDamper(unit, place, gained) for unit, place in zip(self.lived.ids, POSITIONS, strict=True))
        row = TripRow(epoch, 0, 0, minutes * 60_000_000_000, False, 0, minutes * 900.0, shares)
        self.lived.sequence += 1
        self.lived.ledger.commit(Commit(sequence=self.lived.sequence, engine="test", hot={}, trips=(row,)))

    def tell(self, command: str, **fields: Any) -> Json:
        return self.lived.tell(command, **fields)

    def issue(self, unit: str = "SN-1", by: str = "Ada", day: date = CARD_DAY) -> Json:
        """Return the next card of a damper, made as people make it."""
        return issue_card(self.folder, unit, by, stamp=lambda: Stamp(noon_ns(day), True, 7, "boot-b"))

    def key(self) -> Any:
        """Return the vehicle's own signing key, as somebody who owns the vehicle could take it."""
        found = read_key(self.folder / CARD_KEY_FILE)
        assert found is not None
        return found.private_key


def open_card(card: Json) -> Card:
    """Read a card by way of its file."""
    return read_card(encode_file(card))


def seen_after(*cards: Json, unit_id: str | None = None) -> Seen:
    """Return what a bench knows after it has taken these cards of one vehicle in, in this order."""
    opened = [open_card(card) for card in cards]
    chain = max((tuple(card.body["evidence"]["chain"]) for card in opened), key=len)
    keys = {card.key_id: card.public_key for card in opened}
    known = Seen(ledger=chain, keys=keys)
    for card in opened:
        if card.unit_id == (unit_id or opened[0].unit_id):
            rows = frozenset(entry["row"] for entry in card.body["evidence"]["entries"])
            known = replace(
                known,
                sequence=card.sequence,
                digest=card.digest,
                revision=card.revision,
                totals=card.body["totals"],
                entry_rows=rows,
                head_row=card.head_row,
                head_hash=card.body["evidence"]["chain"][-1],
            )
    return known


def leaves(value: Any, place: Place = ()) -> Iterator[Place]:
    """Yield the place of every value that isn't a list or object with something in it."""
    if isinstance(value, dict) and value:
        for name, one in value.items():
            yield from leaves(one, (*place, name))
    elif isinstance(value, list) and value:
        for at, one in enumerate(value):
            yield from leaves(one, (*place, at))
    else:
        yield place


def changed(card: Any, place: Place, change: Callable[[Any], Any]) -> Any:
    """Return a copy in which one value is another; what lies beside its place is shared with the original."""
    if not place:
        return change(card)
    made = copy.copy(card)
    made[place[0]] = changed(card[place[0]], place[1:], change)
    return made


def another(value: Any) -> Any:
    """Return a value of the same type, and of the same form as far as one can tell, that is another."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return value + 1.0 if value < 100.0 else value * 1.0000001
    if isinstance(value, str):
        return _another_text(value)
    if value is None:
        return 1
    return ["x"] if value == [] else {"x": 1}


def _another_text(text: str) -> str:
    if not text:
        return "x"
    last = text[-1]
    turned = {"9": "8", "f": "e", "Z": "Y", "}": " "}.get(last)
    if turned is None:
        turned = chr(ord(last) + 1) if last.isascii() and last.isalnum() else "x"
    return text[:-1] + turned


def signed_anew(card: Json, private_key: Any) -> Json:
    """Return a card signed by any key, as it stands."""
    return sign(CARD, card, private_key)


def forged(card: Json, private_key: Any, change: Callable[[Json], None]) -> Json:
    """Return a card as somebody makes it who has the key and our programs: all of its own entries made to fit.

    Hashes of rows that aren't this damper's stay as they are, for nobody can tell from a card what they hash.
    """
    made = copy.deepcopy(card)
    change(made)
    # The first entry names the vehicle's ledger, of which the body tells.
    chain_anew(made)
    head = made["evidence"]["entries"][-1]
    data = json.loads(head["data"])
    key_id = key_id_of(private_key.public_key().public_bytes_raw())
    data |= {"body_digest": digest_of_body(made), "totals": made["totals"], "revision": made["revision"]}
    data |= {"key_id": key_id, "sequence": made["issued"]["sequence"], "by": made["issued"]["by"]}
    head["data"] = encode_canonical(data)
    keys = [entry for entry in made["evidence"]["entries"] if entry["kind"] == "card_key"]
    told = json.loads(keys[-1]["data"]) if keys else {}
    if keys and told["key_id"] != key_id:
        told |= {"key_id": key_id, "public_key": private_key.public_key().public_bytes_raw().hex()}
        keys[-1]["data"] = encode_canonical(told)
    chain_anew(made)
    return sign(CARD, made, private_key)


def chain_anew(card: Json) -> None:
    """Hash the entries on a card again, in their order, and put the hashes into its chain."""
    chain = card["evidence"]["chain"]
    for written in card["evidence"]["entries"]:
        row = written["row"]
        written["prev_hash"] = "0" * 64 if row == 1 else chain[row - 2]
        written["hash"] = hash_of(written)
        chain[row - 1] = written["hash"]
    card["vehicle"]["ledger_id"] = chain[0]


def hash_of(written: Json) -> str:
    """Return the hash of an entry as a card writes it."""
    values = written | {"utc_ns": int(written["utc_ns"]), "mono_ns": int(written["mono_ns"]), "hash": b""}
    return compute_hash(Entry(**(values | {"prev_hash": bytes.fromhex(written["prev_hash"])}))).hex()


def stranger() -> Any:
    """Return a key that nobody knows."""
    return make_private_key()
