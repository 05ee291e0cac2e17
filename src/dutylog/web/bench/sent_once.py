"""A form that came twice counts once: gloves tap again where a line is slow, and the browser sends it again."""

from __future__ import annotations

import asyncio
import hashlib
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from dutylog.web.bench.upload import Given

Outcome = TypeVar("Outcome")
ONCE_FIELD = "once"
"""Of every form: random, made with its page (pages.py)."""
MOST_KEPT = 512
"""Forms remembered: hours of a shop's work. Judgement."""


def once_key(csrf: str, path: str, given: Given) -> bytes | None:
    """Return what two sendings of one form with the same content have in common, None where it has no mark.

    Content is part of it: a page somebody went back to, and filled in otherwise, is something new.
    """
    once = given.fields.get(ONCE_FIELD, "")
    if not once:
        return None
    texts = [csrf, path, *(text for pair in sorted(given.fields.items()) for text in pair)]
    hashed = hashlib.sha256()
    pieces = [one.encode("utf-8", "surrogatepass") for one in texts]
    pieces += [piece for name, one in sorted(given.files.items()) for piece in (name.encode("utf-8"), one.data)]
    for piece in pieces:
        hashed.update(len(piece).to_bytes(8, "big") + piece)
    return hashed.digest()


class SentOnce:
    """Remembers what became of forms; one that comes while the same is at work waits for it."""

    def __init__(self) -> None:
        self._known: OrderedDict[bytes, asyncio.Future[Any]] = OrderedDict()

    async def run(
        self, key: bytes | None, work: Callable[[], Awaitable[Outcome]], counts: Callable[[Outcome], bool]
    ) -> tuple[Outcome, bool]:
        """Return what `work` brings, and whether it was done before.

        Args:
            key: of once_key; None: it is simply done. counts: whether an outcome is remembered; a refusal isn't, so
            that it may be sent again.
        """
        if key is None:
            return await work(), False
        while (before := self._known.get(key)) is not None:
            kept: Outcome | None = await asyncio.shield(before)
            if kept is not None:
                return kept, True
        mine: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        self._known[key] = mine
        outcome: Outcome | None = None
        try:
            found = await work()
            outcome = found if counts(found) else None
            return found, False
        finally:
            if outcome is None:
                self._known.pop(key, None)
            mine.set_result(outcome)
            self._forget()

    def _forget(self) -> None:
        for key in [key for key, one in self._known.items() if one.done()][: max(0, len(self._known) - MOST_KEPT)]:
            del self._known[key]
