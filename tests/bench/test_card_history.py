"""Histories that were put back, cut, made anew or signed by another key are refused or flagged, with the reason."""

from __future__ import annotations

import copy
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bench.card_cases import ANYTHING, card, cards, codes, entries_of, judged, judged_or_refused, keep_key, key_of, yard
from bench.card_made import (
    Json,
    Place,
    Yard,
    another,
    chain_anew,
    changed,
    forged,
    hash_of,
    open_card,
    seen_after,
    signed_anew,
    stranger,
)
from dutylog.bench.card_key import renew_key
from dutylog.bench.card_verify import Seen, verify

__all__ = ["card", "cards", "keep_key", "yard"]


# replayed, rolled back


def test_an_older_card_is_refused(cards: tuple[Json, Json, Json]):
    assert judged(cards[0], seen_after(*cards)) == ["older"]
    assert judged(cards[0], seen_after(*cards), ANYTHING) == ["older"]


def test_the_same_number_with_less_evidence_is_refused(card: Json):
    """Taken in once, handed in again without an entry that the body doesn't name."""
    made = copy.deepcopy(card)
    made["evidence"]["entries"] = [one for one in entries_of(made) if one["kind"] != "install"]
    assert judged(signed_anew(made, key_of(card)), seen_after(card)) == ["entry_missing", "older"]


def test_a_ledger_put_back_shows_by_its_number(tmp_path: Path):
    """The whole data folder of last week is put back, and a card issued again."""
    yard = Yard(tmp_path / "now")
    yard.issue()
    shutil.copytree(tmp_path / "now", tmp_path / "then")
    newest = yard.issue(by="Bo")
    seen = seen_after(newest)
    yard.folder = tmp_path / "then"
    again = yard.issue(by="Cy")
    assert again["issued"]["sequence"] == newest["issued"]["sequence"]
    assert judged(again, seen) == ["rolled_back"]
    assert judged(again, seen, frozenset({"key_changed", "history_differs"})) == ["rolled_back"]
    accepted = verify(open_card(again), seen, frozenset({"rolled_back"}))
    assert accepted.is_accepted
    assert accepted.notices[0].text.startswith("accepted by a manager: ")


def test_a_life_that_got_shorter_is_said_with_its_figures(card: Json):
    """A manager must see by how much before accepting anything."""
    parted = replace(seen_after(card), ledger=("0" * 64,), digest=None)
    more = replace(parted, totals={**card["totals"], "strokes_count": 10**9})
    texts = [one.text for one in verify(open_card(card), more).refusals]
    assert any(f"strokes_count {card['totals']['strokes_count']} is below 1000000000" in text for text in texts)
    raised = replace(parted, revision=card["revision"] + 1)
    assert any("its revision 1 is below 2" in one.text for one in verify(open_card(card), raised).refusals)


def test_a_ledger_put_back_shows_after_more_cards(tmp_path: Path):
    yard = Yard(tmp_path / "now")
    yard.issue()
    shutil.copytree(tmp_path / "now", tmp_path / "then")
    seen = seen_after(yard.issue(by="Bo"))
    yard.folder = tmp_path / "then"
    cards = [yard.issue(by="Cy") for _ in range(3)]
    assert judged(cards[-1], seen) == ["history_differs"]
    assert judged(cards[-1], seen, frozenset({"history_differs"})) == []


def test_a_ledger_put_back_shows_by_the_card_of_another_damper(tmp_path: Path):
    """SN-2 was never here; SN-1 was, with a longer chain."""
    yard = Yard(tmp_path / "now")
    shutil.copytree(tmp_path / "now", tmp_path / "then")
    seen = seen_after(yard.issue("SN-1"), yard.issue("SN-1"))
    yard.folder = tmp_path / "then"
    other = yard.issue("SN-2")
    known = Seen(ledger=seen.ledger, keys={**seen.keys, other["signature"]["key_id"]: other["signature"]["public_key"]})
    assert judged(other, known) == ["rolled_back"]


def test_a_chain_cut_at_its_end_is_refused(card: Json):
    """With the newest entries taken out, the last isn't the card's own."""
    for count in range(1, 5):
        made = copy.deepcopy(card)
        made["evidence"]["chain"] = made["evidence"]["chain"][:-count]
        assert judged(signed_anew(made, key_of(card)), Seen()) == ["chain"]
        made["evidence"]["head_row"] -= count
        assert judged(signed_anew(made, key_of(card)), Seen()) == ["entry_order"]


# keys


def test_a_card_signed_by_a_new_key_alone_is_refused(cards: tuple[Json, Json, Json], card: Json):
    made = signed_anew(card, stranger())
    assert judged(made, Seen()) == ["issue_differs"]
    assert judged(made, seen_after(*cards), ANYTHING) == ["issue_differs"]


def test_a_whole_history_signed_by_a_stranger_is_flagged(cards: tuple[Json, Json, Json]):
    """Everything fits but the key and what was seen before; a bench that saw nothing can only compare the words."""
    made = forged(cards[0], stranger(), lambda one: one["vehicle"].update(name="Wagon"))
    assert judged(made, seen_after(cards[0])) == ["key_changed", "rolled_back"]
    assert judged(made, seen_after(cards[0]), frozenset({"key_changed"})) == ["rolled_back"]
    assert [one.code for one in verify(open_card(made), Seen()).notices] == ["first_sight"]


def test_a_key_made_anew_needs_a_manager(tmp_path: Path):
    """It was lost; the history goes on."""
    yard = Yard(tmp_path)
    first = yard.issue()
    renew_key(tmp_path, 1_790_000_000_000_000_000)
    second = yard.issue()
    verdict = verify(open_card(second), seen_after(first))
    assert codes(verdict) == ["key_changed"]
    assert verdict.acceptable == frozenset({"key_changed"})
    assert codes(verify(open_card(second), seen_after(first), frozenset({"key_changed"}))) == []
    assert judged(yard.issue(), seen_after(first, second)) == []


def test_a_key_of_the_same_short_name_is_not_the_key(card: Json):
    seen = seen_after(card)
    other = replace(seen, keys=dict.fromkeys(seen.keys, "0" * 64))
    assert judged(card, other) == ["key_changed", "older"]


def test_a_damper_that_comes_with_another_ledger_is_flagged(tmp_path: Path, card: Json):
    """Somebody makes a new vehicle that claims a known damper."""
    seen = Seen(other_ledger=True)
    verdict = verify(open_card(card), seen)
    assert codes(verdict) == ["other_ledger"]
    assert judged(card, seen, frozenset({"other_ledger"})) == []


def test_the_card_of_another_vehicle_is_not_this_ones(tmp_path: Path, card: Json):
    """Another ledger under this vehicle's ledger_id."""
    other = Yard(tmp_path).issue()
    made = signed_anew(
        {**other, "vehicle": {**other["vehicle"], "ledger_id": card["vehicle"]["ledger_id"]}}, stranger()
    )
    assert judged(made, seen_after(card)) == ["chain"]


def test_nothing_but_what_a_manager_may_accept_can_be_accepted(cards: tuple[Json, Json, Json], card: Json):
    broken = changed(card, ("evidence", "entries", 0, "boot_id"), another)
    for made, seen in ((signed_anew(broken, key_of(card)), Seen()), (cards[0], seen_after(*cards))):
        verdict = verify(open_card(made), seen, ANYTHING)
        assert not verdict.is_accepted
        assert verdict.acceptable == frozenset()


# hostile data under right hashes


@pytest.mark.parametrize(
    "kind", ["service", "withdraw", "card_issued", "gas_reading", "shaft_mark", "card_key", "unit_add"]
)
@pytest.mark.parametrize(
    "data",
    [
        "{}",
        "[]",
        "null",
        "1",
        "{",
        '{"row":[]}',
        '{"row":{}}',
        "[" * 8000,
        '{"a":1e999}',
        '{"sequence":{}}',
        '"\u202e\n"',
    ],
)
def test_data_that_no_ledger_writes_is_refused(card: Json, kind: str, data: str):
    """Somebody with the key can hash and sign anything; it is still one line."""
    made = copy.deepcopy(card)
    entry = next(one for one in entries_of(made) if one["kind"] == kind)
    entry["data"] = data
    chain_anew(made)
    assert hash_of(entry) == entry["hash"]
    assert judged_or_refused(signed_anew(made, key_of(card)), Seen())


@pytest.mark.parametrize(
    ("kind", "field", "value"),
    [
        ("card_issued", "totals", []),
        ("card_issued", "totals", {"strokes_count": "many"}),
        ("card_issued", "revision", "x"),
        ("card_issued", "sequence", [1]),
        ("service", "replaced", {"a": 1}),
        ("service", "on", {"a": 1}),
        ("withdraw", "row", [1]),
        ("card_key", "public_key", 1),
        ("shaft_mark", "distance_mm", None),
    ],
)
def test_fields_that_no_ledger_writes_are_refused(card: Json, kind: str, field: str, value: Any):
    made = copy.deepcopy(card)
    entry = next(one for one in entries_of(made) if one["kind"] == kind)
    entry["data"] = json.dumps({**json.loads(entry["data"]), field: value})
    chain_anew(made)
    assert judged(signed_anew(made, key_of(card)), Seen())


def test_times_beyond_all_calendars_are_no_traceback(card: Json):
    for text in ("9999999999999999999", "-9999999999999999999", "0"):
        made = copy.deepcopy(card)
        entry = next(one for one in entries_of(made) if one["kind"] == "service")
        entry["utc_ns"] = text
        entry["data"] = json.dumps({**json.loads(entry["data"]), "on": None})
        chain_anew(made)
        assert judged(signed_anew(made, key_of(card)), Seen())


PLACES: tuple[Place, ...] = (("totals", "strokes_count"), ("heat", "hot_oil_s"), ("parts", 0, "used_ratio"))


@pytest.mark.parametrize("place", PLACES)
def test_what_is_refused_leaves_what_was_seen(card: Json, place: Place):
    """Judging is pure: the same question has the same answer afterwards."""
    seen = seen_after(card)
    before = copy.deepcopy((seen, card))
    judged_or_refused(signed_anew(changed(card, place, another), key_of(card)), seen)
    assert (seen, card) == before
    assert verify(open_card(card), seen).is_known
