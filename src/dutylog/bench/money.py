"""Amounts of money as people read them; inside they are whole minor units beside a currency."""

from __future__ import annotations

NO_DECIMALS = frozenset(
    "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF".split()  # noqa: SIM905 - read as one list
)
"""Currencies without a smaller unit. Source: ISO 4217, list one (from memory)."""
THREE_DECIMALS = frozenset({"BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"})
"""Currencies whose smaller unit is a thousandth. Source: ISO 4217, list one (from memory)."""
NARROW = "\u202f"


def minor_digits(currency: str | None) -> int:
    """Return how many decimals a currency has."""
    return 0 if currency in NO_DECIMALS else 3 if currency in THREE_DECIMALS else 2


def money_text(minor: int | None, currency: str | None) -> str:
    """Return an amount with its currency, '' for none."""
    if minor is None:
        return ""
    digits = minor_digits(currency)
    whole, rest = divmod(abs(minor), 10**digits)
    text = f"{'-' if minor < 0 else ''}{whole:,}".replace(",", NARROW)
    decimals = f".{rest:0{digits}d}" if digits else ""
    return f"{text}{decimals}" + (f"\u00a0{currency}" if currency else "")
