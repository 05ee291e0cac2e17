"""A card's code counts only for its own vehicle's damper, and never after a newer one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import CARD_DAY, Yard
from dutylog.bench.canonical import SUMMARY, encode, encode_file
from dutylog.bench.job_facts import CODE_NEWER, read_job_facts
from dutylog.bench.keys import CARD_KEY_FILE, SigningKey, read_key
from dutylog.bench.store import Store, Who
from dutylog.bench.summary_make import _text, make_summary, summary_of
from dutylog.bench.summary_read import START
from dutylog.bench.taking_in import take_card, take_summary
from dutylog.errors import CardRefused

BO = Who("Bo", "technician")


@pytest.fixture(scope="module")
def yards(tmp_path_factory: pytest.TempPathFactory) -> list[Yard]:
    return [Yard(tmp_path_factory.mktemp(name) / "data") for name in ("one", "other")]


@pytest.fixture(scope="module")
def cards(yards: list[Yard]) -> list[dict[str, Any]]:
    """Three cards of the first vehicle's SN-1, and one of the other's SN-2."""
    return [*(yards[0].issue("SN-1") for _ in range(3)), yards[1].issue("SN-2")]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bench.sqlite") as opened:
        yield opened


def key_of(yard: Yard) -> SigningKey:
    found = read_key(yard.folder / CARD_KEY_FILE)
    assert found is not None
    return found


def code_of(card: dict[str, Any], key: SigningKey, **changes: Any) -> str:
    """Return a code as whoever has a key can make it."""
    content = encode(summary_of(card) | changes)
    return f"{START}{_text(content)}.{_text(key.private_key.sign(SUMMARY.prefix + content))}"


def take(store: Store, text: str) -> int:
    return take_summary(store, BO, text, CARD_DAY, "bushing", "none")


def know(store: Store, card: dict[str, Any]) -> None:
    taken = take_card(store, BO, encode_file(card), CARD_DAY, opens_job=False)
    assert taken.verdict.is_accepted


def refused(store: Store, text: str) -> CardRefused:
    with pytest.raises(CardRefused) as caught:
        take(store, text)
    assert "\n" not in str(caught.value)
    return caught.value


def notices(store: Store, job_id: int) -> list[str]:
    with store.read() as reading:
        job = reading.job(job_id)
        assert job is not None
        damper = reading.damper(job.damper_id)
        assert damper is not None
        return [code for code, _ in read_job_facts(reading, job, damper).trust.notices]


def test_a_code_of_another_vehicle_is_refused(store: Store, yards: list[Yard], cards: list[dict[str, Any]]) -> None:
    """Its owner signs, with their own vehicle's key, that somebody else's damper never hit its stops."""
    know(store, cards[0])
    know(store, cards[3])
    text = code_of(cards[3], key_of(yards[1]), u=cards[0]["damper"]["unit_id"], s="SN-1", b=0, n=9)
    assert refused(store, text).code == "other_ledger"
    assert store.read().entries(kind="summary_seen") == ()
    with Store.open(Path(store.place).with_name("second.sqlite")) as second:
        # The damper is known by a code alone.
        know(second, cards[3])
        take(second, make_summary(cards[1], key_of(yards[0])))
        assert refused(second, text).code == "other_ledger"


def test_an_older_code_is_refused_by_card_and_by_code(
    store: Store, yards: list[Yard], cards: list[dict[str, Any]]
) -> None:
    """A photo of last year's sticker."""
    codes = [make_summary(card, key_of(yards[0])) for card in cards[:3]]
    know(store, cards[1])
    assert refused(store, codes[0]).code == "older"
    job = take(store, codes[1])
    assert CODE_NEWER not in notices(store, job)
    assert take(store, codes[2]) == job
    assert refused(store, codes[1]).code == "older"
    assert "of card 3" in str(refused(store, code_of(cards[2], key_of(yards[0]), h="0" * 16)))
    assert CODE_NEWER in notices(store, job), "the newer card must be asked for"
    know(store, cards[2])
    assert CODE_NEWER not in notices(store, job)


def test_a_code_that_was_read_before_an_older_card_came_is_said_too(
    store: Store, yards: list[Yard], cards: list[dict[str, Any]]
) -> None:
    job = take(store, make_summary(cards[2], key_of(yards[0])))
    assert notices(store, job) == ["not_checked"]
    know(store, cards[1])
    assert CODE_NEWER in notices(store, job)


def test_a_code_that_could_not_be_checked_shuts_no_genuine_one_out(
    store: Store, yards: list[Yard], cards: list[dict[str, Any]]
) -> None:
    """Anybody can make one while the vehicle is unknown here."""
    take(store, code_of(cards[0], key_of(yards[1]), n=9999))
    assert refused(store, code_of(cards[0], key_of(yards[1]), n=9998)).code == "older"
    other = yards[0].issue("SN-2")
    know(store, other)
    job = take(store, make_summary(cards[1], key_of(yards[0])))
    assert job == 1
