"""A card that is refused leaves the bench's store as it was, but for the line that says so."""

from __future__ import annotations

import copy
import sqlite3
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Json, Yard, another, changed, forged, signed_anew, stranger
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_verify import OTHER_LEDGER, ROLLED_BACK
from dutylog.bench.roles import MANAGER, TECHNICIAN
from dutylog.bench.store import Store, Who
from dutylog.bench.taking_in import take_card
from dutylog.errors import CardRefused, InputError

TODAY = date(2026, 11, 3)
WHO, BOSS = Who("Tess", TECHNICIAN), Who("Mo", MANAGER)
CHAIN_TABLES = {"entry", "chain_head"}
"""What grows by the refusal itself."""


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return Yard(tmp_path_factory.mktemp("yard"))


@pytest.fixture(scope="module")
def cards(yard: Yard) -> tuple[Json, Json, Json]:
    return yard.issue(), yard.issue("SN-2"), yard.issue()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bench.sqlite") as opened:
        yield opened


def rows_of(folder: Path) -> dict[str, list[Any]]:
    """Return all rows of all tables but the chain of entries."""
    with sqlite3.connect(folder / "bench.sqlite") as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert names >= CHAIN_TABLES
        found = {name: connection.execute(f'SELECT * FROM "{name}"').fetchall() for name in names - CHAIN_TABLES}
    connection.close()
    return found


def kinds_of(store: Store) -> list[str]:
    return [entry.kind for entry in store.read().entries(limit=1000)]


def _fall(card: Json) -> None:
    card["totals"]["energy_rebound_uj"] -= 1


def _without_service(card: Json) -> Json:
    made = copy.deepcopy(card)
    made["services"].pop()
    return made


Tamper = Callable[[Json, Any], bytes]
TAMPERED: dict[str, Tamper] = {
    "edited": lambda card, _: encode_file(changed(card, ("totals", "bottom_outs_count"), another)),
    "edited and signed": lambda card, key: encode_file(signed_anew(_without_service(card), key)),
    "totals made less": lambda card, key: encode_file(forged(card, key, _fall)),
    "signed by a stranger": lambda card, _: encode_file(signed_anew(card, stranger())),
    "cut": lambda card, _: encode_file(card)[:-100],
    "too long": lambda card, _: encode_file(card) + b" " * 5_000_000,
    "too deep": lambda _, __: b'{"a":' * 10_000,
    "empty": lambda _, __: b"",
    "no card": lambda _, __: b"\x89PNG\r\n\x1a\n",
    "newer": lambda card, key: encode_file(signed_anew({**card, "schema": 9}, key)),
}


@pytest.mark.parametrize("how", TAMPERED)
@pytest.mark.parametrize("is_known", [False, True], ids=["first sight", "known"])
def test_what_was_tampered_with_is_not_taken_in(
    store: Store, tmp_path: Path, yard: Yard, cards: tuple[Json, Json, Json], how: str, is_known: bool
):
    """Neither damper, vehicle, key, card, forecast nor job."""
    if is_known:
        assert take_card(store, WHO, encode_file(cards[0]), TODAY).verdict.is_accepted
    before, count = rows_of(tmp_path), len(kinds_of(store))
    data = TAMPERED[how](cards[2], yard.key())
    try:
        assert not take_card(store, WHO, data, TODAY, name=f"{how}\x1b[31m.card.json").verdict.is_accepted
    except CardRefused as err:
        text = str(err)
        assert text.isprintable()
    assert rows_of(tmp_path) == before
    assert len(kinds_of(store)) == count + 1
    newest = store.read().entries(limit=1)[0]
    assert newest.kind == "card_refused"
    assert newest.data["reasons"]
    assert store.verify().is_good


def test_an_older_card_and_a_foreign_one_are_not_taken_in(
    store: Store, tmp_path: Path, cards: tuple[Json, Json, Json], tmp_path_factory: pytest.TempPathFactory
):
    for card in (cards[0], cards[2]):
        assert take_card(store, WHO, encode_file(card), TODAY).verdict.is_accepted
    before = rows_of(tmp_path)
    assert [one.code for one in take_card(store, WHO, encode_file(cards[0]), TODAY).verdict.refusals] == ["older"]
    other = Yard(tmp_path_factory.mktemp("other"))
    claimed = forged(other.issue("SN-2"), other.key(), lambda made: _claim(made, cards[0]["damper"]["unit_id"]))
    refused = take_card(store, WHO, encode_file(claimed), TODAY).verdict.refusals
    assert [one.code for one in refused] == [OTHER_LEDGER]
    assert rows_of(tmp_path) == before


def _claim(card: Json, unit_id: str) -> None:
    """Have a card and its entries speak of another damper."""
    card["damper"]["unit_id"] = unit_id
    for entry in card["evidence"]["entries"]:
        if entry["unit_id"] is not None:
            entry["unit_id"] = unit_id


def test_only_a_manager_with_a_reason_accepts(store: Store, tmp_path: Path, yard: Yard, cards: tuple[Json, Json, Json]):
    """A history that was put back, by the vehicle's own key."""
    take_card(store, WHO, encode_file(cards[0]), TODAY)
    made = encode_file(forged(cards[0], yard.key(), lambda card: card["vehicle"].update(name="Wagon")))
    before, accept = rows_of(tmp_path), frozenset({ROLLED_BACK})
    assert not take_card(store, BOSS, made, TODAY).verdict.is_accepted
    for who, why in ((WHO, "owner said so"), (BOSS, " ")):
        with pytest.raises(InputError, match="needs a manager and a reason"):
            take_card(store, who, made, TODAY, accept=accept, why=why)
    assert rows_of(tmp_path) == before
    taken = take_card(store, BOSS, made, TODAY, accept=accept, why="card of the disk died, told by its owner")
    assert taken.verdict.is_accepted
    assert rows_of(tmp_path) != before
