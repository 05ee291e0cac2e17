"""Whatever bytes come in: a card, or one printable line. Never a traceback, never a card that nobody issued."""

from __future__ import annotations

import base64
import json
import random
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.card_made import Json, Yard, changed, leaves, open_card, seen_after, signed_anew
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import Seen, verify
from dutylog.bench.form import FormError
from dutylog.bench.keys import CARD_KEY_FILE, read_key
from dutylog.bench.record_schema import RECORD_FORMS
from dutylog.bench.summary_make import make_summary
from dutylog.bench.summary_read import read_summary
from dutylog.errors import CardRefused
from dutylog.ledger.ledger import Ledger

SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
TREES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=25,
)
JSON_BYTES = st.lists(
    st.sampled_from(
        [b"{", b"}", b"[", b"]", b'"', b":", b",", b"1", b"-", b"e9", b"\\", b"\\u", b"d800", b"null", b" "]
    ),
    max_size=60,
).map(b"".join)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return Yard(tmp_path_factory.mktemp("yard"))


@pytest.fixture(scope="module")
def card(yard: Yard) -> Json:
    yard.issue()
    return yard.issue()


def read_or_refuse(data: bytes) -> str | None:
    """Return the digest of a card, None for bytes refused in one printable line."""
    try:
        return read_card(data).digest
    except CardRefused as err:
        text = str(err)
    if not (text and text.isprintable() and len(text) <= 400):
        raise AssertionError(f"not fit for people: {text!r}")
    return None


@given(data=st.binary(max_size=2000) | JSON_BYTES | TREES.map(lambda tree: json.dumps(tree).encode()))
def test_bytes_are_no_card(data: bytes):
    assert read_or_refuse(data) is None


@given(data=st.data())
@settings(max_examples=80)
def test_a_card_with_bytes_changed_is_itself_or_refused(card: Json, data: st.DataObject):
    """Several places at once: bytes put in, cut out, or exchanged."""
    whole = encode_file(card)
    made = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(made)))
        cut = data.draw(st.integers(0, 3))
        made[at : at + cut] = data.draw(st.binary(max_size=4) | JSON_BYTES)
    assert read_or_refuse(bytes(made)) in (None, read_card(whole).digest)


@given(data=st.data())
@settings(max_examples=80)
def test_a_tree_put_anywhere_into_a_card_is_refused_whoever_signs(yard: Yard, card: Json, data: st.DataObject):
    """By the vehicle's own key, so that form and evidence alone stand against it."""
    place = data.draw(st.sampled_from([one for one in leaves(card) if one[0] != "signature"]))
    depth = data.draw(st.integers(1, len(place)))
    tree = data.draw(TREES)
    made = changed(card, place[:depth], lambda _: tree)
    try:
        signed = signed_anew(made, yard.key())
        read = read_card(encode_file(signed))
    except (CardRefused, ValueError):
        return
    verdict = verify(read, seen_after(card))
    assert all(one.text.isprintable() for one in verdict.findings)
    assert verdict.is_known == (read.digest == open_card(card).digest)
    assert verdict.is_known or not verdict.is_accepted


@given(tree=TREES)
def test_a_form_takes_any_tree_in_one_line(tree: Any):
    """Objects of the right kind with anything in them."""
    found = {"kind": "dutylog-duty-card", "schema": 1, "vehicle": tree, "parts": tree}
    try:
        data = json.dumps(found, allow_nan=True).encode()
    except ValueError:
        return
    assert read_or_refuse(data) is None
    with pytest.raises(FormError) as refused:
        RECORD_FORMS[1].check(tree, "service record")
    assert str(refused.value).isprintable()


@given(text=st.text(max_size=300) | st.text("ABCab01_-.=", max_size=300).map(lambda text: f"DC1:{text}"))
def test_text_is_no_summary(text: str):
    with pytest.raises(CardRefused) as refused:
        read_summary(text, {})
    assert str(refused.value).isprintable()


def test_a_summary_with_any_sign_changed_is_refused(yard: Yard, card: Json):
    """With the vehicle's key known; every sign of it, each by two others."""
    key = read_key(yard.folder / CARD_KEY_FILE)
    assert key is not None
    text, keys = make_summary(card, key), {key.key_id: key.public_key}
    assert read_summary(text, keys).key_id == key.key_id
    for at in range(len(text)):
        for sign in ("A", "_", "."):
            made = text[:at] + sign + text[at + 1 :]
            if made != text:
                with pytest.raises(CardRefused):
                    read_summary(made, keys)
    for length in range(len(text)):
        with pytest.raises(CardRefused):
            read_summary(text[:length], keys)


def test_a_summary_laid_out_otherwise_is_refused(yard: Yard, card: Json):
    """One summary has one text, also where nobody can check its signature."""
    key = read_key(yard.folder / CARD_KEY_FILE)
    assert key is not None
    content, _, value = make_summary(card, key).removeprefix("DC1:").partition(".")
    fields = json.loads(base64.urlsafe_b64decode(content + "=" * (-len(content) % 4)))
    other = base64.urlsafe_b64encode(json.dumps(fields, indent=1).encode()).rstrip(b"=").decode()
    assert read_summary(f"DC1:{content}.{value}", {}).key_id is None
    with pytest.raises(CardRefused, match="isn't written as dutylog writes it"):
        read_summary(f"DC1:{other}.{value}", {})


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3, 4))])
def test_no_honest_life_is_ever_refused(tmp_path: Path, seed: int):
    """Driving, services, marks, withdrawals, repairs of trips and cards of two dampers in any order."""
    chance = random.Random(seed)
    yard = Yard(tmp_path)
    seen: dict[str, list[Json]] = {"SN-1": [], "SN-2": []}
    taken: list[Json] = []
    day = date(2026, 6, 1).toordinal()
    for step in range(14 if seed < 4 else 150):
        if chance.random() < 0.4:
            unit = chance.choice(["SN-1", "SN-2"])
            made = yard.issue(unit, day=date.fromordinal(day + step))
            known = seen_after(*taken, unit_id=made["damper"]["unit_id"]) if taken else Seen()
            verdict = verify(open_card(made), known)
            assert verdict.is_accepted, [one.text for one in verdict.refusals]
            if chance.random() < 0.7:
                taken.append(made)
                seen[unit].append(made)
            continue
        with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
            yard.lived.ledger = ledger
            _live(yard, chance, date.fromordinal(day + step))
    assert taken


def _live(yard: Yard, chance: random.Random, day: date) -> None:
    what, unit = chance.randrange(5), chance.choice(["SN-1", "SN-2"])
    if what == 0:
        yard.lived.drive(day, chance.randrange(1, 9))
    elif what == 1:
        done = yard.tell("service", unit=unit, on=None, note=None, replaced=["shaft_seal"], found={"oil": "usable"})
        if chance.random() < 0.5:
            yard.tell("withdraw", entry=done["entry"], why="never happened")
    elif what == 2:
        mark = {"mark": "pit", "distance_mm": 30.0, "size_mm": 1.0, "is_sharp": False}
        yard.tell("shaft_mark", unit=unit, note=None, on=None, **mark)
    elif what == 3:
        done = yard.tell("trip_not_driven", trip="2", why="other", note=None)
        yard.tell("trip_undo", entry=done["entry"])
    else:
        yard.lived.tell_plain("remove", unit=unit)
        yard.lived.tell_plain("install", unit=unit, position={"SN-1": "front_left", "SN-2": "front_right"}[unit])
