"""What is read of a card's file, and what is refused before anything of it is believed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Json, Yard, changed, signed_anew
from dutylog.bench.canonical import CARD, encode, encode_file
from dutylog.bench.card_read import read_card
from dutylog.errors import CardRefused

LENGTHS = 300
"""Places where a file is cut; those around its borders come along."""


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return Yard(tmp_path_factory.mktemp("yard"))


@pytest.fixture(scope="module")
def card(yard: Yard) -> Json:
    return yard.issue()


def code_of(data: bytes) -> str:
    """Return the code by which bytes are refused, in one line."""
    with pytest.raises(CardRefused) as refused:
        read_card(data)
    text = str(refused.value)
    assert text.isprintable()
    assert len(text) <= 400
    return refused.value.code


def test_a_card_says_what_its_file_says(card: Json):
    read = read_card(encode_file(card))
    assert read.body == card
    assert (read.schema, read.sequence, read.label) == (1, card["issued"]["sequence"], "SN-1")
    assert (read.unit_id, read.ledger_id) == (card["damper"]["unit_id"], card["evidence"]["chain"][0])
    assert (read.key_id, read.public_key) == (card["signature"]["key_id"], card["signature"]["public_key"])
    assert read.head_row == len(card["evidence"]["chain"])


def test_how_a_file_is_laid_out_does_not_matter(card: Json):
    """A program that writes it anew, in any order, leaves the same card."""
    turned = dict(reversed(card.items()))
    other = json.dumps(turned, indent=4).encode("ascii")
    assert other != encode_file(card)
    assert read_card(other).digest == read_card(encode_file(card)).digest == read_card(encode(card)).digest


def test_a_file_cut_anywhere_is_refused(card: Json):
    data = encode_file(card)
    end = len(data.rstrip())
    lengths = {*range(0, end, max(1, end // LENGTHS)), *range(40), *range(end - 40, end)}
    for length in sorted(lengths):
        assert code_of(data[:length]) in ("empty", "not_json"), length


def test_a_file_with_more_behind_it_is_refused(card: Json):
    data = encode_file(card)
    for more in (b"{}", b"\x00", b"x", data):
        assert code_of(data + more) == "not_json"


def test_a_byte_lost_or_doubled_is_refused(card: Json):
    """A last digit beyond what a double holds is the same number, so the same card."""
    data, digest = encode(card), read_card(encode_file(card)).digest
    codes = []
    for at in range(0, len(data), 127):
        for other in (data[:at] + data[at + 1 :], data[: at + 1] + data[at:]):
            try:
                assert read_card(other).digest == digest, at
            except CardRefused as err:
                codes.append(err.code)
    assert len(codes) > 240
    assert set(codes) <= {"not_json", "form", "signature", "not_a_card", "newer"}


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "empty"),
        (b" \n\t", "empty"),
        (b"\x00" * 100, "not_json"),
        (b"\xff\xfe{\x00}\x00", "not_json"),
        (b"\xef\xbb\xbf{}", "not_json"),
        (b'{"a": "\xc3\x28"}', "not_json"),
        (b'{"a": "\\ud800"}', "not_json"),
        (b'{"\\udfff": 1}', "not_json"),
        (b"[]", "not_json"),
        (b"null", "not_json"),
        (b'"kind"', "not_json"),
        (b"7", "not_json"),
        (b"{}", "not_a_card"),
        (b"{'a': 1}", "not_json"),
        (b'{"a": 1,}', "not_json"),
        (b'{"a": NaN}', "not_json"),
        (b'{"a": -Infinity}', "not_json"),
        (b'{"a": 1e999}', "not_json"),
        (b'{"a": 9007199254740992}', "not_json"),
        (b'{"a": ' + b"9" * 100_000 + b"}", "not_json"),
        (b'{"a": 1' + b"0" * 5000 + b".5}", "not_json"),
        (b'{"kind": "dutylog-duty-card", "kind": "dutylog-duty-card"}', "not_json"),
        (b'{"a": {"b": 1, "b": 1}}', "not_json"),
        (b"{" + b",".join(b'"%x":1' % n for n in [*range(300_000), 299_999]) + b"}", "not_json"),
        (b'{"kind": "dutylog-service-record", "schema": 1}', "not_a_card"),
        (b'{"kind": ["dutylog-duty-card"], "schema": 1}', "not_a_card"),
        (b'{"kind": "dutylog-duty-card"}', "form"),
        (b'{"kind": "dutylog-duty-card", "schema": 0}', "form"),
        (b'{"kind": "dutylog-duty-card", "schema": true}', "form"),
        (b'{"kind": "dutylog-duty-card", "schema": "1"}', "form"),
        (b'{"kind": "dutylog-duty-card", "schema": 1.0}', "form"),
        (b'{"kind": "dutylog-duty-card", "schema": 2}', "newer"),
        (b'{"kind": "dutylog-duty-card", "schema": 1}', "form"),
        (b"PK\x03\x04" + b"\x00" * 500, "not_json"),
        (b"%PDF-1.7", "not_json"),
    ],
    ids=lambda value: value if isinstance(value, str) else repr(value[:24]),
)
def test_what_is_no_card_is_refused(data: bytes, code: str):
    assert code_of(data) == code


@pytest.mark.parametrize("depth", [13, 1000, 600_000])
@pytest.mark.parametrize("pair", ["[]", "{}"])
def test_deep_nesting_is_refused_before_it_is_parsed(depth: int, pair: str):
    opened, closed = (b'{"a":', b"}") if pair == "{}" else (b"[", b"]")
    for data in (opened * depth + b"1" + closed * depth, b'{"kind":' + opened * depth, opened * depth):
        assert code_of(data) == "too_deep"


def test_brackets_in_texts_are_no_nesting():
    """Data of entries is JSON within a text."""
    assert code_of(json.dumps({"a": '[{"' * 100, "b": "\\" * 7 + '"'}).encode()) == "not_a_card"
    assert code_of(b'{"a": "' + b'\\"' * 500 + b"[" * 50 + b'"}') == "not_a_card"


def test_an_unclosed_text_is_no_nesting():
    assert code_of(b'{"a": "' + b"[" * 100) == "not_json"
    assert code_of(b'{"a": "' + b'\\"' * 1_000_000) == "not_json"


def test_a_file_beyond_the_limit_is_refused_by_its_length(card: Json):
    data = encode_file(card)
    assert read_card(data + b" " * (CARD.limit_bytes - len(data))).sequence == card["issued"]["sequence"]
    assert code_of(data + b" " * (CARD.limit_bytes - len(data) + 1)) == "too_long"
    assert code_of(b"[" * (CARD.limit_bytes + 1)) == "too_long"


@pytest.mark.parametrize("piece", [b"[],", b'"",'])
def test_a_file_full_of_little_things_is_refused(piece: bytes):
    """As many values as fit into the limit."""
    count = (CARD.limit_bytes - 40) // len(piece)
    data = b'{"kind": "x", "a": [' + piece * count
    assert code_of(data[:-1] + b"]}") in ("too_deep", "not_a_card")


def fields_of(value: Any, place: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Return the place of every field of every object; of lists the first row alone."""
    if isinstance(value, list):
        return fields_of(value[0], (*place, 0)) if value else []
    if not isinstance(value, dict):
        return []
    found = [(*place, name) for name in value]
    return found + [one for name, inner in value.items() for one in fields_of(inner, (*place, name))]


def without(card: Json, place: tuple[str | int, ...]) -> Json:
    def cut(inside: Any) -> Any:
        return {name: one for name, one in inside.items() if name != place[-1]}

    return cut(card) if len(place) == 1 else changed(card, place[:-1], cut)


MAY_BE_ABSENT = {"charge_pa", "has_base_valve", "gas_volume_m3", "construction", "reservoir", "joints"}


def test_a_field_that_is_missing_is_refused_whoever_signs(yard: Yard, card: Json):
    """Even by the vehicle's own key."""
    seen = []
    for place in fields_of(card):
        if place[0] == "signature" or place[-1] in MAY_BE_ABSENT or "doses" in place or "found" in place:
            continue
        code = code_of(encode_file(signed_anew(without(card, place), yard.key())))
        assert code in ("form", "not_a_card"), place
        seen.append(place)
    assert len(seen) > 150


def test_a_field_that_is_unknown_is_refused_whoever_signs(yard: Yard, card: Json):
    """A newer dutylog raises the schema instead."""
    for place in {one[:-1] for one in fields_of(card)}:
        if place and place[-1] in ("doses", "found", "signature"):
            continue

        def add(inside: Any) -> Any:
            return {**inside, "latitude": 52.0}

        made = add(card) if not place else changed(card, place, add)
        assert code_of(encode_file(signed_anew(made, yard.key()))) == "form", place


def test_a_newer_card_says_so(yard: Yard, card: Json):
    newer = signed_anew({**card, "schema": 2, "colour": "blue"}, yard.key())
    with pytest.raises(CardRefused, match="made by a newer dutylog, this one reads up to 1; update"):
        read_card(encode_file(newer))


@pytest.mark.parametrize("sign", ["\n", "\x1b", "\u202e", "\x00", "\x85"])
def test_a_name_cannot_steer_a_terminal_or_a_page(yard: Yard, card: Json, sign: str):
    made = changed(card, ("vehicle", "name"), lambda name: f"{name}{sign}[31m")
    assert code_of(encode_file(signed_anew(made, yard.key()))) == "form"


def test_the_message_shows_where_and_what(yard: Yard, card: Json):
    made = signed_anew(changed(card, ("gas", 0, "gauge_pa"), lambda _: "much"), yard.key())
    with pytest.raises(CardRefused) as refused:
        read_card(encode_file(made))
    text = "duty card.gas[0].gauge_pa: 'much', expected a number; it was changed, or made by another program"
    assert str(refused.value) == text


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("speeds_mps", [-2.0, 0.0, 0.0]),
        ("speeds_mps", [2.0, 0.0, -2.0]),
        ("speeds_mps", [0.0, 1.0]),
        ("forces_n", [0.0, 1.0]),
        ("forces_n", []),
    ],
)
def test_a_curve_that_no_damper_has_is_refused(yard: Yard, card: Json, field: str, value: list[float]):
    """Somebody with the key could sign it, and everything that reckons with it would stumble."""
    made = changed(card, ("profile", "force", 0, field), lambda _: value)
    assert code_of(encode_file(signed_anew(made, yard.key()))) == "form"
    twice = changed(card, ("profile", "force"), lambda force: [*force, *force])
    assert code_of(encode_file(signed_anew(twice, yard.key()))) == "form"


def test_reading_changes_no_file(card: Json, tmp_path: Path):
    before = sorted(tmp_path.iterdir())
    read_card(encode_file(card))
    assert sorted(tmp_path.iterdir()) == before


def test_a_file_of_another_kind_says_what_to_give() -> None:
    """One line that somebody at a counter can act on."""
    with pytest.raises(CardRefused, match="this file is no duty card; give the one that was handed out as a duty card"):
        read_card(b"{}")
