"""Cards of one vehicle, and why one is refused: what tests of tampering and of roll-backs share."""

from __future__ import annotations

from typing import Any

import pytest

from bench.card_made import (
    Json,
    Yard,
    open_card,
)
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import ACCEPTABLE, Seen, Verdict, verify
from dutylog.errors import CardRefused

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


KEYS: dict[str, Any] = {}
"""Keys of vehicles of these tests, as their owners have them."""


@pytest.fixture(scope="module", autouse=True)
def keep_key(yard: Yard, card: Json) -> None:
    KEYS[card["signature"]["key_id"]] = yard.key()


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


def key_of(card: Json) -> Any:
    return KEYS[card["signature"]["key_id"]]


def entries_of(card: Json) -> list[Json]:
    found: list[Json] = card["evidence"]["entries"]
    return found
