"""What tests of the bench's pages bring in: cards of one vehicle, and what an owner tells."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import Yard
from dutylog.bench.canonical import encode_file
from dutylog.bench.card_key import renew_key
from web.bench.bench_parts import Person

HOSTILE = "<script>alert(1)</script>\"'&{{ 7919 * 7919 }}"
TOLD = {
    "construction": "floating_piston",
    "reservoir": "hose",
    "joints": "rod_end",
    "mix": "hard",
    "distance": "12,000.5".replace(",", ""),
    "distance_unit": "mi",
    "years": "2,5",
}


@pytest.fixture(scope="module")
def cards(yard: Yard) -> list[dict[str, Any]]:
    """Give two cards of one damper and one of another of the same vehicle."""
    return [yard.issue("SN-1"), yard.issue("SN-1"), yard.issue("SN-2")]


async def upload(person: Person, card: Any, name: str = "one.card.json") -> Any:
    data = card if isinstance(card, bytes) else encode_file(card)
    return await person.post("/intake/card", files={"card": (name, data)})


def copy_of(yard: Yard, folder: Path) -> Yard:
    """Return a yard of a copied folder."""
    made = object.__new__(Yard)
    made.folder = folder
    return made


async def bring_then_renew(person: Person, yard: Yard, folder: Path) -> Yard:
    """Return a yard of a copied folder: a card of SN-2 is at the bench, and the vehicle has another key since."""
    shutil.copytree(yard.folder, folder)
    moved = copy_of(yard, folder)
    await upload(person, moved.issue("SN-2"))
    renew_key(folder, 0)
    return moved
