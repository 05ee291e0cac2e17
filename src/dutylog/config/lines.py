"""On which line each key of a TOML text stands, so that a problem can point at it.

Python's TOML reader gives values without places. This walks a text that the reader has already
accepted, so it needs to know only where statements begin and end, not what they mean.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

KeyPath = tuple[str | int, ...]

_PIECE = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # a closing run may hold two quotes that belong to the text
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|\n"
    r"|[\[\]{}]"
    r"|[^\"'#\n\[\]{}]+",
    re.DOTALL,
)


def find_lines(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) of every table header and key; keys inside inline tables are left out.

    Args:
        text: TOML that tomllib accepts.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for line, statement in _statements(text.replace("\r\n", "\n")):
        if statement.startswith("["):
            table = _open_table(statement, counts)
            lines.setdefault(table, line)
            if table and isinstance(table[-1], int):
                lines.setdefault(table[:-1], line)
        else:
            path = table
            for name in _names(_key_text(statement) + "= 0"):
                path = (*path, name)
                lines.setdefault(path, line)
    return lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Return the line of a key, or of the nearest table around it; None when even that is unknown."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _statements(text: str) -> list[tuple[int, str]]:
    """Return each header or key-value pair with its first line."""
    found: list[tuple[int, str]] = []
    line, depth, start, start_line = 1, 0, -1, 1
    for match in _PIECE.finditer(text):
        piece = match.group()
        if start < 0 and not piece.isspace() and not piece.startswith("#"):
            start, start_line = match.start(), line
        depth += (piece in ("[", "{")) - (piece in ("]", "}"))
        line += piece.count("\n")
        if piece == "\n" and depth == 0 and start >= 0:
            found.append((start_line, text[start : match.start()].strip()))
            start = -1
    if start >= 0:
        found.append((start_line, text[start:].strip()))
    return found


def _key_text(statement: str) -> str:
    """Return what stands left of the first `=` outside quotes."""
    for match in _PIECE.finditer(statement):
        piece = match.group()
        if "=" in piece and not piece.startswith(('"', "'")):
            return statement[: match.start() + piece.index("=")]
    return statement


def _open_table(header: str, counts: dict[KeyPath, int]) -> KeyPath:
    """Return the path of a table header; an array's header counts one up."""
    names = _names(header)
    path: KeyPath = ()
    for place, name in enumerate(names):
        path = (*path, name)
        if place == len(names) - 1 and header.startswith("[["):
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _names(statement: str) -> list[str]:
    """Return the parts of a dotted key, read by the TOML reader itself."""
    node: Any = tomllib.loads(statement)
    names: list[str] = []
    while node:
        if isinstance(node, list):
            node = node[0]
        else:
            ((name, node),) = node.items()
            names.append(name)
    return names
