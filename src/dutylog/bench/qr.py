"""A QR code as a drawing (SVG), by segno. Source: ISO/IEC 18004 for the code."""

from __future__ import annotations

from dataclasses import dataclass

from dutylog.errors import InputError

LEVEL = "m"
"""A seventh of the code may be dirty or scratched; more would take a larger code. Source: ISO/IEC 18004; judgement."""
QUIET = 4
"""Empty modules around it. Source: ISO/IEC 18004."""
MOST_SIGNS = 2000
"""The largest code at that level holds 2331 bytes. Source: ISO/IEC 18004."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A code as one path of an SVG, one unit a module. size: width and height with the quiet zone, in modules."""

    path: str
    size: int


def draw_path(text: str) -> Drawing:
    """Return a code as a path for an SVG of one's own; InputError for a text that is too long."""
    rows = _make(text)
    runs = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            length = 1
            while x + length < len(row) and row[x + length] == row[x]:
                length += 1
            if row[x]:
                runs.append(f"M{x + QUIET} {y + QUIET}h{length}v1h-{length}z")
            x += length
    return Drawing("".join(runs), len(rows) + 2 * QUIET)


def make_svg(text: str, title: str) -> bytes:
    """Return a code as a whole SVG file, black on white so that it can be read on any paper.

    Args:
        title: what it says, for who can't see it; escaped here.
    """
    drawing = draw_path(text)
    size = drawing.size
    safe = title.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}" width="{size}mm" height="{size}mm" '
        f'role="img"><title>{safe}</title><path fill="#fff" d="M0 0h{size}v{size}h-{size}z"/>'
        f'<path fill="#000" d="{drawing.path}"/></svg>\n'
    ).encode()


def _make(text: str) -> list[list[int]]:
    if not 0 < len(text) <= MOST_SIGNS:
        raise InputError(f"a QR code of {len(text)} signs; 1 to {MOST_SIGNS} fit")
    import segno

    code = segno.make(text, error=LEVEL, micro=False, boost_error=False)
    return [[1 if module else 0 for module in row] for row in code.matrix]
