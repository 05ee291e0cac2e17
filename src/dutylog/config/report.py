"""Problems and notes, gathered as one line each: file, line, key, value seen, remedy."""

from __future__ import annotations

import datetime
import difflib
import re
from collections.abc import Iterable
from functools import cached_property
from pathlib import Path
from typing import Any

from dutylog.config.limits import one_line, show_number, show_text
from dutylog.config.lines import KeyPath, find_lines, line_of

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_UNKNOWN_LINE = 1 << 30


class Report:
    """Gathers what is to be said about one file."""

    def __init__(self, path: Path, text: str) -> None:
        self._file = one_line(str(path))
        self._text = text
        self._problems: list[tuple[int, str]] = []
        self._notes: list[tuple[int, str]] = []

    def problem(self, path: KeyPath, text: str) -> None:
        """Add something that must be put right."""
        self._problems.append(self._line(path, text))

    def note(self, path: KeyPath, text: str) -> None:
        """Add something odd but allowed."""
        self._notes.append(self._line(path, text))

    @property
    def problems(self) -> tuple[str, ...]:
        """Return one line for each problem, in the order of the file."""
        return tuple(text for _, text in sorted(self._problems, key=lambda item: item[0]))

    @property
    def notes(self) -> tuple[str, ...]:
        """Return one line for each note, in the order of the file."""
        return tuple(text for _, text in sorted(self._notes, key=lambda item: item[0]))

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        return find_lines(self._text)

    def _line(self, path: KeyPath, text: str) -> tuple[int, str]:
        line = line_of(self._lines, path)
        place = self._file if line is None else f"{self._file}:{line}"
        return (_UNKNOWN_LINE if line is None else line), f"{place}: {show_path(path)}: {text}"


def show_path(path: KeyPath) -> str:
    """Return a key path as people read it; things in a list count from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            name = part if _BARE_KEY.fullmatch(part) else show_text(part)
            text += f".{name}" if text else name
    return text or "file"


def show_value(value: Any) -> str:
    """Return a value as it might stand in the file, on one line, shortened."""
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float():
            return show_number(value) if abs(value) < float("inf") else str(value)
        case str():
            return show_text(value)
        case datetime.date() | datetime.time():
            return value.isoformat()
    return "this"


def kind_of(value: Any) -> str:
    """Return what kind of value this is, in words."""
    match value:
        case bool():
            return "true/false"
        case int() | float():
            return "a number"
        case str():
            return "text"
        case list():
            return "an array"
        case dict():
            return "a table"
    return "a date or time"


def nearest(name: str, known: Iterable[str]) -> str:
    """Return `; did you mean "x"? known: x, y`, with the first part only where something is near."""
    names = sorted(known)
    close = difflib.get_close_matches(name[:80], names, n=1, cutoff=0.6)
    guess = f"did you mean {show_text(close[0])}? " if close else ""
    shown = ", ".join(one_line(n) for n in names[:20]) + (", …" if len(names) > 20 else "")
    return f"; {guess}known: {shown or 'none'}"
