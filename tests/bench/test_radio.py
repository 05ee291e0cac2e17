"""Messages of duty by radio: real ones are taken, strange ones refused, and only of vehicles whose owner agreed."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.card_made import CARD_DAY, Yard
from bench.store.store_on import sqlite_store
from dutylog.bench.canonical import encode_file
from dutylog.bench.radio import (
    HOLD_S,
    LARGEST_BYTES,
    RADIO_WHO,
    TOTALS,
    RadioBook,
    duty_pattern,
    parse_duty,
    write_duty,
)
from dutylog.bench.store import Store, Who
from dutylog.bench.taking_in import take_card
from dutylog.clock import ManualClock
from dutylog.duty.totals import Totals
from dutylog.errors import InputError
from dutylog.ledger.rows import UnitDuty
from dutylog.publish.topics import duty_object, duty_topic, encode

MONA = Who("Mona", "manager")
UNIT, VEHICLE = "0b9d6c1e-7f0a-4c52-9d53-2f6a4de30c11", "truck"
FULL = Totals(
    energy_compression_uj=3_000_001, energy_rebound_uj=2_000_003, strokes_count=12, compression_strokes_count=6,
    shaft_travel_um=7_000_005, stroke_travel_um=6_000_000, bottom_outs_count=2, measured_us=9_000_007,
    unmeasured_us=1_000_009, moving_us=8_000_011, moving_measured_us=7_900_013,
)  # fmt: skip


def message(unit_id: str = UNIT, totals: Totals = FULL, revision: int = 1, sequence: int = 5) -> dict[str, Any]:
    """Return what a vehicle publishes."""
    return duty_object(UnitDuty(unit_id, "SN-1", None, "front_left", revision, sequence, totals))


def topic(unit_id: str = UNIT, vehicle_id: str = VEHICLE) -> str:
    found = duty_topic(vehicle_id, unit_id)
    assert found is not None
    return found


def test_a_real_message_gives_the_totals_to_the_micro_unit() -> None:
    """Published in units with fractions, kept in whole ones, as on a card: else a sum could seem to fall."""
    heard = parse_duty(topic(), encode(message()))
    assert (heard.vehicle_id, heard.unit_id, heard.order) == (VEHICLE, UNIT, (1, 5))
    assert heard.totals == {name: getattr(FULL, name) for name, _, _ in TOTALS.values()}
    assert len(encode(message())) < LARGEST_BYTES / 4


def test_nothing_else_of_a_message_is_kept() -> None:
    """No place on earth, whatever a vehicle of the future or somebody else puts in."""
    told = {**message(), "latitude_deg": 48.1, "gps": {"longitude_deg": 11.5}, "trip": "home"}
    kept = json.dumps(dict(parse_duty(topic(), encode(told)).totals))
    assert "48.1" not in kept
    assert set(json.loads(kept)) == {name for name, _, _ in TOTALS.values()}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"schema": 2}, "schema 2"),
        ({"schema": True}, "schema"),
        ({"unit_id": "other"}, "under the topic of another"),
        ({"unit_id": None}, "under the topic of another"),
        ({"revision": -1}, "revision"),
        ({"seq": 1.5}, "seq"),
        ({"seq": True}, "seq"),
        ({"seq": 2**60}, "beyond 2^53"),
        ({"shaft_travel_total_m": None}, "shaft_travel_total_m None"),
        ({"shaft_travel_total_m": "7"}, "shaft_travel_total_m"),
        ({"shaft_travel_total_m": -0.1}, "expected 0 to"),
        ({"shaft_travel_total_m": 1e300}, "expected 0 to"),
        ({"energy_rebound_total_j": 5e9}, "expected 0 to"),
        ({"strokes_total_count": 1.5}, "a whole number"),
        ({"moving_measured_total_s": 9.0}, "more was measured"),
    ],
)
def test_fields_that_cannot_be_are_refused_in_one_line(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_duty(topic(), json.dumps({**message(), **changes}).encode())
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"null", b"[]", b"{", b"\xff\xfe", b"{}", b'{"a":NaN}', b'{"schema":1,"schema":1}', b"[" * 5000,
        b" " * (LARGEST_BYTES + 1), b'{"schema":1,"unit_id":{"a":{"b":{"c":{}}}}}',
    ],
)  # fmt: skip
def test_bytes_that_are_no_duty_are_refused(payload: bytes) -> None:
    with pytest.raises(InputError):
        parse_duty(topic(), payload)


@given(
    st.one_of(st.text(max_size=80), st.lists(st.text(max_size=10), max_size=6).map("/".join)), st.binary(max_size=200)
)
def test_no_topic_or_payload_does_worse_than_being_refused(strange: str, payload: bytes) -> None:
    with pytest.raises(InputError) as caught:
        parse_duty(strange, payload)
    assert "\n" not in str(caught.value)


@given(
    st.dictionaries(
        st.sampled_from([*message(), "x"]),
        st.one_of(
            st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.lists(st.none(), max_size=2)
        ),
    )
)
def test_no_changed_field_does_worse_than_being_refused(changes: dict[str, Any]) -> None:
    """Whatever passes is whole numbers that the chain can hold."""
    try:
        heard = parse_duty(topic(), json.dumps({**message(), **changes}).encode())
    except InputError:
        return
    assert all(isinstance(one, int) and 0 <= one < 2**53 for one in heard.totals.values())


def test_ids_that_cannot_stand_in_a_topic_are_not_subscribed_to() -> None:
    """A wildcard as a vehicle's id would bring in everybody's duty."""
    assert duty_pattern("truck-1") == "dutylog/v1/truck-1/duty/+"
    assert [duty_pattern(one) for one in ("+", "#", "a/b", "", "x" * 65, "ü")] == [None] * 6


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return Yard(tmp_path_factory.mktemp("vehicle") / "data").issue()


class Shop:
    """A store with that damper, whose owner has agreed or not."""

    def __init__(self, store: Store, card: dict[str, Any]) -> None:
        self.store, self.card = store, card
        taken = take_card(store, MONA, encode_file(card), CARD_DAY, opens_job=False)
        assert taken.damper_id is not None
        self.damper_id = taken.damper_id
        self.unit_id = card["damper"]["unit_id"]
        self.vehicle_id = card["vehicle"]["vehicle_id"]

    def agree(self, by: str | None) -> None:
        with self.store.write(MONA) as tx:
            vehicle = tx.read.vehicles()[0]
            names = ("vehicle_key", "label", "customer_id", "ledger_id", "vehicle_id", "note")
            tx.append("vehicle_put", {**{name: getattr(vehicle, name) for name in names}, "radio_agreed_by": by})

    def payload(self, more_m: float = 0.0, sequence: int = 9, **changes: Any) -> bytes:
        """Return a message of that damper that has slid on."""
        told = {name: value for name, value in self.card["totals"].items() if hasattr(FULL, name)}
        totals = replace(FULL, **told)
        totals.shaft_travel_um += round(more_m * 1e6)
        totals.energy_compression_uj += round(more_m * 1e6)
        totals.moving_us += round(more_m * 1e6)
        totals.moving_measured_us += round(more_m * 1e6)
        return encode({**message(self.unit_id, totals, self.card["revision"], sequence), **changes})

    def hear(self, payload: bytes, vehicle_id: str | None = None) -> bool:
        heard = parse_duty(topic(self.unit_id, vehicle_id or self.vehicle_id), payload)
        return write_duty(self.store, heard, CARD_DAY, f"{CARD_DAY}T12:00:00Z")

    def count(self) -> int:
        return self.store.read().head()[0]


@pytest.fixture
def shop(tmp_path: Path, card: dict[str, Any]) -> Any:
    with sqlite_store(tmp_path) as store:
        yield Shop(store, card)


def test_only_duty_of_vehicles_whose_owner_agreed_is_written(shop: Shop) -> None:
    """Not before, not after it was taken back, not under another vehicle's id, not of unknown dampers."""
    before = shop.count()
    assert not shop.hear(shop.payload(100.0))
    shop.agree("Dee Example")
    assert not shop.hear(shop.payload(100.0), "other")
    stranger = parse_duty(topic(), encode(message()))
    assert not write_duty(shop.store, stranger, CARD_DAY, "2026-11-02T12:00:00Z")
    assert shop.count() == before + 1
    assert shop.hear(shop.payload(100.0))
    assert {one.kind for one in shop.store.read().entries(limit=2)} == {"radio_duty", "due_put"}
    assert shop.store.read().entries(limit=1)[0].who == RADIO_WHO.name
    shop.agree(None)
    assert not shop.hear(shop.payload(200.0, sequence=10))


def test_the_board_moves_with_it_and_says_so(shop: Shop) -> None:
    def used() -> dict[str, tuple[float | None, str]]:
        return {one.part: (one.used_ratio, one.basis) for one in shop.store.read().due_of(shop.damper_id)}

    shop.agree("Dee Example")
    before = used()
    assert shop.hear(shop.payload(2000.0))
    after = used()
    own_m = shop.card["totals"]["shaft_travel_um"] / 1e6
    for part in shop.card["parts"]:
        key, (old, _), (new, basis) = part["part"], before[part["part"]], after[part["part"]]
        assert basis == "radio"
        if part["since_entry"] is None and old is not None:
            pace = old * part["measured_share"] / part["used_share"] / own_m
            assert new == pytest.approx(old + 2000.0 * pace), key
        elif old is not None:
            assert new is not None
            assert new > old
    assert shop.store.verify().is_good


def test_a_new_card_ends_what_came_by_radio_before_it(shop: Shop) -> None:
    """The card holds that duty now, signed; nothing counts twice."""
    shop.agree("Dee Example")
    assert shop.hear(shop.payload(0.0))
    assert {one.basis for one in shop.store.read().due_of(shop.damper_id)} == {"card"}, "it did nothing since"


def test_older_and_repeated_messages_change_nothing(shop: Shop) -> None:
    """The broker may bring any of them twice, and what it kept after what is newer."""
    shop.agree("Dee Example")
    assert shop.hear(shop.payload(100.0))
    count = shop.count()
    assert not shop.hear(shop.payload(100.0))
    assert not shop.hear(shop.payload(50.0, sequence=8))
    assert not shop.hear(shop.payload(100.0, sequence=11)), "the same totals again"
    assert shop.count() == count


def test_entries_are_made_at_most_once_an_hour_and_at_the_end(shop: Shop) -> None:
    """A drive of a day would bring one every 10 s."""
    shop.agree("Dee Example")
    clock = ManualClock(10**12, 10**18)
    book = RadioBook(shop.store, clock)
    address = topic(shop.unit_id, shop.vehicle_id)

    def write(is_end: bool = False) -> int:
        return book.write(lambda ns: datetime.fromtimestamp(ns // 10**9, UTC).isoformat(), CARD_DAY, is_end)

    written = 0
    for n in range(720):
        assert book.take(address, shop.payload(1.0 + n, sequence=20 + n))
        written += write()
        clock.advance(10.0)
    assert written == 2, "at once, and an hour later"
    assert HOLD_S == 3600.0
    assert write(is_end=True) == 1
    radio = shop.store.read().radio(shop.damper_id)
    assert radio is not None
    assert radio.sequence == 20 + 719
    assert not book.take(address, b"{}")
    assert (book.heard_count, book.refused_count) == (720, 1)
    assert "schema" in book.problem


def test_the_newest_of_what_waits_is_written(shop: Shop) -> None:
    shop.agree("Dee Example")
    book = RadioBook(shop.store, ManualClock(10**12, 10**18))
    address = topic(shop.unit_id, shop.vehicle_id)
    for sequence in (12, 14, 13):
        book.take(address, shop.payload(float(sequence), sequence=sequence))
    assert book.write(lambda _ns: "2026-11-02T12:00:00Z", CARD_DAY) == 1
    radio = shop.store.read().radio(shop.damper_id)
    assert radio is not None
    assert radio.sequence == 14
