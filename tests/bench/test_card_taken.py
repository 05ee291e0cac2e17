"""Cards that follow one another at a bench: backups put back, keys exchanged, dampers that move."""

from __future__ import annotations

import copy
import json
import shutil
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from bench.card_made import Json, Yard, forged
from dutylog.bench import card_evidence, taking_in
from dutylog.bench.canonical import encode_file, key_id_of
from dutylog.bench.card_key import renew_key
from dutylog.bench.card_read import Card
from dutylog.bench.card_verify import HISTORY_DIFFERS, KEY_CHANGED, OTHER_LEDGER, ROLLED_BACK, Verdict
from dutylog.bench.roles import MANAGER
from dutylog.bench.store import Store, Who
from dutylog.bench.taking_in import take_card
from dutylog.ledger.chain import encode_canonical

TODAY = date(2026, 11, 3)
MO = Who("Mo", MANAGER)
LATER_NS = 1_790_000_000_000_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bench.sqlite") as opened:
        yield opened


def take(store: Store, card: Json, *accept: str) -> Verdict:
    why = "its owner said so" if accept else ""
    data = encode_file(card)
    return take_card(store, MO, data, TODAY, accept=frozenset(accept), why=why, opens_job=False).verdict


def refused(store: Store, card: Json, *accept: str) -> list[str]:
    """Return why a card is refused, empty when it was taken."""
    return sorted({one.code for one in take(store, card, *accept).refusals})


def keys_of(store: Store) -> dict[str, str]:
    return {one.key_id: one.how for one in store.read().vehicle_keys()}


# a backup of the ledger


def test_after_a_backup_was_put_back_every_damper_of_it_comes_in_again(store: Store, tmp_path: Path):
    """The manager accepted one damper's card, and the known history became another: the others aren't shut out."""
    yard = Yard(tmp_path / "now")
    cards = [yard.issue("SN-1"), yard.issue("SN-2")]
    shutil.copytree(yard.folder, tmp_path / "then")
    cards += [yard.issue("SN-1"), yard.issue("SN-2"), yard.issue("SN-1")]
    assert [refused(store, card) for card in cards] == [[]] * 5
    yard.folder = tmp_path / "then"
    two, one = yard.issue("SN-2", by="Bo"), yard.issue("SN-1", by="Bo")
    assert (two["issued"]["sequence"], one["issued"]["sequence"]) == (2, 2)
    assert refused(store, two) == [ROLLED_BACK]
    assert refused(store, two, ROLLED_BACK) == []
    verdict = take(store, one)
    assert [found.code for found in verdict.refusals] == [ROLLED_BACK]
    assert "card 3 of damper SN-1, the newest taken in, isn't part of the vehicle's history" in verdict.refusals[0].text
    assert refused(store, one, ROLLED_BACK) == []
    assert refused(store, yard.issue("SN-1")) == []
    assert refused(store, yard.issue("SN-2")) == []
    assert refused(store, one) == ["older"]


def test_a_card_of_before_the_backup_does_not_cut_what_is_known(store: Store, tmp_path: Path):
    """Accepted after a roll-back it is the begin of what is known; the next card is still held against all of it."""
    yard = Yard(tmp_path / "now")
    first = yard.issue("SN-1")
    shutil.copytree(yard.folder, tmp_path / "then")
    assert [refused(store, card) for card in (first, yard.issue("SN-1"))] == [[], []]
    yard.folder = tmp_path / "then"
    two = [yard.issue("SN-2") for _ in range(2)]
    assert refused(store, two[1], ROLLED_BACK, HISTORY_DIFFERS) == []
    assert refused(store, first) == [ROLLED_BACK]
    assert refused(store, first, ROLLED_BACK) == []
    seen = store.read().card_seen(first["vehicle"]["ledger_id"], two[1]["damper"]["unit_id"])
    assert seen.ledger == tuple(two[1]["evidence"]["chain"])
    assert refused(store, two[0]) == ["older"]


# keys


def _signed_with_the_old_one(card: Json, old: Any) -> Json:
    """Return a further card as a thief makes it who has the key of before and a copy of the newest card."""
    made = copy.deepcopy(card)
    public_key = old.public_key().public_bytes_raw()
    issued = json.loads(made["evidence"]["entries"][-1]["data"])
    made["issued"]["sequence"] += 1
    key = {"key_id": key_id_of(public_key), "public_key": public_key.hex(), "why": "changed"}
    for kind, unit_id, data in (
        ("card_key", None, key),
        ("card_issued", made["damper"]["unit_id"], issued | {"sequence": made["issued"]["sequence"]}),
    ):
        made["evidence"]["chain"].append("0" * 64)
        row = {"row": len(made["evidence"]["chain"]), "kind": kind, "unit_id": unit_id}
        made["evidence"]["entries"].append(made["evidence"]["entries"][-1] | row | {"data": encode_canonical(data)})
    made["evidence"]["head_row"] = len(made["evidence"]["chain"])
    return forged(made, old, lambda _: None)


def test_a_key_that_was_exchanged_opens_nothing_any_more(store: Store, tmp_path: Path):
    """Stolen, then made anew: whoever has the old one makes cards that follow the newest in every way."""
    yard = Yard(tmp_path / "yard")
    assert refused(store, yard.issue()) == []
    old = yard.key()
    renew_key(yard.folder, LATER_NS)
    card = yard.issue()
    assert refused(store, card) == [KEY_CHANGED]
    assert refused(store, card, KEY_CHANGED) == []
    made = _signed_with_the_old_one(card, old)
    old_id, new_id = made["signature"]["key_id"], card["signature"]["key_id"]
    assert keys_of(store) == {old_id: "withdrawn", new_id: "accepted"}
    verdict = take(store, made)
    assert [one.code for one in verdict.refusals] == [KEY_CHANGED]
    assert "was withdrawn here" in verdict.refusals[0].text
    assert list(store.read().trusted_keys(card["vehicle"]["ledger_id"][:16])) == [new_id]
    assert take(store, card).is_known
    assert refused(store, yard.issue()) == []


def test_a_card_issued_before_the_key_was_exchanged_is_still_taken(store: Store, tmp_path: Path):
    """It lay about; its last entry stands in the known history, and it brings the old key back for nobody."""
    yard = Yard(tmp_path / "yard")
    assert refused(store, yard.issue()) == []
    lain = yard.issue("SN-2")
    renew_key(yard.folder, LATER_NS)
    assert refused(store, yard.issue(), KEY_CHANGED) == []
    before = keys_of(store)
    assert take(store, lain).findings == ()
    assert keys_of(store) == before
    assert sorted(before.values()) == ["accepted", "withdrawn"]


def test_an_older_key_that_was_never_seen_is_asked_about_and_not_trusted(store: Store, tmp_path: Path):
    """The bench saw the vehicle only after its key was made anew."""
    yard = Yard(tmp_path / "yard")
    lain = yard.issue("SN-2")
    renew_key(yard.folder, LATER_NS)
    newest = yard.issue()
    assert refused(store, newest) == []
    assert refused(store, lain) == [KEY_CHANGED]
    assert refused(store, lain, KEY_CHANGED) == []
    assert keys_of(store) == {lain["signature"]["key_id"]: "withdrawn", newest["signature"]["key_id"]: "first sight"}


# dampers that move


def _claim(card: Json, unit_id: str) -> None:
    card["damper"]["unit_id"] = unit_id
    for entry in card["evidence"]["entries"]:
        entry["unit_id"] = unit_id if entry["unit_id"] is not None else None


def test_a_damper_that_comes_back_is_held_against_its_own_ledger(store: Store, tmp_path: Path):
    """From one vehicle to another and back: what a manager accepts of the move makes no old card new."""
    yard, other = Yard(tmp_path / "yard"), Yard(tmp_path / "other")
    cards = [yard.issue("SN-2") for _ in range(3)]
    assert [refused(store, card) for card in cards[:2]] == [[], []]
    moved = forged(other.issue("SN-2"), other.key(), lambda made: _claim(made, cards[0]["damper"]["unit_id"]))
    assert refused(store, moved, OTHER_LEDGER) == []
    assert refused(store, cards[0], OTHER_LEDGER) == ["older"]
    assert refused(store, cards[2]) == [OTHER_LEDGER]
    assert refused(store, cards[2], OTHER_LEDGER) == []


# time


def test_evidence_is_judged_before_anybody_has_to_wait(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A long history takes its time; others write meanwhile."""
    real = taking_in.judge_evidence

    def judge(card: Card) -> Verdict | None:
        with store.write(MO) as tx:
            tx.append("looked_at", {"what": "the audit log"})
        return real(card)

    monkeypatch.setattr(taking_in, "judge_evidence", judge)
    assert refused(store, Yard(tmp_path / "yard").issue()) == []
    assert [one.kind for one in store.read().entries(limit=100)][-1] == "looked_at"


def test_as_many_keys_as_cards_are_judged_at_once():
    """Each card against the key in force: once through both, not each against all."""
    count = 10_000

    def told(row: int, **data: Any) -> Any:
        return SimpleNamespace(kind="card_key", row=row, data=json.dumps({"key_id": f"{row // 2:016x}", **data}))

    keys = [told(2 * number, public_key="ab") for number in range(1, count + 1)]
    issues = [
        SimpleNamespace(
            entry=SimpleNamespace(row=2 * number + 1), data={"key_id": f"{number:016x}", "sequence": number}
        )
        for number in range(1, count + 1)
    ]
    card: Any = SimpleNamespace(public_key="ab", key_id=f"{count:016x}", label="SN-1")
    begun_s = time.process_time()
    card_evidence._check_keys(card, keys, issues)
    # Measured 0.15 s; each against all takes over 3 s.
    assert time.process_time() - begun_s < 1.0
    issues[7].data["key_id"] = f"{7:016x}"
    with pytest.raises(card_evidence._Broken):
        card_evidence._check_keys(card, keys, issues)
