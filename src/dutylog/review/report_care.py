"""The report's care list as text in the chosen units. What is to do, and the caution with it, is never cut."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dutylog.domain.quantity import utc_text
from dutylog.review.report_words import WORDS_LIMIT, clean_text, words_text
from dutylog.review.review import CareItem


@dataclass(frozen=True, slots=True)
class Task:
    """One line of the care list."""

    text: str
    why: str
    caution: str
    done: str
    is_done: bool


def tasks(items: Iterable[CareItem], system: str, limit: int = WORDS_LIMIT) -> list[Task]:
    """Return what this trip calls for, in its order; what is still to do and the caution with it are never cut."""
    return [
        Task(
            words_text(item.text, system, None if item.done_by is None else limit),
            words_text(item.why, system, limit),
            words_text(item.caution or (), system, None if item.done_by is None else limit),
            _done(item),
            item.done_by is not None,
        )
        for item in items
        if item.is_asked or item.done_by is not None
    ]


def not_needed(items: Iterable[CareItem], system: str, limit: int = WORDS_LIMIT) -> list[str]:
    """Return what this trip doesn't call for, with the reason."""
    rest = [item for item in items if not item.is_asked and item.done_by is None]
    return [f"{words_text(item.text, system, limit)} ({words_text(item.why, system, limit)})" for item in rest]


def _done(item: CareItem) -> str:
    if item.done_by is None:
        return ""
    note = f": {clean_text(item.note, 80)}" if item.note else ""
    return f"done by {clean_text(item.done_by, 40)}, {utc_text(item.done_utc_s)}{note}"
