"""Bytes that are signed, digests, signatures: Ed25519 over canonical JSON (shared/DUTY_CARD.md).

Sources: RFC 8785 (canonical JSON), RFC 8032 (Ed25519), FIPS 180-4 (SHA-256). Packages rfc8785 and cryptography do the
work; the latter is loaded only where something is signed or checked, for it takes 13 MB of memory.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import rfc8785

from dutylog.errors import CardRefused, InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

ALGORITHM = "Ed25519"
SIGNATURE = "signature"
_SIGNATURE_FIELDS = frozenset({"algorithm", "key_id", "public_key", "value"})
_HEX = re.compile(r"[0-9a-f]+")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of signed object. word: for people. prefix: goes before its bytes, so that no kind passes for another.

    limit_bytes: of its file. depth: lists and objects in each other, at most.
    """

    word: str
    name: str
    prefix: bytes
    limit_bytes: int
    depth: int


CARD = Kind("duty card", "dutylog-duty-card", b"dutylog-duty-card-1\n", 4 * 1024 * 1024, 12)
RECORD = Kind("service record", "dutylog-service-record", b"dutylog-service-record-1\n", 256 * 1024, 12)
SUMMARY = Kind("duty summary", "dutylog-duty-summary", b"dutylog-duty-summary-1\n", 4096, 4)


def encode(obj: Any) -> bytes:
    """Return RFC 8785 bytes; InputError for what it doesn't know: NaN, whole numbers beyond 2^53, no Unicode."""
    try:
        return rfc8785.dumps(obj)
    except (ValueError, TypeError, RecursionError) as err:
        # Also UnicodeError, of keys that are no Unicode: a ValueError.
        raise InputError(f"no canonical JSON: {err}") from err


def signed_bytes(kind: Kind, obj: Mapping[str, Any]) -> bytes:
    """Return what is signed of an object: the prefix of its kind and all of it but `signature`, canonically."""
    return kind.prefix + encode({key: value for key, value in obj.items() if key != SIGNATURE})


def digest_of(kind: Kind, obj: Mapping[str, Any]) -> str:
    """Return SHA-256 of the signed bytes, 64 hex digits: the name of a card or record for ever."""
    return hashlib.sha256(signed_bytes(kind, obj)).hexdigest()


def digest_of_body(obj: Mapping[str, Any]) -> str:
    """Return SHA-256 of a card without evidence and signature, canonically: what its `card_issued` entry holds."""
    body = {key: value for key, value in obj.items() if key not in ("evidence", SIGNATURE)}
    return hashlib.sha256(encode(body)).hexdigest()


def key_id_of(public_key: bytes) -> str:
    """Return the short name of a public key (32 bytes): 16 hex digits."""
    return hashlib.sha256(public_key).hexdigest()[:16]


def sign(kind: Kind, obj: Mapping[str, Any], private_key: Ed25519PrivateKey) -> dict[str, Any]:
    """Return the object with its signature, which takes the place of one that was there.

    Raises:
        InputError: it can't be written as canonical JSON.
    """
    public_key = private_key.public_key().public_bytes_raw()
    value = private_key.sign(signed_bytes(kind, obj))
    signature = {
        "algorithm": ALGORITHM,
        "key_id": key_id_of(public_key),
        "public_key": public_key.hex(),
        "value": value.hex(),
    }
    return {**{key: value for key, value in obj.items() if key != SIGNATURE}, SIGNATURE: signature}


def check_signature(kind: Kind, obj: Mapping[str, Any]) -> str:
    """Return the key_id of whoever signed; that the key belongs to somebody in particular is for the caller to judge.

    Raises:
        CardRefused: no signature, one of another form, or not of these bytes.
    """
    return check_signed(kind, obj)[0]


def check_signed(kind: Kind, obj: Mapping[str, Any]) -> tuple[str, str]:
    """Return (key_id, digest), as `check_signature` and `digest_of` do, writing the bytes only once."""
    signature = obj.get(SIGNATURE)
    if not isinstance(signature, Mapping) or set(signature) != _SIGNATURE_FIELDS:
        raise CardRefused("signature", f"{kind.word}: no signature of the known form; it was cut or never signed")
    if signature["algorithm"] != ALGORITHM:
        raise CardRefused("signature", f"{kind.word}: signed by {signature['algorithm']!r:.40}, expected {ALGORITHM}")
    public_key, value = _hex(kind, signature, "public_key", 32), _hex(kind, signature, "value", 64)
    if signature["key_id"] != key_id_of(public_key):
        raise CardRefused("signature", f"{kind.word}: its key_id doesn't belong to its public key; it was changed")
    try:
        signed = signed_bytes(kind, obj)
    except InputError as err:
        raise CardRefused("form", f"{kind.word}: {err}") from err
    if not is_signed_by(public_key, value, signed):
        raise CardRefused(
            "signature", f"{kind.word}: the signature doesn't fit what it says; it was changed after it was signed"
        )
    return str(signature["key_id"]), hashlib.sha256(signed).hexdigest()


def is_signed_by(public_key: bytes, value: bytes, signed: bytes) -> bool:
    """Return whether `value` (64 bytes) is a key's signature of these bytes; False also for bytes that are no key."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(value, signed)
    except (InvalidSignature, ValueError):
        return False
    return True


def encode_file(obj: Mapping[str, Any]) -> bytes:
    """Return an object as its file holds it: JSON that people can read without our programs.

    Lists of plain values and evidence stand in one line each, so that a long history doesn't fill pages.
    """
    lines = [f" {json.dumps(key)}: {_lay_out(value)}" for key, value in obj.items()]
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode("utf-8")


def _lay_out(value: Any, indent: int = 1) -> str:
    """Return JSON with a line for each field of an object and each row of a list, two levels deep."""
    pad, end = " " * (indent + 1), " " * indent
    if isinstance(value, Mapping) and value and indent < 3:
        rows = [f"{pad}{_plain(key)}: {_lay_out(one, indent + 1)}" for key, one in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{end}}}"
    if isinstance(value, list) and value and isinstance(value[0], Mapping) and indent < 3:
        return "[\n" + ",\n".join(f"{pad}{_plain(one)}" for one in value) + f"\n{end}]"
    return _plain(value)


def _plain(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _hex(kind: Kind, signature: Mapping[str, Any], field: str, length: int) -> bytes:
    text = signature[field]
    if not isinstance(text, str) or len(text) != 2 * length or _HEX.fullmatch(text) is None:
        raise CardRefused("signature", f"{kind.word}: {field} of its signature isn't {2 * length} small hex digits")
    return bytes.fromhex(text)
