"""The few figures of a duty card that fit a QR code, signed, as text (shared/DUTY_CARD.md)."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from dutylog.bench.canonical import CARD, SUMMARY, digest_of, encode
from dutylog.bench.keys import SigningKey
from dutylog.bench.summary_read import START
from dutylog.duty.totals import Totals
from dutylog.life.parts import PARTS

ID_SIGNS = 16
_WEARS = frozenset(part.key for part in PARTS if part.weights)


def make_summary(card: Mapping[str, Any], key: SigningKey) -> str:
    """Return the text of a card's QR code.

    Args:
        card: signed. key: the one that signed it; it isn't in the text, the bench knows it or says that it doesn't.
    """
    content = encode(summary_of(card))
    value = key.private_key.sign(SUMMARY.prefix + content)
    return f"{START}{_text(content)}.{_text(value)}"


def summary_of(card: Mapping[str, Any]) -> dict[str, Any]:
    """Return the figures: letters as in shared/DUTY_CARD.md, numbers rounded to what a person would say."""
    damper, totals = card["damper"], Totals(**card["totals"])
    ratio = card["coverage"]["ratio"]
    return {
        "s": damper["serial"] or damper["tag"],
        "u": damper["unit_id"],
        "v": card["vehicle"]["vehicle_id"],
        "l": card["vehicle"]["ledger_id"][:ID_SIGNS],
        "n": card["issued"]["sequence"],
        "d": card["issued"]["utc"][:10],
        "p": [[one["part"], round(100.0 * one["used_ratio"])] for one in card["parts"] if one["part"] in _WEARS],
        "e": round(totals.energy_uj * 1e-12, 1),
        "t": round(totals.shaft_travel_um * 1e-9, 1),
        "r": round(totals.moving_us / 3.6e9, 1),
        "b": totals.bottom_outs_count,
        # Never more than was measured.
        "c": None if ratio is None else int(100.0 * ratio),
        "h": digest_of(CARD, card)[:ID_SIGNS],
    }


def _text(data: bytes) -> str:
    """Return base64url without padding. Source: RFC 4648, 5."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode("ascii")
