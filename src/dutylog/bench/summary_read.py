"""The signed summary in a card's QR code, read from its text (shared/DUTY_CARD.md)."""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.bench.canonical import SUMMARY, encode, is_signed_by
from dutylog.bench.card_schema import ENTRIES_LIMIT
from dutylog.bench.form import Day, Fields, FormError, Maybe, Number, Rows, Text, Tuple, Whole, Word, hex_text
from dutylog.bench.strict_json import read_object
from dutylog.domain.wear import PARTS
from dutylog.errors import CardRefused

START = "DC1:"
NOT_CHECKED = "not checked: this vehicle's key is unknown here"
_SIGNATURE_BYTES = 64
_NEWER = re.compile(r"DC[0-9]{1,3}:")
_WORD = re.compile(r"[A-Za-z0-9_-]*")
_POSITIVE = Number(0.0)
SUMMARY_FORM = Fields(
    {
        "s": Maybe(Text(64)),
        "u": Text(64, 1),
        "v": Text(200, 1),
        "l": hex_text(16),
        "n": Whole(1, ENTRIES_LIMIT),
        "d": Day(),
        "p": Rows(Tuple((Word(PARTS), Whole())), len(PARTS)),
        "e": _POSITIVE,
        "t": _POSITIVE,
        "r": _POSITIVE,
        "b": Whole(),
        "c": Maybe(Whole(0, 100)),
        "h": hex_text(16),
    }
)


@dataclass(frozen=True, slots=True)
class Summary:
    """A summary. fields: by their letters. key_id: of the key that signed it, None where none known here did.

    ledger_start, digest_start: first 16 hex digits of the vehicle's ledger_id and of the whole card's digest.
    """

    unit_id: str
    vehicle_id: str
    ledger_start: str
    sequence: int
    digest_start: str
    fields: Mapping[str, Any]
    key_id: str | None

    @property
    def label(self) -> str:
        """Return what people call the damper."""
        return str(self.fields["s"] or self.unit_id)

    @property
    def notice(self) -> str:
        """Return what must be said beside it; '' where its signature was checked."""
        return "" if self.key_id else NOT_CHECKED


def read_summary(text: str, keys: Mapping[str, str]) -> Summary:
    """Return the summary in the text of a QR code.

    Args:
        text: as a reader gives it, spaces around it are no harm.
        keys: public keys in hex trusted for its vehicle, by key_id. Empty: nothing is known of it, so the signature
            isn't checked and `key_id` is None; `ledger_start` says which vehicle's keys to give.
    Raises:
        CardRefused: with one line: no such text, too long, cut, of a newer version, a field that is wrong, or signed by
            none of the keys.
    """
    text = text.strip()
    if len(text) > SUMMARY.limit_bytes:
        raise CardRefused(
            "too_long", f"duty summary: {len(text)} characters, at most {SUMMARY.limit_bytes}; scan it again"
        )
    if not text.startswith(START):
        if _NEWER.match(text):
            raise CardRefused("newer", "duty summary: made by a newer dutylog; update, or give the card's file")
        raise CardRefused(
            "not_a_card", f"duty summary: begins with {text[:8]!r}, expected {START}; scan the card's code"
        )
    content_text, dot, value_text = text.removeprefix(START).partition(".")
    content, value = _decode(content_text), _decode(value_text)
    if not dot or len(value) != _SIGNATURE_BYTES:
        raise CardRefused("signature", "duty summary: its signature is missing or cut; scan it again")
    fields = read_object(content, SUMMARY)
    try:
        SUMMARY_FORM.check(fields, "duty summary")
    except FormError as err:
        raise CardRefused("form", f"{err}; it was changed, or made by another program") from err
    if encode(fields) != content:
        raise CardRefused("form", "duty summary: isn't written as dutylog writes it; it was changed")
    return Summary(
        unit_id=fields["u"],
        vehicle_id=fields["v"],
        ledger_start=fields["l"],
        sequence=fields["n"],
        digest_start=fields["h"],
        fields=fields,
        key_id=_find_key(content, value, keys),
    )


def _find_key(content: bytes, value: bytes, keys: Mapping[str, str]) -> str | None:
    for key_id, public_key in keys.items():
        if is_signed_by(bytes.fromhex(public_key), value, SUMMARY.prefix + content):
            return key_id
    if keys:
        raise CardRefused(
            "signature",
            "duty summary: not signed by this vehicle's key; it was changed, or the key was: ask for the card",
        )
    return None


def _decode(text: str) -> bytes:
    """Return the bytes of base64url without padding, each text only one way. Source: RFC 4648, 5 and 3.5."""
    try:
        if _WORD.fullmatch(text) is None:
            raise ValueError("a letter that isn't of base64url")
        data = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except (ValueError, binascii.Error) as err:
        raise CardRefused("not_json", "duty summary: its letters are garbled; scan it again") from err
    if base64.urlsafe_b64encode(data).rstrip(b"=").decode("ascii") != text:
        raise CardRefused("not_json", "duty summary: its letters are garbled; scan it again")
    return data
