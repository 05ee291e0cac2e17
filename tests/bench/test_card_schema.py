"""The form of cards and records: our own check, JSON Schema in shared/, and cards of long ago that stay readable."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from jsonschema.protocols import Validator

from bench.card_made import Json, Place, Yard, another, changed, leaves, seen_after
from dutylog.bench.canonical import CARD, RECORD, check_signature, digest_of, digest_of_body
from dutylog.bench.card_read import check_form, read_card
from dutylog.bench.card_schema import CARD_FORMS, NEWEST, card_json_schema
from dutylog.bench.card_verify import Seen, verify
from dutylog.bench.form import Form, FormError
from dutylog.bench.record_schema import RECORD_FORMS, record_json_schema
from dutylog.bench.strict_json import read_object
from dutylog.bench.summary_read import read_summary

REPOSITORY = Path(__file__).parents[2]
SHARED = REPOSITORY / "shared"
GOLDEN = REPOSITORY / "tests" / "golden" / "card_v1"
EXPECTED: dict[str, Json] = json.loads((GOLDEN / "expected.json").read_text(encoding="utf-8"))
CARDS = [name for name in EXPECTED if name.endswith(".card.json")]


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Json:
    return Yard(tmp_path_factory.mktemp("yard")).issue()


@pytest.fixture(scope="module")
def validator() -> Validator:
    return Draft202012Validator(json.loads((SHARED / "duty_card.schema.json").read_text(encoding="utf-8")))


def record() -> Json:
    found: Json = json.loads((GOLDEN / "first.service.json").read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize(
    ("name", "made"),
    [("duty_card.schema.json", card_json_schema()), ("service_record.schema.json", record_json_schema())],
)
def test_the_schema_in_shared_is_what_is_checked(name: str, made: Json):
    """Made anew with `python -m tests.bench.write_schemas`."""
    assert json.loads((SHARED / name).read_text(encoding="utf-8")) == made
    Draft202012Validator.check_schema(made)


def test_a_card_is_valid_for_others(card: Json, validator: Validator):
    """By a program of somebody else."""
    assert list(validator.iter_errors(card)) == []


VALUES: tuple[Any, ...] = (
    None,
    "",
    "x",
    "2026-02-30",
    -1,
    0,
    1.5,
    2**53,
    True,
    [],
    {},
    [1],
    {"x": 1},
    "a\nb",
    "0" * 64,
)


DAY = re.compile(r"[0-9]-[0-9]{2}[\"T]")
"""Text that may be a date, whether it exists or not."""


def value_at(value: Any, place: Place) -> Any:
    return value if not place else value_at(value[place[0]], place[1:])


def is_of_form(form: Form, value: Any) -> bool:
    try:
        form.check(value, "card")
    except FormError:
        return False
    return True


def test_our_check_and_the_schema_agree_on_every_field(card: Json):
    """Each value of a card exchanged for some that may or may not fit; section by section, for speed.

    Ours is the stricter where JSON Schema can't say it: dates that don't exist, whole numbers written with a point.
    """
    agreed = {True: 0, False: 0}
    sections = card_json_schema()["properties"]
    for at, place in enumerate(leaves(card)):
        name, inner = str(place[0]), place[1:]
        if "entries" in inner and at % 7:
            continue
        form, validator = CARD_FORMS[1].must[name], Draft202012Validator(sections[name])
        for value in (VALUES[at % len(VALUES)], VALUES[(at + 7) % len(VALUES)], another):
            made = changed(card[name], inner, value if callable(value) else lambda _, value=value: value)
            ours, theirs = is_of_form(form, made), validator.is_valid(made)
            if not (value == "2026-02-30" or DAY.search(json.dumps(value_at(made, inner)))):
                assert ours == theirs, (place, value)
            assert theirs or not ours, (place, value)
            agreed[ours] += 1
    assert min(agreed.values()) > 100


def test_our_check_and_the_schema_agree_on_fields_gone_and_added(card: Json, validator: Validator):
    for name in card:
        without = {key: one for key, one in card.items() if key != name}
        assert is_of_form(CARD_FORMS[1], without) is validator.is_valid(without) is False
    for made in ({**card, "more": 1}, changed(card, ("damper",), lambda one: {**one, "more": 1})):
        assert is_of_form(CARD_FORMS[1], made) is validator.is_valid(made) is False


def test_no_form_has_a_place_on_earth():
    """Nothing called latitude, longitude, place or route can be on a card or record."""

    def names_in(schema: Any) -> set[str]:
        if isinstance(schema, list):
            return {name for one in schema for name in names_in(one)}
        if not isinstance(schema, dict):
            return set()
        own = set(schema.get("properties", {}))
        return own | {name for one in schema.values() for name in names_in(one)}

    names = names_in(card_json_schema()) | names_in(record_json_schema())
    assert {"energy_j", "gauge_pa", "replaced"} <= names
    words = ("lat", "lon", "latitude", "longitude", "gps", "coordinates", "road", "route", "city")
    assert not [name for name in names if set(name.split("_")) & set(words)]


# kept for ever


def test_the_newest_version_is_kept():
    """Whoever raises the version lays golden files of it beside these."""
    assert max(CARD_FORMS) == NEWEST == max(one["schema"] for one in EXPECTED.values() if "schema" in one)


@pytest.mark.parametrize("name", CARDS)
def test_a_card_of_long_ago_is_read_as_it_was(name: str):
    """Its digest is its name for ever."""
    expected = EXPECTED[name]
    read = read_card((GOLDEN / name).read_bytes())
    assert read.schema == expected["schema"]
    assert (read.sequence, read.label, read.head_row) == (expected["sequence"], expected["label"], expected["head_row"])
    assert (read.digest, read.body_digest) == (expected["digest"], expected["body_digest"])
    assert (read.key_id, read.ledger_id) == (expected["key_id"], expected["ledger_id"])
    assert digest_of(CARD, read.body) == expected["digest"]
    assert digest_of_body(read.body) == expected["body_digest"]
    assert verify(read, Seen()).is_accepted


def test_cards_of_long_ago_follow_each_other():
    first, second, other = (json.loads((GOLDEN / name).read_text(encoding="utf-8")) for name in CARDS)
    assert verify(read_card((GOLDEN / CARDS[1]).read_bytes()), seen_after(first)).findings == ()
    seen = seen_after(first, second, unit_id=other["damper"]["unit_id"])
    assert verify(read_card((GOLDEN / CARDS[2]).read_bytes()), seen).findings == ()


def test_a_summary_of_long_ago_is_read_as_it_was():
    text = (GOLDEN / "second.qr.txt").read_text(encoding="ascii")
    expected = EXPECTED["second.qr.txt"]
    read = read_summary(text, {expected["key_id"]: expected["public_key"]})
    assert (read.label, read.sequence, read.key_id, read.notice) == ("SN-1", 2, expected["key_id"], "")
    assert EXPECTED["second.card.json"]["digest"].startswith(read.digest_start)
    assert dict(read.fields) == expected["fields"]
    assert read_summary(text, {}).notice == "not checked: this vehicle's key is unknown here"


def test_a_record_of_long_ago_is_read_as_it_was():
    expected = EXPECTED["first.service.json"]
    found = read_object((GOLDEN / "first.service.json").read_bytes(), RECORD)
    assert check_form(found, RECORD, RECORD_FORMS) == 1
    assert check_signature(RECORD, found) == expected["key_id"]
    assert digest_of(RECORD, found) == expected["digest"]
    schema = json.loads((SHARED / "service_record.schema.json").read_text(encoding="utf-8"))
    assert Draft202012Validator(schema).is_valid(found)


def test_our_check_and_the_schema_agree_on_every_field_of_a_record():
    made, forms = record(), RECORD_FORMS[1]
    validator = Draft202012Validator(record_json_schema())
    agreed = {True: 0, False: 0}
    for place in leaves(made):
        for value in VALUES if "build" not in place else ():
            if value == "2026-02-30":
                continue
            other = changed(made, place, lambda _, value=value: value)
            ours = is_of_form(forms, other)
            assert ours == validator.is_valid(other), (place, value)
            agreed[ours] += 1
    assert min(agreed.values()) > 20
