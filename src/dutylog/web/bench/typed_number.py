"""Numbers as people type them: one reader for every field of the bench's pages."""

from __future__ import annotations

import re

from dutylog.errors import InputError

MOST_SIGNS = 20
"""A number with more signs is none that anybody read off anything."""
_BLANKS = str.maketrans("", "", " \u00a0\u202f\u2009")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+", re.ASCII)
"""Twelve thousand to some people, twelve to others; 0,125 can only be a fraction."""
_COARSE = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:[.,][0-9]{3})+", re.ASCII)


def parse_number(text: str, what: str, *, is_coarse: bool = False, example: str = "1.5") -> float | None:
    """Return a typed number, None where nothing was typed. Blanks may part thousands; point or comma, the decimals.

    Args:
        what: it is, for the message. is_coarse: nobody knows it to a thousandth, so 12.000 may be thousands as well.
        example: how it is written.
    Raises:
        InputError: no number, or one that two people would read differently.
    """
    plain = text.strip().translate(_BLANKS).replace("\u2212", "-")
    if not plain:
        return None
    if (_COARSE if is_coarse else _THOUSANDS).fullmatch(plain):
        whole, fraction = re.sub("[.,]", "", plain), re.sub("[.,]", ".", plain[::-1], count=1)[::-1]
        other = _short(fraction) if plain.count(",") + plain.count(".") == 1 else ""
        raise InputError(f"{what}: {plain!r:.40}: write {whole}{f' or {other}' if other else ''}")
    if len(plain) > MOST_SIGNS or not _NUMBER.fullmatch(plain.replace(",", ".")):
        raise InputError(f"{what}: {text!r:.40} is no number; write it as {example}")
    return float(plain.replace(",", "."))


def _short(fraction: str) -> str:
    """Return a fraction without needless zeros, one digit behind its point at least."""
    return re.sub(r"(\.[0-9]+?)0+$", r"\1", fraction)
