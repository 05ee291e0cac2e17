"""Prices as people type them, in whole minor units inside."""

from __future__ import annotations

import re

from dutylog.bench.money import minor_digits
from dutylog.bench.order import PRICE_LIMIT_MINOR
from dutylog.errors import InputError

_PRICE = re.compile(r"([0-9]{1,9})(?:[.,]([0-9]{1,3}))?", re.ASCII)


def parse_price(text: str, currency: str) -> int | None:
    """Return a price in minor units, None where nothing was typed; InputError for what is no price."""
    plain = text.replace("\u202f", "").replace("\u00a0", "").replace(" ", "").strip()
    if not plain:
        return None
    found, digits = _PRICE.fullmatch(plain), minor_digits(currency)
    if found is None or len(found[2] or "") > digits:
        example = f"149.{'500'[:digits]}" if digits else "149"
        raise InputError(f"price {text!r:.40}: write it as {example}, in {currency}")
    minor: int = int(found[1]) * 10**digits + int((found[2] or "").ljust(digits, "0") or 0)
    if minor > PRICE_LIMIT_MINOR:
        raise InputError(f"price {text!r:.40}: at most {price_text(PRICE_LIMIT_MINOR, currency)} {currency}")
    return minor


def price_text(minor: int | None, currency: str) -> str:
    """Return a price as one would type it, '' for none."""
    if minor is None:
        return ""
    digits = minor_digits(currency)
    whole, rest = divmod(minor, 10**digits)
    return f"{whole}.{rest:0{digits}d}" if digits else str(whole)
