"""Whatever is changed, cut, repeated, rolled back or signed by another is refused or flagged, with its reason."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import (
    Json,
    Place,
    Yard,
    another,
    chain_anew,
    changed,
    forged,
    hash_of,
    leaves,
    open_card,
    seen_after,
    signed_anew,
    stranger,
)
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_key import renew_key
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import ACCEPTABLE, Seen, Verdict, verify
from dutylog.errors import CardRefused
from dutylog.ledger.chain import encode_canonical
from dutylog.ledger.ledger import Ledger

ANYTHING = frozenset({*ACCEPTABLE, "older", "entry_missing", "entry_changed", "first_sight"})


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return Yard(tmp_path_factory.mktemp("yard"))


@pytest.fixture(scope="module")
def cards(yard: Yard) -> tuple[Json, Json, Json]:
    """Return the first card of SN-1, one of SN-2, the second of SN-1, in this order of their making."""
    return yard.issue("SN-1"), yard.issue("SN-2"), yard.issue("SN-1", by="Bo")


@pytest.fixture(scope="module")
def card(cards: tuple[Json, Json, Json]) -> Json:
    return cards[2]


def codes(verdict: Verdict) -> list[str]:
    """Return why a card is refused; each reason is one printable line."""
    assert all(one.text.isprintable() and len(one.text) < 400 for one in verdict.findings)
    assert verdict.is_accepted == (not verdict.refusals)
    return sorted({one.code for one in verdict.refusals})


def judged(card: Json, seen: Seen, accept: frozenset[str] = frozenset()) -> list[str]:
    return codes(verify(open_card(card), seen, accept))


def judged_or_refused(card: Json, seen: Seen) -> list[str]:
    """Return why a card is refused, by reading or by judging it."""
    data = encode_file(card)
    try:
        read = read_card(data)
    except CardRefused as err:
        return [err.code]
    return codes(verify(read, seen))


# genuine cards


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
            why = judged_or_refused(signed_anew(changed(card, place, another), _key_of(card)), Seen())
            assert why, place
            found += why
    assert found.count("issue_differs") > 200


def _key_of(card: Json) -> Any:
    return KEYS[card["signature"]["key_id"]]


KEYS: dict[str, Any] = {}
"""Keys of vehicles of this module, as their owners have them."""


@pytest.fixture(scope="module", autouse=True)
def _keep_key(yard: Yard, card: Json) -> None:
    KEYS[card["signature"]["key_id"]] = yard.key()


def test_every_field_of_the_evidence_signed_by_the_vehicle_is_refused(cards: tuple[Json, Json, Json], card: Json):
    """Hashes of rows that aren't this damper's can't be checked alone; what was seen before shows them."""
    rows = {entry["row"] for entry in card["evidence"]["entries"]}
    bound = rows | {row - 1 for row in rows}
    for place in leaves(card["evidence"]):
        made = signed_anew(changed(card, ("evidence", *place), another), _key_of(card))
        is_bound = place[0] != "chain" or int(place[1]) + 1 in bound
        assert judged_or_refused(made, Seen() if is_bound else seen_after(*cards[:2])) != [], place
    assert len(bound) < card["evidence"]["head_row"]


# entries


def _entries(card: Json) -> list[Json]:
    found: list[Json] = card["evidence"]["entries"]
    return found


def test_every_entry_deleted_is_refused(cards: tuple[Json, Json, Json], card: Json):
    """Also by the vehicle's own key, where the body or an earlier card tells of it."""
    seen = seen_after(cards[0], cards[1])
    for at, entry in enumerate(_entries(card)):
        made = copy.deepcopy(card)
        del _entries(made)[at]
        with pytest.raises(CardRefused, match="changed after it was signed"):
            open_card(made)
        found = judged(signed_anew(made, _key_of(card)), seen)
        assert found, entry["kind"]
        if entry["kind"] in ("service", "gas_reading", "stated_use", "shaft_mark", "withdraw"):
            assert found == ["told_differs"], entry["kind"]
    assert {"service", "withdraw", "shaft_mark", "card_key"} <= {entry["kind"] for entry in _entries(card)}


def test_a_history_without_its_begin_is_refused_unseen(card: Json):
    """Whoever cuts off what came first has the key; all else is made to fit."""

    def cut(made: Json) -> None:
        own = [one["row"] for one in _entries(made) if one["kind"] in ("unit_add", "install")]
        made["evidence"]["entries"] = [one for one in _entries(made) if one["row"] not in own]

    assert judged(forged(card, _key_of(card), cut), Seen()) == ["entry_order"]


@pytest.mark.parametrize(("field", "value"), [("serial", "SN-9"), ("serial", None), ("tag", "D7")])
def test_a_damper_under_another_name_is_refused_unseen(card: Json, field: str, value: str | None):
    """A worn one can't pass for a fresh one of another serial."""
    made = forged(card, _key_of(card), lambda one: one["damper"].update({field: value}))
    assert judged(made, Seen()) == ["told_differs"]


def test_entries_swapped_are_refused(card: Json):
    for at in range(len(_entries(card)) - 1):
        made = copy.deepcopy(card)
        one = _entries(made)
        one[at], one[at + 1] = one[at + 1], one[at]
        assert judged(signed_anew(made, _key_of(card)), Seen()) == ["entry_order"]
        one[at]["row"], one[at + 1]["row"] = one[at + 1]["row"], one[at]["row"]
        assert judged(signed_anew(made, _key_of(card)), Seen()) == ["entry_order"]


def test_entries_repeated_are_refused(card: Json):
    for at in range(len(_entries(card))):
        made = copy.deepcopy(card)
        _entries(made).insert(at, copy.deepcopy(_entries(made)[at]))
        assert judged(signed_anew(made, _key_of(card)), Seen()) == ["entry_order"]
        again = copy.deepcopy(card)
        _entries(again).append({**_entries(again)[at], "row": again["evidence"]["head_row"] + 1})
        assert judged(signed_anew(again, _key_of(card)), Seen()) == ["entry_order"]


def test_an_entry_of_another_damper_is_refused(cards: tuple[Json, Json, Json], card: Json):
    """Its services would become this one's."""
    own = {entry["row"] for entry in _entries(card)}
    foreign = [entry for entry in _entries(cards[1]) if entry["row"] not in own and entry["unit_id"]]
    for entry in foreign:
        made = copy.deepcopy(card)
        made["evidence"]["entries"] = sorted([*_entries(made), entry], key=lambda one: one["row"])
        assert judged(signed_anew(made, _key_of(card)), Seen()) == ["entry_foreign"]
    assert foreign


def test_a_history_of_another_damper_does_not_carry_a_card(cards: tuple[Json, Json, Json]):
    """The evidence of SN-2 under the body of SN-1."""
    made = signed_anew({**cards[0], "evidence": cards[1]["evidence"]}, _key_of(cards[0]))
    assert judged(made, Seen()) == ["entry_foreign"]


def test_evidence_of_an_older_card_does_not_carry_a_newer_body(cards: tuple[Json, Json, Json]):
    made = signed_anew({**cards[2], "evidence": cards[0]["evidence"]}, _key_of(cards[0]))
    assert judged(made, Seen()) == ["issues"]
    back = signed_anew({**cards[0], "evidence": cards[2]["evidence"]}, _key_of(cards[0]))
    assert judged(back, Seen()) == ["issues"]


# histories made anew, by the owner with the vehicle's key


def _drop_service(card: Json) -> None:
    gone = card["services"].pop(-1)["entry"]
    card["evidence"]["entries"] = [one for one in _entries(card) if one["row"] != gone]


def _better_grade(card: Json) -> None:
    card["services"][0]["found"] = {"oil": "as_new"}
    entry = next(one for one in _entries(card) if one["row"] == card["services"][0]["entry"])
    entry["data"] = encode_canonical({**json.loads(entry["data"]), "found": {"oil": "as_new"}})


def _fewer_strokes(card: Json) -> None:
    card["totals"]["strokes_count"] -= 100


def _lower_revision(card: Json) -> None:
    card["revision"] -= 1


def _drop_mark(card: Json) -> None:
    gone = card["marks"].pop(0)["entry"]
    card["evidence"]["entries"] = [one for one in _entries(card) if one["row"] != gone]


def _drop_cards(card: Json) -> None:
    issued = [one for one in _entries(card) if one["kind"] == "card_issued"]
    card["issued"]["sequence"] = 1
    card["evidence"]["entries"] = [one for one in _entries(card) if one not in issued[:-1]]


@pytest.mark.parametrize("change", [_drop_service, _better_grade, _drop_mark, _drop_cards])
def test_a_history_made_anew_shows_against_what_was_seen(
    cards: tuple[Json, Json, Json], card: Json, change: Callable[[Json], None]
):
    """All hashes and digests fit, the key is right; only what the bench has seen before tells."""
    made = forged(card, _key_of(card), change)
    assert judged(made, seen_after(*cards[:2]))
    assert judged(made, Seen()) == []


@pytest.mark.parametrize("change", [_fewer_strokes])
def test_totals_that_fall_between_cards_are_refused_unseen(card: Json, change: Callable[[Json], None]):
    """Entries of earlier cards hold their totals."""
    assert judged(forged(card, _key_of(card), change), Seen()) == ["totals_fell"]


def test_a_revision_that_falls_is_refused_unseen(tmp_path: Path):
    yard = Yard(tmp_path)
    yard.issue()
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        yard.lived.ledger = ledger
        yard.tell("trip_not_driven", trip="2", why="transport", note=None)
    yard.issue()
    assert judged(forged(yard.issue(), yard.key(), _lower_revision), Seen()) == ["totals_fell"]


def test_numbers_of_cards_have_no_holes(card: Json):
    made = forged(card, _key_of(card), lambda one: one["issued"].update(sequence=3))
    assert judged(made, Seen()) == ["issues"]


# replayed, rolled back


def test_an_older_card_is_refused(cards: tuple[Json, Json, Json]):
    assert judged(cards[0], seen_after(*cards)) == ["older"]
    assert judged(cards[0], seen_after(*cards), ANYTHING) == ["older"]


def test_the_same_number_with_less_evidence_is_refused(card: Json):
    """Taken in once, handed in again without an entry that the body doesn't name."""
    made = copy.deepcopy(card)
    made["evidence"]["entries"] = [one for one in _entries(made) if one["kind"] != "install"]
    assert judged(signed_anew(made, _key_of(card)), seen_after(card)) == ["entry_missing", "older"]


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
        assert judged(signed_anew(made, _key_of(card)), Seen()) == ["chain"]
        made["evidence"]["head_row"] -= count
        assert judged(signed_anew(made, _key_of(card)), Seen()) == ["entry_order"]


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
    for made, seen in ((signed_anew(broken, _key_of(card)), Seen()), (cards[0], seen_after(*cards))):
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
    entry = next(one for one in _entries(made) if one["kind"] == kind)
    entry["data"] = data
    chain_anew(made)
    assert hash_of(entry) == entry["hash"]
    assert judged_or_refused(signed_anew(made, _key_of(card)), Seen())


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
    entry = next(one for one in _entries(made) if one["kind"] == kind)
    entry["data"] = json.dumps({**json.loads(entry["data"]), field: value})
    chain_anew(made)
    assert judged(signed_anew(made, _key_of(card)), Seen())


def test_times_beyond_all_calendars_are_no_traceback(card: Json):
    for text in ("9999999999999999999", "-9999999999999999999", "0"):
        made = copy.deepcopy(card)
        entry = next(one for one in _entries(made) if one["kind"] == "service")
        entry["utc_ns"] = text
        entry["data"] = json.dumps({**json.loads(entry["data"]), "on": None})
        chain_anew(made)
        assert judged(signed_anew(made, _key_of(card)), Seen())


PLACES: tuple[Place, ...] = (("totals", "strokes_count"), ("heat", "hot_oil_s"), ("parts", 0, "used_ratio"))


@pytest.mark.parametrize("place", PLACES)
def test_what_is_refused_leaves_what_was_seen(card: Json, place: Place):
    """Judging is pure: the same question has the same answer afterwards."""
    seen = seen_after(card)
    before = copy.deepcopy((seen, card))
    judged_or_refused(signed_anew(changed(card, place, another), _key_of(card)), seen)
    assert (seen, card) == before
    assert verify(open_card(card), seen).is_known
