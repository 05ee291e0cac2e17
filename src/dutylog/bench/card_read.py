"""A duty card from a file: its limits, its form, its signature. What it says of the past: `card_verify`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dutylog.bench.canonical import CARD, Kind, check_signed, digest_of_body
from dutylog.bench.card_schema import CARD_FORMS, NEWEST
from dutylog.bench.form import Fields, Form, FormError
from dutylog.bench.strict_json import read_object
from dutylog.errors import CardRefused


@dataclass(frozen=True, slots=True)
class Card:
    """A card whose form is right and which its own key has signed. body: all of it, as its file holds it.

    digest: its name for ever. body_digest: of it without evidence and signature. head_row: of the vehicle's chain.
    """

    schema: int
    sequence: int
    unit_id: str
    ledger_id: str
    revision: int
    digest: str
    body_digest: str
    head_row: int
    key_id: str
    public_key: str
    body: Mapping[str, Any]

    @property
    def label(self) -> str:
        """Return what people call the damper: its serial, the vehicle's tag, or its id."""
        damper = self.body["damper"]
        return str(damper["serial"] or damper["tag"] or damper["unit_id"])


def read_card(data: bytes) -> Card:
    """Return the card that a file's bytes hold.

    Nothing of it may be believed before `card_verify.verify` has accepted it.
    Raises:
        CardRefused: with one line: too long, nested too deeply, no JSON, no card, of a newer version, a field that is
            wrong, unknown or missing, or not what was signed.
    """
    found = read_object(data, CARD)
    version = check_form(found, CARD, CARD_FORMS)
    key_id, digest = check_signed(CARD, found)
    check_curves(found["profile"], CARD)
    _check_budgets(found["parts"])
    return Card(
        schema=version,
        sequence=found["issued"]["sequence"],
        unit_id=found["damper"]["unit_id"],
        ledger_id=found["vehicle"]["ledger_id"],
        revision=found["revision"],
        digest=digest,
        body_digest=digest_of_body(found),
        head_row=found["evidence"]["head_row"],
        key_id=key_id,
        public_key=found["signature"]["public_key"],
        body=found,
    )


def check_form(found: Mapping[str, Any], kind: Kind, forms: Mapping[int, Form]) -> int:
    """Return the version of an object whose form is that of its kind.

    Raises:
        CardRefused: another kind, a version newer than those known, or a field that is wrong, unknown or missing.
    """
    if found.get("kind") != kind.name:
        text = f"this file is no {kind.word}; give the one that was handed out as a {kind.word}"
        raise CardRefused("not_a_card", text)
    version = found.get("schema")
    if type(version) is not int or version < 1:
        raise CardRefused("form", f"{kind.word}: its schema is {version!r:.40}, expected a whole number from 1")
    if version not in forms:
        raise CardRefused(
            "newer",
            f"{kind.word}: schema {version} was made by a newer dutylog, this one reads up to {max(forms)}; update",
        )
    try:
        forms[version].check(found, kind.word)
    except FormError as err:
        raise CardRefused("form", f"{err}; it was changed, or made by another program") from err
    return version


def check_body(body: Mapping[str, Any]) -> None:
    """Refuse what a card is going to say where no bench could read it: before it is told of, evidenced and signed.

    Raises:
        CardRefused: a field that is wrong, unknown or missing, a curve no damper has, a budget no part has.
    """
    form = CARD_FORMS[NEWEST]
    rest = {name: one for name, one in form.must.items() if name not in ("evidence", "signature")}
    try:
        Fields(rest, form.may).check(body, CARD.word)
    except FormError as err:
        raise CardRefused("form", str(err)) from err
    check_curves(body["profile"], CARD)
    _check_budgets(body["parts"])


def check_curves(profile: Mapping[str, Any], kind: Kind) -> None:
    """Refuse a profile whose curves no vehicle file could have, beyond what its form says.

    Raises:
        CardRefused: speeds or travels that don't rise, or another number of forces than speeds.
    """
    travels = [at["travel_m"] for at in profile["force"]]
    for at in profile["force"]:
        if len(at["speeds_mps"]) != len(at["forces_n"]) or not _rises(at["speeds_mps"]):
            raise CardRefused(
                "form",
                f"{kind.word}: profile {profile['name']}: a curve's speeds don't rise, or lack forces; make it again",
            )
    if len(travels) > 1 and not _rises(travels):
        raise CardRefused(
            "form", f"{kind.word}: profile {profile['name']}: its curves' travels don't rise; make it again"
        )


def _check_budgets(parts: Sequence[Mapping[str, Any]]) -> None:
    """Refuse parts whose budget lies out of its own range: nothing can be learned with one."""
    for part in parts:
        low, high = part["budget_low"], part["budget_high"]
        if not (low < high and low <= part["budget"] <= high):
            raise CardRefused(
                "form",
                f"{CARD.word}: the budget of {part['part']} is {part['budget']:g}, expected within its own range "
                f"{low:g} to {high:g}; it was changed, or made by another program",
            )


def _rises(values: Sequence[float]) -> bool:
    return all(one < later for one, later in pairwise(values))
