"""What people may call things: checks, and the nearest known name for a mistyped one."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from dutylog.errors import InputError

NAME_LIMIT = 64
NOTE_LIMIT = 500


def check_text(text: object, what: str, limit: int = NAME_LIMIT) -> str:
    """Return `text` when it is a printable, trimmed line of at most `limit` characters.

    Raises:
        InputError: it is not; the text names `what`.
    """
    if not isinstance(text, str):
        raise InputError(f"{what}: {text!r:.40} is no text")
    if not text or text != text.strip() or not text.isprintable():
        raise InputError(f"{what}: {text!r:.80} must be printable, not empty, without space at its ends")
    if len(text) > limit:
        raise InputError(f"{what}: {len(text)} characters, at most {limit} are allowed")
    return text


def nearest(name: str, known: Iterable[str]) -> str:
    """Return what to say about an unknown name: the nearest known one, or all when there are few."""
    names = sorted(set(known))
    if not names:
        return "none is known yet"
    close = get_close_matches(name, names, n=1, cutoff=0.0)
    return f"the nearest known is {(close or names)[0]}"
