"""Whatever is changed, cut, repeated, rolled back or signed by another is refused or flagged, with its reason."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from bench.card_cases import card, cards, entries_of, judged, judged_or_refused, keep_key, key_of, yard
from bench.card_made import (
    Json,
    Yard,
    another,
    changed,
    forged,
    leaves,
    open_card,
    seen_after,
    signed_anew,
    stranger,
)
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import Seen, Verdict, verify
from dutylog.errors import CardRefused
from dutylog.ledger.chain import encode_canonical
from dutylog.ledger.ledger import Ledger

__all__ = ["card", "cards", "keep_key", "yard"]


def test_a_first_card_is_taken_on_sight_and_says_so(cards: tuple[Json, Json, Json]):
    verdict = verify(open_card(cards[0]), Seen())
    assert verdict.is_accepted
    assert not verdict.is_known
    assert [one.code for one in verdict.notices] == ["first_sight"]
    assert verdict.notices[0].text.endswith("compare it with the words on the vehicle's card page")
    key_id = cards[0]["signature"]["key_id"]
    assert f"{key_id[:4]} {key_id[4:8]}" in verdict.notices[0].text


def test_the_next_card_is_taken_without_a_word(cards: tuple[Json, Json, Json]):
    first, other, second = cards
    assert verify(open_card(second), seen_after(first, other)) == Verdict(True, False, ())


def test_a_card_of_another_damper_may_be_older_than_what_is_known(cards: tuple[Json, Json, Json]):
    """Its chain is the begin of the known one."""
    first, other, second = cards
    assert judged(other, seen_after(first, second, unit_id=other["damper"]["unit_id"])) == []


def test_the_very_same_card_again_is_known(cards: tuple[Json, Json, Json]):
    verdict = verify(open_card(cards[2]), seen_after(*cards))
    assert (verdict.is_accepted, verdict.is_known) == (True, True)


def test_cards_may_be_missed(tmp_path: Path):
    yard = Yard(tmp_path)
    made = [yard.issue() for _ in range(5)]
    assert judged(made[4], seen_after(made[0])) == []


def test_a_trip_that_was_not_driven_is_no_rollback(tmp_path: Path):
    """Totals fall then, and the revision rises."""
    yard = Yard(tmp_path)
    first = yard.issue()
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        yard.lived.ledger = ledger
        yard.tell("trip_not_driven", trip="2", why="transport", note=None)
    second = yard.issue()
    assert second["totals"]["strokes_count"] < first["totals"]["strokes_count"]
    assert second["revision"] > first["revision"]
    assert judged(second, seen_after(first)) == []


def test_driving_on_between_cards_is_taken(tmp_path: Path):
    yard = Yard(tmp_path)
    first = yard.issue()
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        yard.lived.ledger = ledger
        yard.lived.drive(date(2026, 6, 1), 30)
        yard.tell("service", unit="SN-1", on="2026-06-02", note=None, replaced=["shaft_seal"], found={})
    second = yard.issue()
    assert second["totals"]["strokes_count"] > first["totals"]["strokes_count"]
    assert judged(second, seen_after(first)) == []


def test_a_clock_nobody_vouched_for_is_said(yard: Yard, card: Json):
    made = forged(card, yard.key(), lambda one: one["issued"].update(utc_trusted=False))
    assert "clock_unset" in [one.code for one in verify(open_card(made), Seen()).notices]


# every single field


def test_every_field_changed_alone_is_refused(card: Json):
    """In the file, by somebody without a key: nothing is read of it."""
    count = 0
    for place in leaves(card):
        made = changed(card, place, another)
        assert made != card, place
        with pytest.raises(CardRefused):
            read_card(encode_file(made))
        count += 1
    assert count > 400


def test_every_field_changed_to_another_kind_of_value_is_refused(card: Json):
    values = (None, [], {}, "", 0, True, -1.5, "\u0000", [[]], 1e300)
    for at, place in enumerate(leaves(card)):
        made = changed(card, place, lambda _, at=at: values[at % len(values)])
        if made != card:
            with pytest.raises(CardRefused):
                read_card(encode_file(made))


@pytest.mark.parametrize("step", [7, pytest.param(1, marks=pytest.mark.slow)])
def test_fields_changed_and_signed_by_a_stranger_are_refused(card: Json, step: int):
    """Its history says with whose key it was issued, so even a bench that never saw the vehicle refuses it."""
    key, found = stranger(), []
    for place in [one for one in leaves(card) if one[0] != "signature"][::step]:
        why = judged_or_refused(signed_anew(changed(card, place, another), key), Seen())
        assert why, place
        found += why
    assert found.count("issue_differs") > 200 / step


def test_every_field_changed_and_signed_by_the_vehicle_is_refused(card: Json):
    """Its owner can sign anything, but the history names the digest of what was issued."""
    found = []
    for place in leaves(card):
        if place[0] not in ("signature", "evidence"):
            why = judged_or_refused(signed_anew(changed(card, place, another), key_of(card)), Seen())
            assert why, place
            found += why
    assert found.count("issue_differs") > 200


def test_every_field_of_the_evidence_signed_by_the_vehicle_is_refused(cards: tuple[Json, Json, Json], card: Json):
    """Hashes of rows that aren't this damper's can't be checked alone; what was seen before shows them."""
    rows = {entry["row"] for entry in card["evidence"]["entries"]}
    bound = rows | {row - 1 for row in rows}
    for place in leaves(card["evidence"]):
        made = signed_anew(changed(card, ("evidence", *place), another), key_of(card))
        is_bound = place[0] != "chain" or int(place[1]) + 1 in bound
        assert judged_or_refused(made, Seen() if is_bound else seen_after(*cards[:2])) != [], place
    assert len(bound) < card["evidence"]["head_row"]


# entries


def test_every_entry_deleted_is_refused(cards: tuple[Json, Json, Json], card: Json):
    """Also by the vehicle's own key, where the body or an earlier card tells of it."""
    seen = seen_after(cards[0], cards[1])
    for at, entry in enumerate(entries_of(card)):
        made = copy.deepcopy(card)
        del entries_of(made)[at]
        with pytest.raises(CardRefused, match="changed after it was signed"):
            open_card(made)
        found = judged(signed_anew(made, key_of(card)), seen)
        assert found, entry["kind"]
        if entry["kind"] in ("service", "gas_reading", "stated_use", "shaft_mark", "withdraw"):
            assert found == ["told_differs"], entry["kind"]
    assert {"service", "withdraw", "shaft_mark", "card_key"} <= {entry["kind"] for entry in entries_of(card)}


def test_a_history_without_its_begin_is_refused_unseen(card: Json):
    """Whoever cuts off what came first has the key; all else is made to fit."""

    def cut(made: Json) -> None:
        own = [one["row"] for one in entries_of(made) if one["kind"] in ("unit_add", "install")]
        made["evidence"]["entries"] = [one for one in entries_of(made) if one["row"] not in own]

    assert judged(forged(card, key_of(card), cut), Seen()) == ["entry_order"]


@pytest.mark.parametrize(("field", "value"), [("serial", "SN-9"), ("serial", None), ("tag", "D7")])
def test_a_damper_under_another_name_is_refused_unseen(card: Json, field: str, value: str | None):
    """A worn one can't pass for a fresh one of another serial."""
    made = forged(card, key_of(card), lambda one: one["damper"].update({field: value}))
    assert judged(made, Seen()) == ["told_differs"]


def test_entries_swapped_are_refused(card: Json):
    for at in range(len(entries_of(card)) - 1):
        made = copy.deepcopy(card)
        one = entries_of(made)
        one[at], one[at + 1] = one[at + 1], one[at]
        assert judged(signed_anew(made, key_of(card)), Seen()) == ["entry_order"]
        one[at]["row"], one[at + 1]["row"] = one[at + 1]["row"], one[at]["row"]
        assert judged(signed_anew(made, key_of(card)), Seen()) == ["entry_order"]


def test_entries_repeated_are_refused(card: Json):
    for at in range(len(entries_of(card))):
        made = copy.deepcopy(card)
        entries_of(made).insert(at, copy.deepcopy(entries_of(made)[at]))
        assert judged(signed_anew(made, key_of(card)), Seen()) == ["entry_order"]
        again = copy.deepcopy(card)
        entries_of(again).append({**entries_of(again)[at], "row": again["evidence"]["head_row"] + 1})
        assert judged(signed_anew(again, key_of(card)), Seen()) == ["entry_order"]


def test_an_entry_of_another_damper_is_refused(cards: tuple[Json, Json, Json], card: Json):
    """Its services would become this one's."""
    own = {entry["row"] for entry in entries_of(card)}
    foreign = [entry for entry in entries_of(cards[1]) if entry["row"] not in own and entry["unit_id"]]
    for entry in foreign:
        made = copy.deepcopy(card)
        made["evidence"]["entries"] = sorted([*entries_of(made), entry], key=lambda one: one["row"])
        assert judged(signed_anew(made, key_of(card)), Seen()) == ["entry_foreign"]
    assert foreign


def test_a_history_of_another_damper_does_not_carry_a_card(cards: tuple[Json, Json, Json]):
    """The evidence of SN-2 under the body of SN-1."""
    made = signed_anew({**cards[0], "evidence": cards[1]["evidence"]}, key_of(cards[0]))
    assert judged(made, Seen()) == ["entry_foreign"]


def test_evidence_of_an_older_card_does_not_carry_a_newer_body(cards: tuple[Json, Json, Json]):
    made = signed_anew({**cards[2], "evidence": cards[0]["evidence"]}, key_of(cards[0]))
    assert judged(made, Seen()) == ["issues"]
    back = signed_anew({**cards[0], "evidence": cards[2]["evidence"]}, key_of(cards[0]))
    assert judged(back, Seen()) == ["issues"]


# histories made anew, by the owner with the vehicle's key


def _drop_service(card: Json) -> None:
    gone = card["services"].pop(-1)["entry"]
    card["evidence"]["entries"] = [one for one in entries_of(card) if one["row"] != gone]


def _better_grade(card: Json) -> None:
    card["services"][0]["found"] = {"oil": "as_new"}
    entry = next(one for one in entries_of(card) if one["row"] == card["services"][0]["entry"])
    entry["data"] = encode_canonical({**json.loads(entry["data"]), "found": {"oil": "as_new"}})


def _fewer_strokes(card: Json) -> None:
    card["totals"]["strokes_count"] -= 100


def _lower_revision(card: Json) -> None:
    card["revision"] -= 1


def _drop_mark(card: Json) -> None:
    gone = card["marks"].pop(0)["entry"]
    card["evidence"]["entries"] = [one for one in entries_of(card) if one["row"] != gone]


def _drop_cards(card: Json) -> None:
    issued = [one for one in entries_of(card) if one["kind"] == "card_issued"]
    card["issued"]["sequence"] = 1
    card["evidence"]["entries"] = [one for one in entries_of(card) if one not in issued[:-1]]


@pytest.mark.parametrize("change", [_drop_service, _better_grade, _drop_mark, _drop_cards])
def test_a_history_made_anew_shows_against_what_was_seen(
    cards: tuple[Json, Json, Json], card: Json, change: Callable[[Json], None]
):
    """All hashes and digests fit, the key is right; only what the bench has seen before tells."""
    made = forged(card, key_of(card), change)
    assert judged(made, seen_after(*cards[:2]))
    assert judged(made, Seen()) == []


@pytest.mark.parametrize("change", [_fewer_strokes])
def test_totals_that_fall_between_cards_are_refused_unseen(card: Json, change: Callable[[Json], None]):
    """Entries of earlier cards hold their totals."""
    assert judged(forged(card, key_of(card), change), Seen()) == ["totals_fell"]


def test_a_revision_that_falls_is_refused_unseen(tmp_path: Path):
    yard = Yard(tmp_path)
    yard.issue()
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        yard.lived.ledger = ledger
        yard.tell("trip_not_driven", trip="2", why="transport", note=None)
    yard.issue()
    assert judged(forged(yard.issue(), yard.key(), _lower_revision), Seen()) == ["totals_fell"]


def test_numbers_of_cards_have_no_holes(card: Json):
    made = forged(card, key_of(card), lambda one: one["issued"].update(sequence=3))
    assert judged(made, Seen()) == ["issues"]
