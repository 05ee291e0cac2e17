"""Which letters a printed order can't show: those that no font of this machine has would come out as empty boxes."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterable

FIRST_ODD = 0x0530
"""Latin, Greek and Cyrillic stand before it; every font that draws a page has them. Source: The Unicode Standard."""
MOST_ASKED = 12
"""Letters asked about: those of one script come with one font. Judgement."""
ASK_S = 5.0
REMEDY = "apt-get install fonts-noto-core fonts-noto-cjk"


def find_missing(text: str, known: Iterable[int] = ()) -> str:
    """Return letters of a text that no font has, at most MOST_ASKED; '' where all print or nobody can tell.

    Args:
        known: code points of fonts that come along.
    """
    have = set(known)
    asked = sorted({one for one in text if ord(one) >= FIRST_ODD and one.isprintable() and ord(one) not in have})
    program = shutil.which("fc-list")
    if not asked or program is None:
        return ""
    step = -(-len(asked) // MOST_ASKED)
    return "".join(one for one in asked[::step] if not _has_font(program, ord(one)))


def _has_font(program: str, code: int) -> bool:
    try:
        found = subprocess.run([program, f":charset={code:x}", "file"], capture_output=True, timeout=ASK_S, check=True)
    except (OSError, subprocess.SubprocessError):
        return True  # nobody can tell
    return bool(found.stdout.strip())
