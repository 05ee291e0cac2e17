"""Whoever has a key and our programs can hash and sign anything: odd values in entries and body are still one line."""

from __future__ import annotations

import copy
import itertools
import json
import random
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.card_made import Json, Yard, chain_anew, changed, leaves, seen_after
from dutylog.bench.canonical import CARD, digest_of_body, encode_file, sign
from dutylog.bench.card_read import read_card
from dutylog.bench.card_schema import ENTRIES_LIMIT
from dutylog.bench.card_verify import ACCEPTABLE, Seen, verify
from dutylog.bench.job_facts import read_intake
from dutylog.bench.roles import MANAGER
from dutylog.bench.store import Store, Who
from dutylog.bench.taking_in import take_card
from dutylog.errors import CardRefused, InputError
from dutylog.ledger.chain import encode_canonical

ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    1.5,
    ENTRIES_LIMIT + 1,
    2**53 - 1,
    "",
    "\u202e\n\u2028" * 300,
    "0" * 64,
    [],
    {},
    ["x", 1],
    {"x": None},
)
DAY = date(2026, 11, 3)
HEAD_FIELDS = ("sequence", "key_id", "body_digest", "revision", "totals", "by")
KEY_FIELDS = ("key_id", "public_key", "why")


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    made = Yard(tmp_path_factory.mktemp("yard"))
    made.issue()
    return made


@pytest.fixture(scope="module")
def card(yard: Yard) -> Json:
    return yard.issue()


def fitted(card: Json, private_key: Any, head: Json, kind: str = "", data: Json | None = None) -> Json:
    """Return a card whose last entry says what its body says but for `head`, hashed and signed anew.

    kind, data: fields put over those of every entry of that kind, as they are.
    """
    made = copy.deepcopy(card)
    for entry in made["evidence"]["entries"]:
        if kind and entry["kind"] == kind:
            entry["data"] = encode_canonical({**json.loads(entry["data"]), **(data or {})})
    chain_anew(made)
    issued = [entry for entry in made["evidence"]["entries"] if entry["kind"] == "card_issued"]
    if issued:
        said = {"body_digest": digest_of_body(made), "totals": made["totals"], "revision": made["revision"]}
        said |= {"sequence": made["issued"]["sequence"], "by": made["issued"]["by"]}
        issued[-1]["data"] = encode_canonical({**json.loads(issued[-1]["data"]), **said, **head})
        chain_anew(made)
    return sign(CARD, made, private_key)


def judge(card: Json, *seen: Seen) -> bool:
    """Return whether any bench takes it; each reason is one printable line."""
    try:
        read = read_card(encode_file(card))
    except CardRefused as err:
        lines, is_taken = [str(err)], False
    else:
        verdicts = [verify(read, one, ACCEPTABLE) for one in seen]
        lines = [one.text for verdict in verdicts for one in verdict.findings]
        is_taken = any(verdict.is_accepted for verdict in verdicts)
    assert all(line.isprintable() and 0 < len(line) <= 400 for line in lines), lines
    return is_taken


def without(card: Json, *kinds: str) -> Json:
    entries = [one for one in card["evidence"]["entries"] if one["kind"] not in kinds]
    return {**card, "evidence": {**card["evidence"], "entries": entries}}


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> tuple[Json, Any]:
    """Return a card with few entries, and its key: many of them are tried."""
    made = Yard(tmp_path_factory.mktemp("short"))
    return made.issue("SN-2"), made.key()


def _odd_heads() -> Iterator[tuple[tuple[str, ...], str, Json]]:
    """Yield kinds of entries that are left out, and an odd field of those of cards or keys."""
    gone = ((), ("card_key",), ("unit_add",))
    fields = [("card_issued", name) for name in HEAD_FIELDS] + [("card_key", name) for name in KEY_FIELDS]
    for kinds, (kind, name), value in itertools.product(gone, fields, ODD):
        yield kinds, kind, {name: value}


def test_odd_entries_of_cards_and_keys_are_refused_in_one_line(short: tuple[Json, Any]):
    """Each with each kind of entry left out: no card without a key, whatever its entries say."""
    card, key = short
    assert judge(fitted(card, key, {}), Seen())
    for kinds, kind, data in _odd_heads():
        made = fitted(without(card, *kinds), key, data if kind == "card_issued" else {}, kind, data)
        # Why a key came, nobody judges; its own name may be there twice.
        is_harmless = not kinds and "why" in data
        assert judge(made, Seen()) == (is_harmless or made == card), (kinds, kind, data)


@pytest.mark.parametrize("number", [0, 2, 3, ENTRIES_LIMIT, ENTRIES_LIMIT + 1, 10**9, 2**53 - 1])
def test_a_card_says_any_number_of_itself(short: tuple[Json, Any], number: int):
    """Held against the cards that are there, never counted up to: a small file must not fill the memory."""
    card, key = short
    made = {**card, "issued": {**card["issued"], "sequence": number}}
    assert not judge(fitted(made, key, {}), Seen())


def test_a_card_without_any_key_entry_is_refused(short: tuple[Json, Any]):
    """Its own entry says null: nothing that nobody has equals nothing."""
    card, key = short
    verdict = verify(read_card(encode_file(fitted(without(card, "card_key"), key, {"key_id": None}))), Seen())
    assert [one.code for one in verdict.refusals] == ["issue_differs"]


@pytest.mark.parametrize("sign", ["\u202e", "\n", "\u2028", "\x1b[31m"])
def test_signs_that_no_page_should_show_are_in_no_line(yard: Yard, card: Json, sign: str):
    """What an entry holds is told when it is refused."""
    made = fitted(card, yard.key(), {}, "withdraw", {"row": f"{sign}7" * 300})
    assert not judge(made, Seen(), seen_after(card))
    assert [one.code for one in verify(read_card(encode_file(made)), Seen()).refusals] == ["told_differs"]


TREES = st.sampled_from(ODD) | st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)


@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_odd_values_under_right_hashes_are_never_a_traceback(yard: Yard, card: Json, data: st.DataObject):
    """Fields of entries, entries gone or swapped, a value of the body: hashed, told of and signed by the owner."""
    made = copy.deepcopy(card)
    entries = made["evidence"]["entries"]
    for _ in range(data.draw(st.integers(1, 3))):
        how = data.draw(st.sampled_from(["field", "kind", "gone", "head", "body"]))
        entry = data.draw(st.sampled_from(entries))
        if how == "field":
            told = json.loads(entry["data"])
            told[data.draw(st.sampled_from([*told, "x"]))] = data.draw(TREES)
            entry["data"] = encode_canonical(told)
        elif how == "kind":
            entry["kind"] = data.draw(st.sampled_from([one["kind"] for one in card["evidence"]["entries"]]))
        elif how == "gone" and len(entries) > 2:
            kind = entry["kind"]
            entries[:] = [one for one in entries if one["kind"] != kind] or entries[:1]
        elif how == "body":
            place = data.draw(st.sampled_from([one for one in leaves(made) if one[0] not in ("signature", "evidence")]))
            value = data.draw(TREES)
            made = changed(made, place, lambda _, value=value: value)
            entries = made["evidence"]["entries"]
    head = data.draw(st.dictionaries(st.sampled_from(HEAD_FIELDS), TREES, max_size=2))
    try:
        signed = fitted(made, yard.key(), head)
    except (InputError, TypeError, KeyError):
        # Data that is no object any more, or text that is no Unicode: nothing that can be signed.
        return
    judge(signed, Seen(), seen_after(card))


def test_an_odd_body_is_taken_in_or_refused_never_a_traceback(tmp_path: Path, yard: Yard, card: Json):
    """Of a vehicle never seen before, what no entry tells of may be made up; the bench and its pages must stand it."""
    chance, seen = random.Random(20261130), {"taken": 0, "refused": 0}
    places = [one for one in leaves(card) if one[0] not in ("signature", "evidence", "kind", "schema")]
    values = (*ODD, 1e15, -1e15, 1e-9, 2000.0, 10_000, "9999-12-31", "0001-01-01")
    with Store.open(tmp_path / "bench.sqlite") as store:
        for _ in range(80):
            made = card
            for place in chance.sample(places, chance.choice((1, 1, 2))):
                made = changed(made, place, lambda _, value=chance.choice(values): value)  # noqa: B008
            seen["taken" if _take(store, fitted(made, yard.key(), {})) else "refused"] += 1
    assert min(seen.values()) > 10, seen


def _take(store: Store, card: Json) -> bool:
    """Return whether a card is taken in; its intake can then be read."""
    try:
        taken = take_card(store, Who("Mo", MANAGER), encode_file(card), DAY, accept=ACCEPTABLE, why="a try")
    except CardRefused as err:
        assert str(err).isprintable()  # noqa: PT017 - it may be taken as well
        return False
    with store.read() as reading:
        job = reading.job(taken.job_id or 0)
        damper = None if job is None else reading.damper(job.damper_id)
        if job is None or damper is None:
            return False
        read_intake(reading, job, damper, DAY)
    return True


@pytest.mark.parametrize(
    ("low", "budget", "high"), [(-1.0, 1.0, 2.0), (0.0, 1.0, 2.0), (2.0, 1.0, 3.0), (1.0, 1.0, 1.0), (1e15, 1.0, 2.0)]
)
def test_a_budget_out_of_its_own_range_is_refused(yard: Yard, card: Json, low: float, budget: float, high: float):
    """Nothing can be learned with one: the pages of its job would fail for ever."""
    part = {**card["parts"][0], "budget_low": low, "budget": budget, "budget_high": high}
    with pytest.raises(CardRefused, match="budget"):
        read_card(encode_file(fitted({**card, "parts": [part]}, yard.key(), {})))
