"""When two spellings are one person: for accounts, and for signatures that two people must give."""

from __future__ import annotations

import unicodedata

_DROPPED = frozenset(".\u00b7\u2024")
"""Dots in initials, which people set or leave out."""


def person_key(name: str) -> str:
    """Return what makes two names one person, '' for one of dots and invisible signs only.

    Source: compatibility composition and case folding of Unicode (chapter 3.13, UAX 15; from memory); that format
    characters, dots and the width of blanks tell nobody apart is judgement. Letters of another alphabet that look
    alike stay different.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    seen = "".join(one for one in folded if unicodedata.category(one) != "Cf" and one not in _DROPPED)
    return " ".join(seen.split())
